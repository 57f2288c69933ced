//! What the ways that grams went took of their saleable life.
//!
//! Life used on a way is the sum over its stays of what each took, by the profile of the lot that the grams were then (of the packaging
//! that they were in). Time whose temperature is known takes the exact integral of [`Profile::used`] over the air of the place; of days
//! that are long past only the figures of whole hours are kept, and the most that an hour with such figures can have taken counts
//! ([`Profile::used_at_most`]). A part of such an hour, as when something came to the place or left it within it, takes its worst
//! temperature. Time without a known temperature takes what the worst temperature that is known anywhere on the ways of
//! these grams would have taken; at a place where no temperature is known on every one of them, what the place's assumed temperature would
//! have taken, if that is more. So an unknown hour is never a good one.
//!
//! Where grams went different ways the one that took most counts ([`Fared::worst`]), and the one that took least stands beside it.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, TimeDelta, Utc};

use crate::{
    cold::{
        exposure::{Segment, seconds},
        reevaluate::hour_of,
        shelf_life::{DAY_S, Profile, Wear},
    },
    ledger::path::{Paths, Stay},
    text::{LotCode, PlaceCode},
    units::calendar::Span,
};

/// How far back the air is looked at piece by piece.
const EXACT_SPAN: TimeDelta = TimeDelta::days(8);
/// How far back life is counted by temperatures: time before counts as time without one.
pub const MAX_AGE: TimeDelta = TimeDelta::days(400);

/// The first hour that is looked at piece by piece when life is counted now: before it the figures of whole hours do.
#[must_use]
pub fn close_from(now: DateTime<Utc>) -> DateTime<Utc> {
    hour_of(now - EXACT_SPAN)
}

/// The parts of known air that lie in any of some spans that do not overlap.
#[must_use]
pub fn within(pieces: &[Segment], spans: &[Span]) -> Vec<Segment> {
    spans.iter().flat_map(|span| pieces.iter().filter_map(|p| p.clip(*span))).collect()
}

/// The figures of an hour of air.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HourAir {
    /// When it began.
    pub hour: DateTime<Utc>,
    /// Seconds of it that are known.
    pub known_s: f64,
    /// Their mean, °C.
    pub mean_c: f64,
    /// The coldest, °C.
    pub min_c: f64,
    /// The warmest, °C.
    pub max_c: f64,
}

/// The air of a place as far back as life is counted.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaceAir {
    /// Whole hours long past, in time order.
    pub hours: Vec<HourAir>,
    /// From this whole hour on the air is known piece by piece.
    pub close_from: DateTime<Utc>,
    /// Its pieces from then on, in time order.
    pub pieces: Vec<Segment>,
    /// What time without a temperature is counted at where none is known, °C.
    pub assumed_c: f64,
    /// What is expected of it from now on, °C.
    pub expected_c: f64,
}

/// A stay as far as its air is known.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Known {
    used: f64,
    seconds: f64,
    min_c: Option<f64>,
    max_c: Option<f64>,
}

impl Known {
    fn saw(&mut self, c: f64) {
        self.min_c = Some(self.min_c.map_or(c, |l| l.min(c)));
        self.max_c = Some(self.max_c.map_or(c, |m| m.max(c)));
    }

    fn saw_piece(&mut self, piece: &Segment) {
        self.saw(piece.from_c);
        self.saw(piece.until_c);
    }
}

/// Pieces whose coldest and warmest are kept together.
const BLOCK: usize = 64;

/// Seconds and extremes of the air of a place, whatever was kept in it.
#[derive(Debug)]
struct PlaceSums {
    /// Known seconds up to each hour, and of each piece and up to it.
    hours_s: Vec<f64>,
    piece_s: Vec<f64>,
    pieces_s: Vec<f64>,
    /// The coldest and the warmest of each block of pieces, °C.
    blocks: Vec<Known>,
}

fn running(of: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut sums = vec![0.0];
    sums.extend(of.scan(0.0, |sum, one| {
        *sum += one;
        Some(*sum)
    }));
    sums
}

impl PlaceSums {
    fn of(air: &PlaceAir) -> Self {
        let piece_s: Vec<f64> = air.pieces.iter().map(|p| seconds(p.span)).collect();
        let block = |pieces: &[Segment]| {
            let mut known = Known::default();
            for piece in pieces {
                known.saw_piece(piece);
            }
            known
        };
        Self {
            hours_s: running(air.hours.iter().map(|h| h.known_s)),
            pieces_s: running(piece_s.iter().copied()),
            piece_s,
            blocks: air.pieces.chunks(BLOCK).map(block).collect(),
        }
    }

    /// Notes the coldest and the warmest of some pieces, given by number.
    fn see(&self, known: &mut Known, air: &PlaceAir, mut from: usize, until: usize) {
        while from < until {
            if from.is_multiple_of(BLOCK) && from + BLOCK <= until {
                let block = &self.blocks[from / BLOCK];
                block.min_c.into_iter().chain(block.max_c).for_each(|c| known.saw(c));
                from += BLOCK;
            } else {
                known.saw_piece(&air.pieces[from]);
                from += 1;
            }
        }
    }
}

/// Life of one profile used in a place's air from each hour and piece to the last, so that a stay's share is one subtraction. Counted only as
/// far back as somebody asks.
#[derive(Debug)]
struct UsedSums {
    hours: Vec<f64>,
    pieces: Vec<f64>,
}

/// The sum over the numbers `from..until` of `of`, of which there are `n`; `tails` has the sums over the last ones and grows.
fn sum_between(tails: &mut Vec<f64>, n: usize, (from, until): (usize, usize), of: impl Fn(usize) -> f64) -> f64 {
    if from >= until {
        return 0.0;
    }
    while tails.len() <= n - from {
        let tail = tails[tails.len() - 1] + of(n - tails.len());
        tails.push(tail);
    }
    tails[n - from] - tails[n - until]
}

impl UsedSums {
    fn new() -> Self {
        Self { hours: vec![0.0], pieces: vec![0.0] }
    }

    fn hours(&mut self, air: &PlaceAir, profile: &Profile, between: (usize, usize)) -> f64 {
        sum_between(&mut self.hours, air.hours.len(), between, |n| {
            let h = &air.hours[n];
            profile.used_at_most(h.known_s, h.mean_c, h.min_c, h.max_c)
        })
    }

    fn pieces(&mut self, air: &PlaceAir, sums: &PlaceSums, profile: &Profile, between: (usize, usize)) -> f64 {
        sum_between(&mut self.pieces, air.pieces.len(), between, |n| {
            profile.used_along(air.pieces[n].from_c, air.pieces[n].until_c, sums.piece_s[n])
        })
    }
}

/// The air of a place as goods of one profile took it.
struct Exposed<'a> {
    air: &'a PlaceAir,
    place: &'a PlaceSums,
    used: &'a mut UsedSums,
    profile: &'a Profile,
}

impl Exposed<'_> {
    fn over(&mut self, span: Span) -> Known {
        let mut known = Known::default();
        self.add_hours(&mut known, Span { until: span.until.min(self.air.close_from), ..span });
        self.add_pieces(&mut known, Span { from: span.from.max(self.air.close_from), ..span });
        known
    }

    fn add_hours(&mut self, known: &mut Known, span: Span) {
        let hour = TimeDelta::hours(1);
        let hours = &self.air.hours;
        let first = hours.partition_point(|h| h.hour + hour <= span.from);
        let end = hours.partition_point(|h| h.hour < span.until).max(first);
        // Hours that the stay is in from end to end.
        let whole = first + hours[first..end].partition_point(|h| h.hour < span.from);
        let whole_end = whole.max(hours[..end].partition_point(|h| h.hour + hour <= span.until));
        known.used += self.used.hours(self.air, self.profile, (whole, whole_end));
        known.seconds += self.place.hours_s[whole_end] - self.place.hours_s[whole];
        for (n, h) in hours.iter().enumerate().take(end).skip(first) {
            if !(whole..whole_end).contains(&n) {
                let part = seconds(Span { from: span.from.max(h.hour), until: span.until.min(h.hour + hour) });
                // Which seconds of the hour are known is not kept: the least that can be known of the part counts.
                let known_s = (h.known_s - (3600.0 - part)).max(0.0);
                known.used += known_s / DAY_S * self.profile.fastest(h.min_c, h.max_c);
                known.seconds += known_s;
            }
            known.saw(h.min_c);
            known.saw(h.max_c);
        }
    }

    fn add_pieces(&mut self, known: &mut Known, span: Span) {
        if span.from >= span.until {
            return;
        }
        let pieces = &self.air.pieces;
        let first = pieces.partition_point(|p| p.span.until <= span.from);
        let end = pieces.partition_point(|p| p.span.from < span.until).max(first);
        known.used += self.used.pieces(self.air, self.place, self.profile, (first, end));
        known.seconds += self.place.pieces_s[end] - self.place.pieces_s[first];
        // Only the first and the last can lie in it in part.
        let mut seen = (first, end);
        for n in [first, end.saturating_sub(1)] {
            let Some(piece) = pieces[..end].get(n).filter(|_| n >= first && seen.0 < seen.1) else { continue };
            let Some(inside) = piece.clip(span) else { continue };
            if inside != *piece {
                known.used -= self.profile.used(piece) - self.profile.used(&inside);
                known.seconds -= seconds(piece.span) - seconds(inside.span);
                known.saw_piece(&inside);
                if n == first { seen.0 += 1 } else { seen.1 -= 1 }
            }
        }
        self.place.see(known, self.air, seen.0, seen.1);
    }
}

/// How grams fared: on the way that took most of their life, and on the one that took least.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fared {
    /// By the way that took most.
    pub worst: Wear,
    /// By the way that took least.
    pub best: Wear,
}

/// Counts what the ways of grams took of their life.
#[derive(Debug)]
pub struct Wearing<'a> {
    paths: &'a Paths,
    airs: &'a BTreeMap<PlaceCode, PlaceAir>,
    profiles: &'a Profiles,
    places: BTreeMap<PlaceCode, PlaceSums>,
    used: BTreeMap<(PlaceCode, usize), UsedSums>,
}

/// The profiles of some lots. Many share one.
#[derive(Debug, Clone, Default)]
pub struct Profiles {
    /// The profiles.
    pub all: Vec<Profile>,
    /// Which of them is a lot's. A lot without one is not in it.
    pub of: BTreeMap<LotCode, usize>,
}

impl<'a> Wearing<'a> {
    /// Over paths, the air of the places on them, and the profile of each lot, where it has one.
    #[must_use]
    pub fn new(paths: &'a Paths, airs: &'a BTreeMap<PlaceCode, PlaceAir>, profiles: &'a Profiles) -> Self {
        Self { paths, airs, profiles, places: BTreeMap::new(), used: BTreeMap::new() }
    }

    /// How the grams that stand in a stay have fared until now. Nothing where the lot has no profile or the air of its place was not
    /// given. A lot that they were before and that has no profile of its own counts by this lot's.
    #[must_use]
    pub fn fared(&mut self, stay: usize) -> Option<Fared> {
        let own = *self.profiles.of.get(&self.paths.stays()[stay].lot)?;
        let expected_c = self.airs.get(&self.paths.stays()[stay].place)?.expected_c;
        let behind = self.paths.behind(stay);
        let known: BTreeMap<usize, Known> = behind.iter().map(|n| (*n, self.known(*n, own))).collect();
        let unknown = Unknown::on(self.paths, &known);
        let mut fared: BTreeMap<usize, Fared> = BTreeMap::new();
        for (n, known) in &known {
            let here = &self.paths.stays()[*n];
            let profile = &self.profiles.all[self.profile_of(here, own)];
            let assumed_c = self.airs.get(&here.place).map_or(f64::NAN, |a| a.assumed_c);
            let step = unknown.step(here, known, profile, assumed_c, expected_c);
            let before = |pick: fn(&Fared) -> Wear, more: fn(f64, f64) -> bool| {
                here.before
                    .iter()
                    .filter_map(|b| fared.get(b))
                    .map(pick)
                    .reduce(|a, b| if more(b.used, a.used) { b } else { a })
            };
            let worst = before(|f| f.worst, |b, a| b > a).unwrap_or_default().then(&step, &self.profiles.all[own]);
            let best = before(|f| f.best, |b, a| b < a).unwrap_or_default().then(&step, &self.profiles.all[own]);
            fared.insert(*n, Fared { worst, best });
        }
        fared.remove(&stay)
    }

    fn profile_of(&self, stay: &Stay, own: usize) -> usize {
        self.profiles.of.get(&stay.lot).copied().unwrap_or(own)
    }

    fn known(&mut self, n: usize, own: usize) -> Known {
        let stay = &self.paths.stays()[n];
        let number = self.profile_of(stay, own);
        let Some(air) = self.airs.get(&stay.place).filter(|_| stay.span.from < stay.span.until) else {
            return Known::default();
        };
        let profile = &self.profiles.all[number];
        let place = &*self.places.entry(stay.place.clone()).or_insert_with(|| PlaceSums::of(air));
        let used = self.used.entry((stay.place.clone(), number)).or_insert_with(UsedSums::new);
        Exposed { air, place, used, profile }.over(stay.span)
    }
}

/// What is known of the temperatures on the ways of some grams, for the time without one.
#[derive(Debug, Default)]
struct Unknown<'a> {
    extremes: Vec<f64>,
    /// Places at which a temperature is known on every one of the ways.
    known_at: BTreeSet<&'a PlaceCode>,
}

impl<'a> Unknown<'a> {
    /// `known` are the stays of the ways, the last of them where the grams are now.
    fn on(paths: &'a Paths, known: &BTreeMap<usize, Known>) -> Self {
        let mut all = Known::default();
        let mut certain: BTreeMap<usize, BTreeSet<&PlaceCode>> = BTreeMap::new();
        for (n, k) in known {
            let stay = &paths.stays()[*n];
            let before = stay.before.iter().filter_map(|b| certain.get(b)).cloned();
            let mut places = before.reduce(|a, b| &a & &b).unwrap_or_default();
            for c in k.min_c.into_iter().chain(k.max_c) {
                all.saw(c);
                places.insert(&stay.place);
            }
            certain.insert(*n, places);
        }
        Self {
            extremes: all.min_c.into_iter().chain(all.max_c).collect(),
            known_at: certain.pop_last().map(|last| last.1).unwrap_or_default(),
        }
    }

    /// What a stay took.
    fn step(&self, stay: &Stay, known: &Known, profile: &Profile, assumed_c: f64, expected_c: f64) -> Wear {
        let whole_s = seconds(stay.span);
        let unknown_s = (whole_s - known.seconds).max(0.0);
        let assumed = (!self.known_at.contains(&stay.place) && assumed_c.is_finite()).then_some(assumed_c);
        let at_c = self
            .extremes
            .iter()
            .copied()
            .chain(assumed)
            .min_by(|a, b| profile.life_days(*a).total_cmp(&profile.life_days(*b)))
            .unwrap_or(expected_c);
        let days = unknown_s / DAY_S;
        let rate = 1.0 / profile.life_days(at_c);
        let hopeful = rate.min(1.0 / profile.life_days(expected_c));
        Wear {
            used: known.used + days * rate,
            used_at_least: known.used + days * hopeful,
            known_s: known.seconds.min(whole_s),
            whole_s,
            assumed_c: (unknown_s > 0.0).then_some(at_c),
        }
    }
}
