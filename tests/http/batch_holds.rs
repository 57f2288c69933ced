//! Mould on a block: the batch and every lot of it are on hold in one act, and what is weighed of it afterwards is in the book and on hold.

use anyhow::{Context, Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::{Value, json};
use uuid::Uuid;

use super::forms::send;

fn texts(list: &Value) -> Vec<String> {
    list.as_array().into_iter().flatten().filter_map(|text| text.as_str().map(str::to_owned)).collect()
}

async fn is_held(farm: &Farm, lot: &str) -> bool {
    farm.get(&format!("/api/lots/{lot}")).await["on_hold"] == true
}

/// Two lots of batch B1, half a kilogram of the first packed and set aside for an order, and one lot of batch B3.
struct Picked {
    farm: Farm,
    first: String,
    second: String,
    pack: String,
    other: String,
    order: String,
}

async fn picked() -> Result<Picked> {
    let farm = Farm::new().await?;
    let first = farm.lot_of(2000).await;
    farm.pass(TimeDelta::days(1));
    let second = farm.lot_of(1500).await;
    let packing = json!({"place": "F1", "lots_in": [{"lot": first, "grams_g": 500}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 500}]});
    let pack = farm.create("/api/packings", packing).await["made"][0].as_str().context("a lot")?.to_owned();
    let mut weighing = Farm::weighing(800);
    weighing["sources"] = json!([{"batch": "B3", "flush": 1}]);
    let other = farm.create("/api/weighings", weighing).await["lot"].as_str().context("a lot")?.to_owned();
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-06", "lines": [{"product": "OY", "grams_g": 500}]});
    let order = farm.create("/api/orders", order).await["order"].as_str().context("an order")?.to_owned();
    let chosen = json!({"chosen": [{"line": 1, "lot": pack, "place": "F1", "grams_g": 500}], "reason": "as it comes"});
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(chosen)).await.expect(200);
    Ok(Picked { farm, first, second, pack, other, order })
}

fn mould() -> Value {
    json!({"reason": "Green mould on two blocks"})
}

#[tokio::test]
async fn a_batch_is_held_with_every_lot_of_it_and_released_with_those_held_for_nothing_else() -> Result<()> {
    let Picked { farm, first, second, pack, other, order } = picked().await?;
    farm.create(&format!("/api/lots/{second}/hold"), json!({"reason": "Smells of fish"})).await;
    let held = farm.create("/api/batches/B1/hold", mould()).await;
    let mut with = texts(&held["held_with"]);
    with.sort();
    let mut both = vec![first.clone(), pack.clone()];
    both.sort();
    assert_eq!((with, texts(&held["orders_short"])), (both, vec![order]));
    assert_eq!(held["hold"]["reason"], "Green mould on two blocks");
    ensure!(is_held(&farm, &first).await && is_held(&farm, &second).await && is_held(&farm, &pack).await);
    ensure!(!is_held(&farm, &other).await, "the other batch has nothing to do with it");
    assert_eq!(farm.get(&format!("/api/lots/{pack}")).await["hold"]["batch"], "B1");
    farm.post("/api/batches/B1/hold", mould()).await.ensure_problem(409, "closed", None);

    // Moved away, lost and cleared out it may be, but not sold.
    let sold = json!({"kind": "sold", "blocks": 2});
    farm.post("/api/batches/B1/moves", sold.clone()).await.ensure_problem(409, "on-hold", Some("/kind"));
    let before = json!({"kind": "sold", "blocks": 1, "moved_at": farm.now() - TimeDelta::hours(2)});
    farm.create("/api/batches/B1/moves", before).await;
    farm.create("/api/batches/B1/losses", json!({"blocks": 2, "reason": "Green mould"})).await;

    let picker = farm.person("picker").await;
    let release = json!({"reason": "Only the two blocks", "release_lots": true});
    assert_eq!(farm.post_as(&picker, "/api/batches/B1/release", release.clone()).await.status, 403);
    let released = farm.create("/api/batches/B1/release", release.clone()).await;
    ensure!(released["hold"].is_null(), "{released}");
    ensure!(!is_held(&farm, &first).await && !is_held(&farm, &pack).await);
    ensure!(is_held(&farm, &second).await, "that one smells of fish still");
    farm.post("/api/batches/B1/release", release).await.ensure_problem(409, "closed", None);
    farm.create("/api/batches/B1/moves", sold).await;
    farm.lot_of(300).await;
    Ok(())
}

#[tokio::test]
async fn what_is_weighed_of_it_goes_on_hold_apart_from_the_good_lots_of_the_day() -> Result<()> {
    let Picked { farm, .. } = picked().await?;
    let weigh = async |sources: Value| {
        let mut weighing = Farm::weighing(900);
        (weighing["sources"], weighing["grade"]) = (sources, json!("B"));
        farm.create("/api/weighings", weighing).await
    };
    let (b1, b2) = (json!([{"batch": "B1", "flush": 1}]), json!([{"batch": "B2", "flush": 1}]));
    let good = weigh(b2.clone()).await;
    farm.create("/api/batches/B1/hold", mould()).await;
    // Into a lot of its own, which what is weighed of it next joins; what another batch gives goes on into the good one.
    let first = weigh(b1.clone()).await;
    ensure!(first["on_hold"] == true && first["lot"] != good["lot"], "{first}");
    let held = first["lot"].as_str().context("a lot")?.to_owned();
    assert_eq!(farm.get(&format!("/api/lots/{held}")).await["hold"]["batch"], "B1");
    let both = json!([{"batch": "B2", "flush": 1, "share": 1}, {"batch": "B1", "flush": 1, "share": 1}]);
    for sources in [b1, both] {
        assert_eq!(weigh(sources).await["lot"], json!(held));
    }
    let more = weigh(b2).await;
    assert_eq!((&more["lot"], &more["on_hold"]), (&good["lot"], &json!(false)));
    let listed = farm.get("/api/weighings").await["rows"].as_array().context("rows")?.clone();
    assert_eq!(listed.iter().filter(|w| w["lot"] == json!(held) && w["on_hold"] == true).count(), 3);
    // Nothing of it is due or expected.
    let scale = farm.raw("GET", "/weigh", &[], Vec::new()).await.text;
    let facts =
        scale.split_once("id=\"facts\">").and_then(|(_, rest)| rest.split_once("</script>")).context("facts")?.0;
    let facts: Value = serde_json::from_str(facts)?;
    let of = |code: &str| facts["batches"].as_array().into_iter().flatten().find(|b| b["batch"] == code).cloned();
    let (b1, b2) = (of("B1").context("B1")?, of("B2").context("B2")?);
    assert_eq!((&b1["on_hold"], &b1["due"]), (&json!(true), &json!(false)));
    assert_eq!((&b2["on_hold"], &b2["due"]), (&json!(false), &json!(true)));
    let released = farm.create("/api/batches/B1/release", json!({"reason": "Fine", "release_lots": true})).await;
    ensure!(texts(&released["released_with"]).contains(&held), "{released}");
    Ok(())
}

/// A lot has one hold, and who takes away the reason that it names is stopped by every other.
#[tokio::test]
async fn a_lot_stays_on_hold_while_another_of_its_batches_or_a_recall_does() -> Result<()> {
    let farm = Farm::new().await?;
    let mut both = Farm::weighing(700);
    both["sources"] = json!([{"batch": "B1", "flush": 1, "share": 1}, {"batch": "B2", "flush": 1, "share": 1}]);
    let lot = farm.create("/api/weighings", both).await["lot"].as_str().context("a lot")?.to_owned();
    let hold = async |batch: &str| farm.create(&format!("/api/batches/{batch}/hold"), mould()).await;
    let release = async |batch: &str| {
        farm.create(&format!("/api/batches/{batch}/release"), json!({"reason": "Fine", "release_lots": true})).await
    };
    for (first, last) in [("B1", "B2"), ("B2", "B1")] {
        hold("B1").await;
        hold("B2").await;
        release(first).await;
        ensure!(is_held(&farm, &lot).await, "{last} is on hold still");
        release(last).await;
        // The first that was held is the one that the lot's hold names.
        if is_held(&farm, &lot).await {
            release("B1").await;
        }
        ensure!(!is_held(&farm, &lot).await, "nothing holds it");
    }
    // Nor does its owner release the lot alone while the batch that its hold does not name is on hold.
    hold("B1").await;
    hold("B2").await;
    let fine = json!({"reason": "Fine"});
    farm.post(&format!("/api/lots/{lot}/release"), fine.clone()).await.ensure_problem(409, "closed", None);
    farm.create("/api/batches/B2/release", fine.clone()).await;
    farm.create(&format!("/api/lots/{lot}/release"), fine).await;
    release("B1").await;
    // A recall of the lot ends while its batch is on hold.
    let recall = json!({"kind": "recall", "starts_from": "lot", "code": lot, "reason": "Mould"});
    let code = farm.create("/api/recalls", recall.clone()).await["recall"].as_str().context("a code")?.to_owned();
    hold("B1").await;
    let done = json!({"release": true, "note": "Nobody has any"});
    farm.create(&format!("/api/recalls/{code}/end"), done).await;
    ensure!(is_held(&farm, &lot).await);
    release("B1").await;
    ensure!(!is_held(&farm, &lot).await);
    // What a recall did not let go no batch does.
    let code = farm.create("/api/recalls", recall).await["recall"].as_str().context("a code")?.to_owned();
    farm.create(&format!("/api/recalls/{code}/end"), json!({"note": "Thrown away"})).await;
    hold("B1").await;
    release("B1").await;
    ensure!(is_held(&farm, &lot).await);
    Ok(())
}

#[tokio::test]
async fn a_recall_of_a_batch_holds_it_until_it_ends() -> Result<()> {
    let Picked { farm, first, .. } = picked().await?;
    let recall = |kind: &str, from: &str, code: &Value| json!({"kind": kind, "starts_from": from, "code": code, "reason": "Mould"});
    let begin = async |kind: &str, from: &str, code: &Value| {
        let begun = farm.create("/api/recalls", recall(kind, from, code)).await;
        begun["recall"].as_str().map(|code| format!("/api/recalls/{code}")).context("a code")
    };
    let of_batch = async || farm.get("/api/batches/B1").await["hold"].clone();
    begin("rehearsal", "batch", &json!("B1")).await?;
    ensure!(of_batch().await.is_null(), "a rehearsal holds nothing unless asked to");
    let (fine, done) =
        (json!({"reason": "Looks fine", "release_lots": true}), json!({"release": true, "note": "Nobody has any"}));
    let one = begin("recall", "batch", &json!("B1")).await?;
    let two = begin("recall", "batch", &json!("B1")).await?;
    assert_eq!(Some(of_batch().await["recall"].clone()), one.rsplit('/').next().map(Value::from));
    farm.post("/api/batches/B1/release", fine.clone()).await.ensure_problem(409, "closed", None);
    let late = farm.lot_of(100).await;
    farm.post(&format!("/api/lots/{late}/release"), json!({"reason": "Fine"}))
        .await
        .ensure_problem(409, "closed", None);
    farm.create(&format!("{one}/end"), done.clone()).await;
    ensure!(of_batch().await.is_object() && is_held(&farm, &first).await, "the other recall of it lasts");
    farm.create(&format!("{two}/end"), done.clone()).await;
    ensure!(of_batch().await.is_null() && !is_held(&farm, &first).await && !is_held(&farm, &late).await);
    // One that was on hold before a recall stays so until its owner releases it, and not before the recall has ended.
    farm.create("/api/batches/B1/hold", mould()).await;
    let begun = begin("recall", "batch", &json!("B1")).await?;
    farm.post("/api/batches/B1/release", fine.clone()).await.ensure_problem(409, "closed", None);
    farm.create(&format!("{begun}/end"), done).await;
    ensure!(of_batch().await["recall"].is_null() && is_held(&farm, &first).await);
    farm.create("/api/batches/B1/release", json!({"reason": "Fine"})).await;
    ensure!(of_batch().await.is_null() && is_held(&farm, &first).await, "the lots were not asked for");
    farm.create("/api/batches/B1/release", fine.clone()).await;
    ensure!(!is_held(&farm, &first).await);
    farm.post("/api/batches/B1/release", fine.clone()).await.ensure_problem(409, "closed", None);
    // One that ends and lets nothing go leaves both to the owner.
    let begun = begin("recall", "batch", &json!("B1")).await?;
    farm.create(&format!("{begun}/end"), json!({"note": "All thrown away"})).await;
    ensure!(of_batch().await.is_object() && is_held(&farm, &first).await);
    let released = farm.create("/api/batches/B1/release", fine).await;
    ensure!(texts(&released["released_with"]).contains(&first), "{released}");
    Ok(())
}

/// A sterilising run of two batches, one of which is written down while it is being recalled.
#[tokio::test]
async fn a_recall_of_a_sterilising_run_holds_its_batches_and_leaves_each_to_the_owner() -> Result<()> {
    let farm = Farm::new().await?;
    let cook = json!({"cook": "C-1", "method": "sterilised", "started_at": "2026-04-14T06:00:00Z", "hours": 12, "temperature_c": 98});
    farm.create("/api/cooks", cook).await;
    let make = async |batch: &str| {
        let new = json!({"batch": batch, "strain": "OY", "recipe": "OAK", "cook": "C-1", "made_on": "2026-04-15", "blocks": 20, "origin": "made"});
        let made = farm.create("/api/batches", new).await;
        farm.create(&format!("/api/batches/{batch}/moves"), json!({"kind": "moved", "blocks": 20, "room": "FR1"}))
            .await;
        made
    };
    let weigh = async |batch: &str, grade: &str| {
        let mut weighing = Farm::weighing(900);
        (weighing["sources"], weighing["grade"]) = (json!([{"batch": batch, "flush": 1}]), json!(grade));
        farm.create("/api/weighings", weighing).await["lot"].as_str().unwrap_or_default().to_owned()
    };
    ensure!(make("B8").await["hold"].is_null());
    let lot = weigh("B8", "A").await;
    let begun = json!({"kind": "recall", "starts_from": "cook", "code": "C-1", "reason": "The steam failed"});
    let begun = farm.create("/api/recalls", begun).await["recall"].clone();
    let code = begun.as_str().context("a code")?;
    assert_eq!(make("B9").await["hold"]["recall"], begun);
    let late = weigh("B9", "B").await;
    ensure!(is_held(&farm, &lot).await && is_held(&farm, &late).await);
    farm.post(&format!("/api/lots/{late}/release"), json!({"reason": "Fine"}))
        .await
        .ensure_problem(409, "closed", None);
    farm.create(&format!("/api/recalls/{code}/end"), json!({"note": "All thrown away"})).await;
    // It let nothing go: each batch is released for itself, with its own lots.
    let release = async |batch: &str| {
        farm.create(&format!("/api/batches/{batch}/release"), json!({"reason": "Fine", "release_lots": true})).await
    };
    farm.create("/api/batches/B9/release", json!({"reason": "Fine"})).await;
    assert_eq!(texts(&release("B8").await["released_with"]), [lot]);
    ensure!(is_held(&farm, &late).await, "its lots were left on hold");
    assert_eq!(texts(&release("B9").await["released_with"]), [late]);
    let found = gillbook_store::check::check(&farm.admin.clone().username("gillbook_audit")).await?;
    ensure!(found.is_empty(), "{found:?}");
    Ok(())
}

#[tokio::test]
async fn a_batch_is_held_and_released_on_its_page() -> Result<()> {
    let Picked { farm, pack, .. } = picked().await?;
    let path = "/batches/B1";
    let empty = send(&farm, "/batches/B1/hold", Uuid::new_v4(), &[("reason", "")]).await?;
    ensure!(empty.status == 422 && empty.text.contains("id=\"reason-wrong\""), "{}", empty.text);
    let held = send(&farm, "/batches/B1/hold", Uuid::new_v4(), &[("reason", "Green mould")]).await?;
    ensure!(held.status == 303, "{}", held.text);
    let page = farm.raw("GET", path, &[], Vec::new()).await.text;
    ensure!(
        page.contains("On hold since") && page.contains("Green mould") && !page.contains("/batches/B1/hold"),
        "{page}"
    );
    ensure!(
        page.contains(&pack) && !page.contains("value=\"sold\""),
        "what is here of it, and nothing that is refused: {page}"
    );
    let today = farm.raw("GET", "/", &[], Vec::new()).await.text;
    ensure!(today.contains("href=\"/batches/B1\""), "{today}");
    let lot = farm.raw("GET", &format!("/lots/{pack}"), &[], Vec::new()).await.text;
    ensure!(lot.contains("Put on hold with batch"), "{lot}");
    let blocks = farm.raw("GET", "/blocks", &[], Vec::new()).await.text;
    ensure!(blocks.contains("on hold"), "{blocks}");
    let picker = farm.person("picker").await;
    let theirs = farm.raw_as(&picker, "GET", path, &[], Vec::new()).await.text;
    ensure!(theirs.contains("Only the owner can.") && !theirs.contains("/batches/B1/release"), "{theirs}");
    // First the batch alone, then its lots: the page says what is left.
    let fine = [("reason", "Fine"), ("release_lots", "true")];
    for (fields, is_left) in [(&fine[..1], true), (&fine[..], false)] {
        let released = send(&farm, "/batches/B1/release", Uuid::new_v4(), fields).await?;
        ensure!(released.status == 303, "{}", released.text);
        assert_eq!(is_held(&farm, &pack).await, is_left);
        let page = farm.raw("GET", path, &[], Vec::new()).await.text;
        assert_eq!(page.contains("On hold still"), is_left, "{page}");
        ensure!(page.contains("Released") && page.contains("/batches/B1/hold"), "{page}");
    }
    Ok(())
}
