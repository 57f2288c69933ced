//! A store's grams played again by the times that were written down.
//!
//! The ledger refuses a movement that takes more than there is when it is entered. An entry that is dated back is checked against what is
//! there now, so the past may still come out below zero; whoever reads a week is told.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};

use crate::{Grams, units::calendar::Span};

/// When, within a span, changes summed up from their beginning first stand below zero, and where they stand then.
///
/// What changes at one instant is taken together: in which order is not written down. `changes` in any order, from before the span on.
#[must_use]
pub fn first_below_zero(
    changes: impl IntoIterator<Item = (DateTime<Utc>, Grams)>,
    span: Span,
) -> Option<(DateTime<Utc>, Grams)> {
    let mut by_instant: BTreeMap<DateTime<Utc>, Grams> = BTreeMap::new();
    for (at, grams) in changes {
        *by_instant.entry(at).or_default() += grams;
    }
    let mut stands = Grams::ZERO;
    by_instant
        .into_iter()
        .map(|(at, change)| {
            stands += change;
            (at, stands)
        })
        .find(|(at, stands)| *at >= span.from && *at < span.until && *stands < Grams::ZERO)
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;
    use proptest::prelude::*;

    use super::*;

    fn at(hour: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_770_000_000, 0).unwrap() + TimeDelta::hours(hour)
    }

    fn day() -> Span {
        Span { from: at(0), until: at(24) }
    }

    #[test]
    fn an_instant_is_taken_together_and_what_lies_outside_the_span_is_not_told() {
        let g = Grams;
        assert_eq!(first_below_zero([(at(1), g(500)), (at(2), g(-400)), (at(2), g(300))], day()), None);
        assert_eq!(
            first_below_zero([(at(2), g(-400)), (at(1), g(300)), (at(5), g(-9))], day()),
            Some((at(2), g(-100)))
        );
        // Below zero before the span and mended in it; then again after it.
        assert_eq!(first_below_zero([(at(-3), g(-5)), (at(-1), g(5)), (at(30), g(-5))], day()), None);
        // Still below when the span begins: told at the first change within.
        assert_eq!(first_below_zero([(at(-3), g(-5)), (at(4), g(1))], day()), Some((at(4), g(-4))));
    }

    proptest! {
        #[test]
        fn it_is_the_first_negative_sum(changes in prop::collection::vec((0_i64..24, -50_i64..50), 0..40)) {
            let told = first_below_zero(changes.iter().map(|(h, g)| (at(*h), Grams(*g))), day());
            let sum = |hour: i64| changes.iter().filter(|c| c.0 <= hour).map(|c| c.1).sum::<i64>();
            let expected = (0..24).find(|h| changes.iter().any(|c| c.0 == *h) && sum(*h) < 0);
            prop_assert_eq!(told, expected.map(|h| (at(h), Grams(sum(h)))));
        }
    }
}
