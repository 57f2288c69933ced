//! Too warm, too cold, no data, probe fault: the air of a place evaluated hour by hour.
//!
//! An hour is a pure function of the state that it begins with, its readings and the rules: it gives the hour's figures, the excursions that
//! ended in it and the state that the next hour begins with. A late reading is evaluated by doing its hour again and going on until an
//! hour ends in the state that it ended in before; the result is then that of evaluating everything again, to the last bit.
//!
//! Warm is judged on the product, which lags behind the air, so that an open door is no warm food; an air limit stands behind it as a
//! backstop. A spell counts once the limit has been passed for longer than the grace time, from when it was passed, and ends below
//! the limit less the hysteresis. Exactly at a limit is within it. Cold is judged on the product alone, in mirror image.
//!
//! # What a gap does
//!
//! A gap is time longer than the gap limit between two readings. What is not known is never taken as harmless, and what is harmless is
//! another thing for each kind:
//!
//! - **The product** has two estimates. Over a gap the air may have been anything, so neither estimate may come out of it better than it
//!   went in or than what is read first. The *warm* one begins after a gap as the warmer of what it was and the first air, and warm spells
//!   are judged on it; the *cold* one as the colder of the two, and cold spells are judged on it. Both then follow the same air, and within a
//!   few time constants they are one again. Taking the warmer of the two for both sides would end a cold spell by the absence of
//!   readings.
//! - **A warm spell**, whether it has lasted beyond the grace time or not, goes on through a gap while the warm estimate after it is still
//!   beyond the limit. The time of the gap counts towards the grace time and towards how long the spell lasted, because nothing says that
//!   it was cold meanwhile; it does not count as known time, and adds nothing to the degree-minutes. Readings that come and go would
//!   otherwise never last long enough to count, however warm they all are.
//! - **A cold spell** likewise, by the cold estimate.
//! - **A spell that only the air limit began** goes on through a gap where the first air after it is beyond that limit, or the warm estimate
//!   beyond its own.
//! - **No data** is the gap itself where it is longer than the silence time: from the last known instant to the next one. A lone reading
//!   between two gaps is a point and makes no time known, so that two silences with one reading between them are one.
//! - **A lone reading** may still begin a spell or carry one on: from its instant, by both estimates as after any gap, and by the air limit.
//!   It never ends one, however cool it is: nothing is known on either side of it. A probe whose every reading is further from the next
//!   than the gap limit would otherwise never tell of anything.
//! - **A probe's fault** lasts from its first fault to its next good reading. A gap neither begins nor ends it.
//! - At the end of what is known nothing goes on: a spell that has not lasted beyond the grace time waits for the next reading, and
//!   meanwhile the silence is what is told.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

use crate::{
    cold::{
        air::{HOUR_S, Last, LastReading, Piece, Reading, instant, instant_within, pieces, seconds_into},
        kinetic::aged_seconds,
        product::Product,
    },
    units::calendar::Span,
    words::ExcursionKind,
};

/// The rules of a place from an instant on.
#[derive(Debug, Clone, PartialEq)]
pub struct Rules {
    /// Since when.
    pub from: DateTime<Utc>,
    /// Too warm above this, °C, by the product.
    pub warm_c: f64,
    /// Too warm above this, °C, by the air: the backstop.
    pub air_c: f64,
    /// Too cold below this, °C, by the product.
    pub cold_c: f64,
    /// How long a limit may be passed before it counts.
    pub grace: TimeDelta,
    /// °C back inside the limit at which a spell ends.
    pub hysteresis_c: f64,
    /// The longest time between two readings that is bridged.
    pub gap: TimeDelta,
    /// The longest silence that is not an excursion.
    pub silence: TimeDelta,
    /// Time constant of the food behind the air.
    pub lag: TimeDelta,
}

/// A spell beyond a limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Spell {
    /// When the limit was passed.
    pub from: DateTime<Utc>,
    /// Whether it has lasted beyond the grace time.
    pub counts: bool,
    /// The farthest that the air went, °C.
    pub air_c: f64,
    /// The farthest that the product went, °C, by the estimate of its side.
    pub product_c: f64,
    /// Known seconds of it.
    pub known_s: f64,
    /// °C·s of the product beyond the limit.
    pub beyond_c_s: f64,
}

/// What an hour hands to the next.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct State {
    /// The last good reading of each probe.
    pub last: Last,
    /// Since when a probe has sent nothing but faults.
    pub faulty: BTreeMap<i32, DateTime<Utc>>,
    /// Until when the air is known.
    pub known_until: Option<DateTime<Utc>>,
    /// The product then, °C: the warm estimate, which no gap makes colder.
    pub product_c: Option<f64>,
    /// The cold estimate of it, °C, which no gap makes warmer. The same where there was no gap lately.
    pub cold_product_c: Option<f64>,
    /// The spell above the warm limit.
    pub warm: Option<Spell>,
    /// The spell below the cold limit.
    pub cold: Option<Spell>,
}

/// An excursion.
#[derive(Debug, Clone, PartialEq)]
pub struct Excursion {
    /// What it is.
    pub kind: ExcursionKind,
    /// The probe, for a fault.
    pub probe: Option<i32>,
    /// When it began.
    pub from: DateTime<Utc>,
    /// When it ended; nothing while it lasts.
    pub until: Option<DateTime<Utc>>,
    /// The farthest that the air went, °C.
    pub air_c: Option<f64>,
    /// The farthest that the product went, °C.
    pub product_c: Option<f64>,
    /// Known seconds of it.
    pub known_s: f64,
    /// °C·s of the product beyond the limit.
    pub beyond_c_s: f64,
}

/// The figures of an hour. Sums of them over hours are the figures of the hours together.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Figures {
    /// Good readings.
    pub readings: i32,
    /// Faults.
    pub faults: i32,
    /// Seconds known.
    pub known_s: f64,
    /// Integral of the air, °C·s.
    pub air_integral_c_s: f64,
    /// Seconds at 0 °C that age as much.
    pub kinetic_s: f64,
    /// Seconds of air above the warm limit.
    pub above_s: f64,
    /// °C·s of air above it.
    pub above_c_s: f64,
    /// Seconds of air below the cold limit.
    pub below_s: f64,
    /// Coldest air, °C, lone readings included: an hour with one lone reading has a coldest and a warmest, no mean, and no known second.
    pub min_c: Option<f64>,
    /// Warmest air, °C, lone readings included.
    pub max_c: Option<f64>,
    /// Warmest product, °C, by the warm estimate.
    pub product_c: Option<f64>,
    /// The most that two probes were apart, °C.
    pub probe_spread_c: f64,
}

/// An hour, judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Hour {
    /// Its figures.
    pub figures: Figures,
    /// What ended in it.
    pub ended: Vec<Excursion>,
    /// The state that it ends in.
    pub state: State,
}

fn farther(seen: &mut Option<f64>, c: f64, pick: fn(f64, f64) -> f64) {
    *seen = Some(seen.map_or(c, |s| pick(s, c)));
}

impl Figures {
    /// Adds another hour's.
    pub fn add(&mut self, other: &Self) {
        self.readings += other.readings;
        self.faults += other.faults;
        self.known_s += other.known_s;
        self.air_integral_c_s += other.air_integral_c_s;
        self.kinetic_s += other.kinetic_s;
        self.above_s += other.above_s;
        self.above_c_s += other.above_c_s;
        self.below_s += other.below_s;
        for (mine, theirs, pick) in [
            (&mut self.min_c, other.min_c, f64::min as fn(f64, f64) -> f64),
            (&mut self.max_c, other.max_c, f64::max),
            (&mut self.product_c, other.product_c, f64::max),
        ] {
            if let Some(c) = theirs {
                farther(mine, c, pick);
            }
        }
        self.probe_spread_c = self.probe_spread_c.max(other.probe_spread_c);
    }

    /// Time-weighted mean of the air, °C.
    #[must_use]
    pub fn mean_c(&self) -> Option<f64> {
        (self.known_s > 0.0).then(|| self.air_integral_c_s / self.known_s)
    }
}

/// The rules in force at an instant: the last that began by then.
#[must_use]
pub fn in_force(rules: &[Rules], at: DateTime<Utc>) -> Option<&Rules> {
    rules.iter().rev().find(|r| r.from <= at)
}

/// The gap limit where a place has no rules.
pub const GAP_WITHOUT_RULES: TimeDelta = TimeDelta::minutes(15);

/// The gap limit in force at an instant.
#[must_use]
pub fn gap_at(rules: &[Rules], at: DateTime<Utc>) -> TimeDelta {
    in_force(rules, at).map_or(GAP_WITHOUT_RULES, |r| r.gap)
}

/// Judges an hour.
///
/// `rules` in the order in which they begin; `readings` those of the hour in time order; `next` each probe's first good reading after it.
#[must_use]
pub fn evaluate_hour(
    rules: &[Rules],
    hour: DateTime<Utc>,
    begins: &State,
    readings: &[Reading],
    next: &[Reading],
) -> Hour {
    let mut judge = HourEvaluator {
        rules,
        hour,
        figures: Figures::default(),
        ended: Vec::new(),
        state: begins.clone(),
        product: None,
    };
    judge.whole_hour(begins, readings, next);
    judge.done()
}

/// The figures of the part of an hour that lies in a window, from the state that the hour begins with. The parts of an hour add up to the
/// hour: sums to the sum, extremes to the extreme.
#[must_use]
pub fn figures_within(
    rules: &[Rules],
    hour: DateTime<Utc>,
    begins: &State,
    readings: &[Reading],
    next: &[Reading],
    window: Span,
) -> Figures {
    let mut judge = HourEvaluator {
        rules,
        hour,
        figures: Figures::default(),
        ended: Vec::new(),
        state: begins.clone(),
        product: None,
    };
    let (from, until) = (seconds_into(hour, window.from), seconds_into(hour, window.until));
    let pieces = pieces(hour, &begins.last, readings, next, |at| gap_at(rules, at));
    let lone = lone_readings(hour, readings, &pieces);
    // The air before the window is what the product in it comes from.
    judge.through(&pieces, &lone, 0.0, from);
    judge.figures = Figures::default();
    for r in readings.iter().filter(|r| r.at >= window.from && r.at < window.until) {
        judge.count(r);
    }
    judge.through(&pieces, &lone, from, until);
    judge.figures
}

/// An hour judged, and the product through it: °C at the ends of the straight pieces of air.
#[must_use]
pub fn trace_hour(
    rules: &[Rules],
    hour: DateTime<Utc>,
    begins: &State,
    readings: &[Reading],
    next: &[Reading],
) -> (Hour, Vec<(DateTime<Utc>, f64)>) {
    let product = Some(Vec::new());
    let mut judge =
        HourEvaluator { rules, hour, figures: Figures::default(), ended: Vec::new(), state: begins.clone(), product };
    judge.whole_hour(begins, readings, next);
    let product = judge.product.take().unwrap_or_default();
    (judge.done(), product)
}

/// What is still open now, by the state of the last hour: spells, silence and faults that last.
#[must_use]
pub fn still_open(rules: &[Rules], state: &State, now: DateTime<Utc>) -> Vec<Excursion> {
    let mut open = Vec::new();
    let spell = |kind, s: &Spell| Excursion {
        kind,
        probe: None,
        from: s.from,
        until: None,
        air_c: Some(s.air_c),
        product_c: Some(s.product_c),
        known_s: s.known_s,
        beyond_c_s: s.beyond_c_s,
    };
    open.extend(state.warm.iter().filter(|s| s.counts).map(|s| spell(ExcursionKind::TooWarm, s)));
    open.extend(state.cold.iter().filter(|s| s.counts).map(|s| spell(ExcursionKind::TooCold, s)));
    let silence = in_force(rules, now).map(|r| r.silence);
    let lasts = |from: DateTime<Utc>| silence.is_some_and(|s| now - from > s);
    open.extend(state.known_until.filter(|u| lasts(*u)).map(|u| blank(ExcursionKind::NoData, None, u, None)));
    for (probe, from) in &state.faulty {
        if lasts(*from) {
            open.push(blank(ExcursionKind::ProbeFault, Some(*probe), *from, None));
        }
    }
    open
}

fn blank(kind: ExcursionKind, probe: Option<i32>, from: DateTime<Utc>, until: Option<DateTime<Utc>>) -> Excursion {
    Excursion { kind, probe, from, until, air_c: None, product_c: None, known_s: 0.0, beyond_c_s: 0.0 }
}

struct HourEvaluator<'a> {
    rules: &'a [Rules],
    hour: DateTime<Utc>,
    figures: Figures,
    ended: Vec<Excursion>,
    state: State,
    product: Option<Vec<(DateTime<Utc>, f64)>>,
}

impl HourEvaluator<'_> {
    fn whole_hour(&mut self, begins: &State, readings: &[Reading], next: &[Reading]) {
        for r in readings {
            self.count(r);
        }
        let pieces = pieces(self.hour, &begins.last, readings, next, |at| gap_at(self.rules, at));
        self.through(&pieces, &lone_readings(self.hour, readings, &pieces), 0.0, HOUR_S);
        for r in readings {
            if let Some(c) = r.c {
                self.state.last.insert(r.probe, LastReading { at: r.at, c });
            }
        }
    }

    fn done(mut self) -> Hour {
        self.ended.sort_by_key(|e| (e.until, e.from));
        Hour { figures: self.figures, ended: self.ended, state: self.state }
    }

    /// Counts a reading, and sees a fault begin or end.
    fn count(&mut self, r: &Reading) {
        let Some(c) = r.c else {
            self.figures.faults += 1;
            self.state.faulty.entry(r.probe).or_insert(r.at);
            return;
        };
        self.figures.readings += 1;
        farther(&mut self.figures.min_c, c, f64::min);
        farther(&mut self.figures.max_c, c, f64::max);
        if let Some(from) = self.state.faulty.remove(&r.probe)
            && in_force(self.rules, from).is_some_and(|rules| r.at - from > rules.silence)
        {
            self.ended.push(blank(ExcursionKind::ProbeFault, Some(r.probe), from, Some(r.at)));
        }
    }

    /// What is known from one second of the hour to another, in the order of time.
    fn through(&mut self, pieces: &[Piece], lone: &[(f64, f64)], from: f64, until: f64) {
        let mut points = lone.iter().filter(|(at, _)| (from..until).contains(at)).peekable();
        for piece in pieces {
            while let Some((at, c)) = points.next_if(|(at, _)| *at < piece.from_s) {
                self.at_point(*at, *c);
            }
            let (from_s, until_s) = (piece.from_s.max(from), piece.until_s.min(until));
            if piece.from_s >= from && piece.until_s <= until {
                self.over(piece);
            } else if from_s < until_s {
                self.over(&piece.part(from_s, until_s));
            }
        }
        points.for_each(|(at, c)| self.at_point(*at, *c));
    }

    /// A reading that stands alone: no time is known by it, and no spell ends with it.
    fn at_point(&mut self, second: f64, air_c: f64) {
        let at = instant_within(self.hour, second);
        // Known until this very instant, by the hour before.
        if self.state.known_until.is_some_and(|k| k >= at) {
            return;
        }
        let Some(rules) = in_force(self.rules, at) else { return };
        let warm_c = self.state.product_c.map_or(air_c, |p| p.max(air_c));
        let cold_c = self.state.cold_product_c.map_or(air_c, |p| p.min(air_c));
        farther(&mut self.figures.product_c, warm_c, f64::max);
        if warm_c > rules.warm_c || air_c > rules.air_c {
            self.state.warm = Some(seen_at(self.state.warm, at, [air_c, warm_c], f64::max, rules.grace));
        }
        if cold_c < rules.cold_c {
            self.state.cold = Some(seen_at(self.state.cold, at, [air_c, cold_c], f64::min, rules.grace));
        }
        (self.state.product_c, self.state.cold_product_c) = (Some(warm_c), Some(cold_c));
    }

    fn over(&mut self, piece: &Piece) {
        let begins = instant(self.hour, piece.from_s);
        if let Some(known) = self.state.known_until.filter(|k| *k < begins) {
            self.after_silence(known, begins, piece.from_c);
        }
        let mut from = piece.from_s;
        let changes = self.rules.iter().map(|r| seconds_into(self.hour, r.from));
        let mut cuts: Vec<f64> = changes.filter(|t| *t > piece.from_s && *t < piece.until_s).collect();
        cuts.push(piece.until_s);
        for until in cuts {
            self.under_one_rule(&piece.part(from, until));
            from = until;
        }
        // Air is known until a reading's instant or the hour's end, both whole milliseconds.
        self.state.known_until = Some(instant(self.hour, piece.until_s));
        self.figures.probe_spread_c = self.figures.probe_spread_c.max(piece.probe_spread_c);
    }

    fn after_silence(&mut self, known: DateTime<Utc>, begins: DateTime<Utc>, air_c: f64) {
        if in_force(self.rules, known).is_some_and(|r| begins - known > r.silence) {
            self.ended.push(blank(ExcursionKind::NoData, None, known, Some(begins)));
        }
        self.state.product_c = self.state.product_c.map(|p| p.max(air_c));
        self.state.cold_product_c = self.state.cold_product_c.map(|p| p.min(air_c));
    }

    fn under_one_rule(&mut self, piece: &Piece) {
        let seconds = piece.until_s - piece.from_s;
        let f = &mut self.figures;
        f.known_s += seconds;
        f.air_integral_c_s += seconds * f64::midpoint(piece.from_c, piece.until_c);
        f.kinetic_s += aged_seconds(piece.from_c, piece.until_c, seconds);
        for c in [piece.from_c, piece.until_c] {
            farther(&mut f.min_c, c, f64::min);
            farther(&mut f.max_c, c, f64::max);
        }
        let Some(rules) = in_force(self.rules, instant(self.hour, piece.from_s)).cloned() else { return };
        let (above_s, above_c_s) = beyond(piece.from_c - rules.warm_c, piece.until_c - rules.warm_c, seconds);
        let (below_s, _) = beyond(rules.cold_c - piece.from_c, rules.cold_c - piece.until_c, seconds);
        f.above_s += above_s;
        f.above_c_s += above_c_s;
        f.below_s += below_s;
        #[expect(clippy::cast_precision_loss, reason = "at most a day")]
        let tau_s = rules.lag.num_seconds() as f64;
        let estimate = |begins: Option<f64>| {
            Product::over(begins.unwrap_or(piece.from_c), piece.from_c, piece.until_c, seconds, tau_s)
        };
        let (warm, cold) = (estimate(self.state.product_c), estimate(self.state.cold_product_c));
        let mut stops = vec![0.0, seconds];
        stops.extend(warm.turn(seconds).into_iter().chain(cold.turn(seconds)));
        for level in [rules.warm_c, rules.warm_c - rules.hysteresis_c] {
            stops.extend(warm.passes(level, seconds));
        }
        for level in [rules.cold_c, rules.cold_c + rules.hysteresis_c] {
            stops.extend(cold.passes(level, seconds));
        }
        if (piece.from_c > rules.air_c) != (piece.until_c > rules.air_c) {
            stops.push(seconds * ((rules.air_c - piece.from_c) / (piece.until_c - piece.from_c)));
        }
        stops.sort_by(f64::total_cmp);
        stops.dedup();
        for pair in stops.windows(2) {
            self.between_stops(&rules, piece, (&warm, &cold), pair[0], pair[1]);
        }
        self.trace_product(piece, &warm);
        self.state.product_c = Some(warm.at(seconds));
        self.state.cold_product_c = Some(cold.at(seconds));
    }

    fn trace_product(&mut self, piece: &Piece, product: &Product) {
        let Some(trace) = &mut self.product else { return };
        let begins = instant(self.hour, piece.from_s);
        if trace.last().is_none_or(|(at, _)| *at < begins) {
            trace.push((begins, product.at(0.0)));
        }
        trace.push((instant(self.hour, piece.until_s), product.at(piece.until_s - piece.from_s)));
    }

    /// Between two stops nothing passes a limit, so the middle tells for all of it.
    fn between_stops(&mut self, rules: &Rules, piece: &Piece, products: (&Product, &Product), from: f64, until: f64) {
        let (warm, cold) = products;
        let middle = f64::midpoint(from, until);
        let air = |t: f64| piece.at(piece.from_s + t);
        let air_c = air(middle);
        for t in [from, until] {
            farther(&mut self.figures.product_c, warm.at(t), f64::max);
        }
        let stretch = Stretch {
            from: instant_within(self.hour, piece.from_s + from),
            until: instant(self.hour, piece.from_s + until),
            seconds: until - from,
            air: [air(from), air(until)],
        };
        let warm_c = warm.at(middle);
        let side = Side {
            kind: ExcursionKind::TooWarm,
            beyond: warm_c > rules.warm_c || air_c > rules.air_c,
            back: warm_c < rules.warm_c - rules.hysteresis_c && air_c <= rules.air_c,
            product: [warm.at(from), warm.at(until)],
            beyond_c_s: warm.area(from, until) - rules.warm_c * stretch.seconds,
            farthest: f64::max,
        };
        let (spell, ended) = step(self.state.warm.take(), &side, &stretch, rules.grace);
        self.state.warm = spell;
        self.ended.extend(ended);
        let cold_c = cold.at(middle);
        let side = Side {
            kind: ExcursionKind::TooCold,
            beyond: cold_c < rules.cold_c,
            back: cold_c > rules.cold_c + rules.hysteresis_c,
            product: [cold.at(from), cold.at(until)],
            beyond_c_s: rules.cold_c * stretch.seconds - cold.area(from, until),
            farthest: f64::min,
        };
        let (spell, ended) = step(self.state.cold.take(), &side, &stretch, rules.grace);
        self.state.cold = spell;
        self.ended.extend(ended);
    }
}

struct Stretch {
    from: DateTime<Utc>,
    until: DateTime<Utc>,
    seconds: f64,
    air: [f64; 2],
}

/// One side of the limits over a stretch.
struct Side {
    kind: ExcursionKind,
    beyond: bool,
    back: bool,
    /// °C of its estimate of the product at both ends.
    product: [f64; 2],
    beyond_c_s: f64,
    farthest: fn(f64, f64) -> f64,
}

/// Takes a spell over one stretch.
fn step(spell: Option<Spell>, side: &Side, over: &Stretch, grace: TimeDelta) -> (Option<Spell>, Option<Excursion>) {
    let spell = match spell {
        Some(s) if s.counts && side.back => {
            let ended = Excursion {
                kind: side.kind,
                probe: None,
                from: s.from,
                until: Some(over.from),
                air_c: Some(s.air_c),
                product_c: Some(s.product_c),
                known_s: s.known_s,
                beyond_c_s: s.beyond_c_s,
            };
            return (None, Some(ended));
        }
        Some(s) if s.counts || side.beyond => s,
        None if side.beyond => Spell {
            from: over.from,
            counts: false,
            air_c: over.air[0],
            product_c: side.product[0],
            known_s: 0.0,
            beyond_c_s: 0.0,
        },
        _ => return (None, None),
    };
    let pick = |seen: f64, ends: [f64; 2]| (side.farthest)(seen, (side.farthest)(ends[0], ends[1]));
    let spell = Spell {
        counts: spell.counts || over.until - spell.from > grace,
        air_c: pick(spell.air_c, over.air),
        product_c: pick(spell.product_c, side.product),
        known_s: spell.known_s + over.seconds,
        beyond_c_s: spell.beyond_c_s + side.beyond_c_s.max(0.0),
        ..spell
    };
    (Some(spell), None)
}

/// A spell, new or pending or not, seen beyond its limit at one instant, by the air and its estimate of the product.
fn seen_at(
    spell: Option<Spell>,
    at: DateTime<Utc>,
    [air_c, product_c]: [f64; 2],
    farthest: fn(f64, f64) -> f64,
    grace: TimeDelta,
) -> Spell {
    let new = Spell { from: at, counts: false, air_c, product_c, known_s: 0.0, beyond_c_s: 0.0 };
    let spell = spell.unwrap_or(new);
    Spell {
        counts: spell.counts || at - spell.from > grace,
        air_c: farthest(spell.air_c, air_c),
        product_c: farthest(spell.product_c, product_c),
        ..spell
    }
}

/// The good readings of an hour that no piece of known air reaches, in time order: seconds into the hour, and °C.
fn lone_readings(hour: DateTime<Utc>, readings: &[Reading], pieces: &[Piece]) -> Vec<(f64, f64)> {
    let is_known = |at: f64| {
        let after = pieces.partition_point(|p| p.from_s <= at);
        pieces[..after].last().is_some_and(|p| p.until_s >= at)
    };
    let points = readings.iter().filter_map(|r| Some((seconds_into(hour, r.at), r.c?)));
    points.filter(|(at, _)| !is_known(*at)).collect()
}

/// Seconds for which a straight line from `a` to `b` is above zero, and its area there.
fn beyond(a: f64, b: f64, seconds: f64) -> (f64, f64) {
    match (a > 0.0, b > 0.0) {
        (true, true) => (seconds, seconds * f64::midpoint(a, b)),
        (false, false) => (0.0, 0.0),
        (up, _) => {
            let high = if up { a } else { b };
            let share = high / (a - b).abs();
            (seconds * share, seconds * share * high / 2.0)
        }
    }
}
