//! The keypad, and what is chosen on it.

use anyhow::{Result, ensure};
use fantoccini::{
    Locator,
    actions::{InputSource, KeyAction, KeyActions},
};
use gillbook_testkit::Farm;
use gillbook_tests::{Phone, serve};
use serde_json::json;

use super::{all_saved, at_the_scale, nets, said};
use crate::{Thumb, farm_today, sign_in};

async fn press(phone: &Phone, keys: &[char]) -> Result<()> {
    let mut actions = KeyActions::new("keypad".into());
    for key in keys {
        actions = actions.then(KeyAction::Down { value: *key }).then(KeyAction::Up { value: *key });
    }
    phone.page.perform_actions(actions).await?;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_keypad_types_and_saves_and_what_cannot_be_is_said_in_kilograms() -> Result<()> {
    let (farm, phone, _, _) = at_the_scale().await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    let net = || async { anyhow::Ok(phone.page.find(Locator::Id("net")).await?.text().await?) };
    let tale = || async { anyhow::Ok(phone.page.find(Locator::Id("tale")).await?.text().await?) };
    press(&phone, &['9', '9', '9', '9', '9']).await?;
    assert_eq!(tale().await?, "999.99 kg is more than one weighing takes (60.00 kg). Check the digits.");
    press(&phone, &['1']).await?;
    said(&phone, "at most 5 digits").await?;
    // Delete, then a weight below the crate's.
    press(&phone, &['\u{e017}', '1', '0', '0']).await?;
    assert_eq!(tale().await?, "Crate weighs more than the total: 1.46 kg of 1.00 kg. Check the crates.");
    // Backspace, and the weight; Enter of the keypad saves it.
    press(&phone, &['\u{e003}', '\u{e003}', '\u{e003}', '3', '4', '6']).await?;
    assert_eq!(net().await?, "2.00");
    press(&phone, &['\u{e007}']).await?;
    all_saved(&phone).await?;
    assert_eq!(nets(&farm).await, [1998]);
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn crate_kinds_no_crate_and_fridges_are_chosen() -> Result<()> {
    let farm = farm_today().await?;
    farm.create(
        "/api/crates",
        json!({"crate": "RED", "name": "Red", "kind": "crate", "tare_dry_g": 900, "tare_wet_g": 940}),
    )
    .await;
    farm.create("/api/places", json!({"place": "F2", "name": "Second", "kind": "fridge"})).await;
    let home = format!("http://{}", serve(farm.router.clone()).await?);
    let phone = Phone::open().await?;
    sign_in(&phone, &home).await?;
    phone.page.goto(&format!("{home}/weigh")).await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.touch("#source").await?;
    let focus = "return document.activeElement.id";
    assert_eq!(phone.page.execute(focus, vec![]).await?, json!("choose"), "focus goes where the screen goes");
    for choice in ["#crate-kinds button:nth-child(2)", "#fridges button:nth-child(2)", "[data-batch=B1]"] {
        thumb.touch(choice).await?;
    }
    assert_eq!(phone.page.execute(focus, vec![]).await?, json!("source"));
    thumb.touch("[data-wet=yes]").await?;
    phone.page.find(Locator::Css("[data-wet=yes][aria-pressed=true]")).await?;
    phone.page.find(Locator::Css("[data-wet=no][aria-pressed=false]")).await?;
    // 3000 less a wet red crate (940) and a wet liner (18).
    thumb.weigh("300").await?;
    phone.page.wait().for_element(Locator::Css("#last li")).await?;
    for _ in 0..4 {
        thumb.touch("#crates").await?;
    }
    assert_eq!(phone.page.find(Locator::Id("crates")).await?.text().await?, "no crate");
    thumb.weigh("50").await?;
    phone.page.wait().for_element(Locator::Css("#last li:nth-child(2)")).await?;
    phone.close().await?;
    let mut kept = nets(&farm).await;
    kept.sort_unstable();
    assert_eq!(kept, [500, 2042]);
    let stock = farm.get("/api/stock").await;
    assert_eq!(stock["rows"][0]["place"], "F2", "{stock}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_left_open_overnight_asks_for_the_batches_of_now() -> Result<()> {
    let (farm, phone, _, _) = at_the_scale().await?;
    farm.create("/api/batches", json!({"batch": "B9", "strain": "OY", "recipe": "OAK", "made_on": "2026-04-15", "blocks": 20, "origin": "made"})).await;
    farm.create("/api/batches/B9/moves", json!({"kind": "moved", "blocks": 20, "room": "FR1"})).await;
    phone.page.find(Locator::Css("[data-batch=B1]")).await?;
    ensure!(phone.page.find(Locator::Css("[data-batch=B9]")).await.is_err());
    // Eight hours later by the phone's clock somebody looks at it.
    let morning = "const later = Date.now() + 8 * 3600e3; Date.now = () => later; document.dispatchEvent(new Event('visibilitychange'))";
    phone.page.execute(morning, vec![]).await?;
    phone.page.wait().for_element(Locator::Css("[data-batch=B9]")).await?;
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_fresh_farm_is_told_what_is_missing() -> Result<()> {
    let farm = Farm::bare().await?;
    let home = format!("http://{}", serve(farm.router.clone()).await?);
    let phone = Phone::open().await?;
    sign_in(&phone, &home).await?;
    phone.page.goto(&format!("{home}/weigh")).await?;
    phone.touch("#source").await?;
    let none = phone.page.find(Locator::Id("none")).await?.text().await?;
    assert_eq!(
        none,
        "No batch stands in a fruiting room. Move blocks into a fruiting room, then choose their batch here. See the batches"
    );
    phone.page.find(Locator::Id("unchoose")).await?.click().await?;
    ensure!(phone.page.find(Locator::Id("keep")).await?.is_displayed().await?);
    phone.page.goto(&format!("{home}/fridge")).await?;
    phone.page.find(Locator::Css("header nav a[href='/orders']")).await?;
    phone.close().await
}
