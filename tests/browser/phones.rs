//! A phone joins in by a code that it scans. An independent reader takes it from a picture of the page.

use anyhow::{Context, Result, ensure};
use base64::{Engine, prelude::BASE64_STANDARD};
use fantoccini::Locator;
use gillbook_testkit::Farm;
use gillbook_tests::{Phone, python, serve};

use crate::sign_in;

/// The texts of the codes on the page that is open.
async fn scanned(phone: &Phone) -> Result<Vec<String>> {
    let page = phone.page.clone();
    let drawn = page.find(Locator::Css("figure.qr")).await?.screenshot().await?;
    let encoded = python("qr_code.py", &BASE64_STANDARD.encode(drawn))?;
    ensure!(encoded.status.success(), "{}", String::from_utf8_lossy(&encoded.stderr));
    Ok(String::from_utf8(encoded.stdout)?.lines().map(str::to_owned).collect())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_address_and_a_new_token_are_read_by_a_camera() -> Result<()> {
    let farm = Farm::new().await?;
    let port = serve(farm.router.clone()).await?.port();
    let phone = Phone::open().await?;
    let own = format!("http://127.0.0.1:{port}");
    sign_in(&phone, &own).await?;
    phone.page.goto(&format!("{own}/phones")).await?;
    let said = phone.page.find(Locator::Css("main")).await?.text().await?;
    ensure!(said.contains("an address that only this machine has"), "{said}");
    // As the phone of somebody else in the farm's network has it.
    let home = format!("http://farm.test:{port}");
    sign_in(&phone, &home).await?;
    phone.page.goto(&format!("{home}/phones")).await?;
    assert_eq!(scanned(&phone).await?.first(), Some(&home));
    // In the dark too: a camera reads black on white.
    let dark = serde_json::json!({"features": [{"name": "prefers-color-scheme", "value": "dark"}]});
    phone.debug("Emulation.setEmulatedMedia", dark).await?;
    phone.page.goto(&format!("{home}/probes/p1")).await?;
    phone.page.find(Locator::Css("form[action='/probes/p1/token'] [name=name]")).await?.send_keys("Board").await?;
    phone.page.find(Locator::Css("form[action='/probes/p1/token'] button")).await?.click().await?;
    let secret = phone.page.wait().for_element(Locator::Css("main code")).await?.text().await?;
    assert_eq!(scanned(&phone).await?, [secret]);
    phone.close().await.context("the phone")
}
