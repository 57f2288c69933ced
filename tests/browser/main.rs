//! The pages in a real browser at a phone's size.

mod everybody;
mod hand;
mod line;
mod money;
mod pages;
mod phones;
mod recall;
mod round;
mod scale;
mod stall;
mod whole_farm;

use std::sync::Arc;

use anyhow::{Context, Result, ensure};
use chrono::Utc;
use clap::Parser;
use fantoccini::Locator;
use gillbook::{commands::Cli, keeper::run_evaluator};
use gillbook_testkit::{As, Farm};
use gillbook_tests::{Phone, serve};
use serde_json::json;

/// A thumb: every touch counts.
struct Thumb<'a> {
    phone: &'a Phone,
    touches: usize,
}

impl Thumb<'_> {
    async fn touch(&mut self, what: &str) -> Result<()> {
        // Nobody touches through the flip that says "kept", and the pad is dead for half a second after it, on purpose.
        self.phone.page.wait().for_element(Locator::Css("#pad:not([data-resting])")).await?;
        self.phone.page.wait().for_element(Locator::Css("#flip[hidden]")).await?;
        self.phone.touch(what).await?;
        self.touches += 1;
        Ok(())
    }

    async fn weigh(&mut self, digits: &str) -> Result<()> {
        for digit in digits.chars() {
            self.touch(&format!("#pad [data-digit='{digit}']")).await?;
        }
        self.touch("#keep").await?;
        Ok(())
    }

    async fn take_from(&mut self, batch: &str) -> Result<()> {
        self.touch("#source").await?;
        self.touch(&format!("#batches [data-batch='{batch}']")).await
    }

    async fn grade(&mut self, grade: &str) -> Result<()> {
        self.touch(&format!("#grades [data-grade='{grade}']")).await
    }
}

async fn sign_in(phone: &Phone, home: &str) -> Result<()> {
    sign_in_as(phone, home, "ada").await
}

async fn sign_in_as(phone: &Phone, home: &str, name: &str) -> Result<()> {
    phone.page.goto(&format!("{home}/sign-in")).await?;
    phone.page.find(Locator::Css("[name=sign_in_name]")).await?.send_keys(name).await?;
    phone.page.find(Locator::Css("[name=passphrase]")).await?.send_keys("four words do well").await?;
    phone.page.find(Locator::Css("main button")).await?.click().await?;
    phone.page.wait().for_element(Locator::Css("a[href='/weigh']")).await?;
    Ok(())
}

/// A farm whose clock is the browser's.
async fn farm_today() -> Result<Farm> {
    let mut farm = Farm::new().await?;
    farm.pass(Utc::now() - farm.now());
    farm.owner = farm.sign_in("ada").await;
    Ok(farm)
}

#[tokio::test(flavor = "multi_thread")]
async fn ten_weighings_from_three_batches_take_under_sixty_touches() -> Result<()> {
    let farm = farm_today().await?;
    let address = serve(farm.router.clone()).await?;
    let phone = Phone::open().await?;
    sign_in(&phone, &format!("http://{address}")).await?;
    phone.page.find(Locator::Css("a[href='/weigh']")).await?.click().await?;

    let mut thumb = Thumb { phone: &phone, touches: 0 };
    // One crate and its liner weigh 1462 g; the scale shows kilograms with two decimals.
    thumb.take_from("B1").await?;
    for digits in ["346", "395", "281"] {
        thumb.weigh(digits).await?;
    }
    thumb.grade("B").await?;
    thumb.weigh("205").await?;
    thumb.take_from("B2").await?;
    thumb.weigh("233").await?;
    thumb.grade("A").await?;
    for digits in ["410", "377"] {
        thumb.weigh(digits).await?;
    }
    thumb.take_from("B3").await?;
    for digits in ["298", "312"] {
        thumb.weigh(digits).await?;
    }
    thumb.grade("B").await?;
    thumb.weigh("190").await?;
    let keep = phone.page.wait().for_element(Locator::Css("#pad:not([data-resting])")).await;
    ensure!(keep.is_ok(), "the last weighing was kept");
    ensure!(thumb.touches < 60, "{} touches", thumb.touches);

    // Nothing scrolls while weighing: the keep button ends within the screen.
    let bottom =
        phone.page.execute("return document.getElementById('keep').getBoundingClientRect().bottom", vec![]).await?;
    ensure!(bottom.as_f64().is_some_and(|b| b <= 844.0), "{bottom}");
    let typed = phone
        .page
        .execute("return document.querySelectorAll('main input, main select, main textarea').length", vec![])
        .await?;
    assert_eq!(typed, json!(0), "nothing is typed but digits");
    phone.close().await?;

    let kept = farm.get("/api/weighings?limit=50").await;
    let mut net: Vec<i64> =
        kept["rows"].as_array().context("rows")?.iter().filter_map(|w| w["net_g"].as_i64()).collect();
    net.sort_unstable();
    assert_eq!(net, [438, 588, 868, 1348, 1518, 1658, 1998, 2308, 2488, 2638]);
    let lots: std::collections::BTreeSet<String> =
        kept["rows"].as_array().context("rows")?.iter().map(|w| w["lot"].to_string()).collect();
    assert_eq!(lots.len(), 4, "two strains in two grades: {lots:?}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_same_weight_twice_asks_and_undo_takes_it_back() -> Result<()> {
    let farm = farm_today().await?;
    let address = serve(farm.router.clone()).await?;
    let phone = Phone::open().await?;
    sign_in(&phone, &format!("http://{address}")).await?;
    phone.page.goto(&format!("http://{address}/weigh")).await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    thumb.weigh("346").await?;
    thumb.weigh("346").await?;
    let asked = phone.page.find(Locator::Id("keep")).await?.text().await?;
    assert_eq!(asked, "The same weight again? Keep it too");
    assert_eq!(
        farm.get("/api/weighings").await["rows"].as_array().map(Vec::len),
        Some(1),
        "not kept before the second touch"
    );
    thumb.touch("#keep").await?;
    phone.page.wait().for_element(Locator::Css("#last li:nth-child(2)")).await?;
    phone.page.wait().for_element(Locator::Css("#pad:not([data-resting])")).await?;
    thumb.touch("#last li:first-child button").await?;
    let asked = phone.page.find(Locator::Css("#last li:first-child")).await?.text().await?;
    ensure!(asked.contains("Undo 2.00 kg?"), "{asked}");
    assert_eq!(farm.get("/api/stock").await["rows"][0]["grams_g"], 2 * 1998, "not undone before the second touch");
    thumb.touch("#last li:first-child button").await?;
    phone.page.wait().for_element(Locator::Css("#last .undone")).await?;
    phone.close().await?;
    let stock = farm.get("/api/stock").await;
    assert_eq!(stock["rows"][0]["grams_g"], 1998, "{stock}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn enter_in_the_checks_book_sends_the_problem_that_was_typed() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/checks", json!({"check": "FLOOR", "name": "Floor", "topic": "cleaning", "every_days": 2})).await;
    let address = serve(farm.router.clone()).await?;
    let phone = Phone::open().await?;
    sign_in(&phone, &format!("http://{address}")).await?;
    phone.page.goto(&format!("http://{address}/checks")).await?;
    phone.page.find(Locator::Css(".check summary")).await?.click().await?;
    let typed = phone.page.wait().for_element(Locator::Css(".check [name=what_done]")).await?;
    typed.send_keys("Mopped again\n").await?;
    phone.page.wait().for_element(Locator::XPath("//td[contains(., 'problem: Mopped again')]")).await?;
    phone.close().await?;
    let done = farm.get("/api/checks-done").await;
    assert_eq!((done["rows"].as_array().map(Vec::len), &done["rows"][0]["good"]), (Some(1), &json!(false)), "{done}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_fridge_page_shows_a_played_failure_live_and_the_action_is_tapped_in() -> Result<()> {
    let farm = farm_today().await?;
    let lot = farm.lot_of(3000).await;
    let tomorrow = (Utc::now() + chrono::TimeDelta::days(1)).format("%Y-%m-%d").to_string();
    let order = json!({"customer": "PLUM", "delivery_day": tomorrow, "lines": [{"product": "OY", "grams_g": 1200}]});
    farm.create("/api/orders", order).await;
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    let token = farm.create("/api/tokens", json!({"name": "board", "scope": "readings", "probe": "p1"})).await;
    let token = token["secret"].as_str().context("a secret")?.to_owned();
    let keeper = tokio::spawn(run_evaluator(farm.store.clone(), Arc::new(Utc::now)));
    let address = serve(farm.router.clone()).await?;
    let home = format!("http://{address}");
    let phone = Phone::open().await?;
    sign_in(&phone, &home).await?;
    phone.page.goto(&format!("{home}/fridge")).await?;
    let before = phone.page.find(Locator::Id("live")).await?.text().await?;
    ensure!(!before.contains("Warm spell"), "{before}");

    // Four hours that have just passed: the compressor stands still after the first.
    let played =
        ["gillbook", "probe", "--url", &home, "--token", &token, "--probe", "p1", "--minutes", "240", "--speed", "1e6"];
    let more = ["--fails", "60", "--fails-for", "180", "--offline", "100", "--offline-for", "20"];
    Cli::parse_from(played.into_iter().chain(more)).run().await?;

    // Nobody touches the page: it renews itself.
    let link = phone.page.wait().for_element(Locator::XPath("//div[@id='live']//a[contains(., 'Warm spell')]")).await?;
    link.click().await?;
    let inside = phone.page.wait().for_element(Locator::Css("a[href^='/lots/']")).await?.text().await?;
    ensure!(inside.starts_with("OY-"), "{inside}");
    let excursion = phone.page.current_url().await?;
    // Before anything is said about it, the orders that it would go into say so.
    phone.page.goto(&format!("{home}/orders")).await?;
    let row = phone.page.find(Locator::XPath("//tr[.//a[@href='/orders/O-1']]")).await?.text().await?;
    ensure!(row.contains("1.20") && row.contains("warm spell"), "{row}");
    phone.page.goto(excursion.as_str()).await?;
    phone.page.find(Locator::Css("[name=done][value='Called for repair']")).await?.click().await?;
    phone.page.find(Locator::Css("[name=food][value=held]")).await?.click().await?;
    let ticked = phone.page.find(Locator::Css(&format!("[name=lot-{lot}]"))).await?;
    ensure!(ticked.prop("checked").await?.as_deref() == Some("true"), "a lot that is not decided is ticked");
    let width = phone.page.execute("return document.documentElement.scrollWidth", vec![]).await?;
    assert_eq!(width, json!(390), "the page scrolls sideways");
    phone.page.find(Locator::Css("form.sheet button")).await?.click().await?;
    phone.page.wait().for_element(Locator::XPath("//h2[text()='Action taken']")).await?;
    let said = phone.page.find(Locator::Css("main")).await?.text().await?;
    ensure!(said.contains("on hold") && said.contains("Short by it: O-1"), "{said}");
    phone.page.find(Locator::Css("a[href='/orders/O-1']")).await?.click().await?;
    let short = phone.page.wait().for_element(Locator::Css("td.short")).await?.text().await?;
    assert_eq!(short, "1.20", "the order is short");
    phone.page.goto(&format!("{home}/stock")).await?;
    let held = phone.page.find(Locator::Css("tr.held th")).await?.text().await?;
    ensure!(held.contains(&lot) && held.contains("on hold") && held.contains("warm spell"), "{held}");
    phone.close().await?;
    keeper.abort();

    let pdf = reqwest::Client::new().get(format!("{home}/api/places/F1/temperature-record/pdf"));
    let As::Cookie(cookie) = &farm.owner else { unreachable!("the owner is a person") };
    let bytes = pdf.header("cookie", cookie).send().await?.bytes().await?;
    let file = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("record.pdf");
    std::fs::write(&file, &bytes)?;
    let text = std::process::Command::new("pdftotext").arg("-layout").arg(&file).arg("-").output()?;
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    ensure!(text.contains("Warm spell") && text.contains("Called for repair"), "{text}");
    let drawn = std::process::Command::new("pdftoppm")
        .args(["-r", "60", "-png", "-singlefile"])
        .arg(&file)
        .arg(file.with_extension(""))
        .output()?;
    ensure!(drawn.status.success() && file.with_extension("png").metadata()?.len() > 5_000, "it can be drawn");
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_code_is_read_by_the_camera_where_the_browser_has_a_reader() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(900).await;
    let home = format!("http://{}", serve(farm.router.clone()).await?);
    let phone = Phone::open().await?;
    sign_in(&phone, &home).await?;
    phone.page.goto(&format!("{home}/find")).await?;
    let scan = Locator::Css(".scan:not([hidden]) button");
    // This browser has no reader of its own.
    assert!(phone.page.find(scan).await.is_err());
    // One that sees nothing in the first picture, and a camera that shows a canvas. The page's script is begun again with them.
    let begin = "const again = document.createElement('script'); again.type = 'module'; again.src = '/assets/find.js?again'; document.body.append(again);";
    let reader = "const code = arguments[0]; let looks = 0;
        window.BarcodeDetector = class { async detect() { looks += 1; return looks < 2 ? [] : [{ rawValue: code }]; } };
        navigator.mediaDevices.getUserMedia = async () => { const c = document.createElement('canvas'); c.getContext('2d'); return c.captureStream(5); };
        HTMLVideoElement.prototype.play = async () => {};";
    phone.page.execute(&format!("{reader}{begin}"), vec![json!(lot)]).await?;
    phone.page.wait().for_element(scan).await?.click().await?;
    phone.page.wait().for_url(&format!("{home}/lots/{lot}").parse()?).await?;
    // A camera that is not allowed leaves the field.
    phone.page.goto(&format!("{home}/find")).await?;
    let refused = "window.BarcodeDetector = class {}; navigator.mediaDevices.getUserMedia = async () => { throw new DOMException('no', 'NotAllowedError'); };";
    phone.page.execute(&format!("{refused}{begin}"), vec![]).await?;
    phone.page.wait().for_element(scan).await?.click().await?;
    phone
        .page
        .wait()
        .for_element(Locator::XPath("//p[@class='camera'][contains(., 'The camera is not allowed.')]"))
        .await?;
    phone.close().await
}
