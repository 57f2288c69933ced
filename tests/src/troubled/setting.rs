//! What the farm has before its first day.

use anyhow::Result;
use chrono::Days;
use serde_json::{Value, json};

use super::Trouble;

fn life(packaging: &str, factor: f64) -> Value {
    let points: Vec<_> = [(1.0, 11.0), (4.0, 8.0), (10.0, 4.0), (20.0, 1.5)]
        .map(|(c, days)| json!({"c": c, "days": days * factor}))
        .into();
    json!({"packaging": packaging, "spread": 0.2, "source": "Invented", "points": points})
}

pub(super) async fn set_up(trouble: &Trouble) -> Result<()> {
    let farm = &trouble.farm;
    for (strain, species, factor) in [("OY", "Oyster mushroom", 1.0), ("LM", "Lion's mane", 1.4)] {
        farm.create("/api/strains", json!({"strain": strain, "name": species, "species": species, "latin_name": species, "lowest_safe_c": -1, "expected_yield_g": 1000, "days_to_first_flush": 16, "flush_interval_days": 11, "flushes": 2, "trim_share": 0.1, "life": [life("open", factor), life("vented", factor * 1.7)]})).await;
    }
    farm.create("/api/recipes", json!({"recipe": "OAK", "name": "Oak", "block_wet_g": 4200, "block_dry_g": 1900, "block_cost": trouble.money(2.955)})).await;
    farm.create(
        "/api/rooms",
        json!({"room": "FR1", "name": "Fruiting", "kind": "fruiting", "capacity_blocks": 200, "area_m2": 20}),
    )
    .await;
    let made_on = trouble.monday - Days::new(21);
    for (batch, strain, origin) in [("B1", "OY", "made"), ("B2", "OY", "bought"), ("B3", "LM", "made")] {
        farm.create("/api/batches", json!({"batch": batch, "strain": strain, "recipe": "OAK", "made_on": made_on, "blocks": 31, "origin": origin})).await;
        farm.create(&format!("/api/batches/{batch}/moves"), json!({"kind": "moved", "blocks": 31, "room": "FR1"}))
            .await;
    }
    let cold = json!({"name": "Cold", "warm_c": 5, "cold_c": 0, "grace_minutes": 30, "hysteresis_c": 0.5, "gap_minutes": 15, "silence_minutes": 30, "lag_minutes": 20, "example": true});
    let road = json!({"name": "On the road", "warm_c": 8, "cold_c": 0, "grace_minutes": 20, "hysteresis_c": 1, "gap_minutes": 20, "silence_minutes": 720, "lag_minutes": 40, "example": true});
    for (place, kind, limit) in [
        ("F1", "fridge", Some(cold)),
        ("F2", "fridge", None),
        ("VAN", "van", Some(road)),
        ("VAN2", "van", None),
        ("STALL", "stall", None),
    ] {
        farm.create("/api/places", json!({"place": place, "name": place, "kind": kind, "limit": limit})).await;
    }
    for (probe, place) in [("p1", "F1"), ("p2", "F1"), ("p3", "VAN")] {
        farm.create("/api/probes", json!({"probe": probe, "place": place})).await;
    }
    farm.create("/api/price-lists", json!({"price_list": "TABLE", "name": "Table"})).await;
    for (product, strain, grade, unit, price) in [
        ("OY", "OY", "C", "kg", 17.505),
        ("OYA", "OY", "A", "kg", 21.995),
        ("LM", "LM", "B", "kg", 24.25),
        ("OYP", "OY", "C", "pack", 3.115),
    ] {
        let (pack_g, packaging) =
            if unit == "pack" { (json!(150), json!("vented")) } else { (Value::Null, Value::Null) };
        farm.create("/api/products", json!({"product": product, "name": product, "strains": [strain], "least_grade": grade, "tax_percent": "5.5", "pack_g": pack_g, "packaging": packaging})).await;
        farm.create(
            "/api/prices",
            json!({"price_list": "TABLE", "product": product, "amount": trouble.money(price), "unit": unit}),
        )
        .await;
    }
    for (customer, kind) in [("PLUM", "restaurant"), ("GREEN", "shop"), ("SATURDAY", "market")] {
        farm.create(
            "/api/customers",
            json!({"customer": customer, "name": customer, "kind": kind, "price_list": "TABLE"}),
        )
        .await;
    }
    let old = json!({"strain": "OY", "grade": "A", "packaging": "open", "harvest_day": trouble.monday - Days::new(1), "place": "F1", "grams_g": 2_300});
    farm.create("/api/openings", old).await;
    Ok(())
}
