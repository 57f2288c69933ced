//! Many at once on the same few lots: nothing below zero, nothing lost, every refusal with a reason.

use std::sync::{
    Arc,
    atomic::{AtomicUsize, Ordering},
};

use anyhow::Result;
use gillbook_store::check::check;
use gillbook_testkit::Farm;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use uuid::Uuid;

const CLIENTS: u64 = 32;
const OPERATIONS: usize = 60;

async fn operate(
    farm: &Farm,
    lots: &[String],
    orders: &[String],
    chance: &mut ChaCha8Rng,
    acts: &mut Vec<String>,
) -> (u16, Value) {
    let lot = &lots[chance.random_range(0..lots.len())];
    let order = &orders[chance.random_range(0..orders.len())];
    let grams = chance.random_range(50..900);
    let key = Uuid::new_v4().to_string();
    let (method, path, body) = match chance.random_range(0..6) {
        0 => ("PUT", format!("/api/orders/{order}/set-aside"), json!({})),
        1 => (
            "POST",
            "/api/packings".into(),
            json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": grams}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": grams}]}),
        ),
        2 => ("POST", "/api/dockets".into(), json!({"order": order, "van": "VAN", "short": true})),
        3 => (
            "POST",
            "/api/movements".into(),
            json!({"kind": "waste", "lot": lot, "from_place": "F1", "grams_g": grams, "reason": "Soft"}),
        ),
        4 => ("DELETE", format!("/api/orders/{order}/set-aside"), Value::Null),
        _ => match acts.pop() {
            Some(act) => ("POST", format!("/api/acts/{act}/reversal"), json!({"reason": "Mistake"})),
            None => ("PUT", format!("/api/orders/{order}/set-aside"), json!({})),
        },
    };
    let body = if body.is_null() { None } else { Some(body) };
    let answer = farm.ask(&farm.owner, method, &path, &[("idempotency-key", &key)], body).await;
    let json = answer.json();
    let act = json["act_id"].as_str().or_else(|| json["act"]["act_id"].as_str());
    if answer.status == 201 && !path.ends_with("reversal") {
        acts.extend(act.map(str::to_owned));
    }
    (answer.status, json)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn thirty_two_at_once_on_the_same_lots() -> Result<()> {
    let farm = Arc::new(Farm::new().await?);
    let mut lots = Vec::new();
    for grade in ["A", "B"] {
        for _ in 0..3 {
            let mut body = Farm::weighing(9000);
            body["grade"] = json!(grade);
            lots.push(farm.create("/api/weighings", body).await["lot"].as_str().unwrap_or_default().to_owned());
        }
    }
    let mut orders = Vec::new();
    for _ in 0..40 {
        let order =
            json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 1200}]});
        orders.push(farm.create("/api/orders", order).await["order"].as_str().unwrap_or_default().to_owned());
    }
    let (lots, orders) = (Arc::new(lots), Arc::new(orders));
    let carried_out = Arc::new(AtomicUsize::new(0));
    let clients = (0..CLIENTS).map(|client| {
        let (farm, lots, orders, carried_out) = (farm.clone(), lots.clone(), orders.clone(), carried_out.clone());
        tokio::spawn(async move {
            let mut chance = ChaCha8Rng::seed_from_u64(client);
            let mut acts = Vec::new();
            for _ in 0..OPERATIONS {
                let (status, json) = operate(&farm, &lots, &orders, &mut chance, &mut acts).await;
                assert!(matches!(status, 200 | 201 | 409), "{status}: {json}");
                if status == 409 {
                    assert!(json["detail"].as_str().is_some_and(|d| d.len() > 15), "{json}");
                } else {
                    carried_out.fetch_add(1, Ordering::SeqCst);
                }
            }
        })
    });
    for client in clients.collect::<Vec<_>>() {
        client.await?;
    }
    assert!(carried_out.load(Ordering::SeqCst) > 300);
    assert_eq!(check(&farm.admin.clone().username("gillbook_audit")).await?, []);
    let week = farm.get("/api/reports/weeks/2026-W19").await;
    assert_eq!(
        (&week["now"]["total"]["harvested_g"], &week["now"]["total"]["difference_g"]),
        (&json!(54_000), &json!(0))
    );
    Ok(())
}
