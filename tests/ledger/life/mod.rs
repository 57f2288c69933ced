//! Shelf life along the way that a lot's own grams went, and what must be sold first.

mod path;
mod risk;

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_testkit::Farm;
use serde_json::{Value, json};

/// The farm's profile of oysters in open crates, reckoned here on its own: the logarithm of life is straight between the table's points.
fn life_days(c: f64) -> f64 {
    let table = [(1.0, 17.0f64), (6.0, 10.0), (20.0, 2.5)];
    let [(c0, d0), (c1, d1)] = if c < 6.0 { [table[0], table[1]] } else { [table[1], table[2]] };
    (d0.ln() + (d1.ln() - d0.ln()) * (c - c0) / (c1 - c0)).exp()
}

fn near(got: &Value, expected: f64) {
    let got = got.as_f64().unwrap_or(f64::NAN);
    assert!((got - expected).abs() < 1e-6 * expected.abs().max(1.0), "{got}, and not {expected}");
}

/// Steady air of a probe, a reading every ten minutes, both ends with it.
async fn steady(farm: &Farm, probe: &str, from: DateTime<Utc>, until: DateTime<Utc>, c: f64) {
    let tens = (until - from).num_minutes() / 10;
    let record = |n: i64| json!({"n": probe, "u": "Cel", "t": (from + TimeDelta::minutes(10 * n)).timestamp(), "v": c});
    let records: Vec<Value> = (0..=tens).map(record).collect();
    for pack in records.chunks(1000) {
        let receipt = farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
        assert_eq!(receipt["refused"], json!([]), "{receipt}");
    }
}

/// A second fridge with a probe of its own, warm or cold.
async fn second_fridge(farm: &Farm) {
    let limit = json!({"name": "Cold", "warm_c": 5, "cold_c": 0, "example": true});
    farm.create("/api/places", json!({"place": "F2", "name": "Second", "kind": "fridge", "limit": limit})).await;
    farm.create("/api/probes", json!({"probe": "p2", "place": "F2"})).await;
}

async fn transfer(farm: &Farm, lot: &str, from: &str, to: &str, grams: i64) -> Value {
    let body = json!({"kind": "transfer", "lot": lot, "from_place": from, "to_place": to, "grams_g": grams});
    farm.create("/api/movements", body).await
}

async fn at(farm: &Farm, lot: &str, place: &str) -> Value {
    let lot = farm.get(&format!("/api/lots/{lot}")).await;
    let places = lot["places"].as_array().cloned().unwrap_or_default();
    places.into_iter().find(|p| p["place"] == place).unwrap_or_else(|| panic!("nothing at {place}: {lot}"))
}

fn days(n: i64) -> TimeDelta {
    TimeDelta::days(n)
}

fn hours(n: i64) -> TimeDelta {
    TimeDelta::hours(n)
}

async fn graded(farm: &Farm, grade: &str, net_g: i64) -> String {
    let mut weighing = Farm::weighing(net_g);
    weighing["grade"] = json!(grade);
    farm.create("/api/weighings", weighing).await["lot"].as_str().unwrap_or_default().to_owned()
}
