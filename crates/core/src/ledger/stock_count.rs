//! A counted weight against the book: what was to be expected, what was not, and what a scale alone can make of it.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{cold::weight_loss::ExpectedLoss, units::quantity::Grams};

/// The step of the scale, g. A bench scale of the farm's size; our own convention where the farm's scale is not known.
pub const SCALE_STEP_G: i64 = 5;

/// How far two weighings of the same goods may lie apart though nothing is wrong.
///
/// The largest error in service of a scale of class III is once its step up to 500 steps, twice up to 2,000, three times above (OIML R
/// 76-1:2006, table 6 doubled by clause 3.5.2). The book rests on one weighing and the count on another, so both errors may add up.
#[must_use]
pub const fn scale_tolerance(grams: Grams) -> Grams {
    let steps = grams.0 / SCALE_STEP_G;
    let errors = if steps <= 500 {
        1
    } else if steps <= 2000 {
        2
    } else {
        3
    };
    Grams(2 * errors * SCALE_STEP_G)
}

/// A difference, split. All are zero or more.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Split {
    /// Missing, and within what was to be expected.
    pub water_loss_g: Grams,
    /// Missing beyond the most that was to be expected.
    pub unexplained_g: Grams,
    /// Lost less than the least that was to be expected, by so much.
    pub less_than_expected_g: Grams,
    /// Above the book.
    pub found_g: Grams,
}

/// Splits book less count: water loss up to the most that was to be expected, unexplained beyond.
#[must_use]
pub fn split(book: Grams, counted: Grams, expected: &ExpectedLoss) -> Split {
    let missing = book - counted;
    Split {
        water_loss_g: missing.clamp(Grams::ZERO, expected.high_g.max(Grams::ZERO)),
        unexplained_g: (missing - expected.high_g).max(Grams::ZERO),
        less_than_expected_g: (expected.low_g - missing).max(Grams::ZERO),
        found_g: (-missing).max(Grams::ZERO),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn expected(low: i64, likely: i64, high: i64) -> ExpectedLoss {
        ExpectedLoss { low_g: Grams(low), likely_g: Grams(likely), high_g: Grams(high) }
    }

    #[test]
    fn what_is_missing_beyond_the_range_is_unexplained() {
        let range = expected(80, 100, 120);
        let of = |counted| {
            let s = split(Grams(1000), Grams(counted), &range);
            [s.water_loss_g, s.unexplained_g, s.less_than_expected_g, s.found_g].map(|g| g.0)
        };
        assert_eq!(of(900), [100, 0, 0, 0]);
        assert_eq!(of(880), [120, 0, 0, 0]);
        assert_eq!(of(700), [120, 180, 0, 0]);
        assert_eq!(of(950), [50, 0, 30, 0]);
        assert_eq!(of(1004), [0, 0, 84, 4]);
    }

    #[test]
    fn a_scale_of_class_three_in_service() {
        // OIML R 76-1:2006: with a step of 5 g, 5 g up to 2.5 kg, 10 g up to 10 kg, 15 g above; twice, for two weighings.
        assert_eq!([2500, 2505, 10_000, 10_005].map(|g| scale_tolerance(Grams(g)).0), [10, 20, 20, 30]);
    }

    proptest! {
        #[test]
        fn the_parts_are_the_difference(book in 0i64..1_000_000, counted in 0i64..1_000_000, range in [0i64..1000, 0..1000, 0..1000]) {
            let [a, b, c] = range;
            let s = split(Grams(book), Grams(counted), &expected(a, a + b, a + b + c));
            prop_assert_eq!(s.water_loss_g + s.unexplained_g - s.found_g, Grams(book - counted));
            prop_assert!(s.unexplained_g == Grams::ZERO || s.found_g == Grams::ZERO);
            prop_assert!([s.water_loss_g, s.unexplained_g, s.less_than_expected_g, s.found_g].iter().all(|g| *g >= Grams::ZERO));
        }
    }
}
