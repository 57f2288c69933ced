//! The scale without a connection: its page opens, and what is weighed outlives the browser.

use std::path::Path;

use anyhow::{Context, Result, ensure};
use chrono::{DateTime, TimeDelta, Utc};
use fantoccini::Locator;
use gillbook_testkit::Farm;
use gillbook_tests::{Phone, serve};
use serde_json::json;

use super::{Network, all_saved, nets, sent_by_today};
use crate::{
    Thumb, farm_today,
    line::{Carries, Line},
    sign_in,
};

/// A farm, a phone that has had the scale open once, and the line between.
async fn at_a_line(profile: &Path) -> Result<(Farm, Phone, Line, Network)> {
    let farm = farm_today().await?;
    let network = Network::new();
    let line = Line::to(serve(network.before(farm.router.clone())).await?).await?;
    let phone = Phone::open_in(profile).await?;
    sign_in(&phone, &line.home).await?;
    phone.page.goto(&format!("{}/weigh", line.home)).await?;
    // The phone keeps the page by and by.
    let is_kept = "const look = async done => (await caches.match('/weigh')) ? done(true) : setTimeout(look, 50, done); look(arguments[0])";
    assert_eq!(phone.page.execute_async(is_kept, vec![]).await?, json!(true));
    Ok((farm, phone, line, network))
}

async fn text_of(phone: &Phone, css: &str) -> Result<String> {
    Ok(phone.page.wait().for_element(Locator::Css(css)).await?.text().await?)
}

#[tokio::test(flavor = "multi_thread")]
async fn ten_weighings_outlive_a_browser_that_is_killed_and_arrive_once_in_order() -> Result<()> {
    let profile = tempfile::tempdir()?;
    let (farm, phone, line, network) = at_a_line(profile.path()).await?;
    let scale = format!("{}/weigh", line.home);
    line.cut(true);
    phone.page.goto(&scale).await?;
    ensure!(text_of(&phone, "#old:not([hidden])").await?.starts_with("No connection. Batches and tares are those of"));
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    let typed = ["346", "395", "281", "205", "233", "410", "377", "298", "312", "290"];
    for digits in typed {
        thumb.weigh(digits).await?;
    }
    phone.page.wait().for_element(Locator::Css("#held-list li:nth-child(10)")).await?;
    phone.kill(profile.path())?;

    let phone = Phone::open_in(profile.path()).await?;
    phone.page.goto(&scale).await?;
    phone.page.wait().for_element(Locator::Css("#held-list li:nth-child(10)")).await?;
    assert_eq!(nets(&farm).await, [0_i64; 0], "nothing has arrived");
    line.cut(false);
    // The browser writes its cookies down by and by: one that is killed soon is signed out, and what waits, waits.
    sign_in(&phone, &line.home).await?;
    sent_by_today(&farm, &phone, typed.len()).await?;
    phone.page.goto(&scale).await?;
    all_saved(&phone).await?;
    let gross = |digits: &&str| digits.parse::<i64>().map(|digits| digits * 10);
    let typed = typed.iter().map(gross).collect::<Result<Vec<_>, _>>()?;
    assert_eq!(network.gross(), typed, "each arrives once, in order");
    let weighed: i64 = nets(&farm).await.iter().sum();
    assert_eq!(weighed, typed.iter().sum::<i64>() - 10 * 1462);
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_clock_is_set_right_once_the_service_answers() -> Result<()> {
    let profile = tempfile::tempdir()?;
    let (farm, phone, line, _) = at_a_line(profile.path()).await?;
    let late = "const Right = Date; Date = class extends Right {
        constructor(...given) { given.length ? super(...given) : super(Date.now()); }
        static now() { return Right.now() + 2 * 3600 * 1000; } };";
    phone.debug("Page.addScriptToEvaluateOnNewDocument", json!({"source": late})).await?;
    let scale = format!("{}/weigh", line.home);
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    // With a connection, and then without one.
    phone.page.goto(&scale).await?;
    let is_late = phone.page.execute("return Date.now()", vec![]).await?.as_i64().context("a time")?;
    ensure!(is_late > Utc::now().timestamp_millis() + 7_000_000, "the phone's clock is two hours ahead");
    thumb.take_from("B1").await?;
    thumb.weigh("346").await?;
    all_saved(&phone).await?;
    line.cut(true);
    phone.page.goto(&scale).await?;
    phone.page.wait().for_element(Locator::Css("#old:not([hidden])")).await?;
    thumb.weigh("395").await?;
    phone.page.wait().for_element(Locator::Css("#held-list li")).await?;
    line.cut(false);
    all_saved(&phone).await?;
    let kept = farm.get("/api/weighings").await;
    let rows = kept["rows"].as_array().context("rows")?;
    assert_eq!(rows.len(), 2, "{kept}");
    for row in rows {
        let at: DateTime<Utc> = row["weighed_at"].as_str().context("a time")?.parse()?;
        ensure!((Utc::now() - at).abs() < TimeDelta::minutes(5), "{row}");
    }
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn two_pages_of_one_phone_send_what_waits_once() -> Result<()> {
    let profile = tempfile::tempdir()?;
    let (farm, phone, line, network) = at_a_line(profile.path()).await?;
    line.cut(true);
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    for digits in ["346", "395", "281"] {
        thumb.weigh(digits).await?;
    }
    let first = phone.page.window().await?;
    let second = phone.page.new_window(true).await?.handle;
    phone.page.switch_to_window(second.clone()).await?;
    phone.page.goto(&format!("{}/weigh", line.home)).await?;
    phone.page.wait().for_element(Locator::Css("#held-list li:nth-child(3)")).await?;
    line.cut(false);
    all_saved(&phone).await?;
    // What the other page has sent is gone from this one too.
    phone.page.switch_to_window(first).await?;
    phone.page.wait().for_element(Locator::Css("#held[hidden]")).await?;
    let mut arrived = nets(&farm).await;
    arrived.sort_unstable();
    assert_eq!(arrived, [1348, 1998, 2488]);
    assert_eq!(network.gross(), [3460, 3950, 2810], "one of the pages sends, in order");
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn on_a_line_that_answers_nothing_the_scale_opens_and_does_not_freeze() -> Result<()> {
    let profile = tempfile::tempdir()?;
    let (farm, phone, line, _) = at_a_line(profile.path()).await?;
    line.carries.send_replace(Carries::Silence);
    // Nothing comes out of the browser's other caches either.
    phone.debug("Network.clearBrowserCache", json!({})).await?;
    phone.page.goto(&format!("{}/weigh", line.home)).await?;
    phone.page.wait().for_element(Locator::Css("#old:not([hidden])")).await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    thumb.weigh("346").await?;
    // The pad lives again while the line is still silent.
    thumb.touch("#pad:not([data-resting]) [data-digit='5']").await?;
    phone.page.wait().for_element(Locator::Css("#held-list li")).await?;
    line.cut(false);
    all_saved(&phone).await?;
    assert_eq!(nets(&farm).await, [1998]);
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_clock_that_is_set_meanwhile_gives_no_impossible_time() -> Result<()> {
    let profile = tempfile::tempdir()?;
    let (farm, phone, line, _) = at_a_line(profile.path()).await?;
    // The battery was out: the phone believes in 2020 until the connection is back and sets its clock.
    let long_ago = "const Right = Date; window.wrong = Right.now() - Right.UTC(2020, 0, 1);
        Date = class extends Right {
            constructor(...given) { given.length ? super(...given) : super(Date.now()); }
            static now() { return Right.now() - window.wrong; } };";
    phone.debug("Page.addScriptToEvaluateOnNewDocument", json!({"source": long_ago})).await?;
    line.cut(true);
    phone.page.goto(&format!("{}/weigh", line.home)).await?;
    phone.page.wait().for_element(Locator::Css("#old:not([hidden])")).await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    thumb.weigh("346").await?;
    phone.page.wait().for_element(Locator::Css("#held-list li")).await?;
    phone.page.execute("window.wrong = 0", vec![]).await?;
    line.cut(false);
    all_saved(&phone).await?;
    let kept = farm.get("/api/weighings").await;
    let at: DateTime<Utc> = kept["rows"][0]["weighed_at"].as_str().context("a time")?.parse()?;
    ensure!((Utc::now() - at).abs() < TimeDelta::minutes(5), "{kept}");
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn other_pages_say_where_the_scale_is_and_nothing_stays_of_who_signed_out() -> Result<()> {
    let profile = tempfile::tempdir()?;
    let (farm, phone, line, _) = at_a_line(profile.path()).await?;
    line.cut(true);
    phone.page.goto(&format!("{}/stock", line.home)).await?;
    ensure!(text_of(&phone, "main").await?.contains("Weighing goes on without it"));
    phone.page.find(Locator::Css("main a.next")).await?.click().await?;
    phone.page.wait().for_element(Locator::Css("#old:not([hidden])")).await?;
    line.cut(false);
    phone.page.goto(&format!("{}/weigh", line.home)).await?;
    phone.page.wait().for_element(Locator::Css("#old[hidden]")).await?;
    phone.page.find(Locator::Css("form[action='/sign-out'] button")).await?.click().await?;
    phone.page.wait().for_element(Locator::Css("[name=sign_in_name]")).await?;
    line.cut(true);
    phone.page.goto(&format!("{}/weigh", line.home)).await.ok();
    let left = phone.page.execute("return document.documentElement.outerHTML", vec![]).await?;
    ensure!(!left.to_string().contains("facts"), "{left}");
    // Whoever signs in over somebody else who never signed out does not weigh as them.
    line.cut(false);
    sign_in(&phone, &line.home).await?;
    phone.page.goto(&format!("{}/weigh", line.home)).await?;
    farm.person("picker").await;
    phone.page.delete_all_cookies().await?;
    crate::sign_in_as(&phone, &line.home, &format!("picker{}", farm.id.0)).await?;
    line.cut(true);
    phone.page.goto(&format!("{}/weigh", line.home)).await.ok();
    let left = phone.page.execute("return document.documentElement.outerHTML", vec![]).await?;
    ensure!(!left.to_string().contains("facts"), "{left}");
    phone.close().await
}
