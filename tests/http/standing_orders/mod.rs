//! What customers take again and again, and the orders that are made of it. A farm begins on a Monday, the fourth of May 2026.

mod by_hand;
mod calendar;
mod days;
mod following;

use anyhow::{Result, ensure};
use gillbook_testkit::Farm;
use serde_json::{Value, json};

/// Tuesdays and Fridays from tomorrow on, 3 kg, with some members changed.
fn body(changes: Value) -> Value {
    let mut body = json!({"customer": "PLUM", "from": "2026-05-05", "weekdays": ["friday", "tuesday"], "lines": [{"product": "OY", "grams_g": 3000}]});
    if let (Some(body), Value::Object(changes)) = (body.as_object_mut(), changes) {
        body.extend(changes);
    }
    body
}

/// The orders by delivery day: day of the month, kilograms, status.
async fn orders(farm: &Farm) -> Vec<(String, i64, String)> {
    let orders = farm.get("/api/orders?limit=500").await;
    let of = |o: &Value| {
        let text = |field: &str| o[field].as_str().unwrap_or_default().to_owned();
        let grams: i64 = o["lines"].as_array().into_iter().flatten().filter_map(|l| l["grams_g"].as_i64()).sum();
        (text("delivery_day")[8..].to_owned(), grams / 1000, text("status"))
    };
    orders["rows"].as_array().into_iter().flatten().map(of).collect()
}

/// Days of the month of the orders that are confirmed.
async fn confirmed(farm: &Farm) -> Vec<String> {
    let found = orders(farm).await.into_iter();
    found.filter(|(.., status)| status == "confirmed").map(|(day, ..)| day).collect()
}

/// Changes a standing order from the version that it has.
async fn change(farm: &Farm, changes: Value) -> Value {
    let version = farm.get("/api/standing-orders/SO-1").await["version"].to_string();
    let read = format!("\"{version}\"");
    farm.ask(&farm.owner, "PATCH", "/api/standing-orders/SO-1", &[("if-match", &read)], Some(changes)).await.expect(200)
}

#[tokio::test]
async fn what_cannot_be_is_refused_with_its_field_and_leaves_nothing() -> Result<()> {
    let farm = Farm::new().await?;
    let cases = [
        (json!({"customer": "NOBODY"}), "/customer"),
        (json!({"from": "2026-05-03"}), "/from"),
        (json!({"from": "2027-05-06"}), "/from"),
        (json!({"until": "2026-05-04"}), "/until"),
        (json!({"weekdays": []}), "/weekdays"),
        (json!({"weekdays": ["someday"]}), "/weekdays/0"),
        (json!({"every_weeks": 0}), "/every_weeks"),
        (json!({"every_weeks": 53}), "/every_weeks"),
        (json!({"rule": "FREQ=WEEKLY;BYDAY=MO"}), "/rule"),
        (json!({"weekdays": [], "rule": "on Mondays"}), "/rule"),
        (json!({"weekdays": [], "rule": "FREQ=SECONDLY"}), "/rule"),
        (json!({"weekdays": [], "rule": "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30"}), "/rule"),
        (json!({"weekdays": [], "rule": "FREQ=DAILY;UNTIL=20270101T000000Z"}), "/rule"),
        (json!({"on_closed_day": "never"}), "/on_closed_day"),
        (json!({"lines": []}), "/lines"),
        (json!({"lines": [{"product": "NONE", "grams_g": 1}]}), "/lines/0/product"),
        (json!({"lines": [{"product": "OY", "packs": 1}]}), "/lines/0/packs"),
    ];
    for (changes, pointer) in cases {
        farm.post("/api/standing-orders", body(changes.clone())).await.ensure_problem(422, "invalid", Some(pointer));
    }
    ensure!(farm.get("/api/standing-orders").await["rows"] == json!([]));
    ensure!(orders(&farm).await.is_empty());
    farm.create("/api/standing-orders", body(json!({}))).await;
    let pause =
        |from: &str, until: &str| farm.post("/api/standing-orders/SO-1/pauses", json!({"from": from, "until": until}));
    pause("2026-05-07", "2026-05-06").await.ensure_problem(422, "invalid", Some("/until"));
    pause("2026-05-01", "2026-05-03").await.ensure_problem(422, "invalid", Some("/until"));
    farm.post("/api/standing-orders/SO-2/pauses", json!({"from": "2026-05-05", "until": "2026-05-06"}))
        .await
        .expect(404);
    let stale = farm
        .ask(&farm.owner, "PATCH", "/api/standing-orders/SO-1", &[("if-match", "\"7\"")], Some(json!({"note": "x"})))
        .await;
    stale.ensure_problem(412, "stale", None);
    farm.post("/api/closed-days", json!({"day": "2026-05-03", "name": "Past"})).await.ensure_problem(
        422,
        "invalid",
        Some("/day"),
    );
    farm.create("/api/closed-days", json!({"day": "2026-05-14", "name": "Ascension"})).await;
    farm.post("/api/closed-days", json!({"day": "2026-05-14", "name": "Again"})).await.ensure_problem(
        409,
        "already-there",
        Some("/day"),
    );
    farm.ask(&farm.owner, "DELETE", "/api/closed-days/2026-05-15", &[], None).await.expect(404);
    Ok(())
}

#[tokio::test]
async fn a_picker_takes_standing_orders_and_a_driver_reads_them() -> Result<()> {
    let farm = Farm::new().await?;
    let (picker, driver) = (farm.person("picker").await, farm.person("driver").await);
    farm.post_as(&driver, "/api/standing-orders", body(json!({}))).await.ensure_problem(403, "not-allowed", None);
    farm.post_as(&picker, "/api/standing-orders", body(json!({}))).await.expect(201);
    farm.ask(&driver, "GET", "/api/standing-orders/SO-1", &[], None).await.expect(200);
    // What another farm has is not there.
    let other = farm.second("other").await?;
    ensure!(other.get("/api/standing-orders").await["rows"] == json!([]));
    other.ask(&other.owner, "GET", "/api/standing-orders/SO-1", &[], None).await.expect(404);
    Ok(())
}
