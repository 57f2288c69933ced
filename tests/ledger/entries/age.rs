//! How old a lot is.

use anyhow::Result;
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::{Value, json};

use super::{take_back, word};

#[tokio::test]
async fn a_lot_is_as_old_as_its_first_crate_on_the_scale() -> Result<()> {
    let farm = Farm::new().await?;
    let age = async |lot: &str| word(&farm.get(&format!("/api/lots/{lot}")).await, "harvested_at");
    farm.pass(TimeDelta::hours(8));
    let lot = farm.lot_of(500).await;
    let sent = farm.now();
    assert_eq!(age(&lot).await, "2026-05-04T14:00:00Z");
    // A crate of the morning arrives later: from another phone, that had no signal.
    farm.pass(TimeDelta::minutes(10));
    let mut late = Farm::weighing(400);
    late["weighed_at"] = json!(sent - TimeDelta::minutes(350));
    assert_eq!(word(&farm.create("/api/weighings", late.clone()).await, "lot"), lot);
    assert_eq!(age(&lot).await, "2026-05-04T08:10:00Z");
    // What is made of it is as old as that, whether it was made before or after the crate arrived.
    let pack = json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": 300}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 300}]});
    let made = farm.create("/api/packings", pack).await;
    let child = word(&json!({"lot": made["made"][0]}), "lot");
    assert_eq!(age(&child).await, "2026-05-04T08:10:00Z");
    let mut first = Farm::weighing(200);
    first["weighed_at"] = json!("2026-05-04T07:00:00Z");
    farm.create("/api/weighings", first.clone()).await;
    assert_eq!((age(&lot).await, age(&child).await), ("2026-05-04T07:00:00Z".into(), "2026-05-04T07:00:00Z".into()));
    // Crates that were none make it younger again.
    for weighing in [first, late] {
        take_back(&farm, &word(&weighing, "id")).await.expect(201);
    }
    assert_eq!((age(&lot).await, age(&child).await), ("2026-05-04T14:00:00Z".into(), "2026-05-04T14:00:00Z".into()));
    Ok(())
}

#[tokio::test]
async fn drying_does_not_keep_the_date_of_the_fresh_pack() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(2000).await;
    for (code, form) in [("TRAY", "fresh"), ("JAR", "dried")] {
        let product = json!({"product": code, "name": code, "strains": ["OY"], "least_grade": "B", "form": form, "tax_percent": "5.5"});
        farm.create("/api/products", product).await;
    }
    let rules = json!({"best_before": [{"product": "TRAY", "packaging": "open", "days": 9}, {"product": "JAR", "packaging": "sealed", "days": 300}]});
    farm.ask(&farm.owner, "PATCH", "/api/farm", &[("if-match", "\"1\"")], Some(rules)).await.expect(200);
    let pack = async |lot: &Value, out: Value, water: i64| {
        let grams = out["grams_g"].as_i64().unwrap_or_default() + water;
        let body =
            json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": grams}], "lots_out": [out], "water_g": water});
        let made = farm.create("/api/packings", body).await["made"][0].clone();
        let best_before =
            farm.get(&format!("/api/lots/{}", made.as_str().unwrap_or_default())).await["best_before"].clone();
        (made, best_before)
    };
    let (tray, date) =
        pack(&json!(lot), json!({"grade": "A", "packaging": "open", "grams_g": 1000, "product": "TRAY"}), 0).await;
    assert_eq!(date, "2026-05-13");
    let (_, date) = pack(&tray, json!({"grade": "A", "packaging": "open", "grams_g": 200}), 0).await;
    assert_eq!(date, "2026-05-13", "what stays fresh keeps its date");
    let (jar, date) = pack(
        &tray,
        json!({"grade": "A", "packaging": "sealed", "form": "dried", "grams_g": 50, "product": "JAR"}),
        450,
    )
    .await;
    assert_eq!(date, "2027-02-28");
    let (plain, date) =
        pack(&tray, json!({"grade": "A", "packaging": "sealed", "form": "dried", "grams_g": 20}), 180).await;
    assert_eq!(date, Value::Null, "without a product there is no rule for it");
    let (_, date) = pack(&jar, json!({"grade": "A", "packaging": "open", "form": "dried", "grams_g": 10}), 0).await;
    assert_eq!(date, "2027-02-28", "what was dried before keeps the date that it was given");
    let back = json!({"place": "F1", "lots_in": [{"lot": plain, "grams_g": 20}], "lots_out": [{"grade": "A", "packaging": "open", "grams_g": 20}]});
    farm.post("/api/packings", back).await.ensure_problem(422, "invalid", Some("/lots_out/0/form"));
    Ok(())
}
