//! What comes to light later: readings, counts, goods that are found.

use anyhow::{Context, Result};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::{Value, json};

use super::{AfterTheSpell, warm_air, weigh, weigh_into};

/// What was decided was decided on the spell as it was known: a backlog that makes it longer or warmer opens it again.
#[tokio::test]
async fn late_readings_that_make_a_spell_worse_open_it_again() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    after.settle(json!({"done": "Felt cold", "food": "kept"})).await;
    assert_eq!(after.spell_of(&after.lot).await, Value::Null, "settled");
    // The probe was warmer between its readings.
    let late = |m: i64| json!({"n": "p1", "u": "Cel", "t": (after.began + TimeDelta::minutes(m) + TimeDelta::seconds(30)).timestamp(), "v": 14.0});
    let pack: Vec<Value> = (30..120).map(late).collect();
    after.farm.ask(&after.farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
    let spell = after.farm.get(&after.path).await;
    assert!(spell["air_c"].as_f64().is_some_and(|c| c > 13.9), "{spell}");
    assert_eq!((&spell["standing"], &spell["wants_action"]), (&json!("undecided"), &json!(true)));
    assert_eq!(after.spell_of(&after.lot).await, "undecided");
    Ok(())
}

/// Sixty grams of a warm lot, and a hundred grams of trim from all that went onto the table.
#[tokio::test]
async fn grams_of_a_warm_lot_do_not_vanish_in_the_trim() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let mut weighing = Farm::weighing(2500);
    weighing["grade"] = json!("B");
    weighing["place"] = json!("F2");
    let cold = after.farm.create("/api/weighings", weighing).await["lot"].as_str().context("a lot")?.to_owned();
    let beside = json!({"kind": "transfer", "lot": cold, "from_place": "F2", "to_place": "F1", "grams_g": 2500});
    after.farm.create("/api/movements", beside).await;
    let packing = json!({"place": "F1", "lots_in": [{"lot": after.lot, "grams_g": 60}, {"lot": cold, "grams_g": 2500}],
        "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 1460}, {"grade": "A", "packaging": "sealed", "grams_g": 1000}], "trim_g": 100});
    let made = after.farm.create("/api/packings", packing).await["made"].clone();
    for n in 0..2 {
        assert_eq!(after.spell_of(made[n].as_str().context("a lot")?).await, "undecided", "{n}");
    }
    let trace = after.farm.get(&format!("/api/lots/{}/trace", after.lot)).await;
    assert_eq!(trace["made_into_lots"].as_array().map(Vec::len), Some(2), "{trace}");
    after.everything_holds().await
}

/// A phone whose clock is some minutes ahead.
#[tokio::test]
async fn a_clock_that_is_ahead_loses_no_lot() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let ahead = farm.now() + TimeDelta::minutes(4);
    let moved = json!({"kind": "transfer", "lot": after.lot, "from_place": "F1", "to_place": "F2", "grams_g": 1000, "happened_at": ahead});
    farm.create("/api/movements", moved).await;
    let packs = json!({"place": "F2", "lots_in": [{"lot": after.lot, "grams_g": 1000}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 1000}]});
    let punnets = farm.create("/api/packings", packs).await["made"][0].as_str().context("a lot")?.to_owned();
    assert_eq!(after.spell_of(&punnets).await, "undecided");
    Ok(())
}

/// A count that finds a lot where little of it was, after one that missed it in the warm fridge.
#[tokio::test]
async fn counts_carry_no_lot_out_of_a_spell() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let before = after.began - TimeDelta::minutes(20);
    assert_eq!(weigh_into(farm, "F2", "B1", 10, before).await, after.lot);
    let count = |place: &str, grams: i64| json!({"place": place, "lots": [{"lot": after.lot, "counted_g": grams, "found_reason": "It stood here"}]});
    farm.create("/api/stock-counts", count("F1", 0)).await;
    farm.create("/api/stock-counts", count("F2", 3010)).await;
    let packs = json!({"place": "F2", "lots_in": [{"lot": after.lot, "grams_g": 3000}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 3000}]});
    let punnets = farm.create("/api/packings", packs).await["made"][0].as_str().context("a lot")?.to_owned();
    assert_eq!(after.spell_of(&punnets).await, "undecided");
    Ok(())
}

/// Two labels are swapped: one lot is counted away, and another is found where it stood.
#[tokio::test]
async fn what_is_found_beside_a_lot_that_is_missed_may_be_of_it() -> Result<()> {
    for (found_first, by_finish) in [(false, false), (true, false), (true, true)] {
        let after = AfterTheSpell::new().await?;
        let farm = &after.farm;
        let other = weigh(farm, "B3", 100, farm.now()).await;
        assert_eq!(after.spell_of(&other).await, Value::Null);
        let missed = json!({"place": "F1", "lots": [{"lot": after.lot, "counted_g": 0}]});
        let found = json!({"place": "F1", "lots": [{"lot": other, "counted_g": 3100, "found_reason": "More than was weighed"}]});
        let finished = (format!("/api/lots/{}/finish", after.lot), json!({"reason": "Empty"}));
        let [missed, found] = [missed, found].map(|body| ("/api/stock-counts".to_owned(), body));
        let missed = if by_finish { finished } else { missed };
        let [first, second] = if found_first { [found, missed] } else { [missed, found] };
        farm.create(&first.0, first.1).await;
        farm.pass(TimeDelta::hours(1));
        let made_between = if found_first {
            let packs = json!({"place": "F1", "lots_in": [{"lot": other, "grams_g": 900}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 900}]});
            farm.create("/api/packings", packs).await["made"][0].as_str().map(str::to_owned)
        } else {
            None
        };
        farm.pass(TimeDelta::hours(1));
        farm.create(&second.0, second.1).await;
        for lot in made_between.iter().chain([&other]) {
            assert_eq!(after.spell_of(lot).await, "undecided", "found first: {found_first}");
            assert!(after.inside().await.contains(lot));
        }
    }
    Ok(())
}

/// While a spell is not settled, only a person says that there is more of another lot than the book has.
#[tokio::test]
async fn on_a_shared_phone_nothing_is_found_while_a_spell_is_not_settled() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let other = weigh_into(farm, "F2", "B3", 1000, farm.now()).await;
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let count = |grams: i64| json!({"place": "F2", "lots": [{"lot": other, "counted_g": grams, "found_reason": "At the back"}]});
    farm.post_as(&shared, "/api/stock-counts", count(2000)).await.ensure_problem(403, "own-sign-in", None);
    farm.post_as(&shared, "/api/stock-counts", count(1005)).await.expect(201);
    farm.create("/api/stock-counts", count(2000)).await;
    // The crate of the warm lot is carried there by the book after it was found under another label, and missed then.
    farm.pass(TimeDelta::minutes(5));
    let moved = json!({"kind": "transfer", "lot": after.lot, "from_place": "F1", "to_place": "F2", "grams_g": 1000});
    farm.create("/api/movements", moved).await;
    farm.create("/api/stock-counts", json!({"place": "F2", "lots": [{"lot": after.lot, "counted_g": 0}]})).await;
    assert_eq!(after.spell_of(&other).await, "undecided");
    Ok(())
}

/// What was said to be gone comes back by a person's word while a spell is not settled: it may be of a lot that was inside. A slip may be undone.
#[tokio::test]
async fn on_a_shared_phone_nothing_comes_back_while_a_spell_is_not_settled() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let other = weigh_into(farm, "F2", "B3", 1000, farm.now()).await;
    let shared = farm.sign_in_on_shared_phone("ada").await;
    for slip in [true, false] {
        let binned = json!({"kind": "waste", "lot": other, "from_place": "F2", "grams_g": 400, "reason": "Soft"});
        let act = farm.create("/api/movements", binned).await["act_id"].as_str().context("an act")?.to_owned();
        let path = format!("/api/acts/{act}/reversal");
        if !slip {
            farm.pass(TimeDelta::minutes(11));
        }
        let answer = farm.post_as(&shared, &path, json!({"reason": "Not binned"})).await;
        if slip {
            answer.expect(201);
        } else {
            answer.ensure_problem(403, "own-sign-in", None);
            farm.create(&path, json!({"reason": "Not binned"})).await;
        }
    }
    Ok(())
}

/// Trim of an old packing comes back like waste; and a withdrawn spell asks though nothing of its lots is in stock any more.
#[tokio::test]
async fn nothing_comes_to_light_on_a_shared_phone_when_the_warm_lot_is_gone() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let other = weigh_into(farm, "F2", "B3", 2000, farm.now()).await;
    let packs = json!({"place": "F2", "lots_in": [{"lot": other, "grams_g": 1000}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 100}], "trim_g": 900});
    let packed = farm.create("/api/packings", packs).await["act"]["act_id"].as_str().context("an act")?.to_owned();
    farm.pass(TimeDelta::minutes(11));
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let back = format!("/api/acts/{packed}/reversal");
    farm.post_as(&shared, &back, json!({"reason": "Not so"})).await.ensure_problem(403, "own-sign-in", None);
    let limit = json!({"limit": {"name": "Other goods", "warm_c": 12, "cold_c": 0, "example": true, "effective_from": after.began - TimeDelta::hours(1)}});
    farm.ask(&farm.owner, "PATCH", "/api/places/F1", &[("if-match", "\"1\"")], Some(limit)).await.expect(200);
    let binned = json!({"kind": "waste", "lot": after.lot, "from_place": "F1", "grams_g": 3000, "reason": "Soft"});
    farm.post_as(&shared, "/api/movements", binned).await.expect(201);
    assert_eq!(farm.get("/api/excursions").await["rows"], json!([]));
    let found = json!({"place": "F2", "lots": [{"lot": other, "counted_g": 4000, "found_reason": "At the back"}]});
    farm.post_as(&shared, "/api/stock-counts", found).await.ensure_problem(403, "own-sign-in", None);
    farm.post_as(&shared, &back, json!({"reason": "Not so"})).await.ensure_problem(403, "own-sign-in", None);
    farm.create(&back, json!({"reason": "Not so"})).await;
    Ok(())
}

/// A crate was counted away before the spell began, and turns up under another label after it.
#[tokio::test]
async fn what_was_missed_before_the_spell_may_have_stood_in_it() -> Result<()> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(8));
    let lot = weigh(&farm, "B1", 3000, farm.now() - TimeDelta::hours(7)).await;
    let other = weigh(&farm, "B3", 1000, farm.now() - TimeDelta::hours(7)).await;
    let count = |lot: &str, grams: i64, place: &str| json!({"place": place, "lots": [{"lot": lot, "counted_g": grams, "found_reason": "Here"}]});
    let mut missed = count(&lot, 2000, "F1");
    missed["counted_at"] = json!(farm.now() - TimeDelta::hours(6));
    farm.create("/api/stock-counts", missed).await;
    farm.create("/api/places", json!({"place": "F2", "name": "Second", "kind": "fridge"})).await;
    let carried = json!({"kind": "transfer", "lot": other, "from_place": "F1", "to_place": "F2", "grams_g": 1000, "happened_at": farm.now() - TimeDelta::hours(6)});
    farm.create("/api/movements", carried).await;
    warm_air(&farm).await;
    let spell = async || farm.get(&format!("/api/lots/{other}")).await["warm_spell"]["standing"].clone();
    assert_eq!(spell().await, Value::Null);
    farm.create("/api/stock-counts", count(&other, 2000, "F2")).await;
    assert_eq!(spell().await, "undecided");
    Ok(())
}
