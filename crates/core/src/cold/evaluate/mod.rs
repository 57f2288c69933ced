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

mod hour;

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

use crate::{
    cold::air::{Last, Reading, pieces, seconds_into},
    kinds::ExcursionKind,
    units::calendar::Span,
};

use self::{hour::HourEvaluator, hour::farther, hour::lone_readings};

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
    let mut evaluator = HourEvaluator::new(rules, hour, begins);
    evaluator.whole_hour(begins, readings, next);
    evaluator.done()
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
    let mut evaluator = HourEvaluator::new(rules, hour, begins);
    let (from, until) = (seconds_into(hour, window.from), seconds_into(hour, window.until));
    let pieces = pieces(hour, &begins.last, readings, next, |at| gap_at(rules, at));
    let lone = lone_readings(hour, readings, &pieces);
    // The air before the window is what the product in it comes from.
    evaluator.through(&pieces, &lone, 0.0, from);
    evaluator.figures = Figures::default();
    for r in readings.iter().filter(|r| r.at >= window.from && r.at < window.until) {
        evaluator.count(r);
    }
    evaluator.through(&pieces, &lone, from, until);
    evaluator.figures
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
    let mut evaluator = HourEvaluator::new(rules, hour, begins);
    evaluator.product = Some(Vec::new());
    evaluator.whole_hour(begins, readings, next);
    let product = evaluator.product.take().unwrap_or_default();
    (evaluator.done(), product)
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
