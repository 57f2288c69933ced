//! Acts of the ledger and their taking back, at the HTTP surface: what stands in the way, and who may.

mod age;
mod at_the_door;
mod standing;

use anyhow::Result;
use gillbook_store::check::check;
use gillbook_testkit::{Answer, Farm};
use serde_json::{Value, json};

fn word(value: &Value, field: &str) -> String {
    value[field].as_str().unwrap_or_default().to_owned()
}

/// Orders, sets aside by the farm's own rule and sends out; without a van the customer fetches it.
async fn send_out(farm: &Farm, grams_g: i64, van: Option<&str>) -> Value {
    let order = farm
        .create(
            "/api/orders",
            json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": grams_g}]}),
        )
        .await;
    let code = word(&order, "order");
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{code}/set-aside"), &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": code, "van": van})).await
}

async fn hand_over(farm: &Farm, docket: &str) -> Value {
    farm.create(&format!("/api/dockets/{docket}/delivery"), json!({"taken_by": "Cook"})).await
}

async fn bring_back(farm: &Farm, docket: &str, grams_g: i64) -> Answer {
    let body = json!({"lines": [{"line": 1, "grams_g": grams_g}], "reason": "Broken"});
    farm.post(&format!("/api/dockets/{docket}/returns"), body).await
}

async fn take_back(farm: &Farm, act: &str) -> Answer {
    farm.post(&format!("/api/acts/{act}/reversal"), json!({"reason": "Mistake"})).await
}

async fn finish(farm: &Farm, lot: &str) -> Answer {
    farm.post(&format!("/api/lots/{lot}/finish"), json!({"reason": "Empty crate"})).await
}

/// Grams of a lot at a place, as the lot tells.
async fn stands(farm: &Farm, lot: &str, place: &str) -> i64 {
    let lot = farm.get(&format!("/api/lots/{lot}")).await;
    lot["places"]
        .as_array()
        .into_iter()
        .flatten()
        .find(|p| p["place"] == place)
        .and_then(|p| p["grams_g"].as_i64())
        .unwrap_or_default()
}

async fn last_act(farm: &Farm, kind: &str) -> String {
    let acts = farm.get(&format!("/api/movements?kind={kind}")).await;
    acts["rows"].as_array().and_then(|rows| rows.last()).map(|a| word(a, "act_id")).unwrap_or_default()
}

async fn ensure_sound(farm: &Farm) -> Result<()> {
    assert_eq!(check(&farm.admin.clone().username("gillbook_audit")).await?, []);
    Ok(())
}
