//! The air of a place within an hour, from the readings of its probes: straight pieces, gaps cut out, the warmer probe counting.
//!
//! Times within an hour are seconds since it began. A probe's two readings are joined by a straight line when they are no further
//! apart than the gap limit; where several probes know the air at once the upper envelope of their lines counts, exactly, split where
//! they cross.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

use crate::{
    cold::{exposure::Segment, reevaluate::hour_of},
    units::calendar::Span,
};

/// Seconds of an hour.
pub const HOUR_S: f64 = 3600.0;

/// A probe's reading with its offset applied. Without a temperature it is a fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// The probe's number.
    pub probe: i32,
    /// When, to the millisecond.
    pub at: DateTime<Utc>,
    /// °C; nothing for a fault.
    pub c: Option<f64>,
}

/// The last good reading of each probe.
pub type Last = BTreeMap<i32, LastReading>;

/// A reading that a line may still begin at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LastReading {
    /// When.
    pub at: DateTime<Utc>,
    /// °C.
    pub c: f64,
}

/// A straight piece of air.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Piece {
    /// Its beginning, seconds since the hour began.
    pub from_s: f64,
    /// Its end, likewise.
    pub until_s: f64,
    /// °C at its beginning.
    pub from_c: f64,
    /// °C at its end.
    pub until_c: f64,
    /// The most that the probes are apart in it, °C. Zero with one probe.
    pub probe_spread_c: f64,
}

impl Piece {
    /// °C at a time within it.
    #[must_use]
    pub fn at(&self, t: f64) -> f64 {
        line(self.from_s, self.from_c, self.until_s, self.until_c, t)
    }

    /// The part of it between two times within it.
    #[must_use]
    pub fn part(&self, from_s: f64, until_s: f64) -> Self {
        Self {
            from_s,
            until_s,
            from_c: self.at(from_s),
            until_c: self.at(until_s),
            probe_spread_c: self.probe_spread_c,
        }
    }
}

/// Exact at both ends, so that pieces that meet have one value where they meet.
fn line(t0: f64, c0: f64, t1: f64, c1: f64, t: f64) -> f64 {
    if t <= t0 {
        c0
    } else if t >= t1 {
        c1
    } else {
        c0 + (c1 - c0) * ((t - t0) / (t1 - t0))
    }
}

/// Seconds since an hour began; negative before it.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "microseconds of a few days are far below 2^53")]
pub fn seconds_into(hour: DateTime<Utc>, at: DateTime<Utc>) -> f64 {
    (at - hour).num_microseconds().unwrap_or(i64::MAX) as f64 / 1e6
}

/// The instant so many seconds into an hour, to the millisecond.
#[must_use]
#[expect(clippy::cast_possible_truncation, reason = "at most an hour")]
pub fn instant(hour: DateTime<Utc>, seconds: f64) -> DateTime<Utc> {
    hour + TimeDelta::milliseconds((seconds * 1000.0).round() as i64)
}

/// The instant of something that happens within an hour, to the millisecond. What happens in the last half of a millisecond is still of
/// this hour: rounded into the next one it would be found again when that one is evaluated.
#[must_use]
pub fn instant_within(hour: DateTime<Utc>, seconds: f64) -> DateTime<Utc> {
    instant(hour, seconds).min(hour + TimeDelta::hours(1) - TimeDelta::milliseconds(1))
}

/// The air of one hour.
///
/// `last` holds each probe's last good reading before the hour, `readings` those of the hour in time order, `next` each probe's first
/// good reading after it; `gap_at` gives the gap limit in force at an instant.
#[must_use]
pub fn pieces(
    hour: DateTime<Utc>,
    last: &Last,
    readings: &[Reading],
    next: &[Reading],
    gap_at: impl Fn(DateTime<Utc>) -> TimeDelta,
) -> Vec<Piece> {
    let mut reached: BTreeMap<i32, (DateTime<Utc>, f64)> = last.iter().map(|(p, l)| (*p, (l.at, l.c))).collect();
    let mut lines: Vec<Piece> = Vec::new();
    for r in readings.iter().chain(next) {
        let Some(c) = r.c else { continue };
        if let Some((at, before)) = reached.insert(r.probe, (r.at, c))
            && at < r.at
            && r.at - at <= gap_at(at)
        {
            let (t0, t1) = (seconds_into(hour, at), seconds_into(hour, r.at));
            let whole = Piece { from_s: t0, until_s: t1, from_c: before, until_c: c, probe_spread_c: 0.0 };
            let (from_s, until_s) = (t0.max(0.0), t1.min(HOUR_S));
            if from_s < until_s {
                lines.push(whole.part(from_s, until_s));
            }
        }
    }
    upper_envelope(&lines)
}

/// The known air of any span: the upper envelope of its probes, hour by hour.
///
/// `readings` in time order, from the span and as far beyond its hours as the widest gap limit, `reach`.
#[must_use]
pub fn known_air(
    readings: &[Reading],
    span: Span,
    reach: TimeDelta,
    gap_at: impl Fn(DateTime<Utc>) -> TimeDelta,
) -> Vec<Segment> {
    let mut known = Vec::new();
    let mut hour = hour_of(span.from);
    while hour < span.until {
        let end = hour + TimeDelta::hours(1);
        let (first, rest) = (readings.partition_point(|r| r.at < hour), readings.partition_point(|r| r.at < end));
        let near = readings[..first].iter().skip(readings[..first].partition_point(|r| r.at < hour - reach));
        let last: Last = near.filter_map(|r| Some((r.probe, LastReading { at: r.at, c: r.c? }))).collect();
        let mut next: Vec<Reading> = Vec::new();
        for r in readings[rest..].iter().take_while(|r| r.at <= end + reach).filter(|r| r.c.is_some()) {
            if next.iter().all(|n| n.probe != r.probe) {
                next.push(*r);
            }
        }
        known.extend(pieces(hour, &last, &readings[first..rest], &next, &gap_at).iter().filter_map(|p| {
            let span_of = Span { from: instant(hour, p.from_s), until: instant(hour, p.until_s) };
            Segment { span: span_of, from_c: p.from_c, until_c: p.until_c }.clip(span)
        }));
        hour = end;
    }
    known
}

fn upper_envelope(lines: &[Piece]) -> Vec<Piece> {
    let mut cuts: Vec<f64> = lines.iter().flat_map(|l| [l.from_s, l.until_s]).collect();
    cuts.sort_by(f64::total_cmp);
    cuts.dedup();
    // The lines that reach over a stretch, by number, so that equal ones keep their order. Each line comes and goes once.
    let mut by_begin: Vec<usize> = (0..lines.len()).collect();
    by_begin.sort_by(|a, b| lines[*a].from_s.total_cmp(&lines[*b].from_s));
    let mut to_come = by_begin.into_iter().peekable();
    let mut there: Vec<usize> = Vec::new();
    let mut pieces = Vec::with_capacity(cuts.len());
    for pair in cuts.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        while let Some(n) = to_come.next_if(|n| lines[*n].from_s <= a) {
            there.insert(there.partition_point(|other| *other < n), n);
        }
        there.retain(|n| lines[*n].until_s >= b);
        let over: Vec<Piece> = there.iter().map(|n| lines[*n].part(a, b)).collect();
        match over.as_slice() {
            [] => {}
            [one] => pieces.push(*one),
            several => pieces.extend(warmest(several)),
        }
    }
    pieces
}

/// The warmest of lines that all reach from one time to another.
fn warmest(lines: &[Piece]) -> Vec<Piece> {
    let (from, until) = (lines[0].from_s, lines[0].until_s);
    let spread = |of: fn(&Piece) -> f64| {
        let values = || lines.iter().map(of);
        values().fold(f64::MIN, f64::max) - values().fold(f64::MAX, f64::min)
    };
    // Between two cuts the distance of straight lines is greatest at an end.
    let probe_spread_c = spread(|l| l.from_c).max(spread(|l| l.until_c));
    let mut cuts = vec![from, until];
    for (i, a) in lines.iter().enumerate() {
        for b in &lines[i + 1..] {
            let (d0, d1) = (a.from_c - b.from_c, a.until_c - b.until_c);
            if d0 * d1 < 0.0 {
                let meet = from + (until - from) * (d0 / (d0 - d1));
                if meet > from && meet < until {
                    cuts.push(meet);
                }
            }
        }
    }
    cuts.sort_by(f64::total_cmp);
    cuts.dedup();
    cuts.windows(2)
        .map(|pair| {
            let middle = f64::midpoint(pair[0], pair[1]);
            let top = lines.iter().max_by(|a, b| a.at(middle).total_cmp(&b.at(middle))).unwrap_or(&lines[0]);
            Piece { probe_spread_c, ..top.part(pair[0], pair[1]) }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hour() -> DateTime<Utc> {
        DateTime::from_timestamp(1_770_000_000 / 3600 * 3600, 0).unwrap()
    }

    fn reading(probe: i32, second: i64, c: f64) -> Reading {
        Reading { probe, at: hour() + TimeDelta::seconds(second), c: Some(c) }
    }

    fn air(readings: &[Reading]) -> Vec<Piece> {
        pieces(hour(), &Last::new(), readings, &[], |_| TimeDelta::minutes(15))
    }

    #[test]
    fn the_warmer_probe_counts_and_the_change_is_where_they_cross() {
        let got = air(&[reading(1, 0, 2.0), reading(2, 0, 4.0), reading(1, 600, 4.0), reading(2, 600, 2.0)]);
        let ends: Vec<(f64, f64, f64)> = got.iter().map(|p| (p.until_s, p.from_c, p.until_c)).collect();
        assert_eq!(ends, [(300.0, 4.0, 3.0), (600.0, 3.0, 4.0)]);
        assert!(got.iter().all(|p| (p.probe_spread_c - 2.0).abs() < 1e-12));
    }

    #[test]
    fn probes_that_read_at_different_times_are_not_joined_with_each_other() {
        // Two probes a degree apart, half a minute out of step: the air is the warmer one's, not a zigzag.
        let mut readings = Vec::new();
        for minute in 0..10 {
            readings.push(reading(1, minute * 60, 3.0));
            readings.push(reading(2, minute * 60 + 30, 2.0));
        }
        assert!(air(&readings).iter().all(|p| p.from_c >= 3.0 || p.from_s >= 540.0), "{:?}", air(&readings));
    }

    #[test]
    fn the_air_of_a_span_is_that_of_its_hours_put_together() {
        let mut readings: Vec<Reading> = (0..300).map(|m| reading(1, m * 60, 2.0)).collect();
        readings.extend((0..40).map(|m| reading(2, 7_000 + m * 60, 4.0)));
        readings.retain(|r| r.probe == 2 || !(100 * 60..150 * 60).contains(&(r.at - hour()).num_seconds()));
        readings.sort_by_key(|r| (r.at, r.probe));
        let span = Span { from: hour() + TimeDelta::minutes(10), until: hour() + TimeDelta::minutes(280) };
        let known = known_air(&readings, span, TimeDelta::minutes(15), |_| TimeDelta::minutes(15));
        assert_eq!((known[0].span.from, known.last().unwrap().span.until), (span.from, span.until));
        // The second probe knows the air from 7000 s on, and is the warmer one until it ends.
        let gap: Vec<_> = known.windows(2).filter(|p| p[0].span.until < p[1].span.from).collect();
        let [[before, after]] = gap.as_slice() else { panic!("{gap:?}") };
        assert_eq!(
            (before.span.until, after.span.from),
            (hour() + TimeDelta::minutes(99), hour() + TimeDelta::seconds(7_000))
        );
        assert!((after.from_c - 4.0).abs() < 1e-12 && (known.last().unwrap().until_c - 2.0).abs() < 1e-12);
    }

    #[test]
    fn faults_and_gaps_are_not_bridged_and_hours_are_cut_exactly() {
        let mut fault = reading(1, 300, 0.0);
        fault.c = None;
        let got = air(&[reading(1, 0, 2.0), fault, reading(1, 600, 2.0), reading(1, 1800, 2.0), reading(1, 3000, 2.0)]);
        assert_eq!(got.len(), 1, "a fault is no reading; 20 minutes are a gap: {got:?}");
        let before = Last::from([(1, LastReading { at: hour() - TimeDelta::minutes(5), c: 1.0 })]);
        let cut = pieces(hour(), &before, &[reading(1, 300, 3.0)], &[reading(1, 3900, 9.0)], |_| TimeDelta::hours(2));
        assert_eq!((cut[0].from_s, cut[0].from_c), (0.0, 2.0));
        assert_eq!((cut[1].until_s, cut[1].until_c), (3600.0, 3.0 + 6.0 * 3300.0 / 3600.0));
    }
}
