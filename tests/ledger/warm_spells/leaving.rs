//! What leaves the farm while a spell is not settled.

use anyhow::{Context, Result};
use chrono::TimeDelta;
use gillbook_testkit::{As, Farm};
use serde_json::{Value, json};

use super::{AfterTheSpell, warm_air, weigh, weigh_into};

/// Kept while it lasts: more of the same is no other spell, a warmer one is.
#[tokio::test]
async fn more_of_the_same_warmth_is_no_other_spell() -> Result<()> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(3));
    let lot = weigh_into(&farm, "F1", "B1", 1000, farm.now() - TimeDelta::hours(2)).await;
    let post = async |c: f64, minutes: i64| {
        let first = farm.now() - TimeDelta::minutes(minutes);
        let pack: Vec<Value> = (0..minutes)
            .map(|m| json!({"n": "p1", "u": "Cel", "t": (first + TimeDelta::minutes(m)).timestamp(), "v": c}))
            .collect();
        farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
    };
    post(9.0, 110).await;
    let spell = farm.get("/api/excursions").await["rows"][0].clone();
    let path = format!("/api/excursions/{}", spell["excursion_id"].as_str().context("an id")?);
    farm.create(&format!("{path}/actions"), json!({"done": "Shut the door", "food": "kept"})).await;
    let wants = async || farm.get(&path).await["wants_action"].clone();
    assert_eq!(wants().await, false);
    farm.pass(TimeDelta::minutes(20));
    post(9.0, 20).await;
    assert_eq!(wants().await, false, "{lot}");
    farm.pass(TimeDelta::minutes(20));
    post(13.0, 20).await;
    assert_eq!(wants().await, true);
    Ok(())
}

/// The goods were cold when they left; then the van was warm, and nobody knew of it.
#[tokio::test]
async fn what_got_warm_in_the_van_is_handed_over_by_a_person() -> Result<()> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(2));
    weigh_into(&farm, "F1", "B1", 3000, farm.now() - TimeDelta::hours(1)).await;
    let limit = json!({"name": "Van", "warm_c": 5, "cold_c": 0, "example": true});
    farm.create("/api/places", json!({"place": "VAN2", "name": "Second van", "kind": "van", "limit": limit})).await;
    farm.create("/api/probes", json!({"probe": "p9", "place": "VAN2"})).await;
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 800}]});
    farm.create("/api/orders", order).await;
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": "O-1", "van": "VAN2"})).await;
    farm.pass(TimeDelta::hours(3));
    let first = farm.now() - TimeDelta::minutes(170);
    let warm = |m: i64| json!({"n": "p9", "u": "Cel", "t": (first + TimeDelta::minutes(m)).timestamp(), "v": 18.0});
    let pack: Vec<Value> = (0..170).map(warm).collect();
    farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let (path, body) = ("/api/dockets/D-1/delivery", json!({"taken_by": "Cook"}));
    farm.post_as(&shared, path, body.clone()).await.ensure_problem(403, "own-sign-in", None);
    farm.create(path, body).await;
    Ok(())
}

/// Readings that arrived a moment ago count before a market day is cashed up, though nobody has looked at the fridge since.
#[tokio::test]
async fn what_has_just_arrived_counts_before_a_stall_is_cashed_up() -> Result<()> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(8));
    let lot = weigh(&farm, "B1", 3000, farm.now() - TimeDelta::hours(7)).await;
    let stall = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "0", "taken": [{"lot": lot, "place": "F1", "grams_g": 500}]});
    farm.create("/api/market-days", stall).await;
    let shared = farm.sign_in_on_shared_phone("ada").await;
    warm_air(&farm).await;
    let close = json!({"back_place": "F1", "cash": "9", "card": "0", "fee": "0"});
    let closed = async |who: &As| farm.ask(who, "PATCH", "/api/market-days/M-1", &[], Some(close.clone())).await;
    closed(&shared).await.ensure_problem(403, "own-sign-in", None);
    closed(&farm.owner).await.expect(200);
    Ok(())
}

/// They count before anything is taken back as well.
#[tokio::test]
async fn what_has_just_arrived_counts_before_a_reversal() -> Result<()> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(8));
    weigh(&farm, "B1", 3000, farm.now() - TimeDelta::hours(7)).await;
    farm.pass(TimeDelta::minutes(11));
    let weighed = farm.get("/api/movements?kind=weighing").await["rows"][0]["act_id"].clone();
    let shared = farm.sign_in_on_shared_phone("ada").await;
    warm_air(&farm).await;
    let path = format!("/api/acts/{}/reversal", weighed.as_str().context("an act")?);
    farm.post_as(&shared, &path, json!({"reason": "Slip"})).await.ensure_problem(403, "own-sign-in", None);
    Ok(())
}

/// What was done while it lasted, and was countersigned when it was over, is about a spell that ended when the signer knew it to have.
#[tokio::test]
async fn a_spell_that_lasted_longer_than_the_signer_knew_is_undecided_again() -> Result<()> {
    let farm = Farm::new().await?;
    for probe in ["p2", "p3"] {
        farm.create("/api/probes", json!({"probe": probe, "place": "F1"})).await;
    }
    farm.pass(TimeDelta::hours(8));
    let lot = weigh(&farm, "B1", 3000, farm.now() - TimeDelta::hours(7)).await;
    let began = farm.now() - TimeDelta::hours(3);
    let read = async |probe: &str, minutes: std::ops::Range<i64>, c: f64| {
        let pack: Vec<Value> = minutes
            .map(|m| json!({"n": probe, "u": "Cel", "t": (began + TimeDelta::minutes(m)).timestamp(), "v": c}))
            .collect();
        farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
    };
    read("p1", 0..180, 9.0).await;
    let spell = farm.get("/api/excursions").await["rows"][0].clone();
    let path = format!("/api/excursions/{}", spell["excursion_id"].as_str().context("an id")?);
    let kept = json!({"done": "Shut the door", "food": "kept", "food_note": "Firm", "lots": [{"lot": lot}]});
    farm.create(&format!("{path}/actions"), kept).await;
    farm.pass(TimeDelta::hours(3));
    read("p1", 180..360, 2.0).await;
    let verifier = farm.person("verifier").await;
    farm.post_as(&verifier, &format!("{path}/sign-off"), json!({})).await.expect(201);
    let standing = async || farm.get(&path).await["standing"].clone();
    assert_eq!(standing().await, "settled");
    // Probes that were out of reach say that it was as warm meanwhile, then that it lasted for longer than the one who signed knew.
    read("p2", 0..180, 9.0).await;
    read("p2", 180..360, 2.0).await;
    assert_eq!(standing().await, "settled");
    read("p3", 0..230, 9.0).await;
    read("p3", 230..360, 2.0).await;
    assert_ne!(standing().await, "settled");
    Ok(())
}

/// A docket goes out with a spell as it is known then: known to be worse since, it takes a person at the door.
#[tokio::test]
async fn what_turns_out_warmer_than_it_was_sent_out_with_is_handed_over_by_a_person() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let shared = farm.sign_in_on_shared_phone("ada").await;
    for warmer in [false, true] {
        let order = after.order(400).await["order"].as_str().context("a code")?.to_owned();
        let docket = farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await["docket"].clone();
        if warmer {
            farm.create("/api/probes", json!({"probe": "p2", "place": "F1"})).await;
            let hot = |m: i64| json!({"n": "p2", "u": "Cel", "t": (after.began + TimeDelta::minutes(m)).timestamp(), "v": 16.0});
            let pack: Vec<Value> = (10..170).map(hot).collect();
            farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
        }
        let path = format!("/api/dockets/{}/delivery", docket.as_str().context("a docket")?);
        let answer = farm.post_as(&shared, &path, json!({"taken_by": "Cook"})).await;
        if warmer {
            answer.ensure_problem(403, "own-sign-in", None);
            let spell = farm.get(&after.path).await;
            assert!(spell["withdrawn_at"].is_null() && spell["air_c"] == 16.0, "the same spell: {spell}");
        } else {
            answer.expect(201);
        }
    }
    Ok(())
}

/// A docket goes out with what is known of its own grams: more of the lot that is brought into the van later takes a person at the door.
#[tokio::test]
async fn what_is_brought_into_the_van_later_is_handed_over_by_a_person() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let order = after.order(400).await["order"].as_str().context("a code")?.to_owned();
    farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    let more = json!({"kind": "transfer", "lot": after.lot, "from_place": "F1", "to_place": "VAN", "grams_g": 900});
    farm.post_as(&shared, "/api/movements", more).await.expect(201);
    let taken = json!({"taken_by": "Cook"});
    farm.post_as(&shared, "/api/dockets/D-1/delivery", taken.clone()).await.ensure_problem(403, "own-sign-in", None);
    farm.create("/api/dockets/D-1/delivery", taken).await;
    Ok(())
}

/// However long ago it was: what nobody has countersigned is on the first page.
#[tokio::test]
async fn an_old_spell_that_nobody_countersigned_is_still_to_be_dealt_with() -> Result<()> {
    let mut after = AfterTheSpell::new().await?;
    after.act(json!({"done": "Binned", "food": "wasted"})).await;
    after.farm.pass(TimeDelta::days(60));
    after.farm.owner = after.farm.sign_in("ada").await;
    let today = async || after.farm.raw("GET", "/", &[], Vec::new()).await.text;
    assert!(today().await.contains("1 warm spell"), "{}", today().await);
    after.sign(&after.farm.person("verifier").await).await.expect(201);
    assert!(!today().await.contains("1 warm spell"));
    Ok(())
}

/// What must be sold soon is not offered without a word while it lasts.
#[tokio::test]
async fn the_first_page_offers_no_warm_lot_for_sale_without_the_caution() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    after.farm.pass(TimeDelta::days(6));
    let farm = &after.farm;
    let owner = farm.sign_in("ada").await;
    let today = farm.ask(&owner, "GET", "/", &[], None).await.text;
    let row =
        today.split("class=\"soon\"").nth(1).and_then(|t| t.split("</table>").next()).context("what to sell first")?;
    assert!(row.contains(&after.lot) && row.contains("your local food-safety rules and your plan decide"), "{row}");
    assert!(!row.contains("Offer it") && !row.contains("market"), "{row}");
    Ok(())
}

/// One gram of a warm lot among three thousand others, in four boxes: each is held with it, and each is in its trace.
#[tokio::test]
async fn a_gram_of_a_lot_may_be_in_every_box() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let mut other = Farm::weighing(3000);
    other["grade"] = json!("B");
    other["place"] = json!("F1");
    let other = farm.create("/api/weighings", other).await["lot"].clone();
    let boxes: Vec<Value> =
        [1000, 1000, 900, 101].map(|g| json!({"grade": "A", "packaging": "vented", "grams_g": g})).into();
    let packing = json!({"place": "F1", "lots_in": [{"lot": after.lot, "grams_g": 1}, {"lot": other, "grams_g": 3000}], "lots_out": boxes});
    let made = farm.create("/api/packings", packing).await["made"].as_array().cloned().context("lots")?;
    for lot in &made {
        assert_eq!(after.spell_of(lot.as_str().context("a code")?).await, "undecided");
    }
    let trace = farm.get(&format!("/api/lots/{}/trace", after.lot)).await;
    assert_eq!(trace["made_into_lots"].as_array().map(Vec::len), Some(4), "{trace}");
    let held = farm.create(&format!("/api/lots/{}/hold", after.lot), json!({"reason": "Smell"})).await;
    assert_eq!(held["held_with"].as_array().map(Vec::len), Some(4), "{held}");
    after.everything_holds().await
}

/// What was thrown away settles nothing of what was not.
#[tokio::test]
async fn a_wasted_part_does_not_settle_the_rest_of_a_longer_spell() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    after.carry(&after.lot, ("F1", "F2"), 2000, -10).await;
    after.settle(json!({"done": "Binned", "food": "wasted"})).await;
    assert_eq!(after.spell_of(&after.lot).await, Value::Null, "settled: the rest had left");
    // A backlog: it had been warm before the rest left.
    let late = |m: i64| json!({"n": "p1", "u": "Cel", "t": (after.began - TimeDelta::minutes(m) + TimeDelta::seconds(20)).timestamp(), "v": 14.0});
    let pack: Vec<Value> = (0..55).map(late).collect();
    farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
    assert_eq!(after.spell_of(&after.lot).await, "undecided");
    Ok(())
}
