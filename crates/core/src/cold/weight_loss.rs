//! Weight that fresh mushrooms lose as water, by published figures. How much of that a farm's own goods lose is learned from its counts
//! (`ledger::loss_factor`).
//!
//! Rate = floor + coefficient × vapour-pressure deficit, in grams a kilogram and hour. The coefficients are from one source: Azevedo et al.
//! 2017 (doi 10.1016/j.jfoodeng.2017.05.026) measured 0.52 g/(kg·h) at 2 °C and 100 % humidity and 3.88 g/(kg·h) at 18 °C and 86 % for
//! unpacked oyster mushrooms. A surface warmed by respiration loses water even in saturated air: the first figure is the floor. For other
//! genera no figure was found; the same one stands for them.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    kinds::{Form, Packaging},
    units::quantity::Grams,
};

/// The version of the coefficients and of how they are learned. Stored with every count that was split by them.
pub const COEFFICIENTS_VERSION: &str = "2026-2";

/// Loss that goes on in saturated air, g/(kg·h).
const FLOOR: f64 = 0.52;
/// Loss by vapour-pressure deficit, g/(kg·h·kPa): (3.88 − 0.52) ÷ 0.2888 kPa at 18 °C and 86 %.
const PER_KPA: f64 = 11.63;
/// Exponent beyond which goods that lose by it are as good as dry: what they would lose by then is 99.3 % of them.
const MAX_EXPONENT: f64 = 5.0;

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
pub struct Goods {
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

/// Mean published rates of loss, g/(kg·h): in the coldest air that there can have been, in the likeliest, in the warmest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rates(pub [f64; 3]);

/// Published rates of loss for goods in their surroundings, as a mean over the hours.
///
/// The rate at the mean temperature stands for the mean of the rates: over the swings of a fridge the two differ by less than 1 %.
#[must_use]
pub fn rates(goods: Goods, air: &Surroundings) -> Rates {
    if goods.form == Form::Dried {
        return Rates([0.0; 3]);
    }
    let at = |c: f64| (FLOOR + PER_KPA * deficit_kpa(c, air.humidity_percent)) * lets_through(goods.packaging);
    let (known, unknown) = (air.known_hours.max(0.0), air.unknown_hours.max(0.0));
    let hours = known + unknown;
    let mean = |unknown_c: f64| {
        if hours > 0.0 { (at(air.known_c) * known + at(unknown_c) * unknown) / hours } else { at(unknown_c) }
    };
    Rates(air.unknown_c.map(mean))
}

/// Air that losses are compared in: 3 °C and 90 % humidity, as in a fridge of the trade (common practice).
const COMPARED_IN: Surroundings =
    Surroundings { known_hours: 1.0, known_c: 3.0, unknown_hours: 0.0, unknown_c: [3.0; 3], humidity_percent: 90.0 };

/// Per cent of its weight that fresh goods lose in the first day at 3 °C and 90 % humidity, at `factor` times the published rate.
#[must_use]
pub fn percent_per_day(packaging: Packaging, factor: f64) -> f64 {
    let Rates([_, rate, _]) = rates(Goods { packaging, form: Form::Fresh }, &COMPARED_IN);
    -100.0 * (-factor * rate / 1000.0 * 24.0).exp_m1()
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

/// What goods at a place lose at the published rates.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PublishedLoss {
    /// In the coldest air that there can have been.
    pub low_g: Grams,
    /// In the likeliest air.
    pub likely_g: Grams,
    /// In the warmest air that there can have been.
    pub high_g: Grams,
    /// Grams × rate × hours in the likeliest air: what would go if goods did not get lighter by losing. Never less than `likely_g`.
    pub gross_g: Grams,
}

impl std::ops::AddAssign for PublishedLoss {
    fn add_assign(&mut self, other: Self) {
        self.low_g += other.low_g;
        self.likely_g += other.likely_g;
        self.high_g += other.high_g;
        self.gross_g += other.gross_g;
    }
}

/// Loss by the published rates of what came to a place.
///
/// What came in loses from then on, `grams × (1 − e^(−rate × hours))`; what was weighed out has stopped losing, so its term is taken off.
/// Where most of it left, the sum may be more than the book has, which says that these goods lose by a lower rate.
#[must_use]
#[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "a weight here is far below 2^52 g")]
pub fn published_loss(entries: &[Entry], rates: Rates) -> PublishedLoss {
    let exponent = |e: &Entry, rate: f64| rate / 1000.0 * e.hours.max(0.0);
    let sum = |of: &dyn Fn(&Entry) -> f64| entries.iter().map(|e| e.grams.0 as f64 * of(e)).sum::<f64>().round() as i64;
    let at = |rate: f64| Grams(sum(&|e| -(-exponent(e, rate)).exp_m1()).clamp(0, Grams::MAX.0));
    let [low, likely, high] = rates.0;
    let likely_g = at(likely);
    let gross = sum(&|e| exponent(e, likely).min(MAX_EXPONENT)).min(Grams::MAX.0);
    PublishedLoss { low_g: at(low), likely_g, high_g: at(high), gross_g: Grams(gross).max(likely_g) }
}

impl PublishedLoss {
    /// Grams that go at `factor` times the published rate in the likeliest air.
    ///
    /// Goods that came and went at several times are taken as grams that stood the whole time: so many, that at the published rate they lose
    /// what these lose. It is exact for goods that came at once, and nearly so for others.
    #[must_use]
    pub fn times(&self, factor: f64) -> f64 {
        self.curve().at(factor)
    }

    /// The same for many factors.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "a weight here is far below 2^52 g")]
    pub fn curve(&self) -> LossCurve {
        let (likely, gross) = (self.likely_g.0 as f64, self.gross_g.0 as f64);
        if self.likely_g >= self.gross_g {
            return LossCurve { gross, bent: None };
        }
        let exponent = exponent_of(likely / gross);
        LossCurve { gross, bent: Some((exponent, -likely / (-exponent).exp_m1())) }
    }

    /// How far the air that nobody read lets the loss lie from the likeliest: standard deviation as a share of it. The coldest and the
    /// warmest air are taken as two such either way.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "a weight here is far below 2^52 g")]
    pub fn air_spread(&self) -> f64 {
        if self.likely_g > Grams::ZERO {
            (self.high_g - self.low_g).0 as f64 / (4.0 * self.likely_g.0 as f64)
        } else {
            0.0
        }
    }
}

/// What goods lose by the factor on the published rate.
#[derive(Debug, Clone, Copy)]
pub struct LossCurve {
    gross: f64,
    /// Exponent at the published rate, and the grams that lose by it; none where so little is lost that it is a straight line.
    bent: Option<(f64, f64)>,
}

impl LossCurve {
    /// Grams lost at so many times the published rate.
    #[must_use]
    pub fn at(&self, factor: f64) -> f64 {
        self.bent.map_or(self.gross * factor, |(exponent, grams)| -grams * (-factor * exponent).exp_m1())
    }
}

/// The `x` of which `(1 − e^(−x)) ÷ x` is `share`, by bisection; `share` lies between 0 and 1.
fn exponent_of(share: f64) -> f64 {
    let (mut low, mut high) = (1e-9, 1.0 / share.max(1e-9));
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if -(-middle).exp_m1() / middle > share {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const OPEN: Goods = Goods { packaging: Packaging::Open, form: Form::Fresh };

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
            let tonne = published_loss(&stood(1_000_000, 1.0), rates(OPEN, &air(c, humidity)));
            assert!((tonne.likely_g.kg() - rate).abs() < 0.02, "{c} °C: {tonne:?}");
        }
    }

    #[test]
    fn a_day_of_an_open_crate_in_the_fridge() {
        // Magnus over water at 3 °C is 0.75741 kPa; (0.52 + 11.63 × 0.075741) g/(kg·h) for 24 hours is 3.3062 % off by exp(−x).
        assert!((percent_per_day(Packaging::Open, 1.0) - 3.306).abs() < 0.001);
        assert!((percent_per_day(Packaging::Open, 0.1) - 0.3357).abs() < 0.001);
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
            published_loss(&stood(5000, 72.0), rates(Goods { packaging, ..OPEN }, &air(2.0, 90.0))).likely_g
        };
        assert!(loss(Packaging::Open) > loss(Packaging::Vented) && loss(Packaging::Vented) > loss(Packaging::Sealed));
        assert_eq!(published_loss(&stood(5000, 1e9), rates(OPEN, &air(20.0, 0.0))).likely_g, Grams(5000));
        assert_eq!(published_loss(&stood(5000, -3.0), rates(OPEN, &air(20.0, 50.0))).high_g, Grams(0));
        let dried = Goods { form: Form::Dried, ..OPEN };
        assert_eq!(published_loss(&stood(5000, 72.0), rates(dried, &air(20.0, 50.0))), PublishedLoss::default());
    }

    #[test]
    fn hours_without_readings_widen_the_range_and_move_the_middle_no_more_than_they_last() {
        let known = Surroundings { known_hours: 24.0, ..air(2.0, 90.0) };
        let half = Surroundings { known_hours: 12.0, unknown_hours: 12.0, unknown_c: [0.0, 2.0, 5.0], ..known };
        let (Rates(known), Rates(half)) = (rates(OPEN, &known), rates(OPEN, &half));
        assert!(half[0] < known[0] && half[2] > known[2]);
        assert!((half[1] - known[1]).abs() < 1e-12);
    }

    proptest! {
        /// What was weighed in and wholly out again leaves nothing to lose; adding goods never lowers the loss; the range holds its middle.
        #[test]
        fn the_range_holds_its_middle_and_the_book_bounds_it(
            ins in prop::collection::vec((1i64..50_000, 0.0f64..300.0), 1..8), c in -1.0f64..20.0, humidity in 30.0f64..100.0,
        ) {
            let rates = rates(OPEN, &air(c, humidity));
            let mut entries: Vec<Entry> = ins.iter().map(|(g, h)| Entry { grams: Grams(*g), hours: *h }).collect();
            let all = published_loss(&entries, rates);
            let book: Grams = entries.iter().map(|e| e.grams).sum();
            prop_assert!(Grams::ZERO <= all.low_g && all.low_g <= all.likely_g && all.likely_g <= all.high_g && all.high_g <= book);
            prop_assert!(all.likely_g <= all.gross_g);
            let more = [entries.as_slice(), &stood(1000, 10.0)].concat();
            prop_assert!(published_loss(&more, rates).likely_g >= all.likely_g);
            let out: Vec<Entry> = entries.iter().map(|e| Entry { grams: -e.grams, hours: e.hours }).collect();
            entries.extend(out);
            prop_assert_eq!(published_loss(&entries, rates), PublishedLoss::default());
        }

        /// At another rate, what goods lose is what the same sum gives at that rate; the more so, the closer to the published one.
        #[test]
        fn a_factor_is_a_factor_on_the_rate(
            ins in prop::collection::vec((500i64..50_000, 1.0f64..200.0), 1..6), left in 0.0f64..0.9, rate in 0.3f64..3.0, factor in 0.05f64..2.0,
        ) {
            let mut entries: Vec<Entry> = ins.iter().map(|(g, h)| Entry { grams: Grams(*g), hours: *h }).collect();
            // Some of each left when half of its time was over.
            #[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "grams of a crate")]
            let out: Vec<Entry> = ins.iter().map(|(g, h)| Entry { grams: Grams(-(*g as f64 * left) as i64), hours: h / 2.0 }).collect();
            entries.extend(out);
            let published = published_loss(&entries, Rates([rate; 3]));
            let wanted = published_loss(&entries, Rates([rate * factor; 3])).likely_g.0;
            #[expect(clippy::cast_precision_loss, reason = "grams of a crate")]
            let (told, wanted) = (published.times(factor), wanted as f64);
            prop_assert!((published.times(1.0) / 1000.0 - published.likely_g.kg()).abs() < 1e-9);
            prop_assert!((told - wanted).abs() <= 2.0 + 0.08 * wanted, "{told} for {wanted}");
        }
    }
}
