//! The counts of goods of one kind, day after day: what they teach of its loss, and whether more is missing than that.

use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::loss_factor::{LossFactor, WeighedLot};
use crate::{
    cold::weight_loss::ExpectedLoss,
    kinds::Packaging,
    refusal::Refusal,
    text::{Line, LotCode, PlaceCode, StrainCode},
    units::{
        calendar::{Day, day_begins},
        quantity::Grams,
    },
};

/// Days before a count of which it is looked back on.
pub const MAX_AGE_DAYS: i64 = 730;
/// The newest days with a count that teach: boxes, lids and seasons change.
const MAX_TAUGHT_DAYS: usize = 26;
/// The most days with a count that are looked at together for what is missing.
const MAX_WATCHED_DAYS: usize = 3;
/// The probability below which what is missing is told: that goods as learned lose so much or more.
pub const MAX_PROBABILITY: f64 = 1e-4;

/// Fresh goods that lose water alike.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct LossKind {
    /// Their strain.
    pub strain: StrainCode,
    /// Their packaging.
    pub packaging: Packaging,
}

/// The lots of a kind that were weighed on a day, at one count or several.
#[derive(Debug, Clone, PartialEq)]
pub struct KindDay {
    /// The farm's day.
    pub day: NaiveDate,
    /// When the first of them was counted.
    pub counted_at: DateTime<Utc>,
    /// The lots.
    pub lots: Vec<CountedLot>,
    /// A count of the day warned, and nobody has said since that its loss was water. It teaches nothing: else a thief would pass for water in
    /// time.
    pub warned: bool,
}

/// A lot at a count.
#[derive(Debug, Clone, PartialEq)]
pub struct CountedLot {
    /// Which lot, and where.
    pub at: (LotCode, PlaceCode),
    /// What the scale said of it.
    pub lot: WeighedLot,
    /// Somebody said why there was more than the book had. It tells nothing of water, but makes up for what another lot is missing.
    pub explained: bool,
    /// A fifth of it or more came from another store since it was last weighed, by the book's weight: what it lost there is not known, so it tells
    /// neither of water nor of what is missing.
    pub transferred: bool,
}

impl CountedLot {
    /// What the book had may have been looked at and not weighed: it teaches nothing, and the water goes on until the next count.
    #[must_use]
    pub fn was_weighed(&self) -> bool {
        self.lot.counted_g != self.lot.book_g
    }

    fn is_watched(&self) -> bool {
        self.was_weighed() && !self.transferred
    }
}

impl KindDay {
    fn watched(&self) -> Vec<WeighedLot> {
        together(self.lots.iter().filter(|c| c.is_watched()))
    }

    fn teaching(&self) -> Vec<WeighedLot> {
        together(self.lots.iter().filter(|c| c.is_watched() && !c.explained))
    }
}

/// What a lot was missing at a place at all counts of a day is one weighing: who counts it forty times makes the scale no worse.
fn together<'a>(counted: impl Iterator<Item = &'a CountedLot>) -> Vec<WeighedLot> {
    let mut lots: BTreeMap<&(LotCode, PlaceCode), WeighedLot> = BTreeMap::new();
    for CountedLot { at, lot, .. } in counted {
        lots.entry(at)
            .and_modify(|sum| {
                sum.counted_g -= lot.book_g - lot.counted_g;
                sum.published += lot.published;
            })
            .or_insert(*lot);
    }
    lots.into_values().collect()
}

/// More of a kind is missing than water and scales explain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct LossWarning {
    /// The strain.
    pub strain: StrainCode,
    /// The packaging.
    pub packaging: Packaging,
    /// Over so many days with a count, this one the last.
    pub count_days: i32,
    /// When the first of their counts was.
    pub counted_since: DateTime<Utc>,
    /// What the book had of what was weighed at them.
    pub book_g: Grams,
    /// What was missing.
    pub missing_g: Grams,
    /// What was to be expected by the counts before, scales' errors with it.
    pub expected: ExpectedLoss,
    /// The probability that goods as they were until then are missing so much or more.
    pub probability: f64,
}

/// What somebody says of goods that are missing. It settles the warnings of their kind.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewLossAnswer {
    /// The strain.
    pub strain: StrainCode,
    /// The packaging.
    pub packaging: Packaging,
    /// What became of them, or what is different.
    pub reason: Line,
    /// Nothing was taken: since this day they lose water differently, in other boxes, under lids, before another fan. The counts from that day on
    /// teach it, and none before; a day in the last 180 days. Only warnings of counts from that day on are settled by it.
    pub differently_since: Option<Day>,
}

/// What somebody said of goods that were missing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct LossAnswer {
    /// The strain.
    pub strain: StrainCode,
    /// The packaging.
    pub packaging: Packaging,
    /// What became of them, or what is different.
    pub reason: String,
    /// The first instant of the day since which they lose water differently; none where it was not that.
    pub differently_since: Option<DateTime<Utc>>,
    /// When it was written down.
    pub recorded_at: DateTime<Utc>,
    /// Who wrote it down.
    pub entered_by: String,
}

impl NewLossAnswer {
    /// The answer as it is kept. `is_known` says whether the farm had goods of the kind lately.
    ///
    /// # Errors
    /// Refuses goods that the farm has not had, a day that is to come, and one that is too long ago.
    pub fn decide(
        &self,
        is_known: bool,
        (today, zone): (NaiveDate, Tz),
        now: DateTime<Utc>,
        by: &str,
    ) -> Result<LossAnswer, Refusal> {
        if !is_known {
            let detail = format!("There was no fresh {} in this packaging in the last 180 days.", self.strain);
            return Err(Refusal::field("/packaging", detail));
        }
        if let Some(since) = &self.differently_since {
            if since.0 > today {
                return Err(Refusal::field("/differently_since", "That day is to come. Give today or an earlier day."));
            }
            if since.0 < today - Days::new(180) {
                return Err(Refusal::field("/differently_since", "Give a day in the last 180 days."));
            }
        }
        Ok(LossAnswer {
            strain: self.strain.clone(),
            packaging: self.packaging,
            reason: self.reason.to_string(),
            differently_since: self.differently_since.as_ref().map(|day| day_begins(day.0, zone)),
            recorded_at: now,
            entered_by: by.to_owned(),
        })
    }
}

/// A day without a warning, and what was known before it.
struct QuietDay {
    before: LossFactor,
    counted_at: DateTime<Utc>,
    lots: Vec<WeighedLot>,
}

/// What the days with counts of a kind have said so far.
#[derive(Default)]
pub struct LossWatch {
    factor: LossFactor,
    /// The last days since a warning.
    quiet: Vec<QuietDay>,
}

impl LossWatch {
    /// Of days with counts, in order of time.
    #[must_use]
    pub fn of(days: &[KindDay]) -> Self {
        let mut watch = Self::default();
        let quiet = days.iter().filter(|d| !d.warned).count();
        let mut forgotten = quiet.saturating_sub(MAX_TAUGHT_DAYS);
        for day in days {
            if day.warned {
                // What was told once is not told again with what is missing later.
                watch.quiet.clear();
            } else if forgotten > 0 {
                forgotten -= 1;
            } else {
                watch.add(day);
            }
        }
        watch
    }

    fn add(&mut self, day: &KindDay) {
        let lots = day.watched();
        if lots.is_empty() {
            return;
        }
        if self.quiet.len() == MAX_WATCHED_DAYS - 1 {
            self.quiet.remove(0);
        }
        self.quiet.push(QuietDay { before: self.factor.clone(), counted_at: day.counted_at, lots });
        self.factor.learn(&day.teaching());
    }

    /// What was learned.
    #[must_use]
    pub const fn factor(&self) -> &LossFactor {
        &self.factor
    }

    /// What is told of a day that comes after those: over as few days as say it, where more is missing than water and scales explain.
    #[must_use]
    pub fn warning(&self, kind: &LossKind, today: &KindDay) -> Option<LossWarning> {
        let lots = today.watched();
        if lots.is_empty() {
            return None;
        }
        (0..=self.quiet.len()).rev().find_map(|from| {
            let earlier = &self.quiet[from..];
            let first = earlier.first();
            let before = first.map_or(&self.factor, |d| &d.before);
            let days: Vec<&[WeighedLot]> = earlier.iter().map(|d| &d.lots[..]).chain([&lots[..]]).collect();
            let probability = before.probability(&days);
            let all = || days.iter().copied().flatten();
            (probability < MAX_PROBABILITY).then(|| LossWarning {
                strain: kind.strain.clone(),
                packaging: kind.packaging,
                count_days: i32::try_from(days.len()).unwrap_or(i32::MAX),
                counted_since: first.map_or(today.counted_at, |d| d.counted_at),
                book_g: all().map(|l| l.book_g).sum(),
                missing_g: all().map(|l| l.book_g - l.counted_g).sum(),
                expected: before.expected_together(&days),
                probability,
            })
        })
    }
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng, rngs::StdRng};

    use super::*;
    use crate::{
        cold::weight_loss::{Entry, Goods, PublishedLoss, Surroundings, published_loss, rates},
        kinds::Form,
        ledger::{
            loss_factor::FactorRange,
            stock_count::{SCALE_STEP_G, split},
        },
    };

    const WEEKS: usize = 16;
    /// From this week on the thief takes a share of every lot.
    const THIEF_FROM: usize = 8;

    fn kind() -> LossKind {
        LossKind { strain: "OY".parse().unwrap(), packaging: Packaging::Open }
    }

    fn at_of(n: i32) -> (LotCode, PlaceCode) {
        (format!("OY-{n}").parse().unwrap(), "F1".parse().unwrap())
    }

    /// A Sunday's count of one strain of an invented farm: two to five lots that stood for half a day to five days at 3 °C and 90 % humidity and
    /// lost `truth` times the published rate, all of them up to 20 % more or less in a week, and each up to 30 % more or less than that; each on a
    /// scale twice, that errs by a step at most and shows whole ones.
    fn sunday(week: usize, truth: f64, stolen: f64, rng: &mut StdRng) -> KindDay {
        let air = Surroundings {
            known_hours: 1.0,
            known_c: 3.0,
            unknown_hours: 0.0,
            unknown_c: [3.0; 3],
            humidity_percent: 90.0,
        };
        let goods = Goods { packaging: Packaging::Open, form: Form::Fresh };
        let weather = truth * rng.random_range(0.8..1.2);
        let lots = 0..rng.random_range(2..=5);
        let lots = lots.map(|n| {
            let book_g = Grams(rng.random_range(400..4000));
            let entries = [Entry { grams: book_g, hours: rng.random_range(12.0..120.0) }];
            let published = published_loss(&entries, rates(goods, &air));
            let step = f64::from(i32::try_from(SCALE_STEP_G).unwrap());
            let kept = book_g.kg() * 1000.0 - published.times(weather * rng.random_range(0.7..1.3));
            let shown = kept * (1.0 - stolen) + rng.random_range(-step..step) + rng.random_range(-step..step);
            #[expect(clippy::cast_possible_truncation, reason = "grams of a crate")]
            let counted_g = Grams((shown / step).round() as i64 * SCALE_STEP_G);
            CountedLot {
                at: at_of(n),
                lot: WeighedLot { book_g, counted_g, published },
                explained: false,
                transferred: false,
            }
        });
        let counted_at = DateTime::UNIX_EPOCH + chrono::TimeDelta::weeks(i64::try_from(week).unwrap());
        KindDay { day: counted_at.date_naive(), counted_at, lots: lots.collect(), warned: false }
    }

    /// What became of a season.
    struct Season {
        truth: f64,
        /// The weeks in which something was told.
        told: Vec<usize>,
        unexplained_kg: f64,
        counted_kg: f64,
        learned: FactorRange,
    }

    fn season(seed: u64, most: f64, weeks: usize, thief: f64) -> Season {
        let mut rng = StdRng::seed_from_u64(seed);
        // From a damp fridge with lids to open boxes before a fan.
        let truth = (rng.random_range(0.07f64.ln()..most.ln())).exp();
        let mut days: Vec<KindDay> = Vec::new();
        let (mut told, mut unexplained_kg, mut counted_kg) = (Vec::new(), 0.0, 0.0);
        for week in 1..=weeks {
            let mut today = sunday(week, truth, if week >= THIEF_FROM { thief } else { 0.0 }, &mut rng);
            let watch = LossWatch::of(&days);
            let of_a_lot = watch.factor().range_of_a_lot();
            for CountedLot { lot, .. } in &today.lots {
                let parts = split(lot.book_g, lot.counted_g, &of_a_lot.expected(lot.book_g, &lot.published));
                unexplained_kg += parts.unexplained_g.kg();
                counted_kg += lot.book_g.kg();
            }
            today.warned = watch.warning(&kind(), &today).is_some();
            told.extend(today.warned.then_some(week));
            days.push(today);
        }
        Season { truth, told, unexplained_kg, counted_kg, learned: LossWatch::of(&days).factor().range() }
    }

    #[test]
    fn an_honest_season_is_quiet_and_what_it_loses_is_learned() {
        let (mut within, mut told) = (0, 0);
        for seed in 0..60 {
            let season = season(seed, 1.2, WEEKS, 0.0);
            told += season.told.len();
            assert!(season.unexplained_kg / season.counted_kg < 0.005, "seed {seed}: {}", season.unexplained_kg);
            let FactorRange { low, high, .. } = season.learned;
            within += u32::from((low..=high).contains(&season.truth));
            assert!(high / low < 1.5, "seed {seed}: {low} to {high} for {}", season.truth);
        }
        assert_eq!(told, 0);
        // Nine tenths of them, less what chance makes of it.
        assert!(within >= 50, "{within} of 60");
    }

    #[test]
    fn who_takes_three_per_cent_is_told_of_within_three_counts_and_not_before() {
        // Of goods that lose up to 2 % a day at 3 °C and 90 % humidity. Where they lose more, it takes a larger theft to stand out.
        for seed in 0..40 {
            let season = season(seed, 0.6, WEEKS, 0.03);
            let first = season.told.first();
            assert!(first.is_some_and(|w| (THIEF_FROM..THIEF_FROM + 3).contains(w)), "seed {seed}: {:?}", season.told);
        }
    }

    #[test]
    fn counting_a_lot_again_and_again_hides_nothing() {
        let mut rng = StdRng::seed_from_u64(5);
        let days: Vec<KindDay> = (1..=8).map(|week| sunday(week, 0.2, 0.0, &mut rng)).collect();
        let watch = LossWatch::of(&days);
        let mut today = sunday(9, 0.2, 0.08, &mut rng);
        let told = watch.warning(&kind(), &today).unwrap();
        let idle = WeighedLot { book_g: Grams(500), counted_g: Grams(499), published: PublishedLoss::default() };
        let more = WeighedLot { counted_g: Grams(501), ..idle };
        for lot in [idle, more].repeat(40) {
            today.lots.push(CountedLot { at: at_of(99), lot, explained: false, transferred: false });
        }
        let again = watch.warning(&kind(), &today).unwrap();
        assert_eq!((told.missing_g, told.count_days), (again.missing_g, again.count_days));
    }

    #[test]
    fn a_thief_does_not_pass_for_water_in_time() {
        // More than a year of it, where it stands out every week.
        for seed in 0..2 {
            let season = season(seed, 0.15, 70, 0.03);
            assert!(season.told.len() > 55 && season.learned.low < season.truth, "seed {seed}: {:?}", season.told);
        }
    }
}
