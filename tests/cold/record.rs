//! The temperature record and the pages of the fridge and the checks: what a verifier reads, and what a thumb can get wrong.

use anyhow::{Context, Result};
use chrono::{DateTime, TimeDelta, Utc};
use gillbook_testkit::{Answer, Farm};
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};

fn reading(probe: &str, at: DateTime<Utc>, c: f64) -> Value {
    json!({"n": probe, "u": "Cel", "t": at.timestamp(), "v": c})
}

async fn post(farm: &Farm, records: Vec<Value>) {
    let answer = farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(records))).await.expect(200);
    assert_eq!(answer["refused"], json!([]), "{answer}");
}

async fn page(farm: &Farm, path: &str) -> String {
    let page = farm.raw("GET", path, &[], Vec::new()).await;
    assert_eq!(page.status, 200, "{path}: {}", page.text);
    page.text
}

async fn send_form(farm: &Farm, path: &str, fields: &str) -> Answer {
    let body = format!("key={}&{fields}", uuid::Uuid::new_v4()).into_bytes();
    farm.raw("POST", path, &[("content-type", "application/x-www-form-urlencoded")], body).await
}

/// The texts in the order in which they stand.
fn in_order(text: &str, words: &[&str]) {
    let mut rest = text;
    for word in words {
        let at = rest.find(word).unwrap_or_else(|| panic!("{word} is not there, or not after what it follows: {text}"));
        rest = &rest[at + word.len()..];
    }
}

/// A farm at two in the afternoon in Paris with a lot in its fridge, of which three hours of the morning were at 9 °C.
async fn farm_with_a_warm_morning() -> Result<(Farm, String)> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(6));
    let mut weighing = Farm::weighing(3000);
    weighing["weighed_at"] = json!(farm.now() - TimeDelta::minutes(340));
    let lot = farm.create("/api/weighings", weighing).await["lot"].as_str().context("a lot")?.to_owned();
    let air = |m: i64| if (60..240).contains(&m) { 9.0 } else { 2.0 };
    let at = |m| farm.now() - TimeDelta::minutes(360 - m);
    post(&farm, (0..360).map(|m| reading("p1", at(m), air(m))).collect()).await;
    Ok((farm, lot))
}

#[tokio::test]
async fn the_record_begins_with_the_spells_and_says_what_was_inside_and_who_did_what() -> Result<()> {
    let (farm, lot) = farm_with_a_warm_morning().await?;
    let spell = farm.get("/api/excursions").await["rows"][0].clone();
    let spell = format!("/api/excursions/{}", spell["excursion_id"].as_str().context("an id")?);
    let wasted = json!({"done": "Slimy after the warm morning", "food": "wasted", "food_note": "400 g of it", "lots": [{"lot": lot, "grams_g": 400}]});
    farm.create(&format!("{spell}/actions"), wasted).await;
    // The order of two actions of one instant is nobody's.
    farm.pass(TimeDelta::minutes(1));
    farm.create(&format!("{spell}/actions"), json!({"done": "Breaker reset", "food": "kept"})).await;
    let verifier = farm.person("verifier").await;
    let (key, note) = (uuid::Uuid::new_v4().to_string(), "Seen with the fridge");
    let signed = Some(json!({"note": note}));
    farm.ask(&verifier, "POST", &format!("{spell}/sign-off"), &[("idempotency-key", &key)], signed).await.expect(201);
    let order =
        json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 1000}]});
    farm.create("/api/orders", order).await;
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": "O-1", "van": "VAN"})).await;
    farm.create("/api/dockets/D-1/delivery", json!({"taken_by": "Cook", "temperature_c": 3.5})).await;

    let path = "/api/places/F1/temperature-record";
    let record = farm.get(&format!("{path}?from=2026-05-03&until=2026-05-04")).await;
    assert_eq!(record["excursions"][0]["lots"][0]["lot"], json!(lot), "{record}");
    assert_eq!(
        (&record["wasted"][0]["grams_g"], &record["deliveries"][0]["temperature_c"]),
        (&json!(400), &json!(3.5))
    );
    let people = record["people"].as_array().context("people")?;
    assert!(people.iter().any(|p| p["initials"] == "VE" && p["role"] == "verifier"), "{record}");

    let words = [
        "Warm and cold spells",
        "Warm spell",
        "4\u{a0}May\u{a0}2026",
        "Slimy after the warm morning (AB, 4\u{a0}May\u{a0}2026",
        "400 g of it",
        "Breaker reset (AB, 4\u{a0}May\u{a0}2026",
        &format!("Lots inside: {lot} (3.00 kg)"),
        "Countersigned: VE, 4\u{a0}May\u{a0}2026",
        note,
        "Thrown away",
        "0.40 kg",
        "Slimy after the warm morning",
        "Temperatures",
        "Minutes above limit",
        "By day",
        "Deliveries at the door",
        "3.5",
        "Initials",
        "AB: ada, owner",
        "VE: verifier",
        "Mean kinetic temperature",
        "never excuses a warm spell",
    ];
    in_order(&page(&farm, "/fridge/record?from=2026-05-03&until=2026-05-04").await, &words);
    let pdf = farm.raw("GET", &format!("{path}/pdf?from=2026-05-03&until=2026-05-04"), &[], Vec::new()).await;
    assert_eq!((pdf.status, &pdf.text[..5]), (200, "%PDF-"), "{}", pdf.text);
    Ok(())
}

#[tokio::test]
async fn the_csv_is_in_the_farms_time_and_a_month_begins_at_its_midnight() -> Result<()> {
    let farm = Farm::new().await?;
    // April begins at midnight in Paris, which is 22:00 UTC the day before.
    let midnight: DateTime<Utc> = "2026-03-31T22:00:00Z".parse()?;
    post(&farm, (-300..300).map(|m| reading("p1", midnight + TimeDelta::minutes(m), 2.0)).collect()).await;
    let path = "/api/places/F1/temperature-record/csv?from=2026-04-01&until=2026-04-30";
    let csv = farm.raw("GET", path, &[], Vec::new()).await;
    let first = csv.text.lines().nth(1).context("an hour")?;
    assert!(first.starts_with("2026-04-01T00:00:00+02:00,2.00,"), "{}", csv.text);
    assert!(csv.text.lines().all(|line| !line.contains("2026-03-31")), "{}", csv.text);
    // A button for each of the last months.
    let shown = page(&farm, "/fridge/record").await;
    assert!(shown.contains("from=2026-04-01&amp;until=2026-04-30\">April 2026"), "{shown}");
    Ok(())
}

#[tokio::test]
async fn what_is_not_known_is_a_dash_and_no_limit_is_not_zero_minutes() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/places", json!({"place": "F2", "name": "Second", "kind": "fridge"})).await;
    farm.create("/api/probes", json!({"probe": "p2", "place": "F2"})).await;
    let minutes = (1..60).map(|m| reading("p2", farm.now() - TimeDelta::minutes(m), 3.0));
    post(&farm, minutes.collect()).await;
    for path in ["/fridge?place=F2", "/fridge/record?place=F2"] {
        let text = page(&farm, path).await;
        let above = text.matches("inutes above limit").count();
        // The record's table by day keeps its columns.
        assert_eq!(above, usize::from(path.contains("record")), "{path}: {text}");
        assert!(!text.contains("ruled across"), "{path}: {text}");
    }
    // The fridge has a limit, and nothing is known of any of its days.
    let text = page(&farm, "/fridge/record?place=F1&from=2026-05-01&until=2026-05-02").await;
    assert!(!text.contains("<td class=\"n\">0</td>") && text.contains("<td class=\"n\">0 %</td>"), "{text}");
    // A probe that has sent nothing yet is a gap like any other: it is drawn, and nobody reads "none".
    in_order(
        &text,
        &["No readings for", "48 h 00 min, in 1 stretch", "class=\"gap\" x=\"0\"", "No alert in these days."],
    );
    let text = page(&farm, "/fridge?place=F1").await;
    in_order(&text, &["no readings in the last 24 hours", "Minutes above limit</th><td class=\"n\">–"]);
    Ok(())
}

#[tokio::test]
async fn a_silent_probes_last_figure_is_not_shown_as_the_temperature_of_now() -> Result<()> {
    let farm = Farm::new().await?;
    let minutes = |range: std::ops::Range<i64>| range.map(|m| reading("p1", farm.now() - TimeDelta::minutes(m), 1.6));
    post(&farm, minutes(48..120).collect()).await;
    // 06:00 UTC is 08:00 in Paris.
    let text = page(&farm, "/fridge").await;
    in_order(&text, &["no readings since 07:12", "no readings since 07:12: look at the thermometer"]);
    assert!(!text.contains("1.6<small>"), "{text}");
    // On the first page likewise; what was the highest since midnight stands all the same.
    in_order(&page(&farm, "/").await, &["<small>no reading for 48 min", "no readings since 07:12", "1.6&nbsp;°C"]);
    post(&farm, minutes(1..48).collect()).await;
    in_order(&page(&farm, "/fridge").await, &["1.6<small>", "within the limit"]);
    Ok(())
}

#[tokio::test]
async fn a_check_of_a_probe_ticks_off_the_checks_book() -> Result<()> {
    let farm = Farm::new().await?;
    let check = |code: &str, topic: &str| json!({"check": code, "name": code, "topic": topic, "every_days": 28});
    farm.create("/api/checks", check("FLOOR", "cleaning")).await;
    farm.create("/api/checks", check("ICE", "thermometer")).await;
    let text = page(&farm, "/fridge/by-hand").await;
    assert!(text.contains("<option value=\"ICE\" selected>ICE, due</option>") && !text.contains("FLOOR"), "{text}");
    let sent = send_form(&farm, "/fridge/by-hand/check", "probe=p1&kind=ice_point&read_c=0.2&also_done=ICE").await;
    assert_eq!(sent.status, 303, "{}", sent.text);
    let due = async || -> Vec<(Value, Value)> {
        let book = farm.get("/api/checks").await;
        let rows = book["rows"].as_array().cloned().unwrap_or_default();
        rows.into_iter().map(|c| (c["check"].clone(), c["due"].clone())).collect()
    };
    assert_eq!(due().await, [(json!("FLOOR"), json!(true)), (json!("ICE"), json!(false))]);
    let text = page(&farm, "/fridge/by-hand").await;
    assert!(text.contains("<option value=\"\" selected>nothing</option>"), "{text}");
    // One that is far off is a problem in the book as well, by the interface like by the page.
    farm.pass(TimeDelta::minutes(1));
    let body = json!({"kind": "ice_point", "read_c": 1.8, "also_done": "ICE"});
    farm.create("/api/probes/p1/checks", body).await;
    let done = farm.get("/api/checks-done").await;
    assert_eq!(
        (&done["rows"][1]["good"], &done["rows"][1]["what_done"]),
        (&json!(false), &json!("Probe p1 read +1.8 °C off"))
    );
    farm.post("/api/probes/p1/checks", json!({"kind": "ice_point", "read_c": 0.1, "also_done": "NOPE"}))
        .await
        .ensure_problem(404, "not-found", None);
    assert_eq!(farm.get("/api/probes/p1/checks").await["checks"].as_array().map(Vec::len), Some(2), "all or nothing");
    Ok(())
}

#[tokio::test]
async fn a_check_is_well_only_where_that_was_said() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/checks", json!({"check": "FLOOR", "name": "Floor", "topic": "cleaning", "every_days": 2})).await;
    for (result, status) in [("", 422), ("fine", 422), ("not_good", 422), ("not_good&what_done=Mopped+again", 303)] {
        let sent = send_form(&farm, "/checks/FLOOR/done", &format!("result={result}")).await;
        assert_eq!(sent.status, status, "{result}: {}", sent.text);
    }
    let done = farm.get("/api/checks-done").await;
    assert_eq!((done["rows"].as_array().map(Vec::len), &done["rows"][0]["good"]), (Some(1), &json!(false)));
    in_order(&page(&farm, "/checks").await, &["Floor", "problem: Mopped again"]);
    Ok(())
}

/// A busy half year, written behind the service's back: the newest rows stand in the record like the oldest.
#[tokio::test]
async fn a_record_of_thousands_of_rows_is_whole() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/checks", json!({"check": "KNIVES", "name": "Knives", "topic": "cleaning", "every_days": 1}))
        .await;
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    sqlx::raw_sql(
        "set session_replication_role = replica;
         create temp table made as select n, gen_random_uuid() as id, farm_id, '2026-05-04T00:00Z'::timestamptz - (5200 - n) * interval '50 minutes' as at
             from farm, generate_series(1, 5200) n;
         insert into spot_reading (farm_id, spot_id, place, at, c, note, recorded_at, done_by, entered_by)
             select farm_id, id, 'F1', at, 2, n, at, 'AB', 'ada' from made;
         insert into house_check_done (farm_id, done_id, house_check, good, what_done, done_at, recorded_at, done_by, entered_by)
             select farm_id, id, 'KNIVES', true, n, at, at, 'AB', 'ada' from made;
         insert into excursion (farm_id, excursion_id, place, kind, began_at, ended_at, known_s, beyond_c_s, judged_at)
             select farm_id, id, 'F1', 'no_data', at, at, 0, 0, at from made;
         insert into act (farm_id, act_id, kind, happened_at, recorded_at, done_by, entered_by, reason)
             select farm_id, id, 'waste', at, at, 'AB', 'ada', n from made;
         insert into movement (farm_id, act_id, leg, lot, from_place, to_place, grams)
             select farm_id, id, 1, 'OY-T', 'F1', (select min(p.place) from place p where p.farm_id = made.farm_id and p.kind = 'waste'), n from made;
         insert into docket (farm_id, docket, number, order_code, customer, customer_name, address, act_id, delivery_day, dispatched_at, currency)
             select farm_id, 'D-1', 1, 'O-1', 'PLUM', 'Plum', '', gen_random_uuid(), at::date, at, 'EUR' from made where n = 1;
         insert into delivery (farm_id, act_id, docket, hand_over, taken_by, temperature_c, crates_out, crates_back)
             select farm_id, id, 'D-1', 'in_person', 'Cook', 3, 0, 0 from made;
         analyze",
    )
    .execute(&mut db)
    .await?;
    let days = "from=2025-10-01&until=2026-05-04";
    let record = farm.get(&format!("/api/places/F1/temperature-record?{days}")).await;
    for part in ["spot_readings", "checks", "excursions", "wasted", "deliveries"] {
        assert_eq!(record[part].as_array().map(Vec::len), Some(5200), "{part}");
    }
    assert_eq!(record["wasted"][5199]["grams_g"], 5200, "the newest comes last");
    let span = "from=2025-10-01T00:00:00Z";
    for list in ["excursions", "checks-done", "places/F1/spot-readings"] {
        let answer = farm.get(&format!("/api/{list}?{span}")).await;
        assert_eq!(answer["rows"].as_array().map(Vec::len), Some(5200), "{list}");
    }
    Ok(())
}

#[tokio::test]
async fn documents_carry_the_farms_registration() -> Result<()> {
    let farm = Farm::new().await?;
    let change = json!({"address": "Lane 1, Hollow", "registration": "FR 75 012"});
    let version = farm.get("/api/farm").await["version"].to_string();
    let headers = [("if-match", format!("\"{version}\""))];
    let headers: Vec<(&str, &str)> = headers.iter().map(|(n, v)| (*n, v.as_str())).collect();
    let farm_now = farm.ask(&farm.owner, "PATCH", "/api/farm", &headers, Some(change)).await.expect(200);
    assert_eq!(farm_now["registration"], "FR 75 012");
    let record = farm.get("/api/places/F1/temperature-record").await;
    assert_eq!(record["farm_address"], "Lane 1, Hollow\nRegistration FR 75 012");
    Ok(())
}
