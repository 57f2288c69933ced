//! What substrate yields.

use chrono::{Days, NaiveDate};

use crate::units::quantity::Grams;

/// Biological efficiency in per cent: fresh weight before cutting ÷ dry substrate weight × 100.
///
/// More than 100 % is common for oysters and is no error. `None` without dry substrate.
#[must_use]
pub fn biological_efficiency(fresh: Grams, dry_substrate: Grams) -> Option<f64> {
    (dry_substrate > Grams::ZERO).then(|| fresh.kg() / dry_substrate.kg() * 100.0)
}

/// Fresh grams a block, over the blocks that were made, lost ones included: a lost block yields nothing and cost the same.
#[must_use]
pub fn per_block(fresh: Grams, blocks: i32) -> Option<f64> {
    #[expect(clippy::cast_precision_loss, reason = "a weight here is far below 2^52 g")]
    let grams = fresh.0 as f64;
    (blocks > 0).then(|| grams / f64::from(blocks))
}

/// Blocks that stand in a room whose every week brings so many and keeps them so many weeks.
#[must_use]
pub fn blocks_standing(a_week: i32, weeks: i32) -> i32 {
    a_week * weeks
}

/// The flush that a weighing is likely of: the last one while it goes on, the next one once the days since its first
/// picking are nearer to the strain's interval than to nothing.
#[must_use]
pub fn likely_flush(last_flush: Option<(i32, i64)>, interval_days: i32, flushes: i32) -> i32 {
    match last_flush {
        None => 1,
        Some((flush, days_since_its_first)) if days_since_its_first * 2 < i64::from(interval_days) => flush,
        Some((flush, _)) => (flush + 1).min(flushes.max(flush)),
    }
}

/// The day on which the next flush is due that has not begun: the first so many days after the batch was made, each other an interval after
/// the one before it began. `None` when the strain's flushes have all been.
#[must_use]
pub fn next_flush(
    made_on: NaiveDate,
    days_to_first: i32,
    last_flush: Option<(i32, NaiveDate)>,
    interval_days: i32,
    flushes: i32,
) -> Option<(i32, NaiveDate)> {
    let after = |day: NaiveDate, days: i32| day.checked_add_days(Days::new(u64::try_from(days).ok()?));
    match last_flush {
        None => Some((1, after(made_on, days_to_first)?)),
        Some((flush, _)) if flush >= flushes => None,
        Some((flush, began_on)) => Some((flush + 1, after(began_on, interval_days)?)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: Option<f64>, b: f64, to: f64) {
        assert!((a.unwrap() - b).abs() < to, "{a:?} is not {b}");
    }

    #[test]
    fn biological_efficiency_as_published() {
        // Agarwal & Topwal 2018, Int. J. Chem. Stud. 6(6): 1274, P. florida on wheat straw: 648 + 420 + 259 g, 132.7 %.
        close(biological_efficiency(Grams(648 + 420 + 259), Grams(1000)), 132.7, 1e-9);
        // Jatwa 2016, J. Pure Appl. Microbiol. 10(4): 2783, 1.5 kg dry: 1248.3 g, 83.22 %; in whole grams 83.2.
        close(biological_efficiency(Grams(1248), Grams(1500)), 83.22, 0.03);
        // DERIVED: 3.0 kg wet at 62 % moisture is 1140 g dry; flushes of 520, 310 and 140 g.
        close(biological_efficiency(Grams(520 + 310 + 140), Grams(1140)), 85.09, 0.005);
        assert_eq!(biological_efficiency(Grams(1), Grams(0)), None);
    }

    #[test]
    fn common_practice_of_a_small_farm() {
        // Common practice, no source: a block of about 4.2 kg with 2.0 kg dry returns about 1 kg at 50 %.
        close(biological_efficiency(Grams(1000), Grams(2000)), 50.0, 1e-9);
        // Common practice, no source: 50 blocks a week fill three weeks of fruiting with 150 and two of incubation with 100.
        assert_eq!((blocks_standing(50, 3), blocks_standing(50, 2)), (150, 100));
    }

    #[test]
    fn the_flush_follows_the_days_since_the_last() {
        assert_eq!(likely_flush(None, 10, 2), 1);
        assert_eq!(likely_flush(Some((1, 3)), 10, 2), 1);
        assert_eq!(likely_flush(Some((1, 9)), 10, 2), 2);
        assert_eq!(likely_flush(Some((2, 9)), 10, 2), 2);
    }

    #[test]
    fn the_next_flush_is_due_after_what_the_strain_takes() {
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        let next = |last| next_flush(day("2026-02-20"), 16, last, 11, 2);
        assert_eq!(next(None), Some((1, day("2026-03-08"))));
        assert_eq!(next(Some((1, day("2026-03-10")))), Some((2, day("2026-03-21"))));
        assert_eq!(next(Some((2, day("2026-03-21")))), None);
    }
}
