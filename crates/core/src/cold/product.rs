//! The food behind the air: a first-order lag.
//!
//! `dp/dt = (air − p) / τ`. Over a straight line of air, `air(t) = a + m·t`, it has the closed form
//! `p(t) = a + m·(t − τ) + (p0 − a + m·τ)·e^(−t/τ)`, which is used as it stands, not stepped. The slope changes its sign at most once over a
//! line, so that where `p` passes a level is found by halving between its ends and that turn.

/// The product over one straight line of air, with `t` in seconds since the line began.
#[derive(Debug, Clone, Copy)]
pub struct Product {
    /// °C of the air when the line begins.
    air_c: f64,
    /// °C a second.
    slope: f64,
    /// Time constant, seconds. Zero follows the air.
    tau_s: f64,
    /// °C that decay.
    rest_c: f64,
}

impl Product {
    /// The product at `from_c` when a line of air from `air_from_c` to `air_until_c` over `seconds` begins.
    #[must_use]
    pub fn over(from_c: f64, air_from_c: f64, air_until_c: f64, seconds: f64, tau_s: f64) -> Self {
        let slope = if seconds > 0.0 { (air_until_c - air_from_c) / seconds } else { 0.0 };
        Self { air_c: air_from_c, slope, tau_s, rest_c: from_c - air_from_c + slope * tau_s }
    }

    /// °C at a time.
    #[must_use]
    pub fn at(&self, t: f64) -> f64 {
        let air = self.air_c + self.slope * t;
        if self.tau_s <= 0.0 {
            return air;
        }
        air - self.slope * self.tau_s + self.rest_c * (-t / self.tau_s).exp()
    }

    /// Its integral between two times, °C·s.
    #[must_use]
    pub fn area(&self, from: f64, until: f64) -> f64 {
        let straight = |t: f64| (self.air_c - self.slope * self.tau_s) * t + self.slope * t * t / 2.0;
        if self.tau_s <= 0.0 {
            return straight(until) - straight(from);
        }
        let decays = self.rest_c * self.tau_s * ((-from / self.tau_s).exp() - (-until / self.tau_s).exp());
        straight(until) - straight(from) + decays
    }

    /// The time at which it turns, if it does within `(0, seconds)`.
    #[must_use]
    pub fn turn(&self, seconds: f64) -> Option<f64> {
        // p' = m − (rest/τ)·e^(−t/τ) is zero where e^(−t/τ) = m·τ / rest.
        let share = self.slope * self.tau_s / self.rest_c;
        if self.tau_s <= 0.0 || !share.is_finite() || share <= 0.0 || share >= 1.0 {
            return None;
        }
        let t = -self.tau_s * share.ln();
        (t > 0.0 && t < seconds).then_some(t)
    }

    /// The times within `(0, seconds)` at which it passes a level, in order: at most two.
    #[must_use]
    pub fn passes(&self, level_c: f64, seconds: f64) -> Vec<f64> {
        let mut ends = vec![0.0];
        ends.extend(self.turn(seconds));
        ends.push(seconds);
        ends.windows(2).filter_map(|pair| self.pass_between(level_c, pair[0], pair[1])).collect()
    }

    fn pass_between(&self, level_c: f64, mut from: f64, mut until: f64) -> Option<f64> {
        let below = |t: f64| self.at(t) < level_c;
        let begins_below = below(from);
        if begins_below == below(until) {
            return None;
        }
        // Halving an hour fifty times comes to the last bit.
        for _ in 0..50 {
            let middle = f64::midpoint(from, until);
            if below(middle) == begins_below {
                from = middle;
            } else {
                until = middle;
            }
        }
        Some(until)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_step_of_air_is_followed_to_63_per_cent_in_one_time_constant() {
        let p = Product::over(2.0, 12.0, 12.0, 7200.0, 1200.0);
        assert!((p.at(1200.0) - (2.0 + 10.0 * (1.0 - (-1.0f64).exp()))).abs() < 1e-12);
        let warm = p.passes(5.0, 7200.0);
        // t = −τ·ln((12 − 5)/(12 − 2))
        assert!((warm[0] + 1200.0 * 0.7f64.ln()).abs() < 1e-6, "{warm:?}");
    }

    #[test]
    fn a_door_opening_of_ten_minutes_hardly_shows() {
        let up = Product::over(2.0, 2.0, 10.0, 300.0, 3600.0);
        let down = Product::over(up.at(300.0), 10.0, 2.0, 300.0, 3600.0);
        assert!(down.at(300.0) < 3.0);
    }

    proptest! {
        #[test]
        fn it_is_what_small_steps_come_to(p0 in -5.0f64..20.0, a in -5.0f64..20.0, b in -5.0f64..20.0, seconds in 10.0f64..3000.0, tau in 60.0f64..5000.0) {
            let exact = Product::over(p0, a, b, seconds, tau).at(seconds);
            // Runge–Kutta of the fourth order, stepped a thousand times.
            let (mut p, h) = (p0, seconds / 1000.0);
            let rate = |t: f64, p: f64| (a + (b - a) * t / seconds - p) / tau;
            for i in 0..1000 {
                let t = f64::from(i) * h;
                let k1 = rate(t, p);
                let k2 = rate(t + h / 2.0, p + h / 2.0 * k1);
                let k3 = rate(t + h / 2.0, p + h / 2.0 * k2);
                let k4 = rate(t + h, p + h * k3);
                p += h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4);
            }
            prop_assert!((exact - p).abs() < 1e-7, "{exact} {p}");
            // Simpson's rule over the closed form.
            let product = Product::over(p0, a, b, seconds, tau);
            let simpson: f64 = (0..1000).map(|i| {
                let (from, until) = (f64::from(i) * h, f64::from(i + 1) * h);
                h / 6.0 * (product.at(from) + 4.0 * product.at(f64::midpoint(from, until)) + product.at(until))
            }).sum();
            prop_assert!((product.area(0.0, seconds) - simpson).abs() < 1e-6 * seconds);
        }

        #[test]
        fn it_never_leaves_what_air_and_product_were(p0 in -5.0f64..20.0, a in -5.0f64..20.0, b in -5.0f64..20.0, seconds in 10.0f64..3000.0, tau in 0.0f64..5000.0, share in 0.0f64..1.0) {
            let product = Product::over(p0, a, b, seconds, tau);
            let c = product.at(share * seconds);
            prop_assert!(c >= p0.min(a).min(b) - 1e-9 && c <= p0.max(a).max(b) + 1e-9);
            for t in product.passes(5.0, seconds) {
                prop_assert!((product.at(t) - 5.0).abs() < 1e-6);
            }
        }
    }
}
