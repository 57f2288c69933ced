//! Readings as they come in, and the figures of the air that are made of them.

use std::time::Duration;

use anyhow::{Context, Result};
use chrono::{DateTime, TimeDelta, Utc};
use futures::future::try_join;
use gillbook_store::Store;
use gillbook_testkit::Farm;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};
use tokio::time::timeout;

fn reading(at: DateTime<Utc>, c: f64) -> Value {
    json!({"n": "p1", "u": "Cel", "t": at.timestamp(), "v": c})
}

async fn post(farm: &Farm, records: Vec<Value>) -> Value {
    farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(records))).await.expect(200)
}

/// Posts a pack with a key of its own.
async fn post_keyed(farm: &Farm, records: Vec<Value>) -> Value {
    farm.post("/api/readings", json!(records)).await.expect(200)
}

fn instant(value: &Value) -> Result<DateTime<Utc>> {
    Ok(value.as_str().context("an instant")?.parse()?)
}

/// From when until when.
type Stretch = (DateTime<Utc>, DateTime<Utc>);

#[tokio::test]
async fn a_pack_nested_without_end_is_refused_and_everybody_else_is_served() -> Result<()> {
    let farm = Farm::new().await?;
    let json = format!(r#"[{{"v":NaN,"n":"p1","x":{}{}}}]"#, "[".repeat(20_000), "]".repeat(20_000));
    let cbor = [&[0x81, 0xa1, 0x18, 0x63][..], &vec![0x81; 20_000], &[0x01]].concat();
    for (kind, body) in [("application/senml+json", json.into_bytes()), ("application/senml+cbor", cbor)] {
        let answer = farm.raw("POST", "/api/readings", &[("content-type", kind)], body).await;
        assert!(answer.text.contains("nested more than 8 levels"), "{kind}: {}", answer.text);
        answer.ensure_problem(422, "invalid", None);
    }
    assert_eq!(post(&farm, vec![reading(farm.now(), 2.0)]).await["accepted"], 1);
    Ok(())
}

#[tokio::test]
async fn a_long_base_name_is_refused_record_by_record_in_a_small_answer() -> Result<()> {
    let farm = Farm::new().await?;
    let pack = format!(r#"[{{"bn":"{}","v":1}}{}]"#, "a".repeat(100 * 1024), r#",{"n":"p","v":1}"#.repeat(9_999));
    let kind = [("content-type", "application/senml+json")];
    let answer = farm.raw("POST", "/api/readings", &kind, pack.into_bytes()).await;
    assert!(answer.text.len() < 2 * 1024 * 1024, "{} bytes", answer.text.len());
    assert_eq!(answer.expect(200)["refused"].as_array().map(Vec::len), Some(10_000));
    Ok(())
}

#[tokio::test]
async fn every_record_of_a_pack_is_answered() -> Result<()> {
    let farm = Farm::new().await?;
    let misspelt = json!({"name": "p1", "temp": 3});
    let answer = post(&farm, vec![misspelt, json!({}), json!({"bn": "p1"}), reading(farm.now(), 2.0)]).await;
    assert_eq!((&answer["accepted"], answer["refused"].as_array().map(Vec::len)), (&json!(0), Some(3)), "{answer}");
    assert!(answer["refused"][0]["reason"].as_str().is_some_and(|r| r.contains("name, temp")), "{answer}");
    // {99: 3}: a number is no known label either.
    let kind = [("content-type", "application/senml+cbor")];
    let answer = farm.raw("POST", "/api/readings", &kind, vec![0x81, 0xa1, 0x18, 0x63, 0x03]).await.expect(200);
    assert!(answer["refused"][0]["reason"].as_str().is_some_and(|r| r.contains("99")), "{answer}");
    Ok(())
}

#[tokio::test]
async fn the_receipt_of_a_pack_with_a_key_is_that_of_one_without() -> Result<()> {
    let farm = Farm::new().await?;
    let at = |minutes| farm.now() - TimeDelta::minutes(minutes);
    let humidity = |minutes| json!({"n": "p1", "u": "%RH", "t": at(minutes).timestamp(), "v": 90});
    assert_eq!(post(&farm, vec![reading(at(9), 2.0)]).await["accepted"], 1);
    let pack = vec![reading(at(9), 2.0), reading(at(8), 85.0), humidity(8), reading(at(7), 2.0)];
    let answer = post_keyed(&farm, pack).await;
    assert_eq!(
        answer,
        json!({"accepted": 2, "faults": 1, "beside": 1, "duplicate": 1, "refused": []}),
        "two are new, one was there, one is a humidity"
    );
    Ok(())
}

#[tokio::test]
async fn packs_with_a_key_do_not_wait_for_whoever_makes_a_month() -> Result<()> {
    let farm = Farm::new().await?;
    post(&farm, vec![reading(farm.now() - TimeDelta::minutes(2), 2.0)]).await;
    // Another program makes a month and has not committed.
    let mut other = PgConnection::connect_with(&farm.admin).await?;
    let mut making = other.begin().await?;
    sqlx::query("select pg_advisory_xact_lock(hashtext('ensure_reading_partitions'))").execute(&mut *making).await?;
    let second = farm.second("bea").await?;
    second.set_up().await;
    for farm in [&farm, &second] {
        let pack = vec![reading(farm.now() - TimeDelta::minutes(1), 2.0)];
        let answer = timeout(Duration::from_secs(8), post_keyed(farm, pack)).await.context("it waits")?;
        assert_eq!(answer["accepted"], 1);
    }
    // A program that knows no month yet looks, and makes none where none is missing.
    let fresh = Store::connect(farm.admin.clone().username("gillbook_app"), 1).await?;
    timeout(Duration::from_secs(8), fresh.ensure_months(farm.now(), farm.now())).await.context("it waits")??;
    making.rollback().await?;
    Ok(())
}

#[tokio::test]
async fn two_programs_that_see_one_silence_open_it_once() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/notices", json!({"way": "email", "address": "ada@farm.example", "after_minutes": 0})).await;
    post(&farm, (60..120).map(|m| reading(farm.now() - TimeDelta::minutes(m), 2.0)).collect()).await;
    farm.store.evaluate_farm(farm.id, farm.now() - TimeDelta::minutes(45)).await?;
    let app = farm.admin.clone().username("gillbook_app");
    let (one, two) = (Store::connect(app.clone(), 2).await?, Store::connect(app, 2).await?);
    // Nothing is added to excursions until both programs are about to.
    let mut gate = PgConnection::connect_with(&farm.admin).await?;
    sqlx::raw_sql("begin; lock table excursion in share row exclusive mode").execute(&mut gate).await?;
    let now = farm.now();
    let both =
        tokio::spawn(async move { try_join(one.open_no_data_excursions(now), two.open_no_data_excursions(now)).await });
    let mut watch = PgConnection::connect_with(&farm.admin).await?;
    let waiting =
        "select count(*) from pg_stat_activity where datname = current_database() and usename = 'gillbook_app'
                      and wait_event_type = 'Lock'";
    while sqlx::query_scalar::<_, i64>(waiting).fetch_one(&mut watch).await? < 2 {
        tokio::task::yield_now().await;
    }
    sqlx::raw_sql("commit").execute(&mut gate).await?;
    both.await??;
    let open = "select (select count(*) from excursion where ended_at is null), (select count(*) from notice)";
    assert_eq!(sqlx::query_as::<_, (i64, i64)>(open).fetch_one(&mut watch).await?, (1, 1));
    // The last guard: a second one cannot be stored at all.
    let twice = "insert into excursion select farm_id, gen_random_uuid(), place, kind, probe_id, began_at, null, null, null, 0, 0, judged_at
                   from excursion where ended_at is null";
    let refused = sqlx::query(twice).execute(&mut watch).await.err().context("refused")?;
    assert_eq!(refused.as_database_error().and_then(|e| e.constraint()), Some("excursion_open_key"));
    Ok(())
}

#[tokio::test]
async fn days_of_a_zone_off_the_hour_have_the_warmest_of_all_their_minutes() -> Result<()> {
    let farm = Farm::new().await?;
    let mut admin = PgConnection::connect_with(&farm.admin).await?;
    sqlx::query("update farm set zone = 'Asia/Kathmandu'").execute(&mut admin).await?;
    let limit =
        json!({"name": "Cold", "warm_c": 5, "cold_c": 0, "lag_minutes": 0, "effective_from": "2026-05-01T00:00:00Z"});
    farm.create("/api/places", json!({"place": "F2", "name": "Second", "kind": "fridge", "limit": limit})).await;
    farm.create("/api/probes", json!({"probe": "p2", "place": "F2"})).await;
    // Local midnight is 18:15 UTC. Food without a lag is as warm as the air: 6 °C before it, 7 °C after it, both in one hour of UTC.
    let midnight: DateTime<Utc> = "2026-05-02T18:15:00Z".parse()?;
    let air = |m: i64| match m {
        -12..=-2 => 6.0,
        5..=15 => 7.0,
        _ => 2.0,
    };
    let record =
        |m: i64| json!({"n": "p2", "u": "Cel", "t": (midnight + TimeDelta::minutes(m)).timestamp(), "v": air(m)});
    post(&farm, (-1440..=1440).map(record).collect()).await;
    let told = farm.get("/api/places/F2/temperature-record?from=2026-05-02&until=2026-05-03").await;
    for (day, c) in [(0, 6.0), (1, 7.0)] {
        let figures = &told["days"][day];
        assert_eq!((&figures["product_max_c"], &figures["exposure"]["max_c"]), (&json!(c), &json!(c)), "{figures}");
    }
    // The hours of a record are cut at its midnights, so that they add up to its days.
    let first = &told["hours"][0];
    assert_eq!(instant(&first["hour"])?, midnight - TimeDelta::days(1));
    let next_day = farm.get("/api/places/F2/temperature-record?from=2026-05-03&until=2026-05-03").await;
    let first = &next_day["hours"][0];
    assert_eq!((instant(&first["hour"])?, &first["known_s"]), (midnight, &json!(2700.0)), "{first}");
    Ok(())
}

#[tokio::test]
async fn gaps_of_a_long_span_are_those_of_its_parts_and_add_up_with_what_is_known() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/probes", json!({"probe": "p2", "place": "F1"})).await;
    let mut chance = ChaCha8Rng::seed_from_u64(12);
    let began = farm.now() - TimeDelta::days(12);
    let mut at = began + TimeDelta::hours(5);
    let mut records = Vec::new();
    while at < farm.now() - TimeDelta::minutes(20) {
        let probe = if chance.random_bool(0.3) { "p2" } else { "p1" };
        records.push(json!({"n": probe, "u": "Cel", "t": at.timestamp(), "v": chance.random_range(1.0..4.0)}));
        let long = chance.random_bool(0.02);
        at += TimeDelta::seconds(if long { chance.random_range(1_000..30_000) } else { chance.random_range(60..400) });
    }
    post(&farm, records).await;
    let look = async |from: DateTime<Utc>, until: DateTime<Utc>| -> Result<(Vec<Stretch>, f64)> {
        let written = |at: DateTime<Utc>| at.format("%Y-%m-%dT%H:%M:%SZ").to_string();
        let path = format!("/api/places/F1/temperature?from={}&until={}", written(from), written(until));
        let told = farm.get(&path).await;
        let gaps = told["gaps"].as_array().context("gaps")?;
        let gaps = gaps.iter().map(|g| Ok((instant(&g["from"])?, instant(&g["until"])?))).collect::<Result<_>>()?;
        Ok((gaps, told["exposure"]["known_s"].as_f64().context("known")?))
    };
    let (from, middle, until) = (began + TimeDelta::minutes(7), began + TimeDelta::minutes(8_650), farm.now());
    let (long, known_s) = look(from, until).await?;
    let unknown_s: f64 = long.iter().map(|(from, until)| (*until - *from).as_seconds_f64()).sum();
    assert!((unknown_s + known_s - (until - from).as_seconds_f64()).abs() < 1.0, "{unknown_s} {known_s}");
    let (mut parts, rest) = (look(from, middle).await?.0, look(middle, until).await?.0);
    for gap in rest {
        match parts.last_mut() {
            Some(last) if last.1 == gap.0 => last.1 = gap.1,
            _ => parts.push(gap),
        }
    }
    assert!(parts.len() > 30, "{}", parts.len());
    assert_eq!(long, parts);
    Ok(())
}

#[tokio::test]
async fn two_probes_out_of_step_are_no_zigzag() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/probes", json!({"probe": "p2", "place": "F1"})).await;
    // The second probe is a degree warmer and half a minute out of step.
    let began = farm.now() - TimeDelta::hours(2);
    let record = |probe: &str, second: i64, c: f64| json!({"n": probe, "u": "Cel", "t": (began + TimeDelta::seconds(second)).timestamp(), "v": c});
    let both = (0..119).flat_map(|m| [record("p1", m * 60, 2.0), record("p2", m * 60 + 30, 3.0)]);
    post(&farm, both.collect()).await;
    let told = farm.get("/api/places/F1/temperature?step_minutes=1").await;
    let series = told["series"].as_array().context("a series")?;
    let inside = &series[2..series.len() - 2];
    assert!(inside.len() > 100 && inside.iter().all(|p| p["c"] == 3.0), "{told}");
    Ok(())
}
