//! Mould on a block: the batch and every lot of it are on hold in one act, nothing more is harvested, and what was picked before is not lost.

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
async fn what_was_picked_before_and_is_weighed_late_goes_on_hold_and_nothing_is_picked_after() -> Result<()> {
    let Picked { farm, .. } = picked().await?;
    let before = farm.now();
    farm.pass(TimeDelta::minutes(30));
    farm.create("/api/batches/B1/hold", mould()).await;
    farm.pass(TimeDelta::minutes(5));
    farm.post("/api/weighings", Farm::weighing(900)).await.ensure_problem(409, "on-hold", Some("/sources/0/batch"));
    let mut late = Farm::weighing(900);
    late["weighed_at"] = json!(before);
    late["grade"] = json!("B");
    let lot = farm.create("/api/weighings", late.clone()).await["lot"].as_str().context("a lot")?.to_owned();
    ensure!(is_held(&farm, &lot).await, "it was picked of the same blocks");
    // Into a lot that another batch gave as well, and that was set aside of.
    let mut good = Farm::weighing(1200);
    (good["sources"], good["grade"]) = (json!([{"batch": "B2", "flush": 1}]), json!("C"));
    let shared = farm.create("/api/weighings", good).await["lot"].as_str().context("a lot")?.to_owned();
    ensure!(!is_held(&farm, &shared).await);
    let mut both = late;
    (both["id"], both["grade"]) = (json!(Uuid::new_v4()), json!("C"));
    assert_eq!(farm.create("/api/weighings", both).await["lot"], json!(shared));
    ensure!(is_held(&farm, &shared).await);
    // Nothing of it is expected either.
    let scale = farm.raw("GET", "/weigh", &[], Vec::new()).await.text;
    ensure!(scale.contains("\"on_hold\":true"), "{scale}");
    Ok(())
}

#[tokio::test]
async fn a_recall_of_a_batch_or_of_its_sterilising_run_holds_the_batch_until_it_ends() -> Result<()> {
    let Picked { farm, first, .. } = picked().await?;
    let recall = |kind: &str| json!({"kind": kind, "starts_from": "batch", "code": "B1", "reason": "Mould"});
    farm.create("/api/recalls", recall("rehearsal")).await;
    farm.lot_of(100).await;
    let begun = farm.create("/api/recalls", recall("recall")).await;
    let code = begun["recall"].as_str().context("a code")?;
    assert_eq!(farm.get("/api/batches/B1").await["hold"]["recall"], json!(code));
    farm.post("/api/weighings", Farm::weighing(900)).await.ensure_problem(409, "on-hold", Some("/sources/0/batch"));
    let fine = json!({"reason": "Looks fine", "release_lots": true});
    farm.post("/api/batches/B1/release", fine.clone()).await.ensure_problem(409, "closed", None);
    farm.create(&format!("/api/recalls/{code}/end"), json!({"release": true, "note": "Nobody has any"})).await;
    ensure!(farm.get("/api/batches/B1").await["hold"].is_null() && !is_held(&farm, &first).await);
    farm.lot_of(100).await;
    // One that ends and lets nothing go leaves the batch to the owner.
    let begun = farm.create("/api/recalls", recall("recall")).await;
    let code = begun["recall"].as_str().context("a code")?;
    farm.create(&format!("/api/recalls/{code}/end"), json!({"note": "All thrown away"})).await;
    ensure!(farm.get("/api/batches/B1").await["hold"].is_object());
    farm.create("/api/batches/B1/release", fine).await;
    farm.lot_of(100).await;
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
    ensure!(page.contains("Green mould") && !page.contains("/batches/B1/hold"), "{page}");
    let picker = farm.person("picker").await;
    let theirs = farm.raw_as(&picker, "GET", path, &[], Vec::new()).await.text;
    ensure!(theirs.contains("Only the owner can release it") && !theirs.contains("/batches/B1/release"), "{theirs}");
    let fine = [("reason", "Fine"), ("release_lots", "true")];
    let released = send(&farm, "/batches/B1/release", Uuid::new_v4(), &fine).await?;
    ensure!(released.status == 303, "{}", released.text);
    ensure!(!is_held(&farm, &pack).await);
    Ok(())
}
