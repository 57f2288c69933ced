//! Days of rules beside a library that knows nothing of us.

use anyhow::{Result, ensure};
use chrono::{NaiveDate, TimeDelta};
use gillbook_core::units::recurrence::Recurrence;
use gillbook_tests::python;
use rand::{Rng, RngExt, SeedableRng, seq::IndexedRandom};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};

const WEEKDAYS: [&str; 7] = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"];

/// A rule with some of the parts that rules of days have.
fn rule(rng: &mut impl Rng) -> String {
    let freq = *["DAILY", "WEEKLY", "WEEKLY", "MONTHLY", "YEARLY"].choose(rng).unwrap_or(&"DAILY");
    let mut parts = vec![format!("FREQ={freq}"), format!("INTERVAL={}", rng.random_range(1..4))];
    let days = |rng: &mut dyn FnMut(i32, i32) -> i32, from: i32, until: i32| {
        let count = rng(1, 4);
        let days: Vec<String> =
            (0..count).map(|_| rng(from, until)).filter(|d| *d != 0).map(|d| d.to_string()).collect();
        if days.is_empty() { "1".to_owned() } else { days.join(",") }
    };
    let mut number = |from: i32, until: i32| rng.random_range(from..until);
    if number(0, 3) > 0 {
        let nth = matches!(freq, "MONTHLY" | "YEARLY") && number(0, 2) == 0;
        let day = |number: &mut dyn FnMut(i32, i32) -> i32| {
            let name = WEEKDAYS[usize::try_from(number(0, 7)).unwrap_or(0)];
            if nth {
                format!("{}{name}", [-2, -1, 1, 2, 3][usize::try_from(number(0, 5)).unwrap_or(0)])
            } else {
                name.to_owned()
            }
        };
        let list: Vec<String> = (0..number(1, 4)).map(|_| day(&mut number)).collect();
        parts.push(format!("BYDAY={}", list.join(",")));
    } else if matches!(freq, "MONTHLY" | "DAILY") {
        parts.push(format!("BYMONTHDAY={}", days(&mut number, -5, 32)));
    }
    if number(0, 4) == 0 {
        parts.push(format!("BYMONTH={}", days(&mut number, 1, 13)));
    }
    if freq == "MONTHLY" && number(0, 4) == 0 {
        parts.push(format!("BYSETPOS={}", [-1, 1, 2][usize::try_from(number(0, 3)).unwrap_or(0)]));
    }
    if number(0, 3) == 0 {
        parts.push(format!("COUNT={}", number(1, 40)));
    }
    if number(0, 2) == 0 {
        parts.push(format!("WKST={}", WEEKDAYS[usize::try_from(number(0, 7)).unwrap_or(0)]));
    }
    parts.join(";")
}

/// Against python-dateutil, which follows a rule at nine in the morning in New York, where the clocks change twice a year.
#[test]
fn rules_have_the_days_that_dateutil_finds() -> Result<()> {
    let mut rng = ChaCha8Rng::seed_from_u64(5545);
    let (mut cases, mut found) = (Vec::new(), 0);
    while cases.len() < 1000 {
        let text = rule(&mut rng);
        let Ok(rule) = text.parse::<Recurrence>() else { anyhow::bail!("{text} is a rule") };
        let begins =
            NaiveDate::from_ymd_opt(1997, 1, 1).unwrap_or_default() + TimeDelta::days(rng.random_range(0..12_000));
        let first = begins + TimeDelta::days(rng.random_range(0..200));
        let last = begins + TimeDelta::days(rng.random_range(200..800));
        let days = rule.days(begins, first, last);
        found += days.len();
        cases.push(json!({"rule": text, "begins": begins, "first": first, "last": last, "days": days}));
    }
    ensure!(found > 20_000, "rules that have days: {found}");
    let output = python("recurrence.py", &Value::from(cases).to_string())?;
    ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    ensure!(String::from_utf8(output.stdout)?.trim() == "1000", "all were compared");
    Ok(())
}
