//! The packing list: what is taken from where, into which order of which round, and the weight that the scale shows.

use anyhow::{Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::{Answer, As, Farm};
use serde_json::{Value, json};
use uuid::Uuid;

use super::forms::send;

const DAY: &str = "2026-05-05";

/// An order of the day, set aside.
async fn order(farm: &Farm, customer: &str, lines: Value) -> String {
    let new = json!({"customer": customer, "delivery_day": DAY, "lines": lines});
    let order = farm.create("/api/orders", new).await["order"].as_str().unwrap_or_default().to_owned();
    set_aside(farm, &order).await;
    order
}

async fn set_aside(farm: &Farm, order: &str) -> Value {
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200)
}

async fn pack(farm: &Farm, order: &str, body: Value) -> Answer {
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/packed"), &[], Some(body)).await
}

async fn page(farm: &Farm) -> Result<String> {
    let page = farm.raw("GET", &format!("/packing-list?day={DAY}"), &[("accept", "text/html")], Vec::new()).await;
    ensure!(page.status == 200, "{} {}", page.status, page.text);
    Ok(page.text)
}

/// Two customers of a round and one of none, and a product in packs.
async fn rounds(farm: &Farm) {
    for (code, round, stop) in [("AST", "Town", 2), ("BIR", "", 0), ("CED", "Town", 1)] {
        let new = json!({"customer": code, "name": code, "kind": "restaurant", "price_list": "TABLE", "round": round, "stop": stop, "address": "Mill Lane", "deliver_until": "11:00"});
        farm.create("/api/customers", new).await;
    }
    let punnet = json!({"product": "PUN", "name": "Punnet", "strains": ["OY"], "least_grade": "B", "pack_g": 150, "tax_percent": "5.5"});
    farm.create("/api/products", punnet).await;
    let price = json!({"price_list": "TABLE", "product": "PUN", "amount": "3.20", "unit": "pack", "effective_from": "2026-01-01T00:00:00Z"});
    farm.create("/api/prices", price).await;
}

#[tokio::test]
async fn a_day_is_packed_by_round_and_the_docket_says_what_was_weighed() -> Result<()> {
    let farm = Farm::new().await?;
    rounds(&farm).await;
    let lot = farm.lot_of(6000).await;
    let loose = json!([{"product": "OY", "grams_g": 2000}]);
    let aster = order(&farm, "AST", loose.clone()).await;
    let birch = order(&farm, "BIR", loose).await;
    let cedar = order(&farm, "CED", json!([{"product": "PUN", "packs": 4}, {"product": "OY", "grams_g": 500}])).await;
    let list = farm.get(&format!("/api/packing-list?day={DAY}")).await;
    let of = |round: usize| -> Vec<&str> {
        let stops = list["rounds"][round]["stops"].as_array();
        stops.into_iter().flatten().filter_map(|s| s["order"]["order"].as_str()).collect()
    };
    ensure!(list["rounds"][0]["round"] == "Town" && of(0) == [&cedar, &aster], "{list}");
    ensure!(list["rounds"][1]["round"] == "" && of(1) == [&birch], "{list}");
    let place = &list["places"][0];
    ensure!(place["place"] == "F1" && place["grams_g"] == 5100 && place["packed_g"] == 0, "{place}");
    ensure!(place["lots"][0]["lot"] == lot.as_str() && place["lots"][0]["strain"] == "OY", "{place}");
    // A tenth over is taken, and a little less.
    let row = |line: i32, grams: i64| json!({"line": line, "lot": lot, "place": "F1", "grams_g": grams});
    pack(&farm, &aster, row(1, 2130)).await.expect(200);
    let packed = pack(&farm, &cedar, row(2, 485)).await.expect(200);
    ensure!(packed["lines"][1]["set_aside"][0]["packed_at"].is_string(), "{packed}");
    pack(&farm, &cedar, json!({"line": 1, "lot": lot, "place": "F1"})).await.expect(200);
    let place = &farm.get(&format!("/api/packing-list?day={DAY}")).await["places"][0];
    ensure!(place["grams_g"] == 5215 && place["packed_g"] == 3215, "{place}");
    ensure!(farm.get(&format!("/api/lots/{lot}")).await["places"][0]["set_aside_g"] == 5215);
    // Set aside again: what is packed stays, and 15 g, of which a twentieth may be missing, are not taken out of another crate.
    let again = set_aside(&farm, &cedar).await;
    ensure!(again["lines"] == farm.get(&format!("/api/orders/{cedar}")).await["lines"], "{again}");
    ensure!(again["lines"][1]["set_aside"][0]["grams_g"] == 485 && again["lines"][1]["short_g"] == 0, "{again}");
    ensure!(again["lines"][0]["set_aside"][0]["packed_at"].is_string(), "{again}");
    let sent = farm.create("/api/dockets", json!({"order": cedar, "van": "VAN"})).await;
    ensure!(sent["lines"][1]["grams_g"] == 485, "a light crate is sent without a word: {sent}");
    let docket = farm.create("/api/dockets", json!({"order": aster, "van": "VAN"})).await;
    ensure!(docket["lines"][0]["grams_g"] == 2130 && docket["lines"][0]["amount"] == "37.28", "{docket}");
    // What is out is seen on the round, and no longer taken from the fridge.
    let seen = page(&farm).await?;
    ensure!(seen.contains("out for delivery") && seen.contains("0.00 of 2.00 kg packed"), "{seen}");
    ensure!(seen.contains("D-2</a>: 2.130 kg") && seen.contains("D-1</a>: 1.085 kg"), "{seen}");
    ensure!(seen.contains("Round Town") && seen.contains("No round") && seen.contains("until 11:00"), "{seen}");
    let pdf = farm.raw("GET", &format!("/api/packing-list/pdf?day={DAY}"), &[], Vec::new()).await;
    ensure!(pdf.status == 200 && pdf.text.starts_with("%PDF"));
    Ok(())
}

#[tokio::test]
async fn what_cannot_be_packed_is_refused_by_field_and_nothing_changes() -> Result<()> {
    let farm = Farm::new().await?;
    rounds(&farm).await;
    let lot = farm.lot_of(2250).await;
    let order = order(&farm, "AST", json!([{"product": "OY", "grams_g": 1500}, {"product": "PUN", "packs": 4}])).await;
    let before = farm.get(&format!("/api/orders/{order}")).await;
    let row = |changes: Value| {
        let mut row = json!({"line": 1, "lot": lot, "place": "F1", "grams_g": 1500});
        row.as_object_mut().unwrap().extend(changes.as_object().cloned().unwrap_or_default());
        row
    };
    for (changes, status, pointer) in [
        (json!({"line": 3}), 422, "/line"),
        (json!({"lot": "NONE"}), 409, "/lot"),
        (json!({"place": "VAN"}), 409, "/lot"),
        (json!({"grams_g": 0}), 422, "/grams_g"),
        (json!({"grams_g": -5}), 422, "/grams_g"),
        (json!({"grams_g": 1651}), 422, "/grams_g"),
        (json!({"line": 2, "grams_g": 610}), 422, "/grams_g"),
        (json!({"grams_g": 1.5}), 422, "/grams_g"),
        (json!({"packed": false, "grams_g": 1400}), 422, "/grams_g"),
        (json!({"weight": 3}), 422, "/weight"),
    ] {
        let answer = pack(&farm, &order, row(changes.clone())).await;
        ensure!(answer.status == status, "{changes}: {} {}", answer.status, answer.text);
        ensure!(answer.json()["errors"][0]["pointer"] == pointer, "{changes}: {}", answer.text);
    }
    // 150 g of the lot are free, and 1,650 g are within what they take.
    let heavy = pack(&farm, &order, row(json!({"grams_g": 1650}))).await.expect(200);
    ensure!(heavy["lines"][0]["set_aside"][0]["grams_g"] == 1650, "{heavy}");
    // A page that has grown old overwrites no weight.
    let old = pack(&farm, &order, row(json!({}))).await;
    ensure!(old.status == 412 && old.text.contains("is packed already, with 1650 g"), "{} {}", old.status, old.text);
    let back = json!({"line": 1, "lot": lot, "place": "F1", "packed": false});
    pack(&farm, &order, back.clone()).await.expect(200);
    pack(&farm, &order, row(json!({}))).await.expect(200);
    pack(&farm, &order, back).await.expect(200);
    let mut after = farm.get(&format!("/api/orders/{order}")).await;
    let unpacked_at = after["lines"][0]["set_aside"][0]["unpacked_at"].take();
    ensure!(unpacked_at.is_string() && after == before, "{unpacked_at} {after}");
    // A draft is confirmed before it is packed.
    let draft =
        json!({"customer": "AST", "delivery_day": DAY, "draft": true, "lines": [{"product": "OY", "grams_g": 100}]});
    let draft = farm.create("/api/orders", draft).await["order"].as_str().unwrap_or_default().to_owned();
    set_aside(&farm, &draft).await;
    ensure!(pack(&farm, &draft, row(json!({"grams_g": 100}))).await.text.contains("Confirm it first"));
    Ok(())
}

#[tokio::test]
async fn a_heavier_crate_takes_no_gram_that_another_order_has() -> Result<()> {
    let farm = Farm::new().await?;
    rounds(&farm).await;
    let lot = farm.lot_of(2000).await;
    let one = order(&farm, "AST", json!([{"product": "OY", "grams_g": 1000}])).await;
    let two = order(&farm, "BIR", json!([{"product": "OY", "grams_g": 960}])).await;
    let row = |grams: i64| json!({"line": 1, "lot": lot, "place": "F1", "grams_g": grams});
    let refused = pack(&farm, &one, row(1041)).await;
    ensure!(refused.status == 409 && refused.json()["type"] == "/problems/not-enough", "{}", refused.text);
    ensure!(refused.json()["errors"][0]["pointer"] == "/grams_g", "{}", refused.text);
    pack(&farm, &one, row(1040)).await.expect(200);
    ensure!(farm.get(&format!("/api/lots/{lot}")).await["places"][0]["set_aside_g"] == 2000);
    // After it went out nothing is weighed any more, and what is on hold is set aside for nobody.
    farm.create("/api/dockets", json!({"order": one, "van": "VAN"})).await;
    let gone = pack(&farm, &one, row(1000)).await;
    ensure!(gone.status == 409 && gone.json()["type"] == "/problems/closed", "{}", gone.text);
    farm.create(&format!("/api/lots/{lot}/hold"), json!({"reason": "Smell"})).await;
    let held = pack(&farm, &two, row(960)).await;
    ensure!(held.status == 409 && held.text.contains("set aside"), "{}", held.text);
    // Another farm has no such order.
    let other = farm.second("other").await?;
    other.set_up().await;
    ensure!(pack(&other, &two, row(960)).await.status == 404);
    Ok(())
}

#[tokio::test]
async fn the_list_is_ticked_off_on_the_page() -> Result<()> {
    let farm = Farm::new().await?;
    rounds(&farm).await;
    ensure!(page(&farm).await?.contains("No confirmed orders for this day"));
    let lot = farm.lot_of(3000).await;
    let order = order(&farm, "CED", json!([{"product": "OY", "grams_g": 1000}])).await;
    let seen = page(&farm).await?;
    let id = format!("id=\"{order}\"");
    ensure!(
        seen.contains(&id) && seen.contains("value=\"1.000\"") && seen.contains("0.00 of 1.00 kg packed"),
        "{seen}"
    );
    let path = format!("/orders/{order}/packed");
    let fields = |kg: &'static str| [("line", "1"), ("lot", lot.as_str()), ("place", "F1"), ("grams_g", kg)];
    let refused = send(&farm, &path, Uuid::new_v4(), &fields("1,2")).await?;
    ensure!(refused.status == 422 && refused.text.contains("value=\"1,2\""), "{}", refused.text);
    ensure!(refused.text.contains("takes up to 1100 g"), "{}", refused.text);
    let key = Uuid::new_v4();
    for _ in 0..2 {
        let done = send(&farm, &path, key, &fields("1,035")).await?;
        ensure!(done.status == 303, "{} {}", done.status, done.text);
        ensure!(done.headers["location"] == format!("/packing-list?day={DAY}#{order}"));
    }
    let seen = page(&farm).await?;
    ensure!(seen.contains("all 1.04 kg packed") && seen.contains("Undo"), "{seen}");
    ensure!(farm.get(&format!("/api/orders/{order}")).await["lines"][0]["set_aside"][0]["grams_g"] == 1035);
    // A phone whose page has grown old is told so, with what was typed.
    let old = send(&farm, &path, Uuid::new_v4(), &fields("0,9")).await?;
    ensure!(old.status == 412 && old.text.contains("0,9 kg was not written down"), "{} {}", old.status, old.text);
    ensure!(old.text.contains("is packed already, with 1035 g"), "{}", old.text);
    let undo = [("line", "1"), ("lot", lot.as_str()), ("place", "F1")];
    let done = send(&farm, &format!("/orders/{order}/unpacked"), Uuid::new_v4(), &undo).await?;
    ensure!(done.status == 303, "{}", done.text);
    ensure!(page(&farm).await?.contains("value=\"1.035\""));
    // A tick that another phone made before that, and sends later, does not come back.
    let before = (farm.now() - TimeDelta::seconds(1)).to_rfc3339();
    let late = json!({"line": 1, "lot": lot, "place": "F1", "grams_g": 1035, "packed_at": before});
    let refused = farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/packed"), &[], Some(late)).await;
    refused.ensure_problem(412, "stale", Some("/packed_at"));
    // What was released meanwhile is not packed, and nothing says that it was.
    farm.ask(&farm.owner, "DELETE", &format!("/api/orders/{order}/set-aside"), &[], None).await.expect(200);
    let gone = send(&farm, &path, Uuid::new_v4(), &fields("0,9")).await?;
    ensure!(gone.status == 409 && gone.text.contains("0,9 kg was not written down"), "{} {}", gone.status, gone.text);
    set_aside(&farm, &order).await;
    ensure!(farm.get(&format!("/api/orders/{order}")).await["lines"][0]["set_aside"][0]["packed_at"].is_null());
    // Who only looks sees the list without the scale.
    let looks = farm.person("bookkeeper").await;
    let seen = farm.ask(&looks, "GET", &format!("/packing-list?day={DAY}"), &[], None).await;
    ensure!(
        seen.status == 200 && seen.text.contains("1.000") && !seen.text.contains("name=\"grams_g\""),
        "{}",
        seen.text
    );
    let refused = farm.ask(&looks, "PUT", &format!("/api/orders/{order}/packed"), &[], Some(json!({}))).await;
    ensure!(refused.status == 403, "{}", refused.text);
    Ok(())
}

#[tokio::test]
async fn who_does_not_work_with_stock_packs_nothing() -> Result<()> {
    let farm = Farm::new().await?;
    let body = json!({"line": 1, "lot": "OY-1", "place": "F1"});
    for (role, status) in [("bookkeeper", 403), ("verifier", 403), ("picker", 404), ("driver", 404)] {
        let who = farm.person(role).await;
        let answer = farm.ask(&who, "PUT", "/api/orders/O-1/packed", &[], Some(body.clone())).await;
        ensure!(answer.status == status, "{role}: {} {}", answer.status, answer.text);
        farm.ask(&who, "GET", "/api/packing-list", &[], None).await.expect(200);
    }
    let nobody = farm.ask(&As::Nobody, "PUT", "/api/orders/O-1/packed", &[], Some(body)).await;
    ensure!(nobody.status == 401, "{}", nobody.text);
    for path in ["/api/packing-list?day=never", "/api/packing-list?week=3"] {
        let answer = farm.ask(&farm.owner, "GET", path, &[], None).await;
        ensure!(answer.status == 422, "{path}: {}", answer.text);
    }
    for (changes, pointer) in [
        (json!({"stop": -1}), "/stop"),
        (json!({"stop": 1000}), "/stop"),
        (json!({"round": "R".repeat(41)}), "/round"),
        (json!({"under_percent": 51}), "/under_percent"),
    ] {
        let mut new = json!({"customer": "ELM", "name": "Elm", "kind": "shop", "price_list": "TABLE"});
        new.as_object_mut().unwrap().extend(changes.as_object().cloned().unwrap_or_default());
        farm.post("/api/customers", new).await.ensure_problem(422, "invalid", Some(pointer));
    }
    Ok(())
}
