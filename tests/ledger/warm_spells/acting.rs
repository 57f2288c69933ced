//! What is done about the lots of a warm spell.

use anyhow::{Context, Result};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::json;

use super::{AfterTheSpell, at, warm_air, weigh};

#[tokio::test]
async fn put_on_hold_holds_every_lot_inside_and_what_was_packed_of_it_since() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let packing = json!({"place": "F1", "lots_in": [{"lot": after.lot, "grams_g": 1000}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 1000}]});
    let child = farm.create("/api/packings", packing).await["made"][0].as_str().context("a lot")?.to_owned();
    let fresh = weigh(farm, "B3", 700, farm.now()).await;
    let order = after.order(2500).await["order"].clone();
    let done = after.act(json!({"done": "Called for repair", "food": "held", "by": "JP"})).await;
    for lot in [&after.lot, &child] {
        let held = farm.get(&format!("/api/lots/{lot}")).await;
        assert_eq!(held["on_hold"], true, "{held}");
    }
    assert_eq!(farm.get(&format!("/api/lots/{fresh}")).await["on_hold"], false, "it came when it was cold again");
    let action = &done["actions"][0];
    assert_eq!(
        (&action["orders_short"], &action["done_by"], &action["entered_by"]),
        (&json!([order]), &json!("JP"), &json!("AB"))
    );
    let lots: Vec<_> = action["lots"].as_array().context("lots")?.iter().map(|l| (&l["lot"], &l["grams_g"])).collect();
    assert_eq!(lots, [(&json!(after.lot), &json!(2000)), (&json!(child), &json!(1000))]);
    let order = farm.get(&format!("/api/orders/{}", order.as_str().context("a code")?)).await;
    assert_eq!(order["lines"][0]["short_g"], 2500);
    assert!(
        done["lots"].as_array().context("lots")?.iter().all(|l| l["on_hold"] == true && l["decided"] == true),
        "{done}"
    );
    after.everything_holds().await
}

#[tokio::test]
async fn wasted_takes_the_grams_out_of_stock_and_a_reversal_makes_it_undecided_again() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let order = after.order(2500).await["order"].clone();
    let part = json!({"done": "Smelt of it", "food": "wasted", "lots": [{"lot": after.lot, "grams_g": 500}]});
    let done = after.act(part).await;
    assert_eq!(after.stock_of(&after.lot).await, [at("F1", 2500, 2500)], "what was set aside is released");
    assert_eq!((&done["actions"][0]["orders_short"], &done["lots"][0]["decided"]), (&json!([order]), &json!(false)));
    farm.pass(TimeDelta::minutes(1));
    let done = after.act(json!({"done": "All of it", "food": "wasted"})).await;
    assert_eq!((after.stock_of(&after.lot).await, &done["lots"][0]["decided"]), (vec![], &json!(true)));
    let id = done["actions"][1]["act_id"].as_str().context("an act")?;
    let act = farm.get(&format!("/api/acts/{id}")).await;
    let document = json!(after.path.rsplit_once('/').map(|(_, id)| id));
    assert_eq!(
        (&act["kind"], &act["reason"], &act["document"], &act["legs"][0]["grams_g"]),
        (&json!("waste"), &json!("All of it"), &document, &json!(2500))
    );
    let sum = &farm.get("/api/reports/weeks/2026-W19").await["now"]["total"];
    assert_eq!((&sum["wasted_g"], &sum["closing_g"]), (&json!(3000), &json!(0)));
    farm.create(&format!("/api/acts/{id}/reversal"), json!({"reason": "It was the other crate"})).await;
    let again = farm.get(&after.path).await;
    assert_eq!((&again["lots"][0]["decided"], &again["lots"][0]["stock_g"]), (&json!(false), &json!(2500)));
    after.everything_holds().await
}

#[tokio::test]
async fn moved_takes_what_is_there_to_the_other_store() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    after.order(1000).await;
    let actions = format!("{}/actions", after.path);
    for (to, pointer) in [(json!(null), "/to_place"), (json!("F1"), "/to_place"), (json!("NOWHERE"), "/to_place")] {
        let action = json!({"done": "Carried over", "food": "moved", "to_place": to});
        after.farm.post(&actions, action).await.ensure_problem(422, "invalid", Some(pointer));
    }
    let done = after.act(json!({"done": "Carried over", "food": "moved", "to_place": "F2"})).await;
    assert_eq!(after.stock_of(&after.lot).await, [at("F2", 3000, 3000)]);
    assert_eq!(
        (&done["actions"][0]["to_place"], &done["actions"][0]["lots"][0]["grams_g"]),
        (&json!("F2"), &json!(3000))
    );
    // The caution goes along.
    let stock = after.farm.get("/api/stock").await;
    assert_eq!(stock["rows"][0]["warm_spell"]["place"], "F1", "{stock}");
    let again = json!({"done": "Once more", "food": "moved", "to_place": "F2"});
    after.farm.post(&actions, again).await.ensure_problem(409, "not-enough", Some("/food"));
    after.everything_holds().await
}

#[tokio::test]
async fn the_part_that_was_in_the_warm_place_is_set_apart_and_held_alone() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    // Two of the three kilograms were carried to the other fridge before it got warm.
    let moved = json!({"kind": "transfer", "lot": after.lot, "from_place": "F1", "to_place": "F2", "grams_g": 2000, "happened_at": after.began - TimeDelta::minutes(30)});
    farm.create("/api/movements", moved).await;
    let inside = farm.get(&after.path).await["lots"][0].clone();
    assert_eq!(
        (&inside["grams_g"], &inside["there_g"], &inside["stock_g"], &inside["can_set_apart"]),
        (&json!(1000), &json!(1000), &json!(3000), &json!(true))
    );
    let order = after.order(2500).await;
    let done = after
        .act(json!({"done": "Called for repair", "food": "held", "lots": [{"lot": after.lot, "set_apart": true}]}))
        .await;
    let child = done["actions"][0]["lots"][0]["set_apart"].as_str().context("a lot")?.to_owned();
    assert_eq!(after.stock_of(&child).await, [at("F1", 1000, 0)]);
    let rest = after.stock_of(&after.lot).await;
    assert_eq!(rest.iter().map(|r| (r.0.as_str(), r.1)).collect::<Vec<_>>(), [("F2", 2000)], "{order}");
    let (held, free) =
        (farm.get(&format!("/api/lots/{child}")).await, farm.get(&format!("/api/lots/{}", after.lot)).await);
    assert_eq!((&held["on_hold"], &free["on_hold"]), (&json!(true), &json!(false)));
    assert_eq!(held["made_of"][0]["grams_g"], 1000, "it is traced to its batch");
    let lots = farm.get(&after.path).await["lots"].clone();
    assert!(lots.as_array().context("lots")?.iter().all(|l| l["decided"] == true), "{lots}");
    let act = done["actions"][0]["act_id"].as_str().context("an act")?;
    farm.post(&format!("/api/acts/{act}/reversal"), json!({"reason": "Mistake"}))
        .await
        .ensure_problem(409, "on-hold", None);
    after.everything_holds().await
}

#[tokio::test]
async fn grams_that_have_moved_on_since_cannot_be_told_apart_so_the_whole_lot_is_held() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let moved = json!({"kind": "transfer", "lot": after.lot, "from_place": "F1", "to_place": "F2", "grams_g": 2000});
    after.farm.create("/api/movements", moved).await;
    let action = json!({"done": "Called for repair", "food": "held", "lots": [{"lot": after.lot, "set_apart": true}]});
    after.farm.post(&format!("{}/actions", after.path), action).await.ensure_problem(
        422,
        "invalid",
        Some("/lots/0/set_apart"),
    );
    after.act(json!({"done": "Called for repair", "food": "held", "lots": [{"lot": after.lot}]})).await;
    assert_eq!(after.stock_of(&after.lot).await, [at("F1", 1000, 0), at("F2", 2000, 0)]);
    Ok(())
}

#[tokio::test]
async fn an_action_names_lots_that_were_inside_and_never_does_nothing() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let fresh = weigh(&after.farm, "B3", 700, after.farm.now()).await;
    let lot = json!(after.lot);
    for (action, pointer) in [
        (json!({"food": "none_there"}), "/food"),
        (json!({"food": "held", "lots": []}), "/lots"),
        (json!({"food": "held", "lots": [{"lot": fresh}]}), "/lots/0/lot"),
        (json!({"food": "held", "lots": [{"lot": "NOPE"}]}), "/lots/0/lot"),
        (json!({"food": "kept", "lots": [{"lot": lot}, {"lot": lot}]}), "/lots/1/lot"),
        (json!({"food": "held", "lots": [{"lot": lot, "grams_g": 5}]}), "/lots/0/grams_g"),
        (json!({"food": "wasted", "lots": [{"lot": lot, "grams_g": 0}]}), "/lots/0/grams_g"),
        (json!({"food": "wasted", "lots": [{"lot": lot, "set_apart": true}]}), "/lots/0/set_apart"),
        (json!({"food": "held", "lots": [{"lot": lot, "set_apart": true}]}), "/lots/0/set_apart"),
        (json!({"food": "held", "to_place": "F2"}), "/to_place"),
    ] {
        let mut action = action;
        action["done"] = json!("Looked at it");
        let refused = after.farm.post(&format!("{}/actions", after.path), action).await;
        refused.ensure_problem(422, "invalid", Some(pointer));
    }
    let most = json!({"done": "x", "food": "wasted", "lots": [{"lot": lot, "grams_g": 3001}]});
    after.farm.post(&format!("{}/actions", after.path), most).await.ensure_problem(
        409,
        "not-enough",
        Some("/lots/0/grams_g"),
    );
    assert_eq!(after.farm.get(&after.path).await["actions"], json!([]));
    assert_eq!(after.stock_of(&after.lot).await, [at("F1", 3000, 3000)]);
    // What is on its way to a customer is not wasted from under them.
    let order = after.order(3000).await["order"].clone();
    after.farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    let all = json!({"done": "x", "food": "wasted"});
    after.farm.post(&format!("{}/actions", after.path), all).await.ensure_problem(409, "not-enough", Some("/food"));
    // Nothing was inside: nothing can be held.
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(8));
    warm_air(&farm).await;
    let spell = farm.get("/api/excursions").await["rows"][0]["excursion_id"].as_str().context("an id")?.to_owned();
    let path = format!("/api/excursions/{spell}/actions");
    for food in ["held", "wasted", "moved"] {
        let action = json!({"done": "x", "food": food});
        farm.post(&path, action).await.ensure_problem(422, "invalid", Some("/food"));
    }
    farm.create(&path, json!({"done": "Shut the door", "food": "none_there"})).await;
    Ok(())
}
