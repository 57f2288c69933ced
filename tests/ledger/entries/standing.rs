//! What stands while something else rests on it, and which lots may be chosen for an order.

use anyhow::Result;
use chrono::TimeDelta;
use gillbook_store::check::check;
use gillbook_testkit::Farm;
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};

use super::{bring_back, ensure_sound, finish, hand_over, last_act, send_out, stands, take_back, word};

#[tokio::test]
async fn a_delivery_stands_while_its_own_goods_have_come_back() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(2000).await;
    // The customer has the same lot from another docket too, which is nothing to this one.
    for docket in ["D-1", "D-2"] {
        send_out(&farm, 1000, Some("VAN")).await;
        hand_over(&farm, docket).await;
    }
    bring_back(&farm, "D-1", 1000).await.expect(201);
    let delivery = word(&farm.get("/api/dockets/D-1").await["delivery"], "act_id");
    let refused = take_back(&farm, &delivery).await;
    refused.ensure_problem(409, "not-reversible", None);
    assert!(refused.text.contains("D-1") && refused.text.contains("return"), "{}", refused.text);
    assert_eq!((stands(&farm, &lot, "F1").await, stands(&farm, &lot, "PLUM").await), (0, 1000));
    // Taken back in the order it came about, all of it goes.
    take_back(&farm, &last_act(&farm, "return").await).await.expect(201);
    take_back(&farm, &delivery).await.expect(201);
    take_back(&farm, &word(&farm.get("/api/dockets/D-1").await, "act_id")).await.expect(201);
    assert_eq!((stands(&farm, &lot, "F1").await, stands(&farm, &lot, "PLUM").await), (1000, 1000));
    ensure_sound(&farm).await
}

#[tokio::test]
async fn what_a_customer_fetched_is_not_taken_back_once_some_of_it_came_back() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(2000).await;
    for _ in 0..2 {
        send_out(&farm, 1000, None).await;
    }
    bring_back(&farm, "D-1", 300).await.expect(201);
    let fetched = word(&farm.get("/api/dockets/D-1").await, "act_id");
    take_back(&farm, &fetched).await.ensure_problem(409, "not-reversible", None);
    assert_eq!(stands(&farm, &lot, "F1").await, 0);
    assert_eq!(farm.get("/api/orders/O-1").await["status"], "delivered");
    // The other docket's goods did not come back: that one goes.
    take_back(&farm, &word(&farm.get("/api/dockets/D-2").await, "act_id")).await.expect(201);
    assert_eq!(stands(&farm, &lot, "F1").await, 1000);
    ensure_sound(&farm).await
}

#[tokio::test]
async fn check_finds_a_docket_from_which_a_customer_has_less_than_nothing() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(2000).await;
    for docket in ["D-1", "D-2"] {
        send_out(&farm, 1000, Some("VAN")).await;
        hand_over(&farm, docket).await;
        bring_back(&farm, docket, 600).await.expect(201);
    }
    ensure_sound(&farm).await?;
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    let damage = "begin; set local session_replication_role = replica;
         update act set document = 'D-1' where kind = 'return' and document = 'D-2'; commit";
    sqlx::raw_sql(damage).execute(&mut db).await?;
    let found = check(&farm.admin.clone().username("gillbook_audit")).await?;
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].invariant, "a customer has no less than nothing of a docket");
    assert!(found[0].row.contains("D-1") && found[0].row.contains("-200 g"), "{found:?}");
    Ok(())
}

#[tokio::test]
async fn a_finish_that_is_taken_back_leaves_the_lot_as_it_was() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    let finish = async || finish(&farm, &lot).await;
    assert_eq!(finish().await.expect(201)["finished"], true);
    finish().await.ensure_problem(409, "closed", None);
    let other = farm.lot_of(100).await;
    assert_ne!(other, lot);
    take_back(&farm, &last_act(&farm, "finish").await).await.expect(201);
    assert_eq!(farm.get(&format!("/api/lots/{lot}")).await["finished"], false);
    // The next crate of that day goes to the first lot again, and that can be finished again.
    assert_eq!(farm.lot_of(50).await, lot);
    assert_eq!(stands(&farm, &lot, "F1").await, 1050);
    assert_eq!(finish().await.expect(201)["finished"], true);
    assert_eq!(stands(&farm, &lot, "F1").await, 0);
    ensure_sound(&farm).await
}

#[tokio::test]
async fn what_comes_into_a_finished_lot_by_a_reversal_can_be_finished_too() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    let waste = json!({"kind": "waste", "lot": lot, "from_place": "F1", "grams_g": 400, "reason": "Soft"});
    let waste = word(&farm.create("/api/movements", waste).await, "act_id");
    let finish = async || finish(&farm, &lot).await;
    finish().await.expect(201);
    take_back(&farm, &waste).await.expect(201);
    assert_eq!(stands(&farm, &lot, "F1").await, 400);
    finish().await.expect(201);
    assert_eq!(stands(&farm, &lot, "F1").await, 0);
    finish().await.ensure_problem(409, "closed", None);
    Ok(())
}

#[tokio::test]
async fn a_lot_is_not_finished_while_some_of_it_is_on_its_way() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(4000).await;
    let finish = async || finish(&farm, &lot).await;
    send_out(&farm, 1500, Some("VAN")).await;
    let refused = finish().await;
    refused.ensure_problem(409, "closed", None);
    assert!(refused.text.contains(&lot) && refused.text.contains("D-1"), "{}", refused.text);
    assert_eq!((stands(&farm, &lot, "F1").await, stands(&farm, &lot, "VAN").await), (2500, 1500));
    hand_over(&farm, "D-1").await;
    farm.create("/api/market-days", json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "60.00", "taken": [{"lot": lot, "place": "F1", "grams_g": 1000}]})).await;
    let refused = finish().await;
    refused.ensure_problem(409, "closed", None);
    assert!(refused.text.contains(&lot) && refused.text.contains("M-1"), "{}", refused.text);
    let closing = json!({"back_place": "F1", "cash": "80.00", "card": "10.00", "fee": "5.00"});
    farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(closing)).await.expect(200);
    assert_eq!(finish().await.expect(201)["finished"], true);
    assert_eq!(stands(&farm, &lot, "WATER").await, 1500);
    ensure_sound(&farm).await
}

#[tokio::test]
async fn lots_chosen_by_hand_keep_to_what_was_ordered_and_what_the_customer_takes_over() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(9000).await;
    farm.create(
        "/api/customers",
        json!({"customer": "FIG", "name": "Fig", "kind": "restaurant", "price_list": "TABLE", "over_percent": 10}),
    )
    .await;
    farm.create(
        "/api/products",
        json!({"product": "PUN", "name": "Punnet", "strains": ["OY"], "least_grade": "B", "pack_g": 150, "tax_percent": "5.5"}),
    )
    .await;
    let lines = json!([{"product": "OY", "grams_g": 1005}, {"product": "PUN", "packs": 10}]);
    farm.create("/api/orders", json!({"customer": "FIG", "delivery_day": "2026-05-05", "lines": lines})).await;
    let choose = async |chosen: &[(i32, i64)]| {
        let chosen: Vec<Value> =
            chosen.iter().map(|(line, g)| json!({"line": line, "lot": lot, "place": "F1", "grams_g": g})).collect();
        let body = json!({"chosen": chosen, "reason": "The crate in front"});
        farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(body)).await
    };
    let refused = choose(&[(1, 9000)]).await;
    refused.ensure_problem(422, "invalid", Some("/chosen/0/grams_g"));
    assert!(refused.text.contains("1005 g") && refused.text.contains("1105 g"), "{}", refused.text);
    // Ten per cent over 1005 g is 1105.5 g: whole grams below it are in, the next is not.
    choose(&[(1, 1106)]).await.ensure_problem(422, "invalid", Some("/chosen/0/grams_g"));
    choose(&[(1, 1105), (2, 1650)]).await.expect(200);
    choose(&[(2, 1800)]).await.ensure_problem(422, "invalid", Some("/chosen/0/grams_g"));
    choose(&[(2, 200)]).await.ensure_problem(422, "invalid", Some("/chosen/0/grams_g"));
    // What was refused has changed nothing.
    let order = farm.get("/api/orders/O-1").await;
    assert_eq!(order["lines"][0]["set_aside"][0]["grams_g"], 1105);
    // Two lots for one line count together, and the line that goes too far is blamed.
    let other = word(
        &farm
            .create("/api/weighings", {
                let mut w = Farm::weighing(600);
                w["grade"] = json!("B");
                w
            })
            .await,
        "lot",
    );
    let both = json!({"reason": "Both", "chosen": [{"line": 1, "lot": lot, "place": "F1", "grams_g": 800}, {"line": 1, "lot": other, "place": "F1", "grams_g": 306}]});
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(both)).await.ensure_problem(
        422,
        "invalid",
        Some("/chosen/1/grams_g"),
    );
    Ok(())
}

#[tokio::test]
async fn a_count_stands_while_a_later_one_rests_on_it() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    let count = async |grams: i64| {
        let body = json!({"place": "F1", "lots": [{"lot": lot, "counted_g": grams, "found_reason": "A crate behind the others"}]});
        word(&farm.create("/api/stock-counts", body).await["act"], "act_id")
    };
    let wrong = count(100).await;
    farm.pass(TimeDelta::minutes(5));
    let right = count(1000).await;
    farm.pass(TimeDelta::minutes(5));
    let refused = take_back(&farm, &wrong).await;
    refused.ensure_problem(409, "not-reversible", None);
    assert!(refused.text.contains("counted again"), "{}", refused.text);
    assert_eq!(stands(&farm, &lot, "F1").await, 1000);
    take_back(&farm, &right).await.expect(201);
    take_back(&farm, &wrong).await.expect(201);
    assert_eq!(stands(&farm, &lot, "F1").await, 1000);
    ensure_sound(&farm).await
}

#[tokio::test]
async fn a_packing_stands_while_what_it_made_is_used_or_promised() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(2000).await;
    let pack = async |lot: &str, grams: i64| {
        let body = json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": grams}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": grams}]});
        let made = farm.create("/api/packings", body).await;
        (made["made"][0].as_str().unwrap_or_default().to_owned(), word(&made["act"], "act_id"))
    };
    let (child, first) = pack(&lot, 1000).await;
    let (grandchild, second) = pack(&child, 10).await;
    let refused = take_back(&farm, &first).await;
    refused.ensure_problem(409, "not-reversible", None);
    assert!(refused.text.contains(&child), "{}", refused.text);
    take_back(&farm, &second).await.expect(201);
    assert_eq!(stands(&farm, &grandchild, "F1").await, 0);
    send_out(&farm, 1500, Some("VAN")).await;
    take_back(&farm, &first).await.ensure_problem(409, "not-reversible", None);
    assert_eq!(stands(&farm, &lot, "F1").await + stands(&farm, &child, "F1").await, 500);
    ensure_sound(&farm).await
}

#[tokio::test]
async fn what_became_of_goods_at_a_stall_stands_once_its_day_is_closed() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(2000).await;
    let market = |code: &str| format!("/api/market-days/{code}");
    let out = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "60.00", "taken": [{"lot": lot, "place": "F1", "grams_g": 1000}]});
    let close = json!({"back_place": "F1", "cash": "80.00", "card": "10.00", "fee": "5.00"});
    let waste = async |grams: i64| {
        let body = json!({"kind": "waste", "lot": lot, "from_place": "STALL", "grams_g": grams, "reason": "Fell"});
        word(&farm.create("/api/movements", body).await, "act_id")
    };
    farm.create("/api/market-days", out.clone()).await;
    let mistake = waste(100).await;
    farm.pass(TimeDelta::minutes(5));
    take_back(&farm, &mistake).await.expect(201);
    let fell = waste(100).await;
    farm.pass(TimeDelta::minutes(5));
    let day = farm.ask(&farm.owner, "PATCH", &market("M-1"), &[], Some(close.clone())).await.expect(200);
    assert_eq!(day["sold"][0]["grams_g"], 900);
    let refused = take_back(&farm, &fell).await;
    refused.ensure_problem(409, "not-reversible", None);
    assert!(refused.text.contains("M-1"), "{}", refused.text);
    assert_eq!(stands(&farm, &lot, "STALL").await, 0);
    // A day on which all of it fell is closed like any other.
    farm.create("/api/market-days", out).await;
    waste(1000).await;
    let day = farm.ask(&farm.owner, "PATCH", &market("M-2"), &[], Some(close)).await.expect(200);
    assert_eq!((&day["status"], &day["sold"]), (&json!("closed"), &json!([])));
    ensure_sound(&farm).await
}

#[tokio::test]
async fn an_act_that_moved_nothing_is_taken_back_as_well() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    let same = json!({"place": "F1", "lots": [{"lot": lot, "counted_g": 1000}]});
    let count = farm.create("/api/stock-counts", same).await;
    take_back(&farm, &word(&count["act"], "act_id")).await.expect(201);
    let waste = json!({"kind": "waste", "lot": lot, "from_place": "F1", "grams_g": 1000, "reason": "Soft"});
    farm.create("/api/movements", waste).await;
    assert_eq!(finish(&farm, &lot).await.expect(201)["finished"], true);
    take_back(&farm, &last_act(&farm, "finish").await).await.expect(201);
    assert_eq!(farm.get(&format!("/api/lots/{lot}")).await["finished"], false);
    Ok(())
}

/// One act of each kind, freshly entered by the owner: its kind and its id.
async fn one_of_each(farm: &Farm) -> Vec<(&'static str, String)> {
    let mut acts = Vec::new();
    let weighing = Farm::weighing(30_000);
    let lot = word(&farm.create("/api/weighings", weighing.clone()).await, "lot");
    acts.push(("weighing", word(&weighing, "id")));
    let opening = json!({"strain": "OY", "grade": "A", "packaging": "open", "harvest_day": "2026-05-03", "place": "F1", "grams_g": 700});
    acts.push(("opening", word(&farm.create("/api/openings", opening).await["act"], "act_id")));
    let transfer = json!({"kind": "transfer", "lot": lot, "from_place": "F1", "to_place": "VAN", "grams_g": 10});
    acts.push(("transfer", word(&farm.create("/api/movements", transfer).await, "act_id")));
    for kind in ["waste", "gift", "test", "trim", "home"] {
        let body = json!({"kind": kind, "lot": lot, "from_place": "F1", "grams_g": 10, "reason": "Soft"});
        acts.push((kind, word(&farm.create("/api/movements", body).await, "act_id")));
    }
    let packing = json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": 100}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 100}]});
    let packing = farm.create("/api/packings", packing).await;
    acts.push(("packing", word(&packing["act"], "act_id")));
    send_out(farm, 1000, Some("VAN")).await;
    hand_over(farm, "D-1").await;
    bring_back(farm, "D-1", 100).await.expect(201);
    for kind in ["dispatch", "delivery", "return"] {
        acts.push((kind, last_act(farm, kind).await));
    }
    let out = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "60.00", "taken": [{"lot": lot, "place": "F1", "grams_g": 500}]});
    farm.create("/api/market-days", out).await;
    let closing = json!({"back_place": "F1", "cash": "80.00", "card": "10.00", "fee": "5.00"});
    farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(closing)).await.expect(200);
    let count = json!({"place": "F1", "lots": [{"lot": lot, "counted_g": 20_000}]});
    acts.push(("count", word(&farm.create("/api/stock-counts", count).await["act"], "act_id")));
    farm.create(&format!("/api/lots/{lot}/finish"), json!({"reason": "Empty crate"})).await;
    farm.pass(TimeDelta::days(7));
    farm.create("/api/weeks/2026-W19/close", json!({})).await;
    for kind in ["market_out", "market_close", "finish", "week_close"] {
        acts.push((kind, last_act(farm, kind).await));
    }
    let gift = acts.iter().find(|a| a.0 == "gift").map(|a| a.1.clone()).unwrap_or_default();
    acts.push(("reversal", word(&take_back(farm, &gift).await.expect(201), "act_id")));
    acts
}

#[tokio::test]
async fn an_act_is_taken_back_by_whom_it_is_entered_by() -> Result<()> {
    let farm = Farm::new().await?;
    let acts = one_of_each(&farm).await;
    let mut kinds: Vec<&str> = acts.iter().map(|a| a.0).collect();
    let mut every: Vec<&str> = gillbook_core::kinds::ActKind::ALL.iter().map(|k| k.as_str()).collect();
    kinds.sort_unstable();
    every.sort_unstable();
    assert_eq!(kinds, every);
    let may = |role: &str, kind: &str| match kind {
        "opening" | "week_close" => role == "owner",
        "weighing" | "packing" | "count" | "finish" => ["owner", "picker"].contains(&role),
        "delivery" => ["owner", "driver"].contains(&role),
        _ => ["owner", "picker", "driver"].contains(&role),
    };
    for role in ["verifier", "bookkeeper", "driver", "picker", "owner"] {
        let who = farm.person(role).await;
        for (kind, act) in &acts {
            let key = uuid::Uuid::new_v4().to_string();
            let path = format!("/api/acts/{act}/reversal");
            let body = Some(json!({"reason": "Mistake"}));
            let answer = farm.ask(&who, "POST", &path, &[("idempotency-key", &key)], body).await;
            if may(role, kind) {
                assert!([201, 409].contains(&answer.status), "{role}, {kind}: {}", answer.text);
            } else {
                answer.ensure_problem(403, "not-allowed", None);
                let act = farm.get(&format!("/api/acts/{act}")).await;
                assert!(act["reversed_by"].is_null() || *kind == "gift", "{role}, {kind}: {act}");
            }
        }
    }
    ensure_sound(&farm).await
}
