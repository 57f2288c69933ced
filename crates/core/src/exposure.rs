//! What the air of a place was, from irregular readings.
//!
//! Between two readings no further apart than the place's gap limit the temperature is taken as the straight line between
//! them; a longer silence is a gap and is never bridged. All figures are exact integrals of that piecewise-linear series,
//! not samples of it. A reading with a gap on both sides is a point: it counts for minimum and maximum and covers no time.

use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    calendar::Span,
    judgement::Figures,
    kinetic::{aged_seconds, mean_kinetic_c},
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
        let from = self.span.from.max(window.from);
        let until = self.span.until.min(window.until);
        (from < until).then(|| Self { span: Span { from, until }, from_c: self.at(from), until_c: self.at(until) })
    }

    /// Seconds above a limit, and degree-seconds above it: exact for the straight line.
    #[must_use]
    pub fn above(&self, limit_c: f64) -> (f64, f64) {
        let whole = seconds(self.span);
        let (low, high) =
            if self.from_c <= self.until_c { (self.from_c, self.until_c) } else { (self.until_c, self.from_c) };
        if high <= limit_c {
            (0.0, 0.0)
        } else if low >= limit_c {
            (whole, whole * (f64::midpoint(low, high) - limit_c))
        } else {
            let above = whole * (high - limit_c) / (high - low);
            (above, above * (high - limit_c) / 2.0)
        }
    }
}

/// Cuts readings into stretches of known air. Readings must be in time order; of two at one instant the first counts.
#[must_use]
pub fn segments(readings: &[Point], gap_limit: TimeDelta, window: Span) -> Vec<Segment> {
    readings
        .windows(2)
        .filter(|pair| pair[0].0 < pair[1].0 && pair[1].0 - pair[0].0 <= gap_limit)
        .filter_map(|pair| {
            Segment { span: Span { from: pair[0].0, until: pair[1].0 }, from_c: pair[0].1, until_c: pair[1].1 }
                .clip(window)
        })
        .collect()
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
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
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
            min_c: figures.least_c,
            max_c: figures.most_c,
            above_s: figures.above_s,
            above_degree_minutes: figures.above_c_s / 60.0,
            mean_kinetic_c: mean_kinetic_c(figures.aged_s, figures.known_s),
        }
    }
}

/// Reckons the exposure of a window.
///
/// `readings` in time order, at least from one gap limit before the window to one after it, so that the lines that cross
/// its ends are there. Unknown time is never counted as cold or warm.
#[must_use]
pub fn exposure(readings: &[Point], gap_limit: TimeDelta, window: Span, limit_c: f64) -> Exposure {
    let known = segments(readings, gap_limit, window);
    let mut known_s = 0.0;
    let mut area = 0.0;
    let mut aged_s = 0.0;
    let (mut above_s, mut above_degree_s) = (0.0, 0.0);
    let mut seen: Vec<f64> =
        readings.iter().filter(|(t, _)| *t >= window.from && *t < window.until).map(|(_, c)| *c).collect();
    for segment in &known {
        let length = seconds(segment.span);
        known_s += length;
        aged_s += aged_seconds(segment.from_c, segment.until_c, length);
        area += length * (segment.from_c + segment.until_c) / 2.0;
        let (s, ds) = segment.above(limit_c);
        above_s += s;
        above_degree_s += ds;
        seen.extend([segment.from_c, segment.until_c]);
    }
    let span_s = seconds(window);
    Exposure {
        span_s,
        known_s,
        coverage: if span_s > 0.0 { known_s / span_s } else { 0.0 },
        mean_c: (known_s > 0.0).then(|| area / known_s),
        min_c: seen.iter().copied().reduce(f64::min),
        max_c: seen.iter().copied().reduce(f64::max),
        above_s,
        above_degree_minutes: above_degree_s / 60.0,
        mean_kinetic_c: mean_kinetic_c(aged_s, known_s),
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
    use proptest::prelude::*;

    use super::*;

    fn at(minute: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_750_000_000 + minute * 60, 0).unwrap()
    }

    fn window(from: i64, until: i64) -> Span {
        Span { from: at(from), until: at(until) }
    }

    const GAP: TimeDelta = TimeDelta::minutes(15);

    #[test]
    fn a_triangle_above_the_limit_has_the_area_of_a_triangle() {
        let readings = [(at(0), 3.0), (at(10), 7.0), (at(20), 3.0)];
        let e = exposure(&readings, GAP, window(0, 20), 5.0);
        assert!((e.above_s - 600.0).abs() < 1e-9);
        assert!((e.above_degree_minutes - 10.0).abs() < 1e-9);
        assert_eq!((e.mean_c, e.coverage), (Some(5.0), 1.0));
    }

    #[test]
    fn exactly_at_the_limit_is_within_it() {
        let e = exposure(&[(at(0), 5.0), (at(10), 5.0)], GAP, window(0, 10), 5.0);
        assert_eq!((e.above_s, e.above_degree_minutes), (0.0, 0.0));
    }

    #[test]
    fn a_gap_is_never_bridged() {
        let readings = [(at(0), 2.0), (at(10), 2.0), (at(40), 2.0), (at(50), 2.0)];
        let e = exposure(&readings, GAP, window(0, 60), 5.0);
        assert!((e.known_s - 1200.0).abs() < 1e-9);
        assert!((e.coverage - 1.0 / 3.0).abs() < 1e-12);
        let known = segments(&readings, GAP, window(0, 60));
        assert_eq!(gaps(known.iter().map(|s| s.span), window(0, 60)), [window(10, 40), window(50, 60)]);
    }

    #[test]
    fn a_lone_reading_is_a_point_and_covers_nothing() {
        let e = exposure(&[(at(30), 9.0)], GAP, window(0, 60), 5.0);
        assert_eq!((e.known_s, e.mean_c, e.max_c, e.above_s), (0.0, None, Some(9.0), 0.0));
    }

    proptest! {
        #[test]
        fn a_window_is_the_sum_of_its_parts(
            steps in prop::collection::vec((1i64..30, -5.0f64..25.0), 2..60),
            cut in 0.1f64..0.9,
            limit in 0.0f64..10.0,
        ) {
            let mut minute = 0;
            let readings: Vec<Point> = steps.iter().map(|(step, c)| { minute += step; (at(minute), *c) }).collect();
            let end = minute + 5;
            #[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "small numbers of minutes")]
            let middle = (end as f64 * cut) as i64;
            let whole = exposure(&readings, GAP, window(0, end), limit);
            let left = exposure(&readings, GAP, window(0, middle), limit);
            let right = exposure(&readings, GAP, window(middle, end), limit);
            prop_assert!((whole.known_s - left.known_s - right.known_s).abs() < 1e-6);
            prop_assert!((whole.above_s - left.above_s - right.above_s).abs() < 1e-6);
            prop_assert!((whole.above_degree_minutes - left.above_degree_minutes - right.above_degree_minutes).abs() < 1e-6);
            prop_assert!(whole.above_s <= whole.known_s + 1e-9 && whole.known_s <= whole.span_s + 1e-9);
        }
    }
}
