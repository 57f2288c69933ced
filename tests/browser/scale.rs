//! The scale form when the network or the service is not what it should be: nothing is counted twice and nothing is lost.

use std::sync::{Arc, Mutex};

use anyhow::{Context, Result, ensure};
use axum::{
    Router,
    body::Body,
    extract::Request,
    http::{Method, Response},
};
use fantoccini::{
    Locator,
    actions::{InputSource, KeyAction, KeyActions},
};
use gillbook_testkit::Farm;
use gillbook_tests::{Phone, serve};
use serde_json::{Value, json};
use sqlx::Connection;
use tower::ServiceExt;

use super::{Thumb, farm_today, sign_in};

/// What becomes of a weighing on its way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    /// It arrives and is answered.
    Good,
    /// It arrives, and the answer is lost.
    AnswerLost,
    /// It never arrives.
    Lost,
    /// It never arrives and nothing says so.
    Hangs,
}

/// The line between a phone and the service, which a test can cut.
#[derive(Debug, Clone)]
struct Network {
    way: Arc<Mutex<Way>>,
    sent: Arc<Mutex<Vec<Value>>>,
}

impl Network {
    fn new() -> Self {
        Self { way: Arc::new(Mutex::new(Way::Good)), sent: Arc::default() }
    }

    fn set(&self, way: Way) {
        *self.way.lock().expect("no test panics with it") = way;
    }

    /// The ids of the weighings that were sent, in their order.
    fn ids(&self) -> Vec<String> {
        self.sent.lock().expect("no test panics with it").iter().map(|w| w["id"].to_string()).collect()
    }

    /// The service, asked over this line.
    fn before(&self, service: Router) -> Router {
        let network = self.clone();
        Router::new().fallback(move |request: Request| {
            let (network, service) = (network.clone(), service.clone());
            async move { network.carry(service, request).await }
        })
    }

    async fn carry(&self, service: Router, request: Request) -> Response<Body> {
        if request.method() != Method::POST || !request.uri().path().starts_with("/api/weighings") {
            return service.oneshot(request).await.expect("a router answers");
        }
        let (parts, body) = request.into_parts();
        let bytes = axum::body::to_bytes(body, 1 << 20).await.expect("a short body");
        self.sent.lock().expect("no test panics with it").push(serde_json::from_slice(&bytes).unwrap_or_default());
        let way = *self.way.lock().expect("no test panics with it");
        match way {
            Way::Good | Way::AnswerLost => {
                let answer = service.oneshot(Request::from_parts(parts, Body::from(bytes))).await.expect("an answer");
                // The connection ends in the middle of the answer.
                if way == Way::AnswerLost { answer.map(|_| cut_off()) } else { answer }
            }
            Way::Lost => Response::new(cut_off()),
            Way::Hangs => std::future::pending().await,
        }
    }
}

fn cut_off() -> Body {
    Body::from_stream(futures::stream::iter([Ok("{"), Err(std::io::Error::other("the line is cut"))]))
}

/// A farm, a phone at its scale form, and the line between.
async fn at_the_scale() -> Result<(Farm, Phone, Network, String)> {
    let farm = farm_today().await?;
    let network = Network::new();
    let home = format!("http://{}", serve(network.before(farm.router.clone())).await?);
    let phone = Phone::open().await?;
    sign_in(&phone, &home).await?;
    phone.page.goto(&format!("{home}/weigh")).await?;
    Ok((farm, phone, network, home))
}

async fn nets(farm: &Farm) -> Vec<i64> {
    let kept = farm.get("/api/weighings").await;
    kept["rows"].as_array().into_iter().flatten().filter_map(|w| w["net_g"].as_i64()).collect()
}

async fn said(phone: &Phone, words: &str) -> Result<()> {
    let there = format!("//p[@id='said' and contains(., \"{words}\")]");
    phone.page.wait().for_element(Locator::XPath(&there)).await.with_context(|| words.to_owned())?;
    Ok(())
}

/// The form is ready for the next weighing and nothing waits.
async fn all_saved(phone: &Phone) -> Result<()> {
    phone.page.wait().for_element(Locator::Css("#held[hidden]")).await?;
    phone.page.wait().for_element(Locator::Css("#last li")).await?;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_lost_answer_counts_once() -> Result<()> {
    let (farm, phone, network, _) = at_the_scale().await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    network.set(Way::AnswerLost);
    thumb.weigh("346").await?;
    said(&phone, "Not known yet whether 2.00 kg was saved").await?;
    assert_eq!(nets(&farm).await, [1998], "it was kept, but nobody heard");
    network.set(Way::Good);
    // Nobody touches anything: the phone asks again by itself.
    all_saved(&phone).await?;
    said(&phone, "Everything on this phone is saved.").await?;
    let ids = network.ids();
    ensure!(ids.len() >= 2 && ids.iter().all(|id| *id == ids[0]), "one id however often it is sent: {ids:?}");
    assert_eq!(nets(&farm).await, [1998]);
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_phone_out_of_a_drawer_doubles_nothing() -> Result<()> {
    let (farm, phone, network, _) = at_the_scale().await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    network.set(Way::AnswerLost);
    thumb.weigh("346").await?;
    said(&phone, "Not known yet").await?;
    // Months later the service has forgotten what it answered, and the phone sends the weighing again.
    let mut db = sqlx::PgConnection::connect_with(&farm.admin).await?;
    sqlx::query("delete from idempotency").execute(&mut db).await?;
    network.set(Way::Good);
    all_saved(&phone).await?;
    said(&phone, "Everything on this phone is saved.").await?;
    assert_eq!(nets(&farm).await, [1998]);
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn without_a_connection_weighing_goes_on_and_a_reload_loses_nothing() -> Result<()> {
    let (farm, phone, network, home) = at_the_scale().await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    network.set(Way::Lost);
    thumb.weigh("346").await?;
    thumb.grade("B").await?;
    thumb.weigh("395").await?;
    phone.page.wait().for_element(Locator::Css("#held-list li:nth-child(2)")).await?;
    thumb.mark_dirty("#pad [data-digit='7']").await?;
    assert_eq!(nets(&farm).await, [0_i64; 0]);

    // The service comes back while the page is loaded anew: what waited goes, and the form is as it was left.
    network.set(Way::Good);
    phone.page.goto(&format!("{home}/weigh")).await?;
    all_saved(&phone).await?;
    let mut kept = nets(&farm).await;
    kept.sort_unstable();
    assert_eq!(kept, [1998, 2488]);
    let batch = phone.page.find(Locator::Id("source-code")).await?.text().await?;
    let digits = phone.page.execute("return document.getElementById('tale').textContent", vec![]).await?;
    assert_eq!(batch, "B1");
    ensure!(digits.to_string().contains("of 0.07 kg"), "{digits}");
    phone.page.find(Locator::Css("#grades [data-grade=B][aria-pressed=true]")).await?;
    phone.close().await
}

/// A phone that writes nothing into its storage any more, as one that is full or keeps to itself.
async fn fill_storage(phone: &Phone) -> Result<()> {
    let full = "Storage.prototype.setItem = () => { throw new DOMException('full', 'QuotaExceededError') }";
    phone.page.execute(full, vec![]).await?;
    Ok(())
}

async fn text_of(phone: &Phone, id: &str) -> Result<String> {
    let text = phone.page.execute("return document.getElementById(arguments[0]).textContent", vec![json!(id)]).await?;
    Ok(text.as_str().context("a text")?.to_owned())
}

const UNSTORED: &str = "This phone cannot keep it: do not close this page until it is sent.";

#[tokio::test(flavor = "multi_thread")]
async fn a_phone_that_can_store_nothing_sends_all_the_same() -> Result<()> {
    let (farm, phone, network, _) = at_the_scale().await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    fill_storage(&phone).await?;
    thumb.weigh("346").await?;
    all_saved(&phone).await?;
    assert_eq!(nets(&farm).await, [1998]);
    assert_eq!(text_of(&phone, "flip").await?, "2.00 kg saved");

    network.set(Way::Lost);
    thumb.weigh("395").await?;
    said(&phone, &format!("Not known yet whether 2.49 kg was saved. It will be sent again by itself. {UNSTORED}"))
        .await?;
    assert_eq!(text_of(&phone, "flip").await?, "2.00 kg saved", "nothing else was said to be saved");
    // The warning stays while the next is typed.
    thumb.mark_dirty("#pad [data-digit='7']").await?;
    assert_eq!(text_of(&phone, "unstored").await?, UNSTORED);
    let leaves = "return window.dispatchEvent(new Event('beforeunload', {cancelable: true}))";
    assert_eq!(phone.page.execute(leaves, vec![]).await?, json!(false), "the browser asks before it leaves the page");
    network.set(Way::Good);
    phone.page.wait().for_element(Locator::Css("#held[hidden]")).await?;
    let mut kept = nets(&farm).await;
    kept.sort_unstable();
    assert_eq!(kept, [1998, 2488]);
    assert_eq!(text_of(&phone, "unstored").await?, "");
    assert_eq!(phone.page.execute(leaves, vec![]).await?, json!(true));
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn signed_out_a_phone_that_can_store_nothing_keeps_its_page() -> Result<()> {
    let (farm, phone, _, home) = at_the_scale().await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    fill_storage(&phone).await?;
    phone.page.delete_all_cookies().await?;
    thumb.weigh("346").await?;
    said(&phone, &format!("You are signed out. {UNSTORED} Sign in on a second page.")).await?;
    phone.page.find(Locator::Css("#said a[href='/sign-in'][target=_blank]")).await?;
    let scale = phone.page.window().await?;
    let second = phone.page.new_window(true).await?.handle;
    phone.page.switch_to_window(second).await?;
    sign_in(&phone, &home).await?;
    phone.page.switch_to_window(scale).await?;
    all_saved(&phone).await?;
    assert_eq!(nets(&farm).await, [1998]);
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stored_entry_that_cannot_be_read_hides_no_other() -> Result<()> {
    let (farm, phone, network, home) = at_the_scale().await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    network.set(Way::Lost);
    thumb.weigh("346").await?;
    said(&phone, "Not known yet whether 2.00 kg was saved").await?;
    let spoil = "const farm = JSON.parse(document.getElementById('facts').textContent).farm;
        localStorage.setItem(`gillbook.outbox.${farm}.torn`, '{\"id\": \"to');
        localStorage.setItem(`gillbook.outbox.${farm}.empty`, '{}')";
    phone.page.execute(spoil, vec![]).await?;
    network.set(Way::Good);
    phone.page.goto(&format!("{home}/weigh")).await?;
    phone.page.wait().for_element(Locator::Css("#last li")).await?;
    said(&phone, "Everything on this phone that can be read is saved.").await?;
    assert_eq!(nets(&farm).await, [1998]);
    for left in [2, 1] {
        let lines = phone.page.find_all(Locator::Css("#held-list li")).await?;
        assert_eq!(lines.len(), left);
        ensure!(lines[0].text().await?.contains("An entry on this phone cannot be read and was not sent."));
        thumb.mark_dirty("#held-list button").await?;
    }
    all_saved(&phone).await?;
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_service_that_hangs_is_not_waited_for() -> Result<()> {
    let (farm, phone, network, _) = at_the_scale().await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    network.set(Way::Hangs);
    thumb.weigh("346").await?;
    said(&phone, "Saving 2.00 kg").await?;
    let dead = phone.page.execute("return getComputedStyle(document.querySelector('#pad button')).opacity", vec![]);
    ensure!(dead.await?.as_str().is_some_and(|o| o < "1"), "the pad is seen to be dead");
    said(&phone, "Not known yet").await?;
    // The pad lives again while the first is still asked about.
    thumb.mark_dirty("#pad [data-digit='5']").await?;
    network.set(Way::Good);
    all_saved(&phone).await?;
    assert_eq!(nets(&farm).await, [1998]);
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn over_plain_http_on_the_farms_own_network_it_is_saved() -> Result<()> {
    let (farm, phone, _, home) = at_the_scale().await?;
    // A name that is not this machine's: the browser does not trust it.
    let home = home.replace("127.0.0.1", "scale.test");
    sign_in(&phone, &home).await?;
    phone.page.goto(&format!("{home}/weigh")).await?;
    let trusted = phone.page.execute("return window.isSecureContext || 'randomUUID' in crypto", vec![]).await?;
    assert_eq!(trusted, json!(false));
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    thumb.weigh("346").await?;
    all_saved(&phone).await?;
    assert_eq!(nets(&farm).await, [1998]);
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn signed_out_meanwhile_the_weighing_waits_for_whoever_signs_in() -> Result<()> {
    let (farm, phone, _, home) = at_the_scale().await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    phone.page.delete_all_cookies().await?;
    thumb.weigh("346").await?;
    said(&phone, "You are signed out. Nothing is lost").await?;
    phone.page.find(Locator::Css("#said a[href='/sign-in']")).await?.click().await?;
    phone.page.wait().for_element(Locator::Css("[name=sign_in_name]")).await?;
    farm.person("picker").await;
    super::sign_in_as(&phone, &home, &format!("picker{}", farm.id.0)).await?;
    phone.page.goto(&format!("{home}/weigh")).await?;
    all_saved(&phone).await?;
    let kept = farm.get("/api/weighings").await;
    assert_eq!(kept["rows"].as_array().map(Vec::len), Some(1));
    assert_eq!(kept["rows"][0]["done_by"], "AB", "it was the first who weighed");
    assert_eq!(kept["rows"][0]["entered_by"], "PI");
    phone.close().await
}

#[tokio::test(flavor = "multi_thread")]
async fn what_the_service_refuses_stays_on_the_scale_and_is_announced() -> Result<()> {
    let (farm, phone, _, _) = at_the_scale().await?;
    let mut thumb = Thumb { phone: &phone, touches: 0 };
    thumb.take_from("B1").await?;
    // Every block of the batch goes while the page is open.
    farm.create("/api/batches/B1/losses", json!({"blocks": 20, "reason": "mould"})).await;
    thumb.weigh("346").await?;
    said(&phone, "Not saved: Batch B1 is finished").await?;
    let live = phone.page.find(Locator::Css("#said")).await?.attr("role").await?;
    assert_eq!(live.as_deref(), Some("alert"));
    assert_eq!(phone.page.find(Locator::Id("net")).await?.text().await?, "2.00", "the digits stay");
    phone.page.find(Locator::Css("#held[hidden]")).await?;
    phone.close().await
}

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
    thumb.mark_dirty("#source").await?;
    let focus = "return document.activeElement.id";
    assert_eq!(phone.page.execute(focus, vec![]).await?, json!("choose"), "focus goes where the screen goes");
    for choice in ["#crate-kinds button:nth-child(2)", "#fridges button:nth-child(2)", "[data-batch=B1]"] {
        thumb.mark_dirty(choice).await?;
    }
    assert_eq!(phone.page.execute(focus, vec![]).await?, json!("source"));
    thumb.mark_dirty("[data-wet=yes]").await?;
    phone.page.find(Locator::Css("[data-wet=yes][aria-pressed=true]")).await?;
    phone.page.find(Locator::Css("[data-wet=no][aria-pressed=false]")).await?;
    // 3000 less a wet red crate (940) and a wet liner (18).
    thumb.weigh("300").await?;
    phone.page.wait().for_element(Locator::Css("#last li")).await?;
    for _ in 0..4 {
        thumb.mark_dirty("#crates").await?;
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
    phone.page.find(Locator::Id("source")).await?.click().await?;
    let none = phone.page.find(Locator::Id("none")).await?.text().await?;
    assert_eq!(
        none,
        "No batch stands in a fruiting room. Move blocks into a fruiting room, then choose their batch here."
    );
    phone.page.find(Locator::Id("unchoose")).await?.click().await?;
    ensure!(phone.page.find(Locator::Id("keep")).await?.is_displayed().await?);
    phone.page.goto(&format!("{home}/fridge")).await?;
    phone.page.find(Locator::Css("header nav a[href='/orders']")).await?;
    phone.close().await
}
