//! What is expected of flushes that are due or going on, as a range, from what flushes of the same strain gave before.
//!
//! Of each past flush the grams a block by so many days after it was due, or began, are known. By a day that far off a coming flush is taken to
//! give between the lower and the upper quartile of them: how much and how late are in one figure.

use chrono::{Days, NaiveDate, TimeDelta};

use crate::units::quantity::Grams;

/// The fewest past flushes that a range is told of.
pub const MIN_FLUSHES: usize = 4;
/// How long a flush is picked, in days; after that it is over. Common practice, no source.
pub const FLUSH_DAYS: i64 = 8;

/// A flush that is over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PastFlush {
    /// Blocks that stood when it began, at least one.
    pub blocks: i32,
    /// The day on which it was due.
    pub due_on: NaiveDate,
    /// What was picked on which day, at least one.
    pub picks: Vec<(NaiveDate, Grams)>,
}

/// How far a flush has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FlushStage {
    /// Nothing of it was picked yet.
    Due {
        /// The day on which it is due.
        on: NaiveDate,
    },
    /// It is being picked.
    Begun {
        /// The day of its first picking.
        on: NaiveDate,
        /// The day of its last picking so far.
        last_pick: NaiveDate,
    },
}

/// A flush that is due or going on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ComingFlush {
    /// Blocks that stand.
    pub blocks: i32,
    /// How far it has come.
    pub stage: FlushStage,
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
pub fn quantile(sorted: &[f64], p: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else { return 0.0 };
    #[expect(clippy::cast_precision_loss, reason = "a few figures")]
    let at = last as f64 * p.clamp(0.0, 1.0);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 0 and the last")]
    let below = at.floor() as usize;
    let above = (below + 1).min(last);
    sorted[below] + (sorted[above] - sorted[below]) * (at - at.floor())
}

/// What is expected of flushes of a strain from a day on: the figures of past ones, looked at from where a coming one stands.
struct Outlook<'a> {
    past: &'a [PastFlush],
    /// The day that past flushes are laid over: the coming one's first picking, or the day on which it is due.
    start: NaiveDate,
    /// For a flush that is being picked, the last day of which nothing more is expected.
    picked_until: Option<NaiveDate>,
}

impl Outlook<'_> {
    /// Grams a block that a past flush gave by the day that lies as far behind its own start as a day behind ours.
    fn figure(&self, flush: &PastFlush, day: NaiveDate) -> Option<f64> {
        let start = if self.picked_until.is_some() { flush.began_on()? } else { flush.due_on };
        let by = |day: NaiveDate| Some(flush.per_block_by(start.checked_add_signed(day - self.start)?));
        let picked = self.picked_until.map_or(Some(0.0), by)?;
        Some((by(day)? - picked).max(0.0))
    }

    /// The quartiles by a day, of so many blocks, in whole grams.
    fn quartiles(&self, day: NaiveDate, blocks: i32) -> [Grams; 2] {
        if day < self.start {
            return [Grams::ZERO; 2];
        }
        let mut figures: Vec<f64> = self.past.iter().filter_map(|flush| self.figure(flush, day)).collect();
        figures.sort_by(f64::total_cmp);
        #[expect(clippy::cast_possible_truncation, reason = "a weight here is far below 2^63 g")]
        [0.25, 0.75].map(|p| Grams((quantile(&figures, p) * f64::from(blocks)).floor() as i64))
    }
}

/// What a flush is expected to give from today until a day, day by day; `None` where fewer than [`MIN_FLUSHES`] are known.
///
/// What was picked today is in stock already, so that of today nothing more is expected once something was. A flush that is late is taken to be
/// due today; one that is later by more than [`FLUSH_DAYS`] than any before it is expected no more.
#[must_use]
pub fn expected_picks(
    coming: &ComingFlush,
    past: &[PastFlush],
    today: NaiveDate,
    until: NaiveDate,
) -> Option<Vec<ExpectedPick>> {
    if past.len() < MIN_FLUSHES {
        return None;
    }
    let (first, outlook) = match coming.stage {
        FlushStage::Due { on } => {
            let latest = past.iter().filter_map(|flush| Some(flush.began_on()? - flush.due_on)).max()?;
            if today - on > latest + TimeDelta::days(FLUSH_DAYS) {
                return Some(Vec::new());
            }
            (today, Outlook { past, start: on.max(today), picked_until: None })
        }
        FlushStage::Begun { on, last_pick } => {
            let first = if last_pick >= today { today + Days::new(1) } else { today };
            (first, Outlook { past, start: on, picked_until: Some(first - Days::new(1)) })
        }
    };
    let mut picks = Vec::new();
    let mut before = [Grams::ZERO; 2];
    for day in first.iter_days().take_while(|day| *day <= until) {
        let by = outlook.quartiles(day, coming.blocks);
        if by != before {
            picks.push(ExpectedPick { day, low: by[0] - before[0], high: by[1] - before[1] });
            before = by;
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
        let coming = ComingFlush { blocks: 20, stage: FlushStage::Due { on: day(11) } };
        // By its first day two gave 1000 of ten blocks and two nothing: quartiles 0 and 1000, of twenty blocks 0 and 2000. By its second day
        // 0, 1000, 1500 and 1500: 750 and 1500. By its third 1000 and three of 1500: 1375 and 1500; by its fourth all 1500.
        assert_eq!(
            told(&expected_picks(&coming, &past, day(10), day(40)).unwrap()),
            [(11, 0, 2000), (12, 1500, 1000), (13, 1250, 0), (14, 250, 0)]
        );
        assert_eq!(expected_picks(&coming, &past[1..], day(10), day(40)), None);
    }

    #[test]
    fn of_a_flush_that_goes_on_only_the_rest_is_expected() {
        let past = [flush(&[(3, 1000), (4, 600), (5, 200)]), flush(&[(0, 500), (1, 400)])];
        let past: Vec<PastFlush> = past.iter().cycle().take(4).cloned().collect();
        let coming =
            |picked: i64| ComingFlush { blocks: 10, stage: FlushStage::Begun { on: day(20), last_pick: day(picked) } };
        // On its second day, with nothing picked yet: 600 and 400 are still to come today, 200 and 0 tomorrow.
        assert_eq!(
            told(&expected_picks(&coming(20), &past, day(21), day(40)).unwrap()),
            [(21, 400, 600), (22, 0, 200)]
        );
        assert_eq!(told(&expected_picks(&coming(21), &past, day(21), day(40)).unwrap()), [(22, 0, 200)]);
    }

    #[test]
    fn a_late_flush_is_due_today_until_it_is_given_up() {
        let mut past = vec![flush(&[(0, 1000)]); 4];
        let coming = ComingFlush { blocks: 10, stage: FlushStage::Due { on: day(5) } };
        let on = |past: &[PastFlush], today: i64| told(&expected_picks(&coming, past, day(today), day(40)).unwrap());
        assert_eq!(on(&past, 9), [(9, 1000, 1000)]);
        assert_eq!(on(&past, 13), [(13, 1000, 1000)]);
        assert_eq!(on(&past, 14), []);
        // One before it was as late.
        past[0] = flush(&[(7, 1000)]);
        assert_eq!(on(&past, 20).len(), 2);
    }

    proptest! {
        /// The range is a range, and never more than the best flush gave.
        #[test]
        fn never_more_than_the_best_flush_gave(
            past in prop::collection::vec(prop::collection::vec((-3i64..9, 1i64..2000), 1..6), 4..12),
            (due, began, today) in (0i64..20, prop::option::of(0i64..20), 0i64..20),
        ) {
            let past: Vec<PastFlush> = past.iter().map(|p| flush(p)).collect();
            let stage = match began.map(|n| day(n.min(today))) {
                Some(on) => FlushStage::Begun { on, last_pick: on },
                None => FlushStage::Due { on: day(due) },
            };
            let coming = ComingFlush { blocks: 10, stage };
            let picks = expected_picks(&coming, &past, day(today), day(today + 29)).unwrap();
            let best = past.iter().map(|f| f.picks.iter().map(|p| p.1).sum::<Grams>()).max().unwrap();
            let sum = |of: fn(&ExpectedPick) -> Grams| picks.iter().map(of).sum::<Grams>();
            prop_assert!(sum(|p| p.low) <= sum(|p| p.high) && sum(|p| p.high) <= best);
            for p in &picks {
                prop_assert!(p.day >= day(today) && p.low >= Grams::ZERO && p.high >= Grams::ZERO);
            }
        }
    }
}
