//! Counts, the week and its money, at the HTTP surface.

mod closing;
mod comparing;
mod counts;
mod money;

use anyhow::{Context, Result};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::{Value, json};

/// The week that the test's farm begins in.
const WEEK: &str = "2026-W19";

async fn week(farm: &Farm, week: &str) -> Value {
    farm.get(&format!("/api/reports/weeks/{week}")).await
}

pub(crate) async fn waste(farm: &Farm, lot: &str, grams: i64) -> Value {
    let body = json!({"kind": "waste", "lot": lot, "from_place": "F1", "grams_g": grams, "reason": "Soft"});
    farm.create("/api/movements", body).await
}

fn count(lot: &str, grams: i64) -> Value {
    json!({"place": "F1", "lots": [{"lot": lot, "counted_g": grams}]})
}

/// Sends an order of so many grams out with the van: the docket.
async fn sent(farm: &Farm, grams: i64) -> Result<String> {
    let body =
        json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": grams}]});
    let order = farm.create("/api/orders", body).await["order"].as_str().context("a code")?.to_owned();
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
    let docket = farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    Ok(docket["docket"].as_str().context("a code")?.to_owned())
}

async fn handed_over(farm: &Farm, docket: &str) {
    farm.create(&format!("/api/dockets/{docket}/delivery"), json!({"taken_by": "Cook"})).await;
}

async fn came_back(farm: &Farm, docket: &str, grams: i64) {
    let body = json!({"lines": [{"line": 1, "grams_g": grams}], "reason": "Broken"});
    farm.create(&format!("/api/dockets/{docket}/returns"), body).await;
}

/// Posts a reading every ten minutes over so many hours before now.
pub(crate) async fn read_at(farm: &Farm, hours: i64, c: f64) {
    let records: Vec<Value> = (0..=hours * 6)
        .map(|n| json!({"n": "p1", "u": "Cel", "v": c, "t": (farm.now() - TimeDelta::minutes(n * 10)).timestamp()}))
        .collect();
    for pack in records.chunks(500) {
        farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
    }
}

fn kept(docket: &Value) -> Vec<(&Value, &Value, &Value, &Value)> {
    let lines = docket["lines"].as_array().into_iter().flatten();
    lines.map(|l| (&l["refused_g"], &l["returned_g"], &l["kept_g"], &l["kept_amount"])).collect()
}
