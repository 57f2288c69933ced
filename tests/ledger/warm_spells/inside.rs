//! Which lots were inside.

use anyhow::{Context, Result};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::{Value, json};

use super::{AfterTheSpell, at, weigh, weigh_into};

#[tokio::test]
async fn what_came_to_light_after_a_sign_off_wants_a_second_person_of_its_own() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let picker = farm.person("picker").await;
    let late = weigh_into(farm, "F2", "B3", 700, after.began - TimeDelta::minutes(30)).await;
    after.act(json!({"done": "Shut the door", "food": "kept"})).await;
    let signed = after.sign(&picker).await.expect(201);
    assert_eq!((&signed["standing"], &signed["actions"][0]["countersigned_by"]), (&json!("settled"), &json!("PI")));

    // Somebody remembers only now that it stood in the warm fridge.
    farm.pass(TimeDelta::minutes(1));
    after.carry(&late, ("F2", "F1"), 700, 30).await;
    assert_eq!(after.spell_of(&late).await, "undecided");
    assert_eq!(after.spell_of(&after.lot).await, json!(null), "this one is settled as before");
    let open = farm.get(&after.path).await;
    assert_eq!((&open["standing"], &open["wants_action"]), (&json!("undecided"), &json!(true)));
    after.sign(&farm.owner).await.ensure_problem(409, "closed", None);
    let today = farm.raw("GET", "/", &[], Vec::new()).await.text;
    assert!(today.contains("say what becomes of the food"), "{today}");

    // Whoever countersigned the first decides on it, and cannot be the second person to that.
    let kept = json!({"done": "Looked at it", "food": "kept", "lots": [{"lot": late}]});
    farm.post_as(&picker, &format!("{}/actions", after.path), kept).await.expect(201);
    assert_eq!(after.spell_of(&late).await, "undecided");
    after.sign(&picker).await.ensure_problem(409, "closed", None);
    let stands = farm.get(&after.path).await;
    assert_eq!((&stands["standing"], &stands["wants_action"]), (&json!("undecided"), &json!(false)));
    let page = after.path.trim_start_matches("/api").to_owned();
    let html = farm.raw("GET", &page, &[], Vec::new()).await.text;
    assert!(html.contains("Countersigned by PI") && html.contains(">Countersign</button>"), "{html}");

    let signed = after.sign(&farm.owner).await.expect(201);
    let by: Vec<_> = signed["sign_offs"].as_array().context("sign-offs")?.iter().map(|s| &s["signed_by"]).collect();
    assert_eq!((by, &signed["standing"]), (vec![&json!("PI"), &json!("AB")], &json!("settled")));
    assert_eq!(after.spell_of(&late).await, json!(null));
    after.sign(&farm.owner).await.ensure_problem(409, "closed", None);
    after.everything_holds().await
}

#[tokio::test]
async fn punnets_of_grams_that_were_never_in_the_warm_place_are_not_inside() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let lot = weigh_into(farm, "F2", "B3", 3000, after.began - TimeDelta::minutes(30)).await;
    let cold = after.pack("F2", &[&lot], 1000, 10).await?;
    after.carry(&lot, ("F2", "F1"), 1000, 30).await;
    // Of what stayed in the other fridge, while part of the lot was in the warm one.
    let stayed = after.pack("F2", &[&lot], 300, 40).await?;
    let warm = after.pack("F1", &[&lot], 200, 40).await?;
    // Carried back among the rest, they are not told apart from it any more.
    after.carry(&lot, ("F1", "F2"), 100, 50).await;
    let mixed = after.pack("F2", &[&lot], 300, 60).await?;
    let of_it = after.pack("F1", &[&warm], 100, 70).await?;
    let mut inside = vec![after.lot.clone(), lot.clone(), warm.clone(), mixed.clone(), of_it.clone()];
    inside.sort();
    assert_eq!(after.inside().await, inside);
    for (punnets, expected) in [(&cold, json!(null)), (&stayed, json!(null))]
        .into_iter()
        .chain(inside.iter().map(|lot| (lot, json!("undecided"))))
    {
        assert_eq!(after.spell_of(punnets).await, expected, "{punnets}");
    }
    let done = after.act(json!({"done": "Called for repair", "food": "held"})).await;
    let held = done["actions"][0]["lots"].as_array().context("lots")?;
    assert_eq!(held.iter().map(|l| l["lot"].as_str().unwrap_or_default()).collect::<Vec<_>>(), inside);
    for (punnets, expected) in [(&cold, false), (&stayed, false), (&lot, true), (&mixed, true), (&of_it, true)] {
        let on_hold = farm.get(&format!("/api/lots/{punnets}")).await["on_hold"].clone();
        assert_eq!(on_hold, json!(expected), "{punnets}");
    }
    let signed = after.sign(&farm.person("verifier").await).await.expect(201);
    assert_eq!(signed["standing"], "settled");
    after.everything_holds().await
}

#[tokio::test]
async fn an_excursion_is_settled_only_while_its_lots_are() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let verifier = farm.person("verifier").await;
    let done = after.act(json!({"done": "All of it", "food": "wasted"})).await;
    assert_eq!(after.sign(&verifier).await.expect(201)["standing"], "settled");
    let act = done["actions"][0]["act_id"].as_str().context("an act")?;
    farm.create(&format!("/api/acts/{act}/reversal"), json!({"reason": "It was the other crate"})).await;
    assert_eq!(after.spell_of(&after.lot).await, "undecided");
    for of_all in [farm.get(&after.path).await, farm.get("/api/excursions").await["rows"][0].clone()] {
        assert_eq!((&of_all["standing"], &of_all["wants_action"]), (&json!("undecided"), &json!(true)), "{of_all}");
        assert_eq!(of_all["actions"][0]["reversed"], true);
    }
    after.sign(&verifier).await.ensure_problem(409, "closed", None);
    let fridge = farm.raw("GET", "/fridge?place=F1", &[], Vec::new()).await.text;
    assert!(fridge.contains("to be dealt with"), "{fridge}");
    Ok(())
}

#[tokio::test]
async fn punnets_of_two_lots_are_decided_on_only_by_a_word_about_both() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let other = weigh(farm, "B1", 900, after.began - TimeDelta::days(1)).await;
    after.act(json!({"done": "Looked at it", "food": "kept", "lots": [{"lot": after.lot}]})).await;
    farm.pass(TimeDelta::minutes(1));
    let both = after.pack("F1", &[&after.lot, &other], 400, 200).await?;
    farm.pass(TimeDelta::minutes(1));
    after.act(json!({"done": "Looked at it", "food": "kept", "lots": [{"lot": other}]})).await;
    let verifier = farm.person("verifier").await;
    let refused = after.sign(&verifier).await;
    refused.ensure_problem(409, "closed", None);
    assert!(refused.text.contains(&both), "{}", refused.text);
    after.act(json!({"done": "Looked at it", "food": "kept", "lots": [{"lot": both}]})).await;
    after.sign(&verifier).await.expect(201);
    assert_eq!(after.spell_of(&both).await, json!(null));
    Ok(())
}

#[tokio::test]
async fn the_page_offers_a_sign_off_where_one_is_taken() -> Result<()> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(8));
    let reading = |minutes: i64| json!({"n": "p1", "u": "Cel", "t": (farm.now() - TimeDelta::minutes(minutes)).timestamp(), "v": 2.0});
    let pack: Vec<Value> = (0..60).chain(240..300).map(reading).collect();
    farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
    let list = farm.get("/api/excursions").await;
    let gap = &list["rows"][0];
    assert_eq!((&gap["kind"], gap["ended_at"].is_null()), (&json!("no_data"), false), "{list}");
    let id = gap["excursion_id"].as_str().context("an id")?;
    let offers = || async {
        farm.raw("GET", &format!("/excursions/{id}"), &[], Vec::new()).await.text.contains(">Countersign</button>")
    };
    assert!(offers().await, "nothing need be done about a gap");
    farm.create(&format!("/api/excursions/{id}/sign-off"), json!({})).await;
    assert!(!offers().await);
    farm.post(&format!("/api/excursions/{id}/sign-off"), json!({})).await.ensure_problem(409, "closed", None);
    Ok(())
}

#[tokio::test]
async fn what_came_while_it_lasted_is_wasted_with_what_was_there_before() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let came = weigh(&after.farm, "B1", 2000, after.began + TimeDelta::hours(1)).await;
    assert_eq!(came, after.lot);
    let done = after.act(json!({"done": "All of it", "food": "wasted"})).await;
    assert_eq!(done["actions"][0]["lots"][0]["grams_g"], 5000, "{done}");
    assert_eq!(after.stock_of(&after.lot).await, vec![]);
    Ok(())
}

/// A transfer, a packing and what came of it, all taken back when the spell was over: in the book nothing ever went near the warm fridge.
#[tokio::test]
async fn what_was_taken_back_stays_in_the_warm_spell() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let weigh_aside = async |grade: &str| {
        let mut weighing = Farm::weighing(1000);
        weighing["grade"] = json!(grade);
        weighing["place"] = json!("F2");
        weighing["weighed_at"] = json!(after.began - TimeDelta::minutes(30));
        farm.create("/api/weighings", weighing).await["lot"].as_str().unwrap_or_default().to_owned()
    };
    let (carried, packed) = (weigh_aside("B").await, weigh_aside("C").await);
    let take_back_last = async |kind: &str| {
        let acts = farm.get(&format!("/api/movements?kind={kind}")).await;
        let standing = acts["rows"].as_array().into_iter().flatten().find(|a| a["reversed_by"].is_null());
        let last = standing.and_then(|a| a["act_id"].as_str()).unwrap_or_default();
        farm.create(&format!("/api/acts/{last}/reversal"), json!({"reason": "Brought back"})).await;
    };
    after.carry(&carried, ("F2", "F1"), 1000, 30).await;
    take_back_last("transfer").await;
    assert_eq!(after.spell_of(&carried).await, "undecided");
    assert_eq!(after.stock_of(&carried).await, [at("F2", 1000, 1000)]);
    let packs = json!({"place": "F2", "lots_in": [{"lot": packed, "grams_g": 1000}], "lots_out": [{"grade": "C", "packaging": "vented", "grams_g": 1000}], "happened_at": after.began - TimeDelta::minutes(10)});
    let punnets = farm.create("/api/packings", packs).await["made"][0].as_str().context("a lot")?.to_owned();
    after.carry(&punnets, ("F2", "F1"), 1000, 40).await;
    take_back_last("transfer").await;
    assert_eq!(after.spell_of(&punnets).await, "undecided");
    assert_eq!(after.spell_of(&packed).await, Value::Null);
    take_back_last("packing").await;
    assert_eq!(after.spell_of(&packed).await, "undecided", "the grams of the packs are its own again");
    // By the book no grams of theirs were there, and of the packs there are none at all.
    let lots = farm.get(&after.path).await["lots"].as_array().cloned().unwrap_or_default();
    let grams = |lot: &str| lots.iter().find(|l| l["lot"] == lot).map(|l| l["grams_g"].clone());
    assert_eq!((grams(&carried), grams(&punnets)), (Some(json!(0)), None), "{lots:?}");
    // Somebody's word settles it.
    after.act(json!({"done": "The driver says they never left F2", "food": "kept"})).await;
    after.sign(&farm.person("verifier").await).await.expect(201);
    assert_eq!(after.spell_of(&packed).await, Value::Null, "settled");
    after.everything_holds().await
}

/// What a weighing put into the warm fridge by mistake was never there: nothing came from anywhere.
#[tokio::test]
async fn a_crate_that_was_weighed_by_mistake_was_in_no_spell() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let mut weighing = Farm::weighing(700);
    weighing["grade"] = json!("B");
    weighing["place"] = json!("F1");
    weighing["weighed_at"] = json!(after.began + TimeDelta::minutes(20));
    let made = after.farm.create("/api/weighings", weighing).await;
    let lot = made["lot"].as_str().context("a lot")?.to_owned();
    assert!(after.inside().await.contains(&lot));
    let act = made["id"].as_str().context("a weighing")?;
    after.farm.create(&format!("/api/weighings/{act}/reversal"), json!({"reason": "Wrong grade"})).await;
    assert!(!after.inside().await.contains(&lot));
    Ok(())
}

#[tokio::test]
async fn a_time_before_the_spell_takes_a_persons_own_sign_in() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let pack = |grams: i64| json!({"place": "F1", "lots_in": [{"lot": after.lot, "grams_g": grams}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": grams}], "happened_at": after.began - TimeDelta::minutes(5)});
    let by_initials = farm.post_as(&shared, "/api/packings", pack(400)).await.expect(201)["made"][0].clone();
    let by_person = farm.create("/api/packings", pack(500)).await["made"][0].clone();
    assert_eq!(after.spell_of(by_initials.as_str().context("a lot")?).await, "undecided");
    // They stood beside the lot in the fridge, and are inside themselves. What was carried away before was not.
    let carry = |lot: &Value| json!({"kind": "transfer", "lot": lot, "from_place": "F1", "to_place": "F2", "grams_g": 300, "happened_at": after.began - TimeDelta::minutes(2)});
    farm.create("/api/movements", carry(&by_person)).await;
    farm.post_as(&shared, "/api/movements", carry(&json!(after.lot))).await.expect(201);
    let whole = json!({"kind": "transfer", "lot": by_person, "from_place": "F1", "to_place": "F2", "grams_g": 200, "happened_at": after.began - TimeDelta::minutes(2)});
    farm.create("/api/movements", whole).await;
    assert_eq!(after.spell_of(by_person.as_str().context("a lot")?).await, Value::Null);
    let all = json!({"kind": "transfer", "lot": by_initials, "from_place": "F1", "to_place": "F2", "grams_g": 400, "happened_at": after.began - TimeDelta::minutes(2)});
    farm.post_as(&shared, "/api/movements", all).await.expect(201);
    assert_eq!(after.spell_of(by_initials.as_str().context("a lot")?).await, "undecided");
    after.everything_holds().await
}

#[tokio::test]
async fn what_comes_back_into_the_warm_place_is_decided_on_again() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    after.act(json!({"done": "Felt cold", "food": "kept"})).await;
    after.sign(&after.farm.person("verifier").await).await.expect(201);
    assert_eq!(after.spell_of(&after.lot).await, Value::Null, "settled");
    after.farm.pass(TimeDelta::minutes(5));
    after.carry(&after.lot, ("F1", "F2"), 3000, 20).await;
    assert_eq!(after.spell_of(&after.lot).await, Value::Null);
    after.carry(&after.lot, ("F2", "F1"), 3000, 60).await;
    assert_eq!(after.spell_of(&after.lot).await, "undecided");
    Ok(())
}

/// Nobody knows how warm it was: the food that stood there is to be decided on, and what it lost of its life is not known.
#[tokio::test]
async fn a_gap_that_is_over_is_to_be_dealt_with_while_food_from_it_is_in_stock() -> Result<()> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(8));
    let lot = weigh_into(&farm, "F1", "B1", 1000, farm.now() - TimeDelta::hours(7)).await;
    let read = |minutes_ago: i64| json!({"n": "p1", "u": "Cel", "t": (farm.now() - TimeDelta::minutes(minutes_ago)).timestamp(), "v": 2.0});
    let pack: Vec<Value> = (300..360).chain(0..60).map(read).collect();
    farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
    let gap = farm.get("/api/excursions").await["rows"][0].clone();
    assert_eq!((&gap["kind"], &gap["wants_action"]), (&json!("no_data"), &json!(true)), "{gap}");
    let path = format!("/api/excursions/{}", gap["excursion_id"].as_str().context("an id")?);
    let there = farm.get(&path).await["lots"][0].clone();
    assert_eq!((&there["lot"], &there["life_days"]), (&json!(lot), &Value::Null), "{there}");
    let today = async || farm.raw("GET", "/", &[], Vec::new()).await.text;
    assert!(today().await.contains("1 gap to deal with"));
    let kept = json!({"done": "Network was down", "food": "kept"});
    farm.create(&format!("{path}/actions"), kept).await;
    assert_eq!(farm.get(&path).await["wants_action"], false);
    assert!(!today().await.contains("to deal with"));
    Ok(())
}

/// The readings came after all: the air is known then, and there is nothing to decide.
#[tokio::test]
async fn a_gap_that_late_readings_fill_asks_for_nothing() -> Result<()> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(8));
    weigh_into(&farm, "F1", "B1", 1000, farm.now() - TimeDelta::hours(7)).await;
    let read = |minutes_ago: i64| json!({"n": "p1", "u": "Cel", "t": (farm.now() - TimeDelta::minutes(minutes_ago)).timestamp(), "v": 2.0});
    let post = async |minutes: Vec<i64>| {
        let pack: Vec<Value> = minutes.into_iter().map(read).collect();
        farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
    };
    post((300..360).chain(0..60).collect()).await;
    let gap = farm.get("/api/excursions").await["rows"][0].clone();
    assert_eq!((&gap["kind"], &gap["wants_action"]), (&json!("no_data"), &json!(true)), "{gap}");
    post((60..300).collect()).await;
    let gap = farm.get(&format!("/api/excursions/{}", gap["excursion_id"].as_str().context("an id")?)).await;
    assert_eq!((gap["withdrawn_at"].is_null(), &gap["wants_action"]), (false, &json!(false)), "{gap}");
    let today = farm.raw("GET", "/", &[], Vec::new()).await.text;
    assert!(!today.contains("to deal with"), "{today}");
    Ok(())
}
