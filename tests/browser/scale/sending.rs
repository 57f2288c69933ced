//! What was weighed reaches the book, once.

use anyhow::{Context, Result, ensure};
use fantoccini::Locator;
use gillbook_tests::Phone;
use serde_json::json;
use sqlx::Connection;

use super::{Way, all_saved, at_the_scale, nets, said};
use crate::{Thumb, sign_in};

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
    thumb.touch("#pad [data-digit='7']").await?;
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
    let full = "IDBObjectStore.prototype.put = () => { throw new DOMException('full', 'QuotaExceededError') }";
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
    thumb.touch("#pad [data-digit='7']").await?;
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
    // One that lacks what it needs, and one of a later version of the program.
    let spoil = "const { farm } = JSON.parse(document.getElementById('facts').textContent);
        const opened = indexedDB.open('gillbook');
        opened.onsuccess = () => {
            const change = opened.result.transaction('outbox', 'readwrite');
            const rows = change.objectStore('outbox');
            rows.put({ farm, id: 'torn', version: 1 });
            rows.put({ farm, id: 'later', version: 2, order: 9, is: 'weighing', path: '/api/weighings', body: '{}', typed: {} });
            change.oncomplete = arguments[0];
        }";
    phone.page.execute_async(spoil, vec![]).await?;
    network.set(Way::Good);
    phone.page.goto(&format!("{home}/weigh")).await?;
    phone.page.wait().for_element(Locator::Css("#last li")).await?;
    said(&phone, "Everything on this phone that can be read is saved.").await?;
    assert_eq!(nets(&farm).await, [1998]);
    for left in [2, 1] {
        let lines = phone.page.find_all(Locator::Css("#held-list li")).await?;
        assert_eq!(lines.len(), left);
        ensure!(lines[0].text().await?.contains("An entry on this phone cannot be read and was not sent."));
        thumb.touch("#held-list button").await?;
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
    thumb.touch("#pad [data-digit='5']").await?;
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
    crate::sign_in_as(&phone, &home, &format!("picker{}", farm.id.0)).await?;
    phone.page.goto(&format!("{home}/weigh")).await?;
    all_saved(&phone).await?;
    let kept = farm.get("/api/weighings").await;
    assert_eq!(kept["rows"].as_array().map(Vec::len), Some(1));
    assert_eq!(kept["rows"][0]["done_by"], "AB", "it was the first who weighed");
    assert_eq!(kept["rows"][0]["entered_by"], "PI");
    phone.close().await
}

/// Another page of the phone had its weighing answered after the scale's page was made: it was in neither list.
#[tokio::test(flavor = "multi_thread")]
async fn what_another_page_sent_meanwhile_is_among_the_last() -> Result<()> {
    let (farm, phone, _, _) = at_the_scale().await?;
    let lot = farm.lot_of(2000).await;
    let sent = "localStorage.setItem(`gillbook.last.${arguments[0]}`, String(Date.now()));
        new BroadcastChannel(`gillbook.outbox.${arguments[0]}`).postMessage('changed');";
    phone.page.execute(sent, vec![json!(farm.id.0)]).await?;
    let there = format!("//ol[@id='last']/li[contains(., '{lot}')]");
    phone.page.wait().for_element(Locator::XPath(&there)).await?;
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
