//! Weight that fresh mushrooms lose as water, so that a stock count is split into what was to be expected and what was not.
//!
//! Loss = coefficient × vapour-pressure deficit × time. The coefficients are from one source and stand for a start: Azevedo et al. 2017
//! (doi 10.1016/j.jfoodeng.2017.05.026) measured 0.52 g/(kg·h) at 2 °C and 100 % humidity and 3.88 g/(kg·h) at 18 °C and
//! 86 % for unpacked oyster mushrooms. A surface warmed by respiration loses water even in saturated air: the first figure is kept as a floor.

use crate::{quantity::Grams, words::Packaging};

/// Loss that goes on in saturated air, g/(kg·h).
const FLOOR: f64 = 0.52;
/// Loss by vapour-pressure deficit, g/(kg·h·kPa): (3.88 − 0.52) ÷ 0.2888 kPa at 18 °C and 86 %.
const PER_KPA: f64 = 11.63;

/// Saturation vapour pressure over water, kPa, at °C: Magnus form with the coefficients of Alduchov & Eskridge 1996,
/// J. Appl. Meteorol. 35: 601–609, good to 0.4 % between −40 and 50 °C.
#[must_use]
pub fn saturation_kpa(c: f64) -> f64 {
    0.610_94 * (17.625 * c / (c + 243.04)).exp()
}

/// Vapour-pressure deficit of air, kPa.
#[must_use]
pub fn deficit_kpa(c: f64, humidity_percent: f64) -> f64 {
    saturation_kpa(c) * (1.0 - humidity_percent.clamp(0.0, 100.0) / 100.0)
}

/// Share of the loss that a packaging lets through. Our own convention (unverified).
const fn lets_through(packaging: Packaging) -> f64 {
    match packaging {
        Packaging::Open => 1.0,
        Packaging::Vented => 0.3,
        Packaging::Sealed => 0.05,
    }
}

/// Expected loss of `grams` over `hours`, compounding, never more than what is there.
#[must_use]
#[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "a weight here is far below 2^52 g")]
pub fn expected_loss(grams: Grams, hours: f64, c: f64, humidity_percent: f64, packaging: Packaging) -> Grams {
    let per_kg_hour = (FLOOR + PER_KPA * deficit_kpa(c, humidity_percent)) * lets_through(packaging);
    let kept = (-per_kg_hour / 1000.0 * hours.max(0.0)).exp();
    Grams((grams.0 as f64 * (1.0 - kept)).round() as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_two_published_rates_come_back() {
        // Azevedo et al. 2017, see above: 1 kg for one hour.
        for (c, humidity, rate) in [(2.0, 100.0, 0.52), (18.0, 86.0, 3.88)] {
            let ton = expected_loss(Grams(1_000_000), 1.0, c, humidity, Packaging::Open);
            assert!((ton.kg() - rate).abs() < 0.02, "{c} °C: {ton}");
        }
    }

    #[test]
    fn saturation_over_water() {
        // 0.6113 kPa at 0.01 °C (triple point of water, IAPWS-95) and 2.339 kPa at 20 °C (same).
        assert!((saturation_kpa(0.01) - 0.6117).abs() < 0.002);
        assert!((saturation_kpa(20.0) - 2.339).abs() < 0.01);
    }

    #[test]
    fn never_more_than_there_is_and_less_in_a_pack() {
        let loss = |p| expected_loss(Grams(5000), 72.0, 2.0, 90.0, p);
        assert!(loss(Packaging::Open) > loss(Packaging::Vented) && loss(Packaging::Vented) > loss(Packaging::Sealed));
        assert_eq!(expected_loss(Grams(5000), 1e9, 20.0, 0.0, Packaging::Open), Grams(5000));
        assert_eq!(expected_loss(Grams(5000), -3.0, 20.0, 50.0, Packaging::Open), Grams(0));
    }
}
