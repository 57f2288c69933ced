//! A recall's trace: whole, told apart, and never empty for want of a code.

use anyhow::{Context, Result};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};

#[tokio::test]
async fn a_code_that_is_not_there_is_never_an_empty_trace() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(1000).await;
    let moment = farm.now().to_rfc3339().replace("+00:00", "Z");
    for asked in [
        "lot&code=OY-9",
        "batch&code=B9",
        "cook&code=C9",
        "docket&code=D-9",
        "customer&code=NOBODY",
        "strain&code=ZZ",
        &format!("place&code=F9&at={moment}"),
    ] {
        farm.ask(&farm.owner, "GET", &format!("/api/trace?starts_from={asked}"), &[], None).await.ensure_problem(
            404,
            "not-found",
            None,
        );
    }
    farm.ask(&farm.owner, "GET", "/api/lots/OY-260504-9/trace", &[], None).await.ensure_problem(404, "not-found", None);
    // What is there and touched nothing answers with nothing.
    for asked in ["batch&code=B3", "customer&code=PLUM", "strain&code=LM", &format!("place&code=VAN&at={moment}")] {
        assert_eq!(farm.get(&format!("/api/trace?starts_from={asked}")).await["lots"], json!([]), "{asked}");
    }
    Ok(())
}

fn grams(rows: &Value, of: impl Fn(&Value) -> bool, field: &str) -> i64 {
    rows.as_array().into_iter().flatten().filter(|r| of(r)).filter_map(|r| r[field].as_i64()).sum()
}

#[tokio::test]
async fn grams_of_a_lot_and_of_those_made_of_it_are_told_apart_and_add_up() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(5000).await;
    let packing = json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": 1200}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 1100}], "trim_g": 70, "water_g": 30});
    let child = farm.create("/api/packings", packing.clone()).await["made"][0].as_str().context("a lot")?.to_owned();
    let undone = farm.create("/api/packings", packing).await;
    let act = undone["act"]["act_id"].as_str().context("an act")?;
    farm.create(&format!("/api/acts/{act}/reversal"), json!({"reason": "Twice"})).await;
    for (kind, lot, grams) in [("waste", &lot, 100), ("gift", &lot, 40), ("waste", &child, 25)] {
        let body = json!({"kind": kind, "lot": lot, "from_place": "F1", "grams_g": grams, "reason": "Soft"});
        farm.create("/api/movements", body).await;
    }
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 800}]});
    farm.create("/api/orders", order).await;
    let chosen = json!({"chosen": [{"line": 1, "lot": lot, "place": "F1", "grams_g": 500}, {"line": 1, "lot": child, "place": "F1", "grams_g": 300}], "reason": "as it comes"});
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(chosen)).await.expect(200);
    farm.create("/api/dockets", json!({"order": "O-1", "van": "VAN"})).await;
    farm.create("/api/dockets/D-1/delivery", json!({"taken_by": "Cook"})).await;
    let lines = farm.get("/api/dockets/D-1").await["lines"].clone();
    let line =
        lines.as_array().into_iter().flatten().find(|l| l["lot"] == json!(lot)).context("a line")?["line"].clone();
    farm.create("/api/dockets/D-1/returns", json!({"lines": [{"line": line, "grams_g": 50}], "reason": "Broken"}))
        .await;
    farm.create("/api/market-days", json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "60.00", "taken": [{"lot": lot, "place": "F1", "grams_g": 2000}]})).await;
    farm.pass(TimeDelta::hours(6));
    let reckoning = json!({"lots": [{"lot": lot, "back_g": 300, "wasted_g": 60, "tasted_g": 20}], "back_place": "F1", "cash": "80.00", "card": "10.00", "fee": "5.00"});
    farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(reckoning)).await.expect(200);

    let trace = farm.get(&format!("/api/lots/{lot}/trace")).await;
    let mine = |r: &Value| r["lot"] == json!(lot);
    let theirs = |r: &Value| r["lot"] == json!(child);
    assert_eq!(grams(&trace["went_to"], mine, "grams_g"), 500 + 2000 - 300 - 60 - 20);
    assert_eq!(grams(&trace["went_to"], mine, "returned_g"), 50);
    assert_eq!(grams(&trace["went_to"], theirs, "grams_g"), 300);
    let not_sold = |became: &str| grams(&trace["not_sold"], |r| mine(r) && r["became"] == became, "grams_g");
    assert_eq!(
        (not_sold("waste"), not_sold("gift"), not_sold("trim"), not_sold("water")),
        (100 + 60 + 50, 40 + 20, 70, 30)
    );
    assert_eq!(grams(&trace["not_sold"], theirs, "grams_g"), 25);
    let stall = trace["not_sold"]
        .as_array()
        .into_iter()
        .flatten()
        .find(|r| r["act"] == "market_close")
        .context("of the stall")?;
    assert_eq!((&stall["place"], &stall["lot"]), (&json!("STALL"), &json!(lot)));
    // Every gram of the lot: what is there, what went, what came back is among what was not sold, what was lost, what became other lots.
    let made = grams(&trace["made"], |r| r["from_lot"] == json!(lot), "grams_g");
    assert_eq!(made, 1100 + 300, "{}", trace["made"]);
    let there = grams(&trace["was_in"], mine, "grams_g");
    let lost = grams(&trace["not_sold"], |r| mine(r) && r["act"] != "return", "grams_g");
    assert_eq!(there + made + lost + grams(&trace["went_to"], mine, "grams_g"), 5000, "{trace}");
    let account = &trace["account"];
    let lots: i64 = [
        "here_g",
        "with_customers_g",
        "wasted_g",
        "given_g",
        "tested_g",
        "trimmed_g",
        "home_g",
        "dried_g",
        "missing_g",
    ]
    .iter()
    .filter_map(|part| account[part].as_i64())
    .sum();
    assert_eq!((account["total_g"].as_i64(), lots), (Some(5000), 5000), "{account}");
    assert_eq!((&account["dried_g"], &account["trimmed_g"]), (&json!(30), &json!(70)));
    assert_eq!(trace["made_into_lots"].as_array().map(Vec::len), Some(2), "a packing that was reversed made nothing");
    let stays: Vec<_> =
        trace["was_in"].as_array().into_iter().flatten().map(|w| (w["place"].as_str(), w["until"].is_null())).collect();
    assert!(stays.contains(&(Some("STALL"), false)) && stays.contains(&(Some("F1"), true)), "{stays:?}");

    let page = farm.raw("GET", &format!("/lots/{lot}"), &[], Vec::new()).await.text;
    for needed in [
        "href=\"/dockets/D-1\"",
        "href=\"/batches/B1\"",
        "Of lots made from it",
        "Not sold",
        "0.050 kg came back: Broken",
        "given away",
    ] {
        assert!(page.contains(needed), "{needed}: {page}");
    }
    assert!(farm.raw("GET", "/blocks", &[], Vec::new()).await.text.contains("id=\"B1\""));
    Ok(())
}

/// Ten lots a week for ten years and more, written behind the service's back: the newest are in the trace like the oldest.
#[tokio::test]
async fn a_trace_of_thousands_of_lots_is_whole() -> Result<()> {
    let farm = Farm::new().await?;
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    sqlx::raw_sql(
        "set session_replication_role = replica;
         create temp table made as select n, gen_random_uuid() as id, farm_id, '2016-05-01Z'::timestamptz + n * interval '16 hours' as at
             from farm, generate_series(1, 5200) n;
         insert into act (farm_id, act_id, kind, happened_at, recorded_at, done_by, entered_by) select farm_id, id, 'dispatch', at, at, 'AB', 'ada' from made;
         insert into lot (farm_id, lot, strain, grade, packaging, form, harvest_day, harvested_at, origin, began_by)
             select farm_id, 'OY-T-' || n, 'OY', 'A', 'open', 'fresh', at::date, at, 'harvest', id from made;
         insert into movement (farm_id, act_id, leg, lot, from_place, to_place, grams) select farm_id, id, 1, 'OY-T-' || n, 'F1', 'PLUM', 1000 from made;
         analyze",
    )
    .execute(&mut db)
    .await?;
    let trace = farm.get("/api/trace?starts_from=customer&code=PLUM").await;
    assert_eq!(trace["lots"].as_array().map(Vec::len), Some(5200));
    let went_to = trace["went_to"].as_array().context("rows")?;
    assert_eq!(went_to.len(), 5200);
    assert!(went_to.iter().any(|w| w["lot"] == "OY-T-5200"));
    // The page shows the sums and the newest, and is no larger for it.
    let page = farm.raw("GET", "/trace?starts_from=customer&code=PLUM", &[], Vec::new()).await.text;
    assert!(page.contains("and 5192 more, all in the CSV") && page.len() < 60_000, "{} bytes", page.len());
    Ok(())
}

/// A packing that was taken back: what stood there then is again what it was made of.
#[tokio::test]
async fn a_trace_from_a_fridge_finds_what_was_unpacked_since() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    let packing = json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": 1000}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 1000}]});
    let packed = farm.create("/api/packings", packing).await;
    let act = packed["act"]["act_id"].as_str().context("an act")?.to_owned();
    farm.pass(chrono::TimeDelta::hours(1));
    let then = farm.now().format("%Y-%m-%dT%H:%M:%SZ").to_string();
    farm.pass(chrono::TimeDelta::hours(1));
    farm.create(&format!("/api/acts/{act}/reversal"), json!({"reason": "Wrong boxes"})).await;
    let trace = farm.get(&format!("/api/trace?starts_from=place&code=F1&at={then}")).await;
    let lots = trace["lots"].as_array().context("lots")?;
    assert!(lots.contains(&json!(lot)) && lots.contains(&packed["made"][0]), "{trace}");
    Ok(())
}
