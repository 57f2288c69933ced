//! What the air of a place was, from irregular readings.
//!
//! Between two readings of a probe no further apart than the place's gap limit the temperature is taken as the straight line between
//! them; a longer silence is a gap and is never bridged. Where several probes know the air, the warmest counts: see [`crate::air`]. All
//! figures are exact integrals of that piecewise-linear series, not samples of it. A reading with a gap on both sides is a point: it counts
//! for minimum and maximum and covers no time.

use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    cold::{evaluate::Figures, kinetic::mean_kinetic_c},
    units::calendar::Span,
};

/// One reading: when, and the air in °C.
pub type Point = (DateTime<Utc>, f64);

/// A stretch of known air: a straight line from `from_c` to `until_c`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// The stretch of time.
    pub span: Span,
    /// °C at its beginning.
    pub from_c: f64,
    /// °C at its end.
    pub until_c: f64,
}

/// Length of a span in seconds, to the millisecond.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "milliseconds of two centuries are below 2^53")]
pub fn seconds(span: Span) -> f64 {
    (span.until - span.from).num_milliseconds() as f64 / 1000.0
}

impl Segment {
    /// °C at an instant of the stretch.
    fn at(&self, t: DateTime<Utc>) -> f64 {
        let whole = seconds(self.span);
        if whole <= 0.0 {
            return self.from_c;
        }
        let share = seconds(Span { from: self.span.from, until: t }) / whole;
        self.from_c + (self.until_c - self.from_c) * share
    }

    /// The part of it inside a window, if any.
    pub(crate) fn clip(&self, window: Span) -> Option<Self> {
        if window.from <= self.span.from && self.span.until <= window.until {
            return (self.span.from < self.span.until).then_some(*self);
        }
        let from = self.span.from.max(window.from);
        let until = self.span.until.min(window.until);
        (from < until).then(|| Self { span: Span { from, until }, from_c: self.at(from), until_c: self.at(until) })
    }
}

/// Known air of a window, as a mean and the time that it covers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanAir {
    /// The time-weighted mean, °C.
    pub mean_c: f64,
    /// Seconds that are known.
    pub known_s: f64,
}

/// The mean of known air in a window; nothing where none of it is known. Stretches that do not overlap, in any order.
#[must_use]
pub fn mean_air(known: &[Segment], window: Span) -> Option<MeanAir> {
    let inside = known.iter().filter_map(|segment| segment.clip(window));
    let (area, known_s) = inside.fold((0.0, 0.0), |(area, known_s), segment| {
        let length = seconds(segment.span);
        (area + length * f64::midpoint(segment.from_c, segment.until_c), known_s + length)
    });
    (known_s > 0.0).then(|| MeanAir { mean_c: area / known_s, known_s })
}

/// The stretches of a window that no known stretch covers. Known stretches in the order in which they begin.
#[must_use]
pub fn gaps(known: impl IntoIterator<Item = Span>, window: Span) -> Vec<Span> {
    let mut gaps = Vec::new();
    let mut reached = window.from;
    for span in known {
        if span.from >= window.until {
            break;
        }
        if span.from > reached {
            gaps.push(Span { from: reached, until: span.from });
        }
        reached = reached.max(span.until);
    }
    if reached < window.until {
        gaps.push(Span { from: reached, until: window.until });
    }
    gaps
}

/// What a place's air was over a window.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Exposure {
    /// Seconds of the window.
    pub span_s: f64,
    /// Seconds of it that are known: those between two readings of a probe no further apart than the gap limit. A lone reading covers none.
    pub known_s: f64,
    /// Known seconds ÷ seconds of the window, 0 to 1.
    pub coverage: f64,
    /// Time-weighted mean, °C; unknown where no second is known, also where there is one lone reading.
    pub mean_c: Option<f64>,
    /// Lowest, °C, lone readings included.
    pub min_c: Option<f64>,
    /// Highest, °C, lone readings included.
    pub max_c: Option<f64>,
    /// Seconds above the limit.
    pub above_s: f64,
    /// Degree-minutes above the limit.
    pub above_degree_minutes: f64,
    /// Mean kinetic temperature, °C: an average of ageing, which never excuses a warm spell.
    pub mean_kinetic_c: Option<f64>,
}

impl Exposure {
    /// The exposure of so many seconds, from their figures.
    #[must_use]
    pub fn of(figures: &Figures, span_s: f64) -> Self {
        Self {
            span_s,
            known_s: figures.known_s,
            coverage: if span_s > 0.0 { (figures.known_s / span_s).min(1.0) } else { 0.0 },
            mean_c: figures.mean_c(),
            min_c: figures.min_c,
            max_c: figures.max_c,
            above_s: figures.above_s,
            above_degree_minutes: figures.above_c_s / 60.0,
            mean_kinetic_c: mean_kinetic_c(figures.kinetic_s, figures.known_s),
        }
    }
}

/// Since when the last known reading has been on its side of the limit, going back no further than the readings and no
/// further than the first gap.
#[must_use]
pub fn since(readings: &[Point], gap_limit: TimeDelta, limit_c: f64) -> Option<DateTime<Utc>> {
    let last = readings.last()?;
    let warm = last.1 > limit_c;
    let mut since = last.0;
    for (t, c) in readings.iter().rev().skip(1) {
        if (*c > limit_c) != warm || since - *t > gap_limit {
            break;
        }
        since = *t;
    }
    Some(since)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minute: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_750_000_000 + minute * 60, 0).unwrap()
    }

    fn window(from: i64, until: i64) -> Span {
        Span { from: at(from), until: at(until) }
    }

    fn line(from: (i64, f64), until: (i64, f64)) -> Segment {
        Segment { span: window(from.0, until.0), from_c: from.1, until_c: until.1 }
    }

    #[test]
    fn the_mean_is_that_of_the_time_that_is_known() {
        // Ten minutes from 2 to 4 °C, a gap, and twenty at 6 °C of which five are within the window: (10 × 3 + 5 × 6) ÷ 15.
        let known = [line((0, 2.0), (10, 4.0)), line((40, 6.0), (60, 6.0))];
        let mean = mean_air(&known, window(0, 45)).unwrap();
        assert!((mean.mean_c - 4.0).abs() < 1e-12 && (mean.known_s - 900.0).abs() < 1e-9, "{mean:?}");
        assert_eq!(mean_air(&known, window(10, 40)), None);
    }

    #[test]
    fn gaps_are_what_nothing_known_covers() {
        let known = [window(0, 10), window(40, 50)];
        assert_eq!(gaps(known, window(0, 60)), [window(10, 40), window(50, 60)]);
    }
}
