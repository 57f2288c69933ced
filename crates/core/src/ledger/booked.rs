//! What the book knows of lots at a place at the instant of a count, and what water they can have lost there since.

use chrono::{DateTime, TimeDelta, Utc};

use crate::{
    cold::{
        exposure::{Segment, mean_air, seconds},
        unknown_air::UnknownAir,
        weight_loss::{Entry, Goods, PublishedLoss, Surroundings, published_loss, rates},
    },
    kinds::{Form, Packaging},
    ledger::loss_watch::LossKind,
    text::StrainCode,
    units::{calendar::Span, quantity::Grams},
};

/// What the book knows of a lot at the place and instant of a count.
#[derive(Debug, Clone, PartialEq)]
pub struct Booked {
    /// Its strain.
    pub strain: StrainCode,
    /// Its packaging.
    pub packaging: Packaging,
    /// Fresh or dried.
    pub form: Form,
    /// At the place now, whenever that came.
    pub grams_now: Grams,
    /// When it was last weighed at a count there before, if it was. Where a count found just what the book had, it may have been looked at only.
    pub counted_before: Option<DateTime<Utc>>,
    /// When it was counted there again since, if it was.
    pub counted_after: Option<DateTime<Utc>>,
    /// What came and left until the count, in order of time.
    pub moved: Vec<Moved>,
}

/// What came to a place at an instant, or left it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moved {
    /// When.
    pub at: DateTime<Utc>,
    /// How much; below zero where more left than came.
    pub grams: Grams,
    /// Whether any of it came from another store.
    pub from_store: bool,
}

impl Booked {
    /// What the book had then. Below zero where things were entered with wrong times.
    #[must_use]
    pub fn grams_then(&self) -> Grams {
        self.moved.iter().map(|m| m.grams).sum()
    }

    /// From when on it loses water that no scale has seen: the last count, or when it came.
    #[must_use]
    pub fn since(&self) -> Option<DateTime<Utc>> {
        self.counted_before.max(self.moved.first().map(|m| m.at))
    }

    fn entries(&self, counted_at: DateTime<Utc>) -> Vec<Entry> {
        let since = self.since().unwrap_or(counted_at);
        let hours = |at: DateTime<Utc>| seconds(Span { from: at.max(since), until: counted_at }) / 3600.0;
        self.moved.iter().map(|m| Entry { grams: m.grams, hours: hours(m.at) }).collect()
    }

    /// Whether a fifth of it or more came from another store since it was last weighed here: what it lost there weighs as much as what it lost
    /// here then.
    #[must_use]
    pub fn came_by_transfer(&self) -> bool {
        let since = |m: &&Moved| m.from_store && self.counted_before.is_none_or(|counted| m.at > counted);
        let carried: Grams = self.moved.iter().filter(since).map(|m| m.grams).sum();
        carried > Grams::ZERO && carried.0 * 5 >= self.grams_then().0
    }

    /// What it loses alike with; nothing where it is dried.
    #[must_use]
    pub fn loss_kind(&self) -> Option<LossKind> {
        let kind = || LossKind { strain: self.strain.clone(), packaging: self.packaging };
        (self.form == Form::Fresh).then(kind)
    }

    /// What it has lost by the count at the published rates.
    #[must_use]
    pub fn published_loss(&self, air: &AirBefore, counted_at: DateTime<Utc>) -> PublishedLoss {
        let since = self.since().unwrap_or(counted_at).min(counted_at);
        let goods = Goods { packaging: self.packaging, form: self.form };
        let rates = rates(goods, &air.over(Span { from: since, until: counted_at }));
        published_loss(&self.entries(counted_at), rates)
    }
}

/// Air of a place before a count.
#[derive(Debug, Clone, PartialEq)]
pub struct AirBefore {
    known: Vec<Segment>,
    unknown: UnknownAir,
    humidity_percent: f64,
}

impl AirBefore {
    /// The air of a place before an instant: what is `known` of it, and what is assumed of the hours that were not read. Where the place was
    /// read in the day before, that is the likeliest for them.
    #[must_use]
    pub fn new(known: Vec<Segment>, unknown: UnknownAir, humidity_percent: f64, at: DateTime<Utc>) -> Self {
        let day = Span { from: at - TimeDelta::days(1), until: at };
        let unknown = mean_air(&known, day).map_or(unknown, |day| unknown.read_nearby(day.mean_c));
        Self { known, unknown, humidity_percent }
    }

    fn over(&self, span: Span) -> Surroundings {
        let known = mean_air(&self.known, span);
        let known_hours = known.map_or(0.0, |k| k.known_s / 3600.0);
        let UnknownAir { coldest_c, likeliest_c, warmest_c, .. } = self.unknown;
        Surroundings {
            known_hours,
            known_c: known.map_or(likeliest_c, |k| k.mean_c),
            unknown_hours: seconds(span) / 3600.0 - known_hours,
            unknown_c: [coldest_c, likeliest_c, warmest_c],
            humidity_percent: self.humidity_percent,
        }
    }
}
