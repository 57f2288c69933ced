//! The growing plan: which batches there are, when they flush and how much they give.

use chrono::{Days, NaiveDate};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::setting::{Rhythm, STRAINS};

/// A batch of the season.
#[derive(Debug, Clone)]
pub(super) struct Planned {
    pub code: String,
    pub strain: &'static Rhythm,
    pub cook: String,
    pub made_on: NaiveDate,
    pub blocks: i32,
    /// Blocks that will be lost, and the day.
    pub lost: Option<(i32, NaiveDate, &'static str)>,
    /// Grams by day: flush, day, grams.
    pub picks: Vec<(i32, NaiveDate, f64)>,
    pub into_fruiting: NaiveDate,
    pub finished: NaiveDate,
}

/// Weeks of blocks that stand in the rooms when the book is opened: the slowest strain's whole life.
const WEEKS_BEFORE: i64 = 14;
/// The week whose cook goes wrong.
const BAD_COOK_WEEK: i64 = 5;

/// Plans every batch that is made, or stands, between two Mondays.
pub(super) fn plan(first_monday: NaiveDate, weeks: u32, rng: &mut ChaCha8Rng) -> Vec<Planned> {
    let mut planned = Vec::new();
    for week in -WEEKS_BEFORE..=i64::from(weeks) {
        let made_on = first_monday + chrono::TimeDelta::days(week * 7);
        for strain in &STRAINS {
            let batch = plan_batch(strain, made_on, week == BAD_COOK_WEEK, rng);
            // What was finished before the book was opened is not in it.
            if batch.finished > first_monday {
                planned.push(batch);
            }
        }
    }
    planned
}

fn plan_batch(strain: &'static Rhythm, made_on: NaiveDate, bad_cook: bool, rng: &mut ChaCha8Rng) -> Planned {
    let day = |n: i64| made_on + chrono::TimeDelta::days(n);
    let blocks = strain.blocks + rng.random_range(-2..=2);
    let lost = if bad_cook && strain.code != "SH" {
        Some((blocks * 6 / 10, day(9), "Green mould after the cook"))
    } else if rng.random_bool(0.35) {
        Some((rng.random_range(1..=2), day(rng.random_range(6..12)), "Green mould"))
    } else {
        None
    };
    let standing = f64::from(blocks - lost.map_or(0, |l| l.0));
    let strength = rng.random_range(0.82..1.15);
    let mut picks = Vec::new();
    let mut at = strain.first_day + rng.random_range(-1..=2);
    for (flush, grams) in (1..).zip(strain.flushes_g) {
        let whole = grams * standing * strength * rng.random_range(0.9..1.1);
        for (n, share) in [0.22, 0.46, 0.32].into_iter().enumerate() {
            picks.push((flush, day(at + i64::try_from(n).unwrap_or(0)), whole * share));
        }
        at += strain.interval + rng.random_range(-1..=1);
    }
    let last = picks.last().map_or(made_on, |p| p.1);
    Planned {
        code: format!("{}-{}", strain.code, made_on.format("%y%m%d")),
        cook: format!("C-{}", made_on.format("%y%m%d")),
        strain,
        made_on,
        blocks,
        lost,
        into_fruiting: day(strain.incubation),
        finished: last + Days::new(4),
        picks,
    }
}
