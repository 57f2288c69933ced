//! The caution, and the second person who takes it away.

use anyhow::{Context, Result};
use chrono::TimeDelta;
use gillbook_testkit::{As, Farm};
use gillbook_tests::serve;
use serde_json::{Value, json};
use uuid::Uuid;

use super::{AfterTheSpell, at, warm_air, weigh};

#[tokio::test]
async fn until_it_is_settled_the_lots_carry_the_caution_wherever_they_go() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let packing = json!({"place": "F1", "lots_in": [{"lot": after.lot, "grams_g": 1000}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 1000}]});
    let child = farm.create("/api/packings", packing).await["made"][0].as_str().context("a lot")?.to_owned();
    let fresh = weigh(farm, "B3", 700, farm.now()).await;
    let id = json!(after.path.rsplit_once('/').map(|(_, id)| id));
    let warm = |json: &Value| json["warm_spell"]["excursion_id"].clone();
    let order = after.order(3000).await;
    for lot in [&after.lot, &child] {
        let one = farm.get(&format!("/api/lots/{lot}")).await;
        assert_eq!(warm(&one), id, "{one}");
        let caution = one["warm_spell"]["caution"].as_str().context("a caution")?;
        assert!(caution.contains("local food-safety rules") && caution.contains("plan decide"), "{caution}");
        assert_eq!(one["warm_spell"]["standing"], "undecided");
    }
    assert_eq!(warm(&farm.get(&format!("/api/lots/{fresh}")).await), json!(null));
    let stock = farm.get("/api/stock").await;
    for row in stock["rows"].as_array().context("rows")? {
        assert_eq!(warm(row), if row["lot"] == json!(fresh) { json!(null) } else { id.clone() }, "{row}");
    }
    let aside = order["lines"][0]["set_aside"].as_array().context("set aside")?;
    assert!(aside.len() == 2 && aside.iter().all(|s| warm(s) == id), "{order}");
    let code = order["order"].as_str().context("a code")?;
    for page in [
        "/orders",
        &format!("/orders/{code}"),
        "/stock",
        &format!("/lots/{child}"),
        "/",
        &format!("/excursions/{}", id.as_str().context("id")?),
    ] {
        let html = farm.raw("GET", page, &[], Vec::new()).await.text;
        assert!(html.contains("warm spell") || html.contains("Warm spell"), "{page}: {html}");
    }
    let today = farm.raw("GET", "/", &[], Vec::new()).await.text;
    assert!(today.contains("say what becomes of the food") && !today.contains("Make up orders"), "{today}");

    let docket = farm.create("/api/dockets", json!({"order": code, "van": "VAN", "by": "JP"})).await;
    let line = &docket["lines"][0]["warm_spell"];
    assert_eq!(
        (&line["excursion_id"], &line["place"], &line["authorised_by"]),
        (&id, &json!("F1"), &json!("AB")),
        "{docket}"
    );
    let page = farm.raw("GET", "/dockets/D-1", &[], Vec::new()).await.text;
    assert!(page.contains("was in a warm spell (from") && page.contains("AB sent it out"), "{page}");

    let As::Cookie(cookie) = &farm.owner else { unreachable!("the owner is a person") };
    gillbook::notices::choose_crypto();
    let url = format!("http://{}/api/dockets/D-1/pdf", serve(farm.router.clone()).await?);
    let pdf = reqwest::Client::new().get(url).header("cookie", cookie).send().await?.bytes().await?;
    let file = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("warm-docket.pdf");
    std::fs::write(&file, &pdf)?;
    let text = std::process::Command::new("pdftotext").arg("-layout").arg(&file).arg("-").output()?;
    let text = String::from_utf8_lossy(&text.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        text.contains(&format!("Lot {} was in a warm spell (from", after.lot)) && text.contains("plan decide"),
        "{text}"
    );

    // Said what becomes of it, by one; countersigned by another: settled.
    after.act(json!({"done": "Tasted by two", "food": "kept"})).await;
    assert_eq!(warm(&farm.get(&format!("/api/lots/{child}")).await), id, "not countersigned yet");
    let verifier = farm.person("verifier").await;
    after.sign(&verifier).await.expect(201);
    for lot in [&after.lot, &child] {
        assert_eq!(warm(&farm.get(&format!("/api/lots/{lot}")).await), json!(null));
    }
    // The docket says how it was when it went out.
    assert_eq!(farm.get("/api/dockets/D-1").await["lines"][0]["warm_spell"]["excursion_id"], id);
    after.everything_holds().await
}

#[tokio::test]
async fn a_spell_that_lasts_cautions_and_one_that_was_over_before_does_not() -> Result<()> {
    let farm = Farm::new().await?;
    farm.pass(TimeDelta::hours(8));
    let packed_before = weigh(&farm, "B1", 1000, farm.now() - TimeDelta::hours(7)).await;
    let packing = json!({"place": "F1", "lots_in": [{"lot": packed_before, "grams_g": 400}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 400}], "happened_at": farm.now() - TimeDelta::minutes(390)});
    let child = farm.create("/api/packings", packing).await["made"][0].as_str().context("a lot")?.to_owned();
    // The punnets left the store before it got warm.
    farm.create("/api/places", json!({"place": "F2", "name": "Second", "kind": "fridge"})).await;
    let away = json!({"kind": "transfer", "lot": child, "from_place": "F1", "to_place": "F2", "grams_g": 400, "happened_at": farm.now() - TimeDelta::minutes(370)});
    farm.create("/api/movements", away).await;
    warm_air(&farm).await;
    let after = weigh(&farm, "B3", 700, farm.now()).await;
    let farm = &farm;
    let warm =
        |lot: String| async move { farm.get(&format!("/api/lots/{lot}")).await["warm_spell"]["standing"].clone() };
    assert_eq!(warm(packed_before.clone()).await, "undecided");
    assert_eq!((warm(child).await, warm(after.clone()).await), (json!(null), json!(null)));
    // Warm again, and it lasts.
    farm.pass(TimeDelta::hours(2));
    let pack: Vec<Value> = (0..120)
        .map(|m| json!({"n": "p1", "u": "Cel", "t": (farm.now() - TimeDelta::minutes(119 - m)).timestamp(), "v": 9.0}))
        .collect();
    farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
    assert_eq!(warm(after).await, "open");
    Ok(())
}

#[tokio::test]
async fn only_the_own_sign_in_of_a_second_person_countersigns() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let (picker, verifier) = (farm.person("picker").await, farm.person("verifier").await);
    let signed = |who: &As, body: Value| {
        let (who, path) = (who.clone(), format!("{}/sign-off", after.path));
        async move { farm.post_as(&who, &path, body).await }
    };
    after.sign(&verifier).await.ensure_problem(409, "closed", None);
    // The picker taps it in and names somebody else as the one who did it: both have dealt with it.
    let action = json!({"done": "Shut the door", "food": "kept", "by": "AB"});
    let actions = format!("{}/actions", after.path);
    // It would take grams out of stock, which a verifier may not.
    farm.post_as(&verifier, &actions, action.clone()).await.ensure_problem(403, "not-allowed", None);
    farm.post_as(&picker, &actions, action).await.expect(201);
    for who in [&picker, &farm.owner] {
        after.sign(who).await.ensure_problem(409, "closed", None);
    }
    // Initials do not sign for another.
    signed(&picker, json!({"by": "VE"})).await.ensure_problem(422, "invalid", Some("/by"));
    let shared = farm.sign_in_on_shared_phone(&format!("verifier{}", farm.id.0)).await;
    after.sign(&shared).await.ensure_problem(403, "own-sign-in", None);
    let signed = after.sign(&verifier).await.expect(201);
    assert_eq!((&signed["sign_offs"][0]["signed_by"], &signed["standing"]), (&json!("VE"), &json!("settled")));
    after.sign(&verifier).await.ensure_problem(409, "closed", None);
    Ok(())
}

#[tokio::test]
async fn it_is_not_countersigned_before_every_lot_inside_is_decided_on() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let second = weigh(farm, "B3", 700, farm.now() - TimeDelta::hours(7)).await;
    after.act(json!({"done": "Called for repair", "food": "held", "lots": [{"lot": after.lot}]})).await;
    let verifier = farm.person("verifier").await;
    let refused = after.sign(&verifier).await;
    refused.ensure_problem(409, "closed", None);
    assert!(refused.text.contains(&second), "{}", refused.text);
    after.act(json!({"done": "Thrown away", "food": "wasted", "lots": [{"lot": second}]})).await;
    after.sign(&verifier).await.expect(201);
    // Released by the owner, it is as free as any; what came of it stays written down.
    farm.create(&format!("/api/lots/{}/release", after.lot), json!({"reason": "Looked at by two"})).await;
    assert_eq!(after.stock_of(&after.lot).await, [at("F1", 3000, 3000)]);
    Ok(())
}

#[tokio::test]
async fn a_shared_phone_sends_out_no_warm_lot_and_releases_no_hold() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    farm.create("/api/strains", json!({"strain": "KO", "name": "King", "species": "King oyster", "latin_name": "P", "lowest_safe_c": 0, "expected_yield_g": 1000, "days_to_first_flush": 16, "flush_interval_days": 11, "flushes": 2, "trim_share": 0.1, "life": []})).await;
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let me = farm.ask(&shared, "GET", "/api/me", &[], None).await.expect(200);
    assert_eq!((&me["shared_phone"], &me["initials"]), (&json!(true), &json!("AB")));
    let order = after.order(500).await["order"].as_str().context("a code")?.to_owned();
    let send = json!({"order": order, "van": "VAN", "by": "AB"});
    farm.post_as(&shared, "/api/dockets", send.clone()).await.ensure_problem(403, "own-sign-in", None);
    let page = farm.ask(&shared, "GET", &format!("/orders/{order}"), &[], None).await.text;
    assert!(page.contains("takes your own sign-in") && !page.contains("/dispatch"), "{page}");
    let stall = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "0", "taken": [{"lot": after.lot, "place": "F1", "grams_g": 500}]});
    farm.post_as(&shared, "/api/market-days", stall).await.ensure_problem(403, "own-sign-in", None);
    let gift = json!({"kind": "gift", "lot": after.lot, "from_place": "F1", "grams_g": 50, "reason": "Neighbour"});
    farm.post_as(&shared, "/api/movements", gift).await.ensure_problem(403, "own-sign-in", None);
    // By their own sign-in they may: the caution tells, it does not decide.
    farm.create("/api/dockets", send).await;
    // Holding needs no authority, releasing does.
    let lot = &after.lot;
    farm.post_as(&shared, &format!("/api/lots/{lot}/hold"), json!({"reason": "Smell"})).await.expect(201);
    let release = json!({"reason": "Was the crate", "by": "AB"});
    farm.post_as(&shared, &format!("/api/lots/{lot}/release"), release.clone()).await.ensure_problem(
        403,
        "own-sign-in",
        None,
    );
    farm.create(&format!("/api/lots/{lot}/release"), release).await;
    // A lot that was in no warm spell goes out from the shared phone as from any.
    let cold = weigh(farm, "B3", 700, farm.now()).await;
    let gift = json!({"kind": "gift", "lot": cold, "from_place": "F1", "grams_g": 50, "reason": "Neighbour"});
    farm.post_as(&shared, "/api/movements", gift).await.expect(201);
    Ok(())
}

#[tokio::test]
async fn an_action_sent_twice_counts_once_and_the_page_does_the_same() -> Result<()> {
    let after = AfterTheSpell::new().await?;
    let farm = &after.farm;
    let key = Uuid::new_v4().to_string();
    let waste = json!({"done": "Soft", "food": "wasted", "lots": [{"lot": after.lot, "grams_g": 400}]});
    for _ in 0..2 {
        farm.ask(
            &farm.owner,
            "POST",
            &format!("{}/actions", after.path),
            &[("idempotency-key", &key)],
            Some(waste.clone()),
        )
        .await
        .expect(201);
    }
    assert_eq!(after.stock_of(&after.lot).await, [at("F1", 2600, 2600)]);
    let page = after.path.trim_start_matches("/api").to_owned();
    let form = [("content-type", "application/x-www-form-urlencoded")];
    let nothing = format!("key={}&done=Shut+the+door&food=held&shown=1", Uuid::new_v4());
    let refused = farm.raw("POST", &format!("{page}/action"), &form, nothing.into_bytes()).await;
    assert_eq!(refused.status, 422, "{}", refused.text);
    assert!(
        refused.text.contains("Tick the lots") && refused.text.contains("value=\"held\" checked"),
        "{}",
        refused.text
    );
    let held = format!("key={}&done=Shut+the+door&food=held&shown=1&lot-{}=on", Uuid::new_v4(), after.lot);
    for _ in 0..2 {
        let answer = farm.raw("POST", &format!("{page}/action"), &form, held.clone().into_bytes()).await;
        assert_eq!(answer.status, 303, "{}", answer.text);
    }
    assert_eq!(after.stock_of(&after.lot).await, [at("F1", 2600, 0)]);
    assert_eq!(farm.get(&after.path).await["actions"].as_array().map(Vec::len), Some(2));
    Ok(())
}
