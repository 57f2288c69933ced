//! Saleable life: how long a lot can still be sold, from the temperatures on its own path.
//!
//! A profile is a table of (°C, days) points. Between points the logarithm of life is linear in temperature, so that the
//! table's own values come back exactly. Beyond the table the end slope goes on, within [`MAX_LIFE_FACTOR`] times its longest and
//! [`MIN_LIFE_FACTOR`] times its shortest life. Below the strain's lowest safe temperature life is lost to chilling: our own
//! convention (unverified) is that a degree below it costs what a degree above it costs.
//!
//! The life used on a path is the integral of dt / life(T(t)) (linear damage accumulation, Palmgren 1924 and Miner 1945). It is a
//! planning aid: best-before dates follow the farm's own rule, and the local food-safety rules decide.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::cold::exposure::{Segment, seconds};

/// Beyond the table, life is at most this many times its longest.
pub const MAX_LIFE_FACTOR: f64 = 1.5;
/// Beyond the table, life is at least this many times its shortest.
pub const MIN_LIFE_FACTOR: f64 = 0.25;

pub(crate) const DAY_S: f64 = 86_400.0;

/// Saleable life by temperature for one strain in one packaging.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// (°C, ln days), in rising temperature.
    points: Vec<(f64, f64)>,
    lowest_safe_c: f64,
    /// ln days, at least and at most.
    bounds: (f64, f64),
    /// The temperatures at which ln life changes its slope, rising.
    knots: Vec<f64>,
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
        let points: Vec<(f64, f64)> = points.iter().map(|(c, d)| (*c, d.ln())).collect();
        let (least, most) = points.iter().fold((f64::MAX, f64::MIN), |(l, m), p| (l.min(p.1), m.max(p.1)));
        let bounds = (least + MIN_LIFE_FACTOR.ln(), most + MAX_LIFE_FACTOR.ln());
        let knots = knots(&points, lowest_safe_c, bounds);
        Ok(Self { points, lowest_safe_c, bounds, knots, spread })
    }

    /// Life at a steady temperature, in days.
    #[must_use]
    pub fn life_days(&self, c: f64) -> f64 {
        self.ln_life(c).exp()
    }

    fn ln_life(&self, c: f64) -> f64 {
        let c = if c < self.lowest_safe_c { 2.0 * self.lowest_safe_c - c } else { c };
        let (line, _) = self.piece(c);
        line.clamp(self.bounds.0, self.bounds.1)
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

    /// The knots between two temperatures, rising.
    fn knots_between(&self, low: f64, high: f64) -> &[f64] {
        let first = self.knots.partition_point(|k| *k <= low);
        &self.knots[first..self.knots.partition_point(|k| *k < high).max(first)]
    }

    /// Share of the whole life used over one stretch of air: exact for the straight line, since on each piece the rate
    /// is exponential in time and its mean is the logarithmic mean of its ends.
    #[must_use]
    pub fn used(&self, stretch: &Segment) -> f64 {
        self.used_along(stretch.from_c, stretch.until_c, seconds(stretch.span))
    }

    /// Share of the whole life used over so many seconds while the air went from one temperature straight to another, °C: see [`Self::used`].
    #[must_use]
    pub fn used_along(&self, a: f64, b: f64, seconds: f64) -> f64 {
        let days = seconds / DAY_S;
        if (a - b).abs() < 1e-9 {
            return days / self.life_days(f64::midpoint(a, b));
        }
        let (low, high) = if a < b { (a, b) } else { (b, a) };
        let (mut from, mut sum) = ((low, self.ln_life(low)), 0.0);
        for c in self.knots_between(low, high).iter().copied().chain([high]) {
            let until = (c, self.ln_life(c));
            sum += days * (until.0 - from.0) / (high - low) * mean_rate(from.1, until.1);
            from = until;
        }
        sum
    }

    /// Share of the whole life that so many seconds used at most, of which only the mean, the coldest and the warmest are kept.
    ///
    /// No air with these figures uses more than if it had changed at once between two temperatures around its mean: on each piece of the
    /// profile the rate of use is convex in temperature, so that the most is a chord between two of its knots or ends.
    #[must_use]
    pub fn used_at_most(&self, known_s: f64, mean_c: f64, min_c: f64, max_c: f64) -> f64 {
        let (low, high) = (min_c.min(mean_c), max_c.max(mean_c));
        let rate = |c: f64| (-self.ln_life(c)).exp();
        let mut ends = self.knots_between(low, high).to_vec();
        ends.extend([low, high]);
        let mut most = rate(mean_c);
        for a in ends.iter().filter(|a| **a < mean_c) {
            for b in ends.iter().filter(|b| **b > mean_c) {
                most = most.max(rate(*a) + (rate(*b) - rate(*a)) * (mean_c - a) / (b - a));
            }
        }
        most * known_s / DAY_S
    }

    /// The fastest rate of use between two temperatures, in shares of the whole life a day.
    #[must_use]
    pub fn fastest(&self, min_c: f64, max_c: f64) -> f64 {
        let ends = self.knots_between(min_c, max_c).iter().copied().chain([min_c, max_c]);
        ends.map(|c| (-self.ln_life(c)).exp()).fold(0.0, f64::max)
    }
}

/// The temperatures at which ln life changes its slope: the table's, the lowest safe one, those at which it meets a bound, and their mirror
/// images below the lowest safe one.
fn knots(points: &[(f64, f64)], lowest_safe_c: f64, bounds: (f64, f64)) -> Vec<f64> {
    let mut knots: Vec<f64> = points.iter().map(|p| p.0).collect();
    knots.push(lowest_safe_c);
    for (end, other) in [(0, 1), (points.len() - 1, points.len().saturating_sub(2))] {
        let (Some(p), Some(q)) = (points.get(end), points.get(other)) else { continue };
        let slope = (p.1 - q.1) / (p.0 - q.0);
        if slope.is_finite() && slope != 0.0 {
            knots.extend([bounds.0, bounds.1].map(|bound| p.0 + (bound - p.1) / slope));
        }
    }
    let mirrored: Vec<f64> = knots.iter().map(|k| 2.0 * lowest_safe_c - k).collect();
    knots.extend(mirrored);
    knots.sort_by(f64::total_cmp);
    knots
}

/// The mean of the rate of use, in shares of the whole life a day, while ln life goes straight from one value to another: the logarithmic
/// mean of the rates at its ends, e⁻ᵃ (eʳ − 1) / r with r = a − b.
fn mean_rate(a: f64, b: f64) -> f64 {
    let r = a - b;
    // Close to zero the quotient is 0 / 0; there its series is exact to the last bit.
    let mean = if r.abs() < 1e-2 {
        1.0 + r / 2.0 * (1.0 + r / 3.0 * (1.0 + r / 4.0 * (1.0 + r / 5.0 * (1.0 + r / 6.0 * (1.0 + r / 7.0)))))
    } else {
        r.exp_m1() / r
    };
    (-a).exp() * mean
}

/// What a way took of the life of the grams that went it.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Wear {
    /// Share of the whole life used, time without a temperature at its worst.
    pub used: f64,
    /// The same, time without a temperature counted as it is expected to be where the grams are now, where that is less.
    pub used_at_least: f64,
    /// Seconds whose temperature is known.
    pub known_s: f64,
    /// Seconds of the whole way.
    pub whole_s: f64,
    /// The worst temperature that time without one was counted at, °C.
    pub assumed_c: Option<f64>,
}

impl Wear {
    /// This way and a step more.
    #[must_use]
    pub fn then(&self, step: &Self, profile: &Profile) -> Self {
        let worse = |a: &f64, b: &f64| profile.life_days(*a).total_cmp(&profile.life_days(*b));
        Self {
            used: self.used + step.used,
            used_at_least: self.used_at_least + step.used_at_least,
            known_s: self.known_s + step.known_s,
            whole_s: self.whole_s + step.whole_s,
            assumed_c: self.assumed_c.into_iter().chain(step.assumed_c).min_by(worse),
        }
    }
}

/// What is left of the saleable life of grams of a lot, by the temperatures on their own way: every place that they stood in since they
/// were weighed, for as long as they stood there, and before they were packed the way and the packaging of the lots that they were made
/// of. Where grams of one lot at one place went different ways, the way that took most counts.
///
/// Time without a temperature counts as if it had been as bad as the worst temperature that is known on any way that they may have gone.
/// At a place where none is known on every such way it counts as bad as 5 °C above the place's warm limit, if that is worse, and where
/// there is no limit as bad as 10 °C in a fridge and 20 °C on a shelf, in a van or at a stall. More than eight days back the figures of
/// whole hours are used, and the most that an hour with such figures can have taken counts; where grams of the lot came to the place or
/// left it within such an hour, each part of it counts by itself, as much as must be known of it, at the hour's worst temperature. More
/// than 400 days back time counts as time without a temperature.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct LifeLeft {
    /// Share of the whole life used; above 1 once it is used up.
    pub used_share: f64,
    /// Days left if it stays at `at_c`; below zero once it is used up.
    pub days_left: f64,
    /// The low end of the range: the profile's spread taken off.
    pub days_left_low: f64,
    /// The high end of the range: the spread added, and time without a temperature counted at `at_c`.
    pub days_left_high: f64,
    /// The temperature that the days left are counted at, °C: the mean of the last day where the lot is; its place's warm limit where
    /// nothing is known of the last day, and without a limit what unknown time counts at there.
    pub at_c: f64,
    /// Share of the way on which there were readings at the place where the grams were, 0 to 1.
    pub known_share: f64,
    /// What time without a temperature was counted at, °C, the worst of it. Nothing where every second is known.
    pub assumed_c: Option<f64>,
}

/// The life left of grams that fared so, if they stay at a temperature. Nothing is rounded, and a life that is used up gives negative days.
#[must_use]
pub fn life_left(profile: &Profile, wear: &Wear, at_c: f64) -> LifeLeft {
    let life = profile.life_days(at_c);
    LifeLeft {
        used_share: wear.used,
        days_left: (1.0 - wear.used) * life,
        // A life shorter by the spread means that every hour used more of it.
        days_left_low: (1.0 - profile.spread - wear.used) * life,
        days_left_high: (1.0 + profile.spread - wear.used_at_least) * life,
        at_c,
        known_share: if wear.whole_s > 0.0 { wear.known_s / wear.whole_s } else { 1.0 },
        assumed_c: wear.assumed_c,
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
    use crate::units::calendar::Span;

    fn stretch(hours: f64, from_c: f64, until_c: f64) -> Segment {
        let from = DateTime::from_timestamp(1_750_000_000, 0).unwrap();
        #[expect(clippy::cast_possible_truncation, reason = "a few days of seconds")]
        let until = from + TimeDelta::seconds((hours * 3600.0) as i64);
        Segment { span: Span { from, until }, from_c, until_c }
    }

    fn wear(profile: &Profile, path: &[Segment]) -> Wear {
        let used = path.iter().map(|s| profile.used(s)).sum();
        let known_s = path.iter().map(|s| seconds(s.span)).sum();
        Wear { used, used_at_least: used, known_s, whole_s: known_s, assumed_c: None }
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
        let left = life_left(&profile, &wear(&profile, &path), 3.0);
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

        /// Pieces of one hour, whatever they are, never use more than the hour's figures say that they can; nor an hour's part.
        #[test]
        fn an_hours_figures_never_tell_of_less_than_its_pieces(
            ends in prop::collection::vec(-4.0f64..30.0, 2..9), lowest in -1.0f64..9.0, tail in 0.01f64..3.0,
        ) {
            let profile = Profile::new(&[(0.0, 22.0), (5.0, 15.0), (10.0, 7.0), (20.0, 3.5), (30.0, tail)], lowest, 0.2);
            let profile = profile.unwrap();
            let pieces: Vec<Segment> = ends.windows(2).map(|w| stretch(0.125, w[0], w[1])).collect();
            let exact: f64 = pieces.iter().map(|p| profile.used(p)).sum();
            let known_s: f64 = pieces.iter().map(|p| seconds(p.span)).sum();
            let mean = pieces.iter().map(|p| f64::midpoint(p.from_c, p.until_c)).sum::<f64>() / f64::from(u32::try_from(pieces.len()).unwrap());
            let (least, most) = ends.iter().fold((f64::MAX, f64::MIN), |(l, m), c| (l.min(*c), m.max(*c)));
            let bound = profile.used_at_most(known_s, mean, least, most);
            prop_assert!(exact <= bound * (1.0 + 1e-9), "{exact} {bound}");
            prop_assert!(bound <= profile.fastest(least, most) * known_s / DAY_S * (1.0 + 1e-9));
            // Where the air stood still the figures tell everything.
            let steady = profile.used(&stretch(1.0, mean, mean));
            prop_assert!((profile.used_at_most(3600.0, mean, mean, mean) - steady).abs() < 1e-12);
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
        let span = crate::units::calendar::Span { from, until: from + chrono::TimeDelta::days(1) };
        let day = |c: f64| [Segment { span, from_c: c, until_c: c }];
        assert!((life_beyond(&profile, &day(20.0), 6.0) - 3.0).abs() < 1e-9);
        assert!(life_beyond(&profile, &day(1.0), 6.0).abs() < 1e-12, "cold gives no life back");
    }
}
