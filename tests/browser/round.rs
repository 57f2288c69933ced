//! Packing and a round without a signal: what is ticked off and handed over waits on the phone and arrives once.

use anyhow::{Context, Result, ensure};
use chrono::{DateTime, TimeDelta, Utc};
use fantoccini::Locator;
use gillbook_testkit::Farm;
use gillbook_tests::{Phone, serve};
use serde_json::{Value, json};

use crate::{
    farm_today,
    line::Line,
    scale::{Network, Way},
    sign_in,
};

/// A confirmed order of a kilogram for today, with the goods set aside for it.
async fn order(farm: &Farm) -> Result<String> {
    farm.lot_of(1500).await;
    let lines = json!([{"product": "OY", "grams_g": 1000}]);
    let body = json!({"customer": "PLUM", "delivery_day": farm.today(), "lines": lines});
    let order = farm.create("/api/orders", body).await["order"].as_str().context("an order")?.to_owned();
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
    Ok(order)
}

/// A docket that is on its way in the van.
async fn under_way(farm: &Farm) -> Result<String> {
    let order = order(farm).await?;
    let docket = farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    Ok(docket["docket"].as_str().context("a docket")?.to_owned())
}

async fn shown(phone: &Phone, words: &str) -> Result<()> {
    let there = format!("//main[contains(., \"{words}\")]");
    let found = phone.page.wait().for_element(Locator::XPath(&there)).await;
    let left = phone.page.find(Locator::Css("main")).await?.text().await?;
    found.map(drop).with_context(|| format!("“{words}” is not in: {left}"))
}

/// Waits until the phone has kept a page with what it needs.
async fn kept(phone: &Phone, path: &str) -> Result<()> {
    let look = "const [path, done] = arguments; const look = async () => ((await caches.match(path)) && (await caches.match('/assets/unsent.js')) ? done(true) : setTimeout(look, 50)); look()";
    ensure!(phone.page.execute_async(look, vec![json!(path)]).await? == json!(true));
    Ok(())
}

async fn fill(phone: &Phone, css: &str, text: &str) -> Result<()> {
    let field = phone.page.wait().for_element(Locator::Css(css)).await?;
    field.clear().await?;
    Ok(field.send_keys(text).await?)
}

fn instant(value: &Value) -> Result<DateTime<Utc>> {
    Ok(value.as_str().context("an instant")?.parse()?)
}

/// What waits is not lost where the browser is killed, and an answer that is lost makes nothing twice.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_packed_without_a_connection_arrives_once() -> Result<()> {
    let farm = farm_today().await?;
    let order = order(&farm).await?;
    let network = Network::new();
    let line = Line::to(serve(network.before(farm.router.clone())).await?).await?;
    let profile = tempfile::tempdir()?;
    let phone = Phone::open_in(profile.path()).await?;
    sign_in(&phone, &line.home).await?;
    let list = format!("{}/packing-list", line.home);
    phone.page.goto(&list).await?;
    kept(&phone, "/packing-list").await?;
    // What the service refuses stands beside its field, as without the outbox.
    fill(&phone, ".pack input[name=grams_g]", "9").await?;
    phone.touch(".pack button").await?;
    shown(&phone, "takes up to").await?;
    phone.page.goto(&list).await?;
    // A signal that lasts for a question and not for the form.
    let began = Utc::now();
    network.set(Way::Lost);
    let before = network.sendings();
    fill(&phone, ".pack input[name=grams_g]", "1.04").await?;
    phone.touch(".pack button").await?;
    shown(&phone, "1.04 kg packed. Not sent yet.").await?;
    ensure!(network.sendings() > before, "it was on its way");
    line.cut(true);
    // The page out of the cache is another, with another key, and asks for nothing that waits already.
    phone.page.goto(&list).await?;
    shown(&phone, "No connection. This page is as it was on").await?;
    shown(&phone, "1.04 kg packed. Not sent yet.").await?;
    ensure!(!phone.page.find(Locator::Css(".pack")).await?.is_displayed().await?, "it is not asked for twice");
    phone.kill(profile.path())?;
    // Today says so, and sends it; the first answer is lost on its way.
    farm.pass(TimeDelta::minutes(10));
    let phone = Phone::open_in(profile.path()).await?;
    line.cut(false);
    network.set(Way::AnswerLost);
    let before = network.sendings();
    sign_in(&phone, &line.home).await?;
    phone.page.wait().for_element(Locator::Css("#waiting:not([hidden]) li")).await?;
    shown(&phone, "1.04 kg packed. Not sent yet.").await?;
    network.set(Way::Good);
    phone.page.wait().for_element(Locator::Css("#waiting[hidden]")).await?;
    ensure!(network.sendings() > before, "Today sent it");
    phone.page.goto(&list).await?;
    shown(&phone, "all 1.04 kg packed").await?;
    shown(&phone, "Undo").await?;
    let packed = farm.get(&format!("/api/orders/{order}")).await["lines"][0]["set_aside"][0].clone();
    ensure!(packed["grams_g"] == 1040, "{packed}");
    let at = instant(&packed["packed_at"])?;
    ensure!((began..=began + TimeDelta::minutes(5)).contains(&at), "packed when it was packed: {at}, {began}");
    ensure!(phone.page.find_all(Locator::Css(".done")).await?.is_empty());
    phone.close().await
}

/// The dockets of the day are there without having been opened, and one that is handed over says when that was.
#[tokio::test(flavor = "multi_thread")]
async fn a_round_is_driven_without_a_connection() -> Result<()> {
    let farm = farm_today().await?;
    let (docket, other) = (under_way(&farm).await?, under_way(&farm).await?);
    let line = Line::to(serve(farm.router.clone()).await?).await?;
    let phone = Phone::open().await?;
    sign_in(&phone, &line.home).await?;
    phone.page.goto(&format!("{}/packing-list", line.home)).await?;
    for docket in [&docket, &other] {
        kept(&phone, &format!("/dockets/{docket}")).await?;
    }
    line.cut(true);
    // Any other page says which are there.
    phone.page.goto(&format!("{}/orders", line.home)).await?;
    let link = format!("#kept-pages a[href='/dockets/{docket}']");
    phone.page.wait().for_element(Locator::Css(&link)).await?.click().await?;
    shown(&phone, "No connection.").await?;
    fill(&phone, "[name=taken_by]", "Kim").await?;
    phone.touch("form.sheet button.next").await?;
    shown(&phone, "Kim. Not sent yet.").await?;
    // It never was on its way: it is taken back, corrected and kept again.
    phone.touch("form.sheet + .done button").await?;
    ensure!(phone.page.find(Locator::Css("[name=taken_by]")).await?.prop("value").await?.as_deref() == Some("Kim"));
    fill(&phone, "[name=taken_by]", "Kim Oak").await?;
    phone.touch("form.sheet button.next").await?;
    shown(&phone, "Kim Oak. Not sent yet.").await?;
    // The other one is handed over by somebody else meanwhile.
    phone.page.goto(&format!("{}/dockets/{other}", line.home)).await?;
    fill(&phone, "[name=taken_by]", "Ada").await?;
    phone.touch("form.sheet button.next").await?;
    shown(&phone, "Ada. Not sent yet.").await?;
    shown(&phone, "1 more on this phone, not sent yet").await?;
    farm.create(&format!("/api/dockets/{other}/delivery"), json!({"taken_by": "Lou"})).await;
    let began = Utc::now();
    farm.pass(TimeDelta::hours(2));
    line.cut(false);
    phone.page.goto(&format!("{}/dockets/{other}", line.home)).await?;
    shown(&phone, "Lou").await?;
    phone.page.goto(&format!("{}/packing-list", line.home)).await?;
    shown(&phone, "Ada. Not saved:").await?;
    let told = farm.get(&format!("/api/dockets/{docket}")).await;
    ensure!(told["delivery"]["taken_by"] == "Kim Oak", "{told}");
    let at = instant(&told["delivery"]["delivered_at"])?;
    ensure!(at <= began && at > began - TimeDelta::minutes(5), "handed over when it was: {at}, {began}");
    ensure!(farm.get(&format!("/api/dockets/{other}")).await["delivery"]["taken_by"] == "Lou");
    // What was refused stays until somebody has seen it.
    for words in ["Forget it", "Yes, forget what was filled in"] {
        ensure!(phone.page.find(Locator::Css("#unsent .done button")).await?.text().await? == words);
        phone.touch("#unsent .done button").await?;
    }
    phone.page.wait().for_element(Locator::Css("#unsent:not(:has(.done))")).await?;
    phone.close().await
}
