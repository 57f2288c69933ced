//! What is held stays held: nothing of a lot on hold leaves but to waste or a test, by no way, until the owner releases it.

use anyhow::{Context, Result};
use chrono::TimeDelta;
use futures::future::join;
use gillbook_store::check::check;
use gillbook_testkit::{As, Farm, scope_of, send};
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, Connection, PgConnection};
use uuid::Uuid;

/// An order of grams of oyster for tomorrow, with lots set aside first to expire first. Gives its code.
async fn order_of(farm: &Farm, grams: i64) -> String {
    let order =
        json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": grams}]});
    let code = farm.create("/api/orders", order).await["order"].as_str().unwrap_or_default().to_owned();
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{code}/set-aside"), &[], Some(json!({}))).await.expect(200);
    code
}

/// Packs grams of a lot into punnets. Gives the lot that was made, and the act.
async fn punnets_of(farm: &Farm, lot: &str, grams: i64) -> (String, String) {
    let packing = json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": grams}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": grams}]});
    let made = farm.create("/api/packings", packing).await;
    let text = |v: &Value| v.as_str().unwrap_or_default().to_owned();
    (text(&made["made"][0]), text(&made["act"]["act_id"]))
}

async fn hold(farm: &Farm, lot: &str) -> Value {
    farm.create(&format!("/api/lots/{lot}/hold"), json!({"reason": "Smell"})).await
}

async fn on_hold(farm: &Farm, lot: &str) -> bool {
    farm.get(&format!("/api/lots/{lot}")).await["on_hold"] == true
}

async fn ensure_everything_holds(farm: &Farm) -> Result<()> {
    assert_eq!(check(&farm.admin.clone().username("gillbook_audit")).await?, []);
    Ok(())
}

#[tokio::test]
async fn what_comes_back_of_a_held_lot_from_the_stall_is_on_hold() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(4000).await;
    let out = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "0", "taken": [{"lot": lot, "place": "F1", "grams_g": 2000}]});
    farm.create("/api/market-days", out).await;
    hold(&farm, &lot).await;
    let reckoning =
        json!({"lots": [{"lot": lot, "back_g": 1500}], "back_place": "F1", "cash": "9.00", "card": "0", "fee": "0"});
    farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(reckoning)).await.expect(200);
    let back = farm.get("/api/stock?place=F1").await;
    let rows = back["rows"].as_array().context("rows")?;
    assert_eq!(rows.len(), 2, "{back}");
    assert!(rows.iter().all(|r| r["on_hold"] == true && r["free_g"] == 0), "{back}");
    ensure_everything_holds(&farm).await
}

#[tokio::test]
async fn a_made_lot_on_hold_is_not_dissolved_into_its_free_parent() -> Result<()> {
    let farm = Farm::new().await?;
    let picker = farm.person("picker").await;
    let lot = farm.lot_of(3000).await;
    let (child, packing) = punnets_of(&farm, &lot, 1000).await;
    hold(&farm, &child).await;
    assert!(!on_hold(&farm, &lot).await, "the parent is not made of the child");
    let reversal = json!({"reason": "Mistake"});
    for who in [&picker, &farm.owner] {
        farm.post_as(who, &format!("/api/acts/{packing}/reversal"), reversal.clone())
            .await
            .ensure_problem(409, "on-hold", None);
    }
    farm.create(&format!("/api/lots/{child}/release"), json!({"reason": "Was the crate"})).await;
    farm.create(&format!("/api/acts/{packing}/reversal"), reversal).await;
    assert_eq!(farm.get("/api/stock").await["rows"][0]["grams_g"], 3000);
    ensure_everything_holds(&farm).await
}

#[tokio::test]
async fn a_held_lot_goes_to_waste_or_a_test_or_another_store_and_nowhere_else() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/places", json!({"place": "F2", "name": "Second", "kind": "fridge"})).await;
    let picker = farm.person("picker").await;
    let mut weighing = Farm::weighing(3000);
    weighing["place"] = json!("F1");
    let lot = farm.create("/api/weighings", weighing.clone()).await["lot"].as_str().context("a lot")?.to_owned();
    hold(&farm, &lot).await;
    let movement = |kind: &str, to: Option<&str>| {
        let mut m = json!({"kind": kind, "lot": lot, "from_place": "F1", "grams_g": 100, "reason": "Smell"});
        if let Some(to) = to {
            m["to_place"] = json!(to);
        }
        m
    };
    for kind in ["gift", "trim", "home"] {
        farm.post("/api/movements", movement(kind, None)).await.ensure_problem(409, "on-hold", None);
    }
    let gone = json!({"place": "F1", "lots": [{"lot": lot, "counted_g": 0}]});
    farm.post_as(&picker, "/api/stock-counts", gone).await.ensure_problem(409, "on-hold", None);
    farm.post_as(&picker, &format!("/api/lots/{lot}/finish"), json!({"reason": "Gone"}))
        .await
        .ensure_problem(409, "on-hold", None);
    let id = weighing["id"].as_str().context("an id")?;
    farm.post(&format!("/api/weighings/{id}/reversal"), json!({"reason": "Wrong"}))
        .await
        .ensure_problem(409, "on-hold", None);
    let packing = json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": 500}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 500}]});
    farm.post("/api/packings", packing).await.ensure_problem(409, "on-hold", None);
    let stall = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "0", "taken": [{"lot": lot, "place": "F1", "grams_g": 500}]});
    farm.post("/api/market-days", stall).await.ensure_problem(409, "on-hold", None);
    // As it stands in the book it may be counted; within the farm it may be moved, and stays on hold there.
    farm.create("/api/stock-counts", json!({"place": "F1", "lots": [{"lot": lot, "counted_g": 3000}]})).await;
    farm.create("/api/movements", movement("transfer", Some("F2"))).await;
    farm.create("/api/movements", movement("test", None)).await;
    let waste = farm.create("/api/movements", movement("waste", None)).await;
    let act = waste["act_id"].as_str().context("an act")?;
    farm.create(&format!("/api/acts/{act}/reversal"), json!({"reason": "Another crate"})).await;
    let stock = farm.get("/api/stock").await;
    let held: Vec<_> =
        stock["rows"].as_array().context("rows")?.iter().map(|r| (&r["place"], &r["grams_g"], &r["on_hold"])).collect();
    assert_eq!(held, [(&json!("F1"), &json!(2800), &json!(true)), (&json!("F2"), &json!(100), &json!(true))]);
    ensure_everything_holds(&farm).await
}

#[tokio::test]
async fn a_hold_takes_what_was_made_of_the_lot_and_what_was_set_aside_is_released() -> Result<()> {
    let farm = Farm::new().await?;
    let picker = farm.person("picker").await;
    let lot = farm.lot_of(3000).await;
    let (child, _) = punnets_of(&farm, &lot, 1200).await;
    let (grandchild, _) = punnets_of(&farm, &child, 400).await;
    let (first, second) = (order_of(&farm, 2500).await, order_of(&farm, 400).await);
    let held = hold(&farm, &lot).await;
    assert_eq!((&held["lot"], &held["on_hold"]), (&json!(lot), &json!(true)));
    assert_eq!(held["held_with"], json!([child, grandchild]), "{held}");
    assert_eq!(held["orders_short"], json!([first, second]), "{held}");
    for (code, short) in [(&first, 2500), (&second, 400)] {
        let order = farm.get(&format!("/api/orders/{code}")).await;
        assert_eq!((&order["lines"][0]["short_g"], &order["lines"][0]["set_aside"]), (&json!(short), &json!([])));
        farm.post("/api/dockets", json!({"order": code, "short": true})).await.ensure_problem(409, "not-enough", None);
    }
    let again = farm.ask(&farm.owner, "PUT", &format!("/api/orders/{first}/set-aside"), &[], Some(json!({}))).await;
    assert_eq!(again.expect(200)["lines"][0]["set_aside"], json!([]));
    let chosen =
        json!({"chosen": [{"line": 1, "lot": child, "place": "F1", "grams_g": 100}], "reason": "He asked for it"});
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{first}/set-aside"), &[], Some(chosen))
        .await
        .ensure_problem(409, "on-hold", None);
    farm.post(&format!("/api/lots/{child}/hold"), json!({"reason": "Again"})).await.ensure_problem(409, "closed", None);
    // Released one by one, by the owner.
    let release = json!({"reason": "Tested, nothing found"});
    farm.post_as(&picker, &format!("/api/lots/{child}/release"), release.clone()).await.ensure_problem(
        403,
        "not-allowed",
        None,
    );
    farm.create(&format!("/api/lots/{child}/release"), release).await;
    assert!(on_hold(&farm, &lot).await && on_hold(&farm, &grandchild).await && !on_hold(&farm, &child).await);
    ensure_everything_holds(&farm).await
}

#[tokio::test]
async fn a_lot_held_while_it_is_on_its_way_is_not_handed_over_and_comes_home_on_hold() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(3000).await;
    let (first, second) = (order_of(&farm, 1000).await, order_of(&farm, 500).await);
    let docket = farm.create("/api/dockets", json!({"order": first, "van": "VAN"})).await;
    farm.create("/api/dockets", json!({"order": second, "van": "VAN"})).await;
    let before = farm.now();
    farm.pass(TimeDelta::minutes(10));
    hold(&farm, &lot).await;
    let taken = |at: Option<chrono::DateTime<chrono::Utc>>| json!({"taken_by": "Cook", "delivered_at": at});
    farm.post("/api/dockets/D-1/delivery", taken(None)).await.ensure_problem(409, "on-hold", None);
    // One that was handed over before the hold was entered late: that is a fact.
    farm.create("/api/dockets/D-2/delivery", taken(Some(before))).await;
    let act = docket["act_id"].as_str().context("an act")?;
    farm.create(&format!("/api/acts/{act}/reversal"), json!({"reason": "Called back"})).await;
    let stock = farm.get("/api/stock").await;
    assert_eq!((&stock["rows"][0]["grams_g"], &stock["rows"][0]["free_g"]), (&json!(2500), &json!(0)), "{stock}");
    ensure_everything_holds(&farm).await
}

#[tokio::test]
async fn a_lot_is_held_and_released_from_its_page_by_those_who_may() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    let (picker, shared) = (farm.person("picker").await, farm.sign_in_on_shared_phone("ada").await);
    let form = [("content-type", "application/x-www-form-urlencoded")];
    let (farm, lot) = (&farm, lot.as_str());
    let send = |who: As, what: &'static str, reason: &'static str| async move {
        let body = format!("key={}&reason={reason}", Uuid::new_v4()).into_bytes();
        send(&farm.router, &who, "POST", &format!("/lots/{lot}/{what}"), &form, body).await
    };
    let page = |who: As| async move { farm.ask(&who, "GET", &format!("/lots/{lot}"), &[], None).await.text };
    assert_eq!(send(picker.clone(), "hold", "").await.status, 422);
    assert_eq!(send(picker.clone(), "hold", "Smell").await.status, 303);
    let one = farm.get(&format!("/api/lots/{lot}")).await;
    assert_eq!((&one["hold"]["reason"], &one["hold"]["done_by"]), (&json!("Smell"), &json!("PI")));
    let seen = page(picker.clone()).await;
    assert!(seen.contains("On hold since") && seen.contains("(PI): Smell.") && !seen.contains("/release"), "{seen}");
    assert_eq!(send(picker, "release", "Crate").await.status, 403);
    let seen = page(shared.clone()).await;
    assert!(seen.contains("takes your own sign-in") && !seen.contains("/release"), "{seen}");
    let refused = send(shared, "release", "Crate").await;
    assert!(refused.status == 403 && refused.text.contains("takes your own sign-in"), "{}", refused.text);
    assert!(page(farm.owner.clone()).await.contains("/release"));
    assert_eq!(send(farm.owner.clone(), "release", "Crate").await.status, 303);
    assert!(!on_hold(farm, lot).await);
    Ok(())
}

#[tokio::test]
async fn the_database_itself_lets_nothing_of_a_held_lot_go() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    let order = order_of(&farm, 300).await;
    hold(&farm, &lot).await;
    let mut db = PgConnection::connect_with(&farm.admin.clone().username("gillbook_app")).await?;
    let id = farm.id.0;
    for sql in [
        format!("insert into set_aside values ({id}, '{order}', 1, '{lot}', 'F1', 100, '')"),
        format!(
            r#"select post_entry({id}, '{{"act": {{"act_id": "{}", "kind": "gift", "happened_at": "2026-05-05T08:00:00Z",
                 "recorded_at": "2026-05-05T08:00:00Z", "done_by": "x", "entered_by": "x", "own_sign_in": true, "reason": ""}},
               "legs": [{{"leg": 1, "lot": "{lot}", "from_place": "F1", "to_place": "GIFT", "grams": 100}}]}}')"#,
            uuid::Uuid::new_v4()
        ),
    ] {
        sqlx::raw_sql(AssertSqlSafe(format!("rollback; {}", scope_of(id)))).execute(&mut db).await?;
        let error = sqlx::raw_sql(AssertSqlSafe(sql.clone())).execute(&mut db).await.expect_err(&sql);
        let error = error.into_database_error().context("the database's own refusal")?;
        assert_eq!(error.constraint(), Some("lot_hold_kept"), "{sql}: {error}");
    }
    Ok(())
}

/// Whichever comes first: either the docket went out and the lot is held after it, or the lot is held and the docket is refused.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_hold_and_a_docket_at_once_leave_nothing_of_a_held_lot_set_aside() -> Result<()> {
    let farm = Farm::new().await?;
    for round in 0..12 {
        let lot = farm.lot_of(1000).await;
        let order = order_of(&farm, 600).await;
        let (held, sent) = join(
            farm.post(&format!("/api/lots/{lot}/hold"), json!({"reason": "Smell"})),
            farm.post("/api/dockets", json!({"order": order})),
        )
        .await;
        assert_eq!(held.status, 201, "{}", held.text);
        assert!([201, 409].contains(&sent.status), "{}", sent.text);
        let left = farm.get(&format!("/api/lots/{lot}")).await["places"].clone();
        let fridge = left.as_array().context("places")?.iter().find(|p| p["place"] == "F1").context("F1")?.clone();
        let expected = if sent.status == 201 { 400 } else { 1000 };
        assert_eq!((&fridge["grams_g"], &fridge["set_aside_g"]), (&json!(expected), &json!(0)), "round {round}");
        let waste = json!({"kind": "waste", "lot": lot, "from_place": "F1", "grams_g": expected, "reason": "Smell"});
        farm.create("/api/movements", waste).await;
        farm.create(&format!("/api/lots/{lot}/finish"), json!({"reason": "Gone"})).await;
    }
    ensure_everything_holds(&farm).await
}

#[tokio::test]
async fn check_finds_what_left_a_held_lot_and_what_is_set_aside_of_it() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    let order = order_of(&farm, 300).await;
    farm.create(
        "/api/movements",
        json!({"kind": "gift", "lot": lot, "from_place": "F1", "grams_g": 50, "reason": "Neighbour"}),
    )
    .await;
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    // A hold that no guard saw, an hour before the gift.
    let sql = format!(
        "begin; set local session_replication_role = replica;
         insert into lot_event (farm_id, event_id, lot, seq, kind, reason, happened_at, recorded_at, done_by, entered_by)
              select farm_id, gen_random_uuid(), '{lot}', 1, 'hold', 'x', recorded_at - interval '1 hour', recorded_at - interval '1 hour', 'x', 'x'
                from act where kind = 'gift'; commit"
    );
    sqlx::raw_sql(AssertSqlSafe(sql)).execute(&mut db).await?;
    let found = check(&farm.admin.clone().username("gillbook_audit")).await?;
    let told: Vec<_> = found.iter().map(|f| (f.invariant, f.row.clone())).collect();
    assert_eq!(told.len(), 2, "{told:?}");
    assert_eq!(told[0].0, "nothing of a lot on hold is set aside");
    assert!(told[0].1.contains(&order) && told[0].1.contains(&lot), "{told:?}");
    assert_eq!(told[1].0, "a lot on hold goes to waste or a test alone");
    assert!(told[1].1.contains("gift") && told[1].1.contains(&lot), "{told:?}");
    Ok(())
}

#[tokio::test]
async fn what_the_owner_alone_may_do_is_not_done_on_a_shared_phone() -> Result<()> {
    let farm = Farm::new().await?;
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let person = json!({"name": "Joss Tiller", "initials": "JT", "role": "owner", "sign_in_name": "joss", "passphrase": "a long enough one"});
    farm.post_as(&shared, "/api/people", person.clone()).await.ensure_problem(403, "own-sign-in", None);
    let price = json!({"price_list": "RESTAURANT", "product": "OY", "amount": "1.00", "unit": "kg"});
    farm.post_as(&shared, "/api/prices", price).await.ensure_problem(403, "own-sign-in", None);
    let limit = json!({"limit": {"name": "Warm", "warm_c": 40, "cold_c": 0}});
    let headers = [("if-match", "\"1\"")];
    farm.ask(&shared, "PATCH", "/api/places/F1", &headers, Some(limit)).await.ensure_problem(403, "own-sign-in", None);
    // It reads what its role may read, and works with stock.
    farm.ask(&shared, "GET", "/api/people", &[], None).await.expect(200);
    farm.ask(&shared, "POST", "/api/weighings", &[], Some(Farm::weighing(700))).await.expect(201);
    farm.create("/api/people", person).await;
    Ok(())
}

/// What a stall had sold before the hold is a fact; that it was before, a person answers for.
#[tokio::test]
async fn a_held_lot_is_cashed_up_as_sold_by_a_persons_own_sign_in() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(3000).await;
    let out = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "0", "taken": [{"lot": lot, "place": "F1", "grams_g": 1000}]});
    farm.create("/api/market-days", out.clone()).await;
    hold(&farm, &lot).await;
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let close = |back: i64, tasted: i64| json!({"lots": [{"lot": lot, "back_g": back, "tasted_g": tasted}], "back_place": "F1", "cash": "0", "card": "0", "fee": "0"});
    let close_day = async |who: &As, body: Value| farm.ask(who, "PATCH", "/api/market-days/M-1", &[], Some(body)).await;
    for (back, tasted) in [(0, 0), (900, 100), (400, 0)] {
        close_day(&shared, close(back, tasted)).await.ensure_problem(403, "own-sign-in", None);
    }
    // Nothing left it: nothing is to be answered for.
    close_day(&shared, close(1000, 0)).await.expect(200);
    farm.post(&format!("/api/lots/{lot}/release"), json!({"reason": "Was the crate"})).await.expect(201);
    farm.create("/api/market-days", out).await;
    hold(&farm, &lot).await;
    let body = close(400, 50);
    farm.ask(&farm.owner, "PATCH", "/api/market-days/M-2", &[], Some(body)).await.expect(200);
    ensure_everything_holds(&farm).await
}

/// That it was handed over before it was held, a person says by a sign-in of their own.
#[tokio::test]
async fn a_held_lot_is_not_handed_over_earlier_on_a_shared_phone() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(3000).await;
    let order = order_of(&farm, 500).await;
    farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    farm.pass(TimeDelta::hours(1));
    hold(&farm, &lot).await;
    let earlier = json!({"taken_by": "Cook", "delivered_at": farm.now() - TimeDelta::minutes(30)});
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let path = "/api/dockets/D-1/delivery";
    farm.post_as(&shared, path, json!({"taken_by": "Cook"})).await.ensure_problem(409, "on-hold", None);
    farm.post_as(&shared, path, earlier.clone()).await.ensure_problem(403, "own-sign-in", None);
    farm.create(path, earlier).await;
    ensure_everything_holds(&farm).await
}

/// What is found while a lot is on hold may be of that lot under another label.
#[tokio::test]
async fn on_a_shared_phone_nothing_is_found_while_a_lot_is_on_hold() -> Result<()> {
    let farm = Farm::new().await?;
    let (held, lot) = (farm.lot_of(1000).await, {
        let mut other = Farm::weighing(1000);
        other["sources"] = json!([{"batch": "B3", "flush": 1}]);
        farm.create("/api/weighings", other).await["lot"].as_str().context("a lot")?.to_owned()
    });
    farm.create(&format!("/api/lots/{held}/hold"), json!({"reason": "Recall"})).await;
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let count = json!({"place": "F1", "lots": [{"lot": lot, "counted_g": 2000, "found_reason": "At the back"}]});
    farm.post_as(&shared, "/api/stock-counts", count.clone()).await.ensure_problem(403, "own-sign-in", None);
    farm.create("/api/stock-counts", count).await;
    Ok(())
}
