//! What is expected of flushes that are due or going on, as a range, from what flushes of the same strain gave before.
//!
//! Of each past flush the grams a block by so many days after it was due, or began, are known. By a day that far off a coming flush is taken to
//! give between the lower and the upper quartile of them: how much and how late are in one figure.

use chrono::{Days, NaiveDate};

use crate::units::quantity::Grams;

/// The fewest past flushes that a range is told of.
pub const MIN_FLUSHES: usize = 4;
/// How long a flush is picked, in days; after that it is over. Common practice, no source.
pub const FLUSH_DAYS: u64 = 8;

/// A flush that is over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PastFlush {
    /// Blocks that stood when it began.
    pub blocks: i32,
    /// The day on which it was due.
    pub due_on: NaiveDate,
    /// What was picked on which day, at least one.
    pub picks: Vec<(NaiveDate, Grams)>,
}

/// A flush that is due or going on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ComingFlush {
    /// Blocks that stand.
    pub blocks: i32,
    /// The day on which it is due.
    pub due_on: NaiveDate,
    /// The day on which it began.
    pub began_on: Option<NaiveDate>,
    /// The day of its last picking.
    pub picked_on: Option<NaiveDate>,
}

/// Grams that are expected to be picked on a day. Of the days together, high is never under low; of a late day it may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ExpectedPick {
    /// The day.
    pub day: NaiveDate,
    /// At the lower quartile.
    pub low: Grams,
    /// At the upper quartile.
    pub high: Grams,
}

impl PastFlush {
    fn began_on(&self) -> Option<NaiveDate> {
        self.picks.iter().map(|(day, _)| *day).min()
    }

    /// Grams a block that were picked by a day.
    fn per_block_by(&self, last: NaiveDate) -> f64 {
        let grams: Grams = self.picks.iter().filter(|(day, _)| *day <= last).map(|(_, grams)| *grams).sum();
        #[expect(clippy::cast_precision_loss, reason = "a weight here is far below 2^52 g")]
        let grams = grams.0 as f64;
        grams / f64::from(self.blocks.max(1))
    }
}

/// The quantile of sorted figures, linear between them (Hyndman & Fan 1996, definition 7). Zero of none.
#[must_use]
pub fn quantile(sorted: &[f64], part: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else { return 0.0 };
    #[expect(clippy::cast_precision_loss, reason = "a few figures")]
    let at = last as f64 * part.clamp(0.0, 1.0);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 0 and the last")]
    let below = at.floor() as usize;
    let above = (below + 1).min(last);
    sorted[below] + (sorted[above] - sorted[below]) * (at - at.floor())
}

/// What a flush is expected to give from today on, day by day; `None` where fewer than [`MIN_FLUSHES`] are known.
///
/// What was picked today is in stock already, so that of today nothing more is expected once something was. A flush that is late is taken to be
/// due today.
#[must_use]
pub fn expected_picks(
    coming: &ComingFlush,
    past: &[PastFlush],
    today: NaiveDate,
    days: u64,
) -> Option<Vec<ExpectedPick>> {
    if past.len() < MIN_FLUSHES {
        return None;
    }
    let first = if coming.picked_on == Some(today) { today + Days::new(1) } else { today };
    // What there is to come is counted from the day that the flush began, or that it is due.
    let start = coming.began_on.unwrap_or(coming.due_on.max(today));
    let by_then = |part: f64, day: NaiveDate| {
        let offset = (day - start).num_days();
        let mut figures: Vec<f64> = past
            .iter()
            .filter_map(|flush| {
                let start = if coming.began_on.is_some() { flush.began_on()? } else { flush.due_on };
                let at = |offset: i64| start.checked_add_signed(chrono::TimeDelta::days(offset));
                let before = match coming.began_on {
                    Some(began_on) => flush.per_block_by(at((first - began_on).num_days() - 1)?),
                    None => 0.0,
                };
                Some((flush.per_block_by(at(offset)?) - before).max(0.0))
            })
            .collect();
        figures.sort_by(f64::total_cmp);
        let grams = quantile(&figures, part) * f64::from(coming.blocks);
        #[expect(clippy::cast_possible_truncation, reason = "a weight here is far below 2^63 g")]
        Grams(grams.floor() as i64)
    };
    let mut picks = Vec::new();
    let (mut low, mut high) = (Grams::ZERO, Grams::ZERO);
    for day in first.iter_days().take(usize::try_from(days).unwrap_or(0)) {
        let (low_by, high_by) =
            if day < start { (Grams::ZERO, Grams::ZERO) } else { (by_then(0.25, day), by_then(0.75, day)) };
        if low_by > low || high_by > high {
            picks.push(ExpectedPick { day, low: low_by - low, high: high_by - high });
            (low, high) = (low_by, high_by);
        }
    }
    Some(picks)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn day(n: i64) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 5, 1).unwrap() + chrono::TimeDelta::days(n)
    }

    /// A flush of ten blocks, due on day 0, picked so.
    fn flush(picks: &[(i64, i64)]) -> PastFlush {
        PastFlush { blocks: 10, due_on: day(0), picks: picks.iter().map(|(n, g)| (day(*n), Grams(*g))).collect() }
    }

    fn told(picks: &[ExpectedPick]) -> Vec<(i64, i64, i64)> {
        picks.iter().map(|p| ((p.day - day(0)).num_days(), p.low.0, p.high.0)).collect()
    }

    #[test]
    fn quantiles_are_linear_between_figures() {
        // The defaults of R 4 `quantile` and of numpy's `quantile`, definition 7 of Hyndman & Fan 1996: of 1, 2, 4, 8 the quartiles
        // are 1.75, 3 and 5.
        let figures = [1.0, 2.0, 4.0, 8.0];
        for (part, expected) in [(0.0, 1.0), (0.25, 1.75), (0.5, 3.0), (0.75, 5.0), (1.0, 8.0)] {
            assert!((quantile(&figures, part) - expected).abs() < 1e-12, "{part}");
        }
        assert!(quantile(&[], 0.5).abs() < 1e-12 && (quantile(&[3.0], 0.75) - 3.0).abs() < 1e-12);
    }

    #[test]
    fn a_flush_that_is_due_gives_what_flushes_gave_by_so_many_days_after_they_were_due() {
        let past = [
            flush(&[(0, 1000), (1, 500)]),
            flush(&[(0, 1000), (1, 500)]),
            flush(&[(1, 1000), (2, 500)]),
            flush(&[(2, 1000), (3, 500)]),
        ];
        let coming = ComingFlush { blocks: 20, due_on: day(11), began_on: None, picked_on: None };
        // By its first day two gave 1000 of ten blocks and two nothing: quartiles 0 and 1000, of twenty blocks 0 and 2000. By its second day
        // 0, 1000, 1500 and 1500: 750 and 1500. By its third 1000 and three of 1500: 1375 and 1500; by its fourth all 1500.
        assert_eq!(
            told(&expected_picks(&coming, &past, day(10), 14).unwrap()),
            [(11, 0, 2000), (12, 1500, 1000), (13, 1250, 0), (14, 250, 0)]
        );
        assert_eq!(expected_picks(&coming, &past[1..], day(10), 14), None);
    }

    #[test]
    fn of_a_flush_that_goes_on_only_the_rest_is_expected() {
        let past = [flush(&[(3, 1000), (4, 600), (5, 200)]), flush(&[(0, 500), (1, 400)])];
        let past: Vec<PastFlush> = past.iter().cycle().take(4).cloned().collect();
        let coming = |picked: i64| ComingFlush {
            blocks: 10,
            due_on: day(19),
            began_on: Some(day(20)),
            picked_on: Some(day(picked)),
        };
        // On its second day, with nothing picked yet: 600 and 400 are still to come today, 200 and 0 tomorrow.
        assert_eq!(told(&expected_picks(&coming(20), &past, day(21), 14).unwrap()), [(21, 400, 600), (22, 0, 200)]);
        assert_eq!(told(&expected_picks(&coming(21), &past, day(21), 14).unwrap()), [(22, 0, 200)]);
    }

    #[test]
    fn a_late_flush_is_due_today() {
        let past = vec![flush(&[(0, 1000)]); 4];
        let coming = ComingFlush { blocks: 10, due_on: day(5), began_on: None, picked_on: None };
        assert_eq!(told(&expected_picks(&coming, &past, day(9), 14).unwrap()), [(9, 1000, 1000)]);
    }

    proptest! {
        /// The range is a range, and never more than the best flush gave.
        #[test]
        fn never_more_than_the_best_flush_gave(
            past in prop::collection::vec(prop::collection::vec((-3i64..9, 1i64..2000), 1..6), 4..12),
            (due, began, today) in (0i64..20, prop::option::of(0i64..20), 0i64..20),
        ) {
            let past: Vec<PastFlush> = past.iter().map(|p| flush(p)).collect();
            let began_on = began.map(|n| day(n.min(today)));
            let coming = ComingFlush { blocks: 10, due_on: day(due), began_on, picked_on: began_on };
            let picks = expected_picks(&coming, &past, day(today), 30).unwrap();
            let best = past.iter().map(|f| f.picks.iter().map(|p| p.1).sum::<Grams>()).max().unwrap();
            let sum = |of: fn(&ExpectedPick) -> Grams| picks.iter().map(of).sum::<Grams>();
            prop_assert!(sum(|p| p.low) <= sum(|p| p.high) && sum(|p| p.high) <= best);
            for p in &picks {
                prop_assert!(p.day >= day(today) && p.low >= Grams::ZERO && p.high >= Grams::ZERO);
            }
        }
    }
}
