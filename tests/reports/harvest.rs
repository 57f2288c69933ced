//! What is expected of a harvest, beside a library that knows nothing of us.

use std::collections::BTreeMap;

use anyhow::{Context, Result, ensure};
use chrono::{NaiveDate, TimeDelta};
use gillbook_core::{
    Grams,
    growing::forecast::{ComingFlush, FlushStage, PastFlush, expected_picks},
};
use gillbook_tests::python;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};

/// What is expected of flushes that are due, late or going on, from random flushes before them, against the quartiles of Python's `statistics`.
#[test]
fn a_harvest_is_expected_between_the_quartiles_of_python() -> Result<()> {
    let mut random = ChaCha8Rng::seed_from_u64(14);
    let day = |n: i64| NaiveDate::from_ymd_opt(2026, 5, 1).unwrap_or_default() + TimeDelta::days(n);
    let mut cases = Vec::new();
    for _ in 0..500 {
        let flush = |random: &mut ChaCha8Rng| {
            let due = random.random_range(-60..0);
            let picks: BTreeMap<NaiveDate, Grams> = (0..random.random_range(1..6))
                .map(|_| (day(due + random.random_range(-3..8)), Grams(random.random_range(1..9000))))
                .collect();
            PastFlush { blocks: random.random_range(1..60), due_on: day(due), picks: picks.into_iter().collect() }
        };
        let past: Vec<PastFlush> = (0..7).map(|_| flush(&mut random)).collect();
        let past = &past[..random.random_range(4..=7)];
        let began_on = random.random_bool(0.5).then(|| day(random.random_range(-6..=0)));
        let due_on = day(random.random_range(-4..9));
        let mut last_pick = |on: NaiveDate| day(random.random_range((on - day(0)).num_days()..=0));
        let stage = match began_on {
            Some(on) => FlushStage::Begun { on, last_pick: last_pick(on) },
            None => FlushStage::Due { on: due_on },
        };
        let picked_today = stage == FlushStage::Begun { on: began_on.unwrap_or_default(), last_pick: day(0) };
        let coming = ComingFlush { blocks: random.random_range(1..60), stage };
        let picks = expected_picks(&coming, past, day(0), day(13)).context("enough flushes")?;
        let told = |f: &PastFlush| {
            let picks: Vec<_> = f.picks.iter().map(|(day, grams)| json!([day, grams.0])).collect();
            json!({"blocks": f.blocks, "due_on": f.due_on, "picks": picks})
        };
        cases.push(json!({
            "today": day(0), "days": 14, "blocks": coming.blocks, "due_on": due_on, "began_on": began_on,
            "picked_today": i32::from(picked_today), "past": past.iter().map(told).collect::<Vec<_>>(),
            "picks": picks.iter().map(|p| json!([p.day, p.low.0, p.high.0])).collect::<Vec<_>>(),
        }));
    }
    let output = python("harvest.py", &Value::from(cases).to_string())?;
    ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    ensure!(String::from_utf8(output.stdout)?.trim() == "500");
    Ok(())
}
