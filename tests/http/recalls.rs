//! A recall and its rehearsal: everybody who has it is found, what is here is held, and it says when it was done.

use anyhow::{Context, Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::{As, Farm};
use serde_json::{Value, json};
use uuid::Uuid;

use super::{
    forms::{FORM, send},
    labels::{pdf, printed},
};

fn codes(rows: &Value, member: &str) -> Vec<String> {
    rows.as_array().into_iter().flatten().filter_map(|row| row[member].as_str().map(str::to_owned)).collect()
}

fn texts(list: &Value) -> Vec<String> {
    list.as_array().into_iter().flatten().filter_map(|text| text.as_str().map(str::to_owned)).collect()
}

async fn is_held(farm: &Farm, lot: &str) -> bool {
    farm.get(&format!("/api/lots/{lot}")).await["on_hold"] == true
}

async fn set_aside_of(farm: &Farm, order: &str) -> i64 {
    let order = farm.get(&format!("/api/orders/{order}")).await;
    let rows = order["lines"][0]["set_aside"].as_array().into_iter().flatten();
    rows.filter_map(|row| row["grams_g"].as_i64()).sum()
}

/// One lot of batch B1, 5.8 kg: 800 g went to a café that has sent some back, 700 g are in the van to another, 600 g were packed and wait for an order, 400 g
/// were thrown away, the rest is in the fridge.
struct Trouble {
    farm: Farm,
    lot: String,
    child: String,
    docket: String,
    waiting: String,
}

async fn trouble() -> Result<Trouble> {
    let farm = Farm::new().await?;
    let cafe = json!({"customer": "CAFE", "name": "The Café", "kind": "restaurant", "price_list": "TABLE", "telephone": "01 23 45", "email": "chef@cafe.example"});
    farm.create("/api/customers", cafe).await;
    let lot = farm.lot_of(5000).await;
    let docket = farm.docket_for("PLUM", 800).await;
    farm.create(
        &format!("/api/dockets/{docket}/returns"),
        json!({"lines": [{"line": 1, "grams_g": 100}], "reason": "Mould"}),
    )
    .await;
    let van = json!({"customer": "CAFE", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 700}]});
    let order = farm.create("/api/orders", van).await["order"].as_str().context("an order")?.to_owned();
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    let packing = json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": 620}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 600}], "trim_g": 20, "water_g": 0});
    let child = farm.create("/api/packings", packing).await["made"][0].as_str().context("a lot")?.to_owned();
    let waits = json!({"customer": "PLUM", "delivery_day": "2026-05-06", "lines": [{"product": "OY", "grams_g": 500}]});
    let waiting = farm.create("/api/orders", waits).await["order"].as_str().context("an order")?.to_owned();
    let chosen = json!({"chosen": [{"line": 1, "lot": child, "place": "F1", "grams_g": 500}], "reason": "as it comes"});
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{waiting}/set-aside"), &[], Some(chosen)).await.expect(200);
    let waste = json!({"kind": "waste", "lot": lot, "from_place": "F1", "grams_g": 400, "reason": "Soft"});
    farm.create("/api/movements", waste).await;
    Ok(Trouble { farm, lot, child, docket, waiting })
}

fn of_docket(docket: &str) -> Value {
    json!({"kind": "recall", "starts_from": "docket", "code": docket, "reason": "Mould under the caps"})
}

#[tokio::test]
async fn a_recall_finds_everybody_holds_what_is_here_and_ends_when_all_are_told() -> Result<()> {
    let Trouble { farm, lot, child, docket, waiting } = trouble().await?;
    let begun = farm.create("/api/recalls", of_docket(&docket)).await;
    let path = format!("/api/recalls/{}", begun["recall"].as_str().context("a code")?);
    assert_eq!((texts(&begun["lots"]), texts(&begun["made_into_lots"])), (vec![lot.clone()], vec![child.clone()]));
    let who = &begun["holders"];
    assert_eq!(codes(who, "customer"), ["CAFE", "PLUM"]);
    assert_eq!(
        (&who[0]["under_way_g"], &who[0]["kept_g"], &who[0]["telephone"]),
        (&json!(700), &json!(0), &json!("01 23 45"))
    );
    assert_eq!((&who[1]["under_way_g"], &who[1]["kept_g"]), (&json!(0), &json!(700)));
    assert!(is_held(&farm, &lot).await && is_held(&farm, &child).await);
    assert_eq!(farm.get(&format!("/api/lots/{child}")).await["hold"]["recall"], begun["recall"]);
    assert_eq!(set_aside_of(&farm, &waiting).await, 0, "nothing waits for an order");
    let here: i64 = begun["here"].as_array().context("rows")?.iter().filter_map(|row| row["grams_g"].as_i64()).sum();
    let account = &begun["account"];
    assert_eq!(here, 5800 - 800 - 620 - 400 + 600, "the van's among it: {}", begun["here"]);
    let parts = ["here_g", "with_customers_g", "wasted_g", "trimmed_g", "missing_g", "total_g"]
        .map(|part| account[part].as_i64());
    assert_eq!(parts, [Some(4580), Some(700), Some(500), Some(20), Some(0), Some(5800)]);

    farm.post(&format!("{path}/end"), json!({})).await.ensure_problem(422, "invalid", Some("/note"));
    farm.pass(TimeDelta::minutes(7));
    let told = json!({"customer": "PLUM", "told_how": "telephone", "note": "Has 200 g left"});
    farm.create(&format!("{path}/told"), told).await;
    farm.create(&format!("{path}/told"), json!({"customer": "CAFE", "told_how": "in_person"})).await;
    let nobody = json!({"customer": "SATURDAY", "told_how": "notice"});
    farm.post(&format!("{path}/told"), nobody).await.ensure_problem(422, "invalid", Some("/customer"));
    assert_eq!(farm.get(&path).await["holders"][1]["told"][0]["note"], "Has 200 g left");

    // While it lasts nobody releases a lot of it past it.
    farm.post(&format!("/api/lots/{child}/release"), json!({"reason": "Looks fine"}))
        .await
        .ensure_problem(409, "closed", None);
    let ended = farm.create(&format!("{path}/end"), json!({"release": true})).await;
    assert_eq!((ended["ended"]["entered_by"].is_string(), texts(&ended["held"])), (true, vec![]));
    assert!(!is_held(&farm, &lot).await && !is_held(&farm, &child).await);
    // What was known when it ended stays as it was, whatever is sent afterwards.
    farm.docket_for("PLUM", 200).await;
    assert_eq!(farm.get(&path).await, ended);
    farm.post(&format!("{path}/end"), json!({})).await.ensure_problem(409, "closed", None);
    let late = json!({"customer": "CAFE", "told_how": "letter"});
    farm.post(&format!("{path}/told"), late).await.ensure_problem(409, "closed", None);
    assert_eq!(codes(&farm.get("/api/recalls").await["rows"], "recall"), ["RC-1"]);
    Ok(())
}

/// The likely order of events: a practice that nobody closed, a hold by somebody who smelt something, then a recall in earnest.
#[tokio::test]
async fn ending_one_recall_frees_nothing_that_is_held_for_another_reason() -> Result<()> {
    let farm = Farm::new().await?;
    let first = farm.lot_of(1000).await;
    farm.pass(TimeDelta::days(1));
    let second = farm.lot_of(1000).await;
    let packing = json!({"place": "F1", "lots_in": [{"lot": first, "grams_g": 300}, {"lot": second, "grams_g": 300}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 600}]});
    let blend = farm.create("/api/packings", packing).await["made"][0].as_str().context("a lot")?.to_owned();
    let begin = async |kind: &str, lot: &str| {
        let new = json!({"kind": kind, "starts_from": "lot", "code": lot, "reason": "Mould", "hold": true});
        farm.create("/api/recalls", new).await
    };
    let end = async |code: &str| {
        farm.create(&format!("/api/recalls/{code}/end"), json!({"note": "Done", "release": true})).await
    };
    begin("rehearsal", &first).await;
    let recall = begin("recall", &first).await;
    assert_eq!(recall["here"].as_array().context("rows")?.iter().filter(|row| row["on_hold"] == true).count(), 2);
    end("RC-1").await;
    assert!(is_held(&farm, &first).await && is_held(&farm, &blend).await, "the recall goes on");
    // What the practice let go of is the recall's to release.
    assert_eq!(texts(&farm.get("/api/recalls/RC-2").await["held"]).len(), 2);
    // Somebody holds the other half of the blend: it stays held when the recall of its first half ends.
    farm.create(&format!("/api/lots/{second}/hold"), json!({"reason": "Smells"})).await;
    end("RC-2").await;
    let held = [is_held(&farm, &first).await, is_held(&farm, &second).await, is_held(&farm, &blend).await];
    assert_eq!(held, [false, true, true]);
    for lot in [&second, &blend] {
        farm.create(&format!("/api/lots/{lot}/release"), json!({"reason": "Looked at"})).await;
    }
    Ok(())
}

/// The call comes on a Saturday at eleven: the stall is out, and nothing is cashed up.
#[tokio::test]
async fn a_stall_that_is_out_is_somebody_to_tell() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(3000).await;
    let load = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "50", "taken": [{"lot": lot, "place": "F1", "grams_g": 2000}]});
    farm.create("/api/market-days", load).await;
    let gift = json!({"kind": "gift", "lot": lot, "from_place": "F1", "grams_g": 100, "reason": "For the neighbour"});
    farm.create("/api/movements", gift).await;
    let new = json!({"kind": "recall", "starts_from": "lot", "code": lot, "reason": "Mould"});
    let begun = farm.create("/api/recalls", new).await;
    assert_eq!(
        (codes(&begun["holders"], "customer"), &begun["holders"][0]["under_way_g"]),
        (vec!["SATURDAY".to_owned()], &json!(2000))
    );
    assert_eq!(
        (&begun["given"][0]["grams_g"], &begun["given"][0]["reason"]),
        (&json!(100), &json!("For the neighbour"))
    );
    farm.post("/api/recalls/RC-1/end", json!({})).await.ensure_problem(422, "invalid", Some("/note"));
    let early = json!({"customer": "SATURDAY", "told_how": "notice", "happened_at": "2026-05-03T08:00:00Z"});
    farm.post("/api/recalls/RC-1/told", early).await.ensure_problem(422, "invalid", Some("/happened_at"));
    farm.pass(TimeDelta::minutes(5));
    farm.create("/api/recalls/RC-1/told", json!({"customer": "SATURDAY", "told_how": "not_reached"})).await;
    farm.post("/api/recalls/RC-1/end", json!({})).await.ensure_problem(422, "invalid", Some("/note"));
    farm.create("/api/recalls/RC-1/told", json!({"customer": "SATURDAY", "told_how": "notice"})).await;
    // What the stall sold left with it in the morning: cashing up afterwards asks for no other notice.
    farm.pass(TimeDelta::hours(3));
    let closed = json!({"lots": [{"lot": lot, "back_g": 500, "wasted_g": 0, "tasted_g": 0}], "back_place": "F1", "cash": "80.00", "card": "0.00", "fee": "0.00"});
    farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(closed)).await.expect(200);
    let after = farm.get("/api/recalls/RC-1").await;
    assert_eq!((&after["holders"][0]["kept_g"], &after["holders"][0]["under_way_g"]), (&json!(1500), &json!(0)));
    farm.create("/api/recalls/RC-1/end", json!({})).await;
    Ok(())
}

/// A count that was wrong and was counted again.
#[tokio::test]
async fn what_a_count_missed_and_another_found_is_not_missing() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    for grams in [900, 1000] {
        farm.pass(TimeDelta::hours(1));
        let count =
            json!({"place": "F1", "lots": [{"lot": lot, "counted_g": grams, "found_reason": "Counted badly before"}]});
        farm.create("/api/stock-counts", count).await;
    }
    let account = farm.get(&format!("/api/lots/{lot}/trace")).await["account"].clone();
    assert_eq!(
        (&account["total_g"], &account["missing_g"], &account["here_g"]),
        (&json!(1000), &json!(0), &json!(1000)),
        "{account}"
    );
    Ok(())
}

#[tokio::test]
async fn a_rehearsal_leaves_the_stock_alone_unless_it_is_to_hold_it() -> Result<()> {
    let Trouble { farm, lot, child, docket, waiting } = trouble().await?;
    let mut new = of_docket(&docket);
    new["kind"] = json!("rehearsal");
    let begun = farm.create("/api/recalls", new.clone()).await;
    assert_eq!((codes(&begun["holders"], "customer").len(), texts(&begun["held"])), (2, vec![]));
    assert!(!is_held(&farm, &lot).await);
    assert_eq!(set_aside_of(&farm, &waiting).await, 500);
    new["hold"] = json!(true);
    let holding = farm.create("/api/recalls", new).await;
    let mut both = vec![lot, child];
    both.sort();
    assert_eq!(texts(&holding["held"]), both);
    // A shared phone releases nothing, and the recall goes on.
    let phone = farm.sign_in_on_shared_phone("ada").await;
    let end = json!({"note": "Done", "release": true});
    farm.post_as(&phone, "/api/recalls/RC-2/end", end.clone()).await.ensure_problem(403, "own-sign-in", None);
    assert!(farm.get("/api/recalls/RC-2").await["ended"].is_null());
    farm.create("/api/recalls/RC-2/end", end).await;
    Ok(())
}

#[tokio::test]
async fn what_is_harvested_of_the_batch_afterwards_is_told() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    let new = json!({"kind": "recall", "starts_from": "batch", "code": "b1", "reason": "Green mould on a block"});
    let begun = farm.create("/api/recalls", new).await;
    assert_eq!((texts(&begun["lots"]), texts(&begun["since"])), (vec![lot], vec![]));
    farm.pass(TimeDelta::days(1));
    let late = farm.lot_of(500).await;
    assert_eq!(texts(&farm.get("/api/recalls/RC-1").await["since"]), [late]);
    Ok(())
}

#[tokio::test]
async fn what_cannot_be_recalled_is_refused_by_its_field() -> Result<()> {
    let Trouble { farm, lot, .. } = trouble().await?;
    let with = |changes: Value| {
        let mut body = json!({"kind": "rehearsal", "starts_from": "lot", "code": lot, "reason": "To see"});
        if let (Some(body), Value::Object(changes)) = (body.as_object_mut(), changes) {
            body.extend(changes);
        }
        body
    };
    for (changes, status, slug, pointer) in [
        (json!({"code": "OY-260504-9"}), 404, "not-found", None),
        (json!({"code": ""}), 422, "invalid", Some("/code")),
        (json!({"code": "../.."}), 422, "invalid", Some("/code")),
        (json!({"starts_from": "moon"}), 422, "invalid", Some("/starts_from")),
        (json!({"starts_from": "place", "code": "F1"}), 422, "invalid", Some("/at")),
        (json!({"at": "2026-05-04T08:00:00Z"}), 422, "invalid", Some("/at")),
        (json!({"starts_from": "batch", "code": "B3"}), 422, "invalid", Some("/code")),
        (json!({"reason": " "}), 422, "invalid", Some("/reason")),
        (json!({"kind": "joke"}), 422, "invalid", Some("/kind")),
    ] {
        farm.post("/api/recalls", with(changes)).await.ensure_problem(status, slug, pointer);
    }
    assert_eq!(farm.get("/api/recalls").await["rows"], json!([]));
    farm.create("/api/recalls", with(json!({}))).await;
    let driver = farm.person("driver").await;
    farm.post_as(&driver, "/api/recalls", with(json!({}))).await.ensure_problem(403, "not-allowed", None);
    farm.post_as(&driver, "/api/recalls/RC-1/end", json!({"note": "x"})).await.ensure_problem(403, "not-allowed", None);
    farm.post("/api/recalls/RC-9/end", json!({})).await.ensure_problem(404, "not-found", None);
    let told = json!({"customer": "PLUM", "told_how": "telephone"});
    farm.post_as(&driver, "/api/recalls/RC-1/told", told).await.expect(201);
    let other = farm.second("eve").await?;
    other.ask(&other.owner, "GET", "/api/recalls/RC-1", &[], None).await.ensure_problem(404, "not-found", None);
    Ok(())
}

#[tokio::test]
async fn a_rehearsal_is_done_on_its_pages() -> Result<()> {
    let Trouble { farm, lot, docket, .. } = trouble().await?;
    let page = async |path: &str| farm.raw("GET", path, &[("accept", "text/html")], Vec::new()).await;
    let link = format!("/trace?starts_from=docket&amp;code={docket}");
    assert!(page(&format!("/dockets/{docket}")).await.text.contains(&link));
    let missing = page("/trace?starts_from=lot&code=OY-1").await;
    assert_eq!(missing.status, 404);
    assert!(
        missing.text.contains("There is no lot OY-1") && missing.text.contains("value=\"OY-1\""),
        "{}",
        missing.text
    );
    let timeless = page("/trace?starts_from=place&code=F1").await;
    assert!(timeless.status == 422 && timeless.text.contains("Say when"), "{}", timeless.text);
    let stood = page("/trace?starts_from=place&code=F1&at=2026-05-04T08%3A00").await;
    assert!(stood.status == 200 && stood.text.contains(&lot), "{}", stood.text);

    let action = format!("/recalls?starts_from=docket&code={docket}");
    let refused = send(&farm, &action, Uuid::new_v4(), &[("kind", "rehearsal"), ("reason", "")]).await?;
    assert!(refused.status == 422 && refused.text.contains("Fill this in."), "{}", refused.text);
    let fields = [("kind", "rehearsal"), ("reason", "Our yearly rehearsal"), ("hold", "true")];
    let key = Uuid::new_v4();
    for _ in 0..2 {
        let begun = send(&farm, &action, key, &fields).await?;
        assert_eq!(begun.headers["location"], "/recalls/RC-1", "{}", begun.text);
    }
    let seen = page("/recalls/RC-1").await.text;
    for needed in [
        "Practice recall RC-1",
        "Our yearly rehearsal",
        "0 of 2 told",
        "tel:012345",
        "mailto:chef@cafe.example?subject=",
        "on hold",
        "100.0 % of it",
    ] {
        assert!(seen.contains(needed), "{needed}: {seen}");
    }
    let told = [("customer", "CAFE"), ("told_how", "telephone"), ("note", "")];
    let done = send(&farm, "/recalls/RC-1/told", Uuid::new_v4(), &told).await?;
    assert_eq!(done.status, 303, "{}", done.text);
    let refused = send(&farm, "/recalls/RC-1/end", Uuid::new_v4(), &[("note", "")]).await?;
    assert!(refused.status == 422 && refused.text.contains("Not told yet: PLUM"), "{}", refused.text);
    let end = [("note", "Plum is closed on Mondays"), ("release", "true")];
    let ended = send(&farm, "/recalls/RC-1/end", Uuid::new_v4(), &end).await?;
    assert_eq!(ended.status, 303, "{}", ended.text);
    let seen = page("/recalls/RC-1").await.text;
    assert!(seen.contains("1 of 2 told") && !seen.contains("action=\"/recalls/RC-1/told\""), "{seen}");
    let late = send(&farm, "/recalls/RC-1/told", Uuid::new_v4(), &told).await?;
    assert!(late.status == 409 && late.text.contains("was ended by"), "{} {}", late.status, late.text);
    assert!(page("/recalls").await.text.contains("Our yearly rehearsal"));
    assert_eq!(page("/find?q=rc-1").await.headers["location"], "/recalls/RC-1");
    assert_eq!(page("/recalls/RC-9").await.status, 404);
    Ok(())
}

#[tokio::test]
async fn the_csv_has_every_row_of_the_trace_and_the_letters_name_who_has_it() -> Result<()> {
    let Trouble { farm, lot, .. } = trouble().await?;
    let trace = farm.get(&format!("/api/trace?starts_from=lot&code={lot}")).await;
    let csv = farm.raw("GET", &format!("/api/trace/csv?starts_from=lot&code={lot}"), &[], Vec::new()).await;
    ensure!(csv.headers["content-type"].to_str()?.starts_with("text/csv"));
    let mut lines = csv.text.lines();
    ensure!(lines.next() == Some("what,lot,at,other,document,grams,came_back_grams,remark"));
    let rows: Vec<Vec<&str>> = lines.map(|line| line.split(',').collect()).collect();
    let lists = ["came_from", "made", "was_in", "went_to", "not_sold", "here"];
    let all: usize = lists.iter().map(|list| trace[list].as_array().map_or(0, Vec::len)).sum();
    ensure!(rows.len() == all, "{} rows, {all} in the trace:\n{}", rows.len(), csv.text);
    let of =
        |what: &str| -> i64 { rows.iter().filter(|r| r[0] == what).filter_map(|r| r[5].parse::<i64>().ok()).sum() };
    ensure!((of("went_to"), of("on_its_way_to"), of("waste"), of("here")) == (800, 700, 500, 4580), "{}", csv.text);
    farm.create("/api/recalls", json!({"kind": "recall", "starts_from": "lot", "code": lot, "reason": "Mould"})).await;
    let (_, text) = printed("recall-letters", &pdf(&farm, "/api/recalls/RC-1/letters").await?)?;
    for needed in ["The Café", "PLUM", &lot, "We are recalling", "Mould", "0.700", "not handed over yet", "D-1"] {
        ensure!(text.contains(needed), "{needed}: {text}");
    }
    ensure!(text.matches('\u{c}').count() == 2, "a sheet each: {text}");
    farm.raw_as(&As::Nobody, "GET", "/api/recalls/RC-1/letters", &FORM, Vec::new()).await.expect(401);
    Ok(())
}
