//! Saleable life: how long a lot can still be sold, from the temperatures on its own path.
//!
//! A profile is a table of (°C, days) points. Between points the logarithm of life is linear in temperature, so that the
//! table's own values come back exactly. Beyond the table the end slope goes on, within [`LONGEST`] times its longest and
//! [`SHORTEST`] times its shortest life. Below the strain's lowest safe temperature life is lost to chilling: our own
//! convention (unverified) is that a degree below it costs what a degree above it costs.
//!
//! The life used on a path is the integral of dt / life(T(t)) (linear damage accumulation, Palmgren 1924 and Miner 1945). It is a
//! planning aid: best-before dates follow the farm's own rule, and the local food-safety rules decide.

use chrono::TimeDelta;
use serde::Serialize;
use utoipa::ToSchema;

use crate::exposure::{Segment, seconds};

/// Beyond the table, life is at most this many times its longest.
pub const LONGEST: f64 = 1.5;
/// Beyond the table, life is at least this many times its shortest.
pub const SHORTEST: f64 = 0.25;

const DAY_S: f64 = 86_400.0;

/// Saleable life by temperature for one strain in one packaging.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// (°C, ln days), in rising temperature.
    points: Vec<(f64, f64)>,
    lowest_safe_c: f64,
    /// Relative half-width of the range around the tabled life, 0 to 0.9.
    pub spread: f64,
}

impl Profile {
    /// A profile from (°C, days) points in rising temperature.
    ///
    /// # Errors
    /// Says what is wrong: no points, temperatures that do not rise, a life that is not positive, a number that is none.
    pub fn new(points: &[(f64, f64)], lowest_safe_c: f64, spread: f64) -> Result<Self, String> {
        if points.is_empty() || points.len() > 12 {
            return Err("A profile has 1 to 12 points of °C and days.".into());
        }
        if points
            .iter()
            .any(|(c, days)| !c.is_finite() || !(-5.0..=45.0).contains(c) || !(0.01..=1000.0).contains(days))
        {
            return Err(
                "A profile's temperatures lie between -5 and 45 °C and its lives between 0.01 and 1000 days.".into()
            );
        }
        if points.windows(2).any(|w| w[1].0 - w[0].0 < 0.05) {
            return Err("A profile's temperatures rise from point to point. Sort them and remove doubles.".into());
        }
        if !(0.0..=0.9).contains(&spread) || !lowest_safe_c.is_finite() {
            return Err("A profile's spread lies between 0 and 0.9.".into());
        }
        Ok(Self { points: points.iter().map(|(c, d)| (*c, d.ln())).collect(), lowest_safe_c, spread })
    }

    /// Life at a steady temperature, in days.
    #[must_use]
    pub fn life_days(&self, c: f64) -> f64 {
        self.ln_life(c).exp()
    }

    fn ln_life(&self, c: f64) -> f64 {
        let c = if c < self.lowest_safe_c { 2.0 * self.lowest_safe_c - c } else { c };
        let (line, _) = self.piece(c);
        line.clamp(self.floor(), self.ceiling())
    }

    fn ceiling(&self) -> f64 {
        self.points.iter().map(|p| p.1).fold(f64::MIN, f64::max) + LONGEST.ln()
    }

    fn floor(&self) -> f64 {
        self.points.iter().map(|p| p.1).fold(f64::MAX, f64::min) + SHORTEST.ln()
    }

    /// ln life on the straight piece that holds `c` (unbounded), and the slope of that piece.
    fn piece(&self, c: f64) -> (f64, f64) {
        let n = self.points.len();
        if n == 1 {
            return (self.points[0].1, 0.0);
        }
        let i = self.points.partition_point(|p| p.0 <= c).clamp(1, n - 1);
        let (left, right) = (self.points[i - 1], self.points[i]);
        let slope = (right.1 - left.1) / (right.0 - left.0);
        // From the nearer end, so that the table's own values come back to the last bit.
        let value =
            if c - left.0 <= right.0 - c { left.1 + slope * (c - left.0) } else { right.1 + slope * (c - right.0) };
        (value, slope)
    }

    /// The temperatures at which ln life changes its slope.
    fn knots(&self) -> Vec<f64> {
        let mut knots: Vec<f64> = self.points.iter().map(|p| p.0).collect();
        knots.push(self.lowest_safe_c);
        let mirrored: Vec<f64> =
            knots.iter().map(|k| 2.0 * self.lowest_safe_c - k).filter(|k| *k < self.lowest_safe_c).collect();
        for (end, other) in [(0, 1), (self.points.len() - 1, self.points.len().saturating_sub(2))] {
            let (Some(p), Some(q)) = (self.points.get(end), self.points.get(other)) else { continue };
            let slope = (p.1 - q.1) / (p.0 - q.0);
            if slope.is_finite() && slope != 0.0 {
                for bound in [self.floor(), self.ceiling()] {
                    let at = p.0 + (bound - p.1) / slope;
                    knots.push(at);
                    knots.push(2.0 * self.lowest_safe_c - at);
                }
            }
        }
        knots.extend(mirrored);
        knots
    }

    /// Share of the whole life used over one stretch of air: exact for the straight line, since on each piece the rate
    /// is exponential in time and its mean is the logarithmic mean of its ends.
    #[must_use]
    pub fn used(&self, stretch: &Segment) -> f64 {
        let (a, b) = (stretch.from_c, stretch.until_c);
        let days = seconds(stretch.span) / DAY_S;
        if (a - b).abs() < 1e-9 {
            return days / self.life_days(f64::midpoint(a, b));
        }
        let (low, high) = if a < b { (a, b) } else { (b, a) };
        let mut cuts: Vec<f64> = self.knots().into_iter().filter(|k| *k > low && *k < high).collect();
        cuts.extend([low, high]);
        cuts.sort_by(f64::total_cmp);
        cuts.windows(2)
            .map(|w| {
                let part = days * (w[1] - w[0]) / (high - low);
                let (left, right) = ((-self.ln_life(w[0])).exp(), (-self.ln_life(w[1])).exp());
                part * log_mean(left, right)
            })
            .sum()
    }
}

/// The logarithmic mean of two positive numbers: the mean of an exponential between them.
fn log_mean(a: f64, b: f64) -> f64 {
    let ratio = (b / a).ln();
    // Close to equal the quotient loses its digits; there the series 1 + r/2 + r²/6 is exact to the last bit.
    if ratio.abs() < 1e-4 { a * (1.0 + ratio / 2.0 + ratio * ratio / 6.0) } else { (b - a) / ratio }
}

/// What is left of a lot's life.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct LifeLeft {
    /// Share of the whole life used, as a best guess.
    pub used_share: f64,
    /// Days left if it stays at `at_c`.
    pub days_left: f64,
    /// The low end of the range: the profile's spread, and every unknown hour at the worst known temperature.
    pub days_left_low: f64,
    /// The high end of the range.
    pub days_left_high: f64,
    /// Temperature that the days left are reckoned at, °C.
    pub at_c: f64,
    /// Share of the path whose temperature is known, 0 to 1.
    pub known_share: f64,
}

/// Reckons the life left of a lot.
///
/// `known` are the stretches of its path with a temperature, `unknown` the time without one. An unknown hour counts as an hour
/// at `at_c` in the best guess and as an hour at `worst_c` in the low end of the range. Nothing is rounded, and a life that is used up
/// gives negative days.
#[must_use]
pub fn life_left(profile: &Profile, known: &[Segment], unknown: TimeDelta, at_c: f64, worst_c: f64) -> LifeLeft {
    #[expect(clippy::cast_precision_loss, reason = "seconds of a lot's life are far below 2^52")]
    let unknown_days = unknown.num_seconds() as f64 / DAY_S;
    let known_days: f64 = known.iter().map(|s| seconds(s.span)).sum::<f64>() / DAY_S;
    let known_used: f64 = known.iter().map(|s| profile.used(s)).sum();
    let life = profile.life_days(at_c);
    let used = known_used + unknown_days / life;
    let worst = known_used + unknown_days / profile.life_days(worst_c.max(at_c)).min(life);
    let whole = known_days + unknown_days;
    LifeLeft {
        used_share: used,
        days_left: (1.0 - used) * life,
        // A life shorter by the spread means that every hour used more of it.
        days_left_low: (1.0 - profile.spread - worst) * life,
        days_left_high: (1.0 + profile.spread - used) * life,
        at_c,
        known_share: if whole > 0.0 { known_days / whole } else { 1.0 },
    }
}

/// Days of life that known air took beyond what the same time at a limit would have taken, counted in days at that limit. Zero where it was
/// colder.
#[must_use]
pub fn life_beyond(profile: &Profile, known: &[Segment], limit_c: f64) -> f64 {
    let at_limit = |s: &Segment| profile.used(&Segment { from_c: limit_c, until_c: limit_c, ..*s });
    let beyond: f64 = known.iter().map(|s| profile.used(s) - at_limit(s)).sum();
    (beyond * profile.life_days(limit_c)).max(0.0)
}

#[cfg(test)]
mod tests {
    use chrono::{DateTime, TimeDelta};
    use proptest::prelude::*;

    use super::*;
    use crate::calendar::Span;

    fn stretch(hours: f64, from_c: f64, until_c: f64) -> Segment {
        let from = DateTime::from_timestamp(1_750_000_000, 0).unwrap();
        #[expect(clippy::cast_possible_truncation, reason = "a few days of seconds")]
        let until = from + TimeDelta::seconds((hours * 3600.0) as i64);
        Segment { span: Span { from, until }, from_c, until_c }
    }

    #[test]
    fn published_points_come_back_exactly() {
        // Minamide, Habu & Ogata 1980, J. Jpn. Soc. Food Sci. Technol. 27(6): 281–287 (abstract; midpoints of its ranges).
        let five_species = [(1.0, 17.0), (6.0, 10.0), (20.0, 2.5)];
        // Shiitake at five temperatures: J. Jpn. Soc. Cold Preserv. Food 13(2): 44 (abstract; midpoints of its ranges).
        let shiitake = [(0.0, 22.0), (5.0, 15.0), (10.0, 7.0), (20.0, 3.5), (30.0, 2.5)];
        for table in [&five_species[..], &shiitake[..]] {
            let profile = Profile::new(table, -1.0, 0.2).unwrap();
            for (c, days) in table {
                assert!((profile.life_days(*c) - days).abs() < 1e-12, "{c} °C");
            }
        }
    }

    #[test]
    fn one_factor_cannot_fit_shiitake_and_the_table_does_not_try() {
        // The same shiitake series: the factor per 10 °C is 2.151 between 0 and 5 °C and 4.592 between 5 and 10 °C (DERIVED from the midpoints).
        let profile =
            Profile::new(&[(0.0, 22.0), (5.0, 15.0), (10.0, 7.0), (20.0, 3.5), (30.0, 2.5)], -1.0, 0.2).unwrap();
        let q10 = |a: f64, b: f64| (profile.life_days(a) / profile.life_days(b)).powf(10.0 / (b - a));
        assert!((q10(0.0, 5.0) - 2.151).abs() < 5e-4);
        assert!((q10(5.0, 10.0) - 4.592).abs() < 5e-4);
    }

    #[test]
    fn summed_fractions_to_six_digits() {
        // Summed fractions (Palmgren, Miner) with life = 14 × 3^(−T/10) days; DERIVED from that formula.
        let life = |c: f64| 14.0 * 3f64.powf(-c / 10.0);
        let profile = Profile::new(&[(0.0, life(0.0)), (10.0, life(10.0)), (20.0, life(20.0))], -1.0, 0.0).unwrap();
        let path =
            [stretch(2.0, 18.0, 18.0), stretch(2.0, 4.0, 4.0), stretch(6.0, 10.0, 10.0), stretch(40.0, 3.0, 3.0)];
        let left = life_left(&profile, &path, TimeDelta::zero(), 3.0, 3.0);
        assert!((left.used_share - 0.271_335).abs() < 5e-7, "{}", left.used_share);
        assert!((left.days_left - 7.337_02).abs() < 5e-6, "{}", left.days_left);
    }

    #[test]
    fn chilling_costs_life_below_the_lowest_safe_temperature() {
        // A chilling-sensitive oyster, 18 days at 10 °C, injured at 4 °C: Jitareerat et al. 2018, Acta Hort. 1213: 251–256.
        let profile = Profile::new(&[(10.0, 18.0), (20.0, 6.0)], 8.0, 0.2).unwrap();
        assert!(profile.life_days(4.0) < profile.life_days(8.0));
        assert!((profile.life_days(4.0) - profile.life_days(12.0)).abs() < 1e-12);
    }

    #[test]
    fn missing_readings_widen_the_range_on_the_low_side() {
        let profile = Profile::new(&[(1.0, 17.0), (6.0, 10.0), (20.0, 2.5)], 0.0, 0.1).unwrap();
        let known = life_left(&profile, &[stretch(48.0, 2.0, 2.0)], TimeDelta::zero(), 2.0, 20.0);
        let blind = life_left(&profile, &[stretch(24.0, 2.0, 2.0)], TimeDelta::hours(24), 2.0, 20.0);
        assert!((known.days_left - blind.days_left).abs() < 1e-9);
        assert!(blind.days_left_low < known.days_left_low);
        assert!((blind.known_share - 0.5).abs() < 1e-12);
    }

    #[test]
    fn nonsense_profiles_are_refused() {
        for points in [&[][..], &[(5.0, 3.0), (1.0, 9.0)], &[(1.0, 0.0)], &[(f64::NAN, 3.0)], &[(1.0, 3.0), (1.0, 4.0)]]
        {
            assert!(Profile::new(points, 0.0, 0.2).is_err(), "{points:?}");
        }
    }

    proptest! {
        #[test]
        fn the_integral_equals_a_fine_sum(from in -3.0f64..28.0, until in -3.0f64..28.0, hours in 0.5f64..40.0) {
            let profile = Profile::new(&[(0.0, 22.0), (5.0, 15.0), (10.0, 7.0), (20.0, 3.5)], 1.0, 0.2).unwrap();
            let exact = profile.used(&stretch(hours, from, until));
            let n = 20_000;
            #[expect(clippy::cast_possible_truncation, reason = "whole seconds, as the stretch has")]
            let days = f64::from((hours * 3600.0) as i32) / DAY_S;
            let sum: f64 = (0..n)
                .map(|i| days / f64::from(n) / profile.life_days(from + (until - from) * (f64::from(i) + 0.5) / f64::from(n)))
                .sum();
            prop_assert!((exact - sum).abs() < 1e-6 * sum.max(1e-3), "{exact} {sum}");
        }

        #[test]
        fn warmer_is_never_longer(a in 1.0f64..35.0, b in 1.0f64..35.0) {
            let profile = Profile::new(&[(1.0, 17.0), (6.0, 10.0), (20.0, 2.5)], 0.0, 0.2).unwrap();
            let (low, high) = if a < b { (a, b) } else { (b, a) };
            prop_assert!(profile.life_days(high) <= profile.life_days(low) + 1e-12);
        }
    }

    #[test]
    fn a_day_at_twenty_degrees_takes_four_days_of_six_degrees() {
        // Minamide, Habu and Ogata 1980, oyster mushroom: about 10 days at 6 °C and 2 to 3 at 20 °C. A day at 20 °C is 10 ÷ 2.5 = 4 days
        // at 6 °C, of which one would have gone by anyway.
        let profile = Profile::new(&[(1.0, 17.0), (6.0, 10.0), (20.0, 2.5)], 0.0, 0.2).unwrap();
        let from = chrono::DateTime::UNIX_EPOCH;
        let span = crate::calendar::Span { from, until: from + chrono::TimeDelta::days(1) };
        let day = |c: f64| [Segment { span, from_c: c, until_c: c }];
        assert!((life_beyond(&profile, &day(20.0), 6.0) - 3.0).abs() < 1e-9);
        assert!(life_beyond(&profile, &day(1.0), 6.0).abs() < 1e-12, "cold gives no life back");
    }
}
