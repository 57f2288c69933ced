//! Weight that fresh mushrooms lose as water, so that what is missing at a stock count is split into what was to be expected and what
//! was not.
//!
//! Rate = floor + coefficient × vapour-pressure deficit, in grams a kilogram and hour. The coefficients are from one source and stand for
//! a start: Azevedo et al. 2017 (doi 10.1016/j.jfoodeng.2017.05.026) measured 0.52 g/(kg·h) at 2 °C and 100 % humidity and 3.88 g/(kg·h)
//! at 18 °C and 86 % for unpacked oyster mushrooms. A surface warmed by respiration loses water even in saturated air: the first figure is
//! the floor. How far the truth may lie from the middle is our own convention (unverified): a quarter for the genus that was measured,
//! three fifths for every other, for which no figure was found.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    kinds::{Form, Packaging},
    units::quantity::Grams,
};

/// The version of the coefficients and of their range. Stored with every count that was split by them.
pub const COEFFICIENTS_VERSION: &str = "2026-1";

/// Loss that goes on in saturated air, g/(kg·h).
const FLOOR: f64 = 0.52;
/// Loss by vapour-pressure deficit, g/(kg·h·kPa): (3.88 − 0.52) ÷ 0.2888 kPa at 18 °C and 86 %.
const PER_KPA: f64 = 11.63;
/// The genus that the coefficients were measured on.
const MEASURED_GENUS: &str = "Pleurotus";
/// Range of the coefficients for that genus, as a share of the middle.
const MEASURED_SPREAD: f64 = 0.25;
/// The same for every other.
const UNMEASURED_SPREAD: f64 = 0.6;

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

/// What loses the water.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Goods<'a> {
    /// Latin name of the species.
    pub latin_name: &'a str,
    /// Its packaging.
    pub packaging: Packaging,
    /// Dried goods have none left to lose.
    pub form: Form,
}

/// The air that goods stood in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Surroundings {
    /// Hours with readings.
    pub known_hours: f64,
    /// Mean air of those hours, °C.
    pub known_c: f64,
    /// Hours without.
    pub unknown_hours: f64,
    /// The coldest, the likeliest and the warmest mean that the hours without readings are taken to have had, °C.
    pub unknown_c: [f64; 3],
    /// Relative humidity of the place, per cent.
    pub humidity_percent: f64,
}

/// Mean rates of loss, g/(kg·h): the least, the likeliest, the most.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rates(pub [f64; 3]);

/// Rates of loss for goods in their surroundings, as a mean over the hours.
///
/// The rate at the mean temperature stands for the mean of the rates: over the swings of a fridge the two differ by less than 1 %.
#[must_use]
pub fn rates(goods: Goods<'_>, air: &Surroundings) -> Rates {
    if goods.form == Form::Dried {
        return Rates([0.0; 3]);
    }
    let genus = goods.latin_name.split_whitespace().next().unwrap_or_default();
    let spread = if genus.eq_ignore_ascii_case(MEASURED_GENUS) { MEASURED_SPREAD } else { UNMEASURED_SPREAD };
    let at = |c: f64| (FLOOR + PER_KPA * deficit_kpa(c, air.humidity_percent)) * lets_through(goods.packaging);
    let (known, unknown) = (air.known_hours.max(0.0), air.unknown_hours.max(0.0));
    let hours = known + unknown;
    let mean = |unknown_c: f64| {
        if hours > 0.0 { (at(air.known_c) * known + at(unknown_c) * unknown) / hours } else { at(unknown_c) }
    };
    let [cold, likely, warm] = air.unknown_c;
    Rates([mean(cold) * (1.0 - spread), mean(likely), mean(warm) * (1.0 + spread)])
}

/// Grams that came to a place, or left it (below zero), so many hours before a count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Entry {
    /// How much, by the scale.
    pub grams: Grams,
    /// Hours before the count.
    pub hours: f64,
}

/// Loss that is to be expected.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ExpectedLoss {
    /// The least that is to be expected.
    pub low_g: Grams,
    /// The likeliest.
    pub likely_g: Grams,
    /// The most that is to be expected.
    pub high_g: Grams,
}

impl std::ops::AddAssign for ExpectedLoss {
    fn add_assign(&mut self, other: Self) {
        self.low_g += other.low_g;
        self.likely_g += other.likely_g;
        self.high_g += other.high_g;
    }
}

/// Loss to be expected of what the book has at a place.
///
/// What came in loses from then on, `grams × (1 − e^(−rate × hours))`; what was weighed out has stopped losing, so its term is taken off.
/// The sum lies between nothing and the book.
#[must_use]
#[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "a weight here is far below 2^52 g")]
pub fn expected_loss(entries: &[Entry], rates: Rates) -> ExpectedLoss {
    let book: i64 = entries.iter().map(|e| e.grams.0).sum::<i64>().max(0);
    let at = |rate: f64| {
        let lost: f64 = entries.iter().map(|e| e.grams.0 as f64 * -(-rate / 1000.0 * e.hours.max(0.0)).exp_m1()).sum();
        Grams((lost.round() as i64).clamp(0, book))
    };
    let [low, likely, high] = rates.0;
    ExpectedLoss { low_g: at(low), likely_g: at(likely), high_g: at(high) }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const OYSTER: Goods<'static> =
        Goods { latin_name: "Pleurotus ostreatus", packaging: Packaging::Open, form: Form::Fresh };

    fn air(c: f64, humidity_percent: f64) -> Surroundings {
        Surroundings { known_hours: 1.0, known_c: c, unknown_hours: 0.0, unknown_c: [c; 3], humidity_percent }
    }

    fn stood(grams: i64, hours: f64) -> [Entry; 1] {
        [Entry { grams: Grams(grams), hours }]
    }

    #[test]
    fn the_two_published_rates_come_back() {
        // Azevedo et al. 2017, see above: 1 t for one hour.
        for (c, humidity, rate) in [(2.0, 100.0, 0.52), (18.0, 86.0, 3.88)] {
            let tonne = expected_loss(&stood(1_000_000, 1.0), rates(OYSTER, &air(c, humidity)));
            assert!((tonne.likely_g.kg() - rate).abs() < 0.02, "{c} °C: {tonne:?}");
            assert!(tonne.low_g < tonne.likely_g && tonne.likely_g < tonne.high_g);
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
        let loss = |packaging| {
            expected_loss(&stood(5000, 72.0), rates(Goods { packaging, ..OYSTER }, &air(2.0, 90.0))).likely_g
        };
        assert!(loss(Packaging::Open) > loss(Packaging::Vented) && loss(Packaging::Vented) > loss(Packaging::Sealed));
        assert_eq!(expected_loss(&stood(5000, 1e9), rates(OYSTER, &air(20.0, 0.0))).likely_g, Grams(5000));
        assert_eq!(expected_loss(&stood(5000, -3.0), rates(OYSTER, &air(20.0, 50.0))).high_g, Grams(0));
        let dried = Goods { form: Form::Dried, ..OYSTER };
        assert_eq!(expected_loss(&stood(5000, 72.0), rates(dried, &air(20.0, 50.0))), ExpectedLoss::default());
    }

    #[test]
    fn a_species_without_a_source_has_the_wider_range() {
        let width = |latin_name| {
            let Rates([low, likely, high]) = rates(Goods { latin_name, ..OYSTER }, &air(2.0, 90.0));
            (high - low) / likely
        };
        assert!((width("Pleurotus eryngii") - 0.5).abs() < 1e-12);
        assert!((width("Lentinula edodes") - 1.2).abs() < 1e-12);
    }

    #[test]
    fn hours_without_readings_widen_the_range_and_move_the_middle_no_more_than_they_last() {
        let known = Surroundings { known_hours: 24.0, ..air(2.0, 90.0) };
        let half = Surroundings { known_hours: 12.0, unknown_hours: 12.0, unknown_c: [0.0, 2.0, 5.0], ..known };
        let (Rates(known), Rates(half)) = (rates(OYSTER, &known), rates(OYSTER, &half));
        assert!(half[0] < known[0] && half[2] > known[2]);
        assert!((half[1] - known[1]).abs() < 1e-12);
    }

    proptest! {
        /// What was weighed in and wholly out again leaves nothing to lose; adding goods never lowers the loss; the range holds its middle.
        #[test]
        fn the_range_holds_its_middle_and_the_book_bounds_it(
            ins in prop::collection::vec((1i64..50_000, 0.0f64..300.0), 1..8), c in -1.0f64..20.0, humidity in 30.0f64..100.0,
        ) {
            let rates = rates(OYSTER, &air(c, humidity));
            let mut entries: Vec<Entry> = ins.iter().map(|(g, h)| Entry { grams: Grams(*g), hours: *h }).collect();
            let all = expected_loss(&entries, rates);
            let book: Grams = entries.iter().map(|e| e.grams).sum();
            prop_assert!(Grams::ZERO <= all.low_g && all.low_g <= all.likely_g && all.likely_g <= all.high_g && all.high_g <= book);
            let more = [entries.as_slice(), &stood(1000, 10.0)].concat();
            prop_assert!(expected_loss(&more, rates).likely_g >= all.likely_g);
            let out: Vec<Entry> = entries.iter().map(|e| Entry { grams: -e.grams, hours: e.hours }).collect();
            entries.extend(out);
            prop_assert_eq!(expected_loss(&entries, rates), ExpectedLoss::default());
        }
    }
}
