//! Readings in any order, the hours and excursions that they make, and what is written down by hand.

mod arriving;
mod excursions;

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_testkit::Farm;
use serde_json::{Value, json};

fn reading(at: DateTime<Utc>, c: f64) -> Value {
    json!({"n": "p1", "u": "Cel", "t": at.timestamp(), "v": c})
}

async fn post(farm: &Farm, records: Vec<Value>) -> Value {
    farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(records))).await.expect(200)
}

/// Six hours of minutes: an hour cold, three warm, two cold again.
async fn warm_spell(farm: &Farm) -> Value {
    let began = farm.now() - TimeDelta::hours(6);
    let air = |m: i64| if (60..240).contains(&m) { 9.0 } else { 2.0 };
    post(farm, (0..360).map(|m| reading(began + TimeDelta::minutes(m), air(m))).collect()).await;
    let list = farm.get("/api/excursions").await;
    assert_eq!(list["rows"].as_array().map(Vec::len), Some(1), "{list}");
    list["rows"][0].clone()
}
