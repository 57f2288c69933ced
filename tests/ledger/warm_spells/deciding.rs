//! What decides on which lot, and for how long.

use anyhow::{Context, Result};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::{Value, json};

use super::{AfterTheSpell, at, weigh, weigh_into};

/// A hold for whatever reason settles nothing of lots that are not on hold.
#[tokio::test]
async fn a_hold_on_one_lot_decides_on_no_other() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    farm.create("/api/probes", json!({"probe": "p2", "place": "F1"})).await;
    after.settle(json!({"done": "Set aside", "food": "held"})).await;
    farm.create(&format!("/api/lots/{}/release", after.lot), json!({"reason": "Firm and dry"})).await;
    // Packed together, and the packing taken back: grams of the one may be in the other.
    let other = weigh(farm, "B1", 800, farm.now() - TimeDelta::days(1)).await;
    let lots_in = json!([{"lot": after.lot, "grams_g": 400}, {"lot": other, "grams_g": 400}]);
    let packs =
        json!({"place": "F1", "lots_in": lots_in, "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 800}]});
    let packed = farm.create("/api/packings", packs).await["act"]["act_id"].clone();
    let path = format!("/api/acts/{}/reversal", packed.as_str().context("an act")?);
    farm.create(&path, json!({"reason": "Mistake"})).await;
    let hot: Vec<Value> = (0..170)
        .map(|m| json!({"n": "p2", "u": "Cel", "t": (after.began + TimeDelta::minutes(m)).timestamp(), "v": 25.0}))
        .collect();
    farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(hot))).await.expect(200);
    farm.get("/api/excursions").await;
    assert_eq!(after.spell_of(&other).await, "undecided");
    let shared = farm.sign_in_on_shared_phone("ada").await;
    farm.post_as(&shared, &format!("/api/lots/{}/hold", after.lot), json!({"reason": "Smells"})).await.expect(201);
    assert_eq!(after.spell_of(&other).await, "undecided");
    Ok(())
}

/// A limit that is raised says nothing of the food: its lots carry the caution until the spell is settled all the same.
#[tokio::test]
async fn a_spell_that_a_limit_withdraws_still_asks_about_the_food() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let limit = json!({"limit": {"name": "Other goods", "warm_c": 12, "cold_c": 0, "example": true, "effective_from": after.began - TimeDelta::hours(1)}});
    farm.ask(&farm.owner, "PATCH", "/api/places/F1", &[("if-match", "\"1\"")], Some(limit)).await.expect(200);
    let only = async || farm.get("/api/excursions").await["rows"].as_array().cloned().unwrap_or_default();
    let rows = only().await;
    assert!(rows.len() == 1 && rows[0]["withdrawn_at"].is_string() && rows[0]["wants_action"] == true, "{rows:?}");
    assert_eq!(after.spell_of(&after.lot).await, "undecided");
    let page = async |path: &str| farm.ask(&farm.owner, "GET", path, &[], None).await.text;
    let of_spell = &after.path["/api".len()..];
    assert!(page(of_spell).await.contains("write down what becomes of it"));
    assert!(page("/").await.contains(of_spell));
    after.act(json!({"done": "Looked", "food": "kept", "food_note": "Firm", "lots": [{"lot": after.lot}]})).await;
    assert_eq!(only().await[0]["wants_action"], false);
    assert!(page("/fridge").await.contains(of_spell), "a second person is to sign");
    assert!(page("/").await.contains("1 warm spell"));
    after.sign(&farm.person("verifier").await).await.expect(201);
    assert_eq!(after.spell_of(&after.lot).await, Value::Null);
    assert!(!page("/").await.contains("warm spell"));
    Ok(())
}

#[tokio::test]
async fn what_comes_to_light_of_a_lot_that_was_decided_on_is_decided_on_again() -> Result<()> {
    // Written down later with a time before the spell; found by a count; brought back by taking something back.
    for how in ["weighed", "found", "taken back"] {
        let after = AfterTheSpell::new().await?;
        let farm = &after.farm;
        let gift = json!({"kind": "waste", "lot": after.lot, "from_place": "F1", "grams_g": 400, "reason": "Soft"});
        farm.create("/api/movements", gift).await;
        after.settle(json!({"done": "Binned", "food": "wasted"})).await;
        assert_eq!(after.spell_of(&after.lot).await, Value::Null, "{how}");
        let shared = farm.sign_in_on_shared_phone("ada").await;
        match how {
            "weighed" => {
                let mut weighing = Farm::weighing(2000);
                weighing["place"] = json!("F1");
                weighing["weighed_at"] = json!(after.began - TimeDelta::minutes(10));
                let lot = farm.post_as(&shared, "/api/weighings", weighing).await.expect(201)["lot"].clone();
                assert_eq!(lot, json!(after.lot));
            }
            "found" => {
                let count = json!({"place": "F1", "lots": [{"lot": after.lot, "counted_g": 3000, "found_reason": "Behind the crates"}]});
                farm.post_as(&shared, "/api/stock-counts", count).await.expect(201);
            }
            _ => {
                let acts = farm.get("/api/movements?kind=waste").await;
                let soft = acts["rows"].as_array().into_iter().flatten().find(|a| a["reason"] == "Soft").cloned();
                let id = soft.unwrap_or_default()["act_id"].as_str().context("an act")?.to_owned();
                farm.post_as(&shared, &format!("/api/acts/{id}/reversal"), json!({"reason": "Mistake"}))
                    .await
                    .expect(201);
            }
        }
        assert_eq!(after.spell_of(&after.lot).await, "undecided", "{how}");
        after.everything_holds().await?;
    }
    Ok(())
}

/// On a shared phone it was entered that most of the lot had left before the spell. What is wasted then is not the whole.
#[tokio::test]
async fn a_part_is_not_the_whole_where_nobody_can_tell_what_left() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let gone = json!({"kind": "transfer", "lot": after.lot, "from_place": "F1", "to_place": "F2", "grams_g": 2000, "happened_at": after.began - TimeDelta::minutes(10)});
    farm.post_as(&shared, "/api/movements", gone).await.expect(201);
    let there = farm.get(&after.path).await["lots"][0].clone();
    assert_eq!(
        (&there["grams_g"], &there["careful_g"], &there["can_set_apart"]),
        (&json!(1000), &json!(3000), &json!(false)),
        "{there}"
    );
    let part = json!({"done": "Binned", "food": "wasted", "lots": [{"lot": after.lot, "grams_g": 1000}]});
    assert_eq!(after.act(part).await["actions"][0]["lots"][0]["whole"], false);
    assert_eq!(after.spell_of(&after.lot).await, "undecided");
    // Without a weight it is all that may have been inside.
    after.act(json!({"done": "Binned", "food": "wasted"})).await;
    assert_eq!(after.stock_of(&after.lot).await, []);
    after.everything_holds().await
}

#[tokio::test]
async fn on_a_shared_phone_nobody_corrects_a_spell_away_or_hands_it_over() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let check = json!({"kind": "ice_point", "reference_c": 0, "read_c": 4.9, "correct_from": after.began - TimeDelta::minutes(5)});
    farm.post_as(&shared, "/api/probes/p1/checks", check).await.ensure_problem(403, "own-sign-in", None);
    let opening = after.take_back_last(&shared, "weighing").await;
    opening.expect(201);
    // A crate that was taken back and weighed again elsewhere was in the warm fridge until then.
    let mut again = Farm::weighing(3000);
    again["place"] = json!("F2");
    again["weighed_at"] = json!(after.began - TimeDelta::minutes(30));
    let lot = farm.post_as(&shared, "/api/weighings", again).await.expect(201)["lot"].clone();
    assert_eq!(lot, json!(after.lot));
    assert_eq!(after.spell_of(&after.lot).await, "undecided");
    // Sent out by a person who knows, it is handed over on any phone; what nobody knew of takes a person at the door.
    let order = after.order(500).await["order"].as_str().context("a code")?.to_owned();
    farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    farm.post_as(&shared, "/api/dockets/D-1/delivery", json!({"taken_by": "Cook"})).await.expect(201);
    // A slip is taken back at once; later a person answers for it.
    farm.pass(TimeDelta::minutes(11));
    let refused = after.take_back_last(&shared, "delivery").await;
    refused.ensure_problem(403, "own-sign-in", None);
    Ok(())
}

/// A hold decides as long as it holds. Released, or on a part that was set apart, the lot is like one that was kept.
#[tokio::test]
async fn a_hold_decides_as_long_as_it_holds() -> Result<()> {
    for apart in [false, true] {
        let after = AfterTheSpell::new().await?;
        let farm = &after.farm;
        assert_eq!(weigh_into(farm, "F2", "B1", 1000, after.began - TimeDelta::minutes(20)).await, after.lot);
        let lots = json!([{"lot": after.lot, "set_apart": apart}]);
        after.settle(json!({"done": "Called for repair", "food": "held", "lots": lots})).await;
        if !apart {
            farm.create(&format!("/api/lots/{}/release", after.lot), json!({"reason": "Was the crate"})).await;
        }
        assert_eq!(after.spell_of(&after.lot).await, Value::Null, "settled");
        let shared = farm.sign_in_on_shared_phone("ada").await;
        let mut late = Farm::weighing(2000);
        late["place"] = json!("F1");
        late["weighed_at"] = json!(after.began - TimeDelta::minutes(10));
        let lot = farm.post_as(&shared, "/api/weighings", late).await.expect(201)["lot"].clone();
        assert_eq!(lot, json!(after.lot));
        assert_eq!(after.spell_of(&after.lot).await, "undecided", "apart: {apart}");
    }
    Ok(())
}

/// Grams of the one lot came to light, so what was decided on both is no longer known to hold: what is packed of the other says so too,
/// whether the lot is asked or the spell.
#[tokio::test]
async fn a_hold_on_two_lots_decides_on_what_is_made_of_one_only_while_it_is_known_for_both() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let other = weigh(farm, "B3", 800, after.began - TimeDelta::minutes(30)).await;
    after.settle(json!({"done": "Set aside", "food": "held"})).await;
    farm.create(&format!("/api/lots/{}/release", after.lot), json!({"reason": "Firm and dry"})).await;
    let settled = after.pack("F1", &[&after.lot], 400, 290).await?;
    assert_eq!(after.spell_of(&settled).await, Value::Null);
    let found =
        json!({"place": "F1", "lots": [{"lot": other, "counted_g": 2000, "found_reason": "Behind the crates"}]});
    farm.create("/api/stock-counts", found).await;
    farm.pass(TimeDelta::hours(1));
    let packed = after.pack("F1", &[&after.lot], 400, 330).await?;
    for lot in [&settled, &packed] {
        assert_eq!(after.spell_of(lot).await, "undecided", "{lot}");
        let spell = farm.get(&after.path).await;
        let row = spell["lots"].as_array().into_iter().flatten().find(|l| l["lot"] == **lot).cloned();
        assert_eq!(row.context("the lot is inside")?["decided"], false, "{spell}");
    }
    after.everything_holds().await
}

/// A morning's round, and the fridge at home gets warm: what is in the van was never in it.
#[tokio::test]
async fn what_had_left_before_the_spell_is_handed_over_on_any_phone() -> Result<()> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(2));
    let lot = weigh_into(&farm, "F1", "B1", 3000, farm.now() - TimeDelta::hours(1)).await;
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 800}]});
    farm.create("/api/orders", order).await;
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    let shared = farm.sign_in_on_shared_phone("ada").await;
    farm.post_as(&shared, "/api/dockets", json!({"order": "O-1", "van": "VAN"})).await.expect(201);
    farm.pass(TimeDelta::hours(6));
    let first = farm.now() - TimeDelta::minutes(300);
    let pack: Vec<Value> = (0..300)
        .map(|m| json!({"n": "p1", "u": "Cel", "t": (first + TimeDelta::minutes(m)).timestamp(), "v": 9.0}))
        .collect();
    farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
    assert_eq!(farm.get(&format!("/api/lots/{lot}")).await["warm_spell"]["standing"], "open");
    farm.post_as(&shared, "/api/dockets/D-1/delivery", json!({"taken_by": "Cook"})).await.expect(201);
    Ok(())
}

/// Once it is no slip of the finger any more, a person answers for it that a crate of a warm lot was never weighed. What a count finds in
/// the warm fridge stood there.
#[tokio::test]
async fn no_crate_is_undone_out_of_a_spell_and_none_is_found_beside_it() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let mut aside = Farm::weighing(1000);
    aside["grade"] = json!("B");
    aside["place"] = json!("F1");
    aside["weighed_at"] = json!(after.began - TimeDelta::minutes(40));
    let moved = farm.create("/api/weighings", aside).await["lot"].as_str().context("a lot")?.to_owned();
    after.carry(&moved, ("F1", "F2"), 1000, -30).await;
    assert_eq!(after.spell_of(&moved).await, Value::Null);
    let count = json!({"place": "F1", "lots": [{"lot": moved, "counted_g": 500, "found_reason": "Stood at the back"}]});
    farm.create("/api/stock-counts", count).await;
    assert_eq!(after.spell_of(&moved).await, "undecided");
    farm.pass(TimeDelta::minutes(11));
    let weighing = farm.get("/api/weighings").await["rows"]
        .as_array()
        .into_iter()
        .flatten()
        .find(|w| w["lot"] == json!(after.lot))
        .cloned();
    let path = format!("/api/weighings/{}/reversal", weighing.unwrap_or_default()["id"].as_str().context("an id")?);
    farm.post_as(&shared, &path, json!({"reason": "Wrong grade"})).await.ensure_problem(403, "own-sign-in", None);
    let ahead = json!({"kind": "ice_point", "reference_c": 0, "read_c": 4.9, "correct_from": farm.now() + TimeDelta::minutes(1)});
    farm.post_as(&shared, "/api/probes/p1/checks", ahead).await.ensure_problem(403, "own-sign-in", None);
    farm.create(&path, json!({"reason": "Wrong grade"})).await;
    after.everything_holds().await
}

#[tokio::test]
async fn what_is_wasted_in_two_parts_is_the_whole_and_takes_nothing_else() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    assert_eq!(weigh_into(&after.farm, "F2", "B1", 1000, after.began - TimeDelta::minutes(20)).await, after.lot);
    let part = json!({"done": "Binned", "food": "wasted", "lots": [{"lot": after.lot, "grams_g": 1200}]});
    assert_eq!(after.act(part).await["actions"][0]["lots"][0]["whole"], false);
    after.farm.pass(TimeDelta::minutes(1));
    let rest = after.act(json!({"done": "Binned the rest", "food": "wasted"})).await;
    assert_eq!(
        rest["actions"][1]["lots"][0],
        json!({"lot": after.lot, "grams_g": 1800, "whole": true, "set_apart": null})
    );
    assert_eq!(after.stock_of(&after.lot).await, [at("F2", 1000, 1000)]);
    Ok(())
}
