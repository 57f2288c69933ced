//! A farm is opened in the browser, by the code that the program printed.

use anyhow::{Context, Result, ensure};
use gillbook_testkit::{As, Farm};
use uuid::Uuid;

use crate::forms::{FORM, send};

fn typed<'a>(code: &'a str, zone: &'a str, passphrase: &'a str) -> [(&'a str, &'a str); 8] {
    [
        ("code", code),
        ("name", "Underhill Mushrooms"),
        ("zone", zone),
        ("currency", "eur"),
        ("owner.name", "Ada Birk"),
        ("owner.initials", "ab"),
        ("owner.sign_in_name", "ada"),
        ("owner.passphrase", passphrase),
    ]
}

#[tokio::test]
async fn a_farm_is_opened_once_and_led_to_its_first_weighing() -> Result<()> {
    let (mut farm, code) = Farm::unopened().await?;
    let good = "gills under paper";
    let page = farm.raw("GET", "/setup", &[], Vec::new()).await;
    ensure!(page.status == 200 && page.text.contains("Open the farm") && !page.text.contains(&code), "{}", page.text);
    for (fields, field, words) in [
        (typed("AAAA-AAAA", "Europe/Paris", good), "code", "That is not the code."),
        (typed(&code, "Europe/Upton", good), "zone", "There is no time zone “Europe/Upton”."),
        (typed(&code, "Europe/Paris", "short"), "owner.passphrase", "twelve"),
    ] {
        let refused = send(&farm, "/setup", Uuid::new_v4(), &fields).await?;
        ensure!(refused.status == 422 && refused.text.contains(words), "{words}: {}", refused.text);
        ensure!(refused.text.contains(&format!("id=\"{field}-wrong\"")), "{field}: {}", refused.text);
        ensure!(refused.text.contains("value=\"Ada Birk\"") && !refused.text.contains(good), "{}", refused.text);
    }
    let key = Uuid::new_v4();
    let opened = send(&farm, "/setup", key, &typed(&code.to_lowercase(), "Europe/Paris", good)).await?;
    ensure!(opened.status == 303 && opened.headers["location"] == "/start", "{}", opened.text);
    let again = send(&farm, "/setup", key, &typed(&code, "Europe/Paris", good)).await?;
    ensure!(again.status == 409 && again.text.contains("The farm is open already."), "{}", again.text);
    let closed = farm.raw("GET", "/setup", &[], Vec::new()).await;
    ensure!(!closed.text.contains("Open the farm") && closed.text.contains("at the terminal"), "{}", closed.text);

    let cookie = opened.headers["set-cookie"].to_str()?.split(';').next().context("a cookie")?.to_owned();
    farm.owner = As::Cookie(cookie);
    let me = farm.ask(&farm.owner, "GET", "/api/me", &[], None).await;
    ensure!(me.text.contains("\"role\":\"owner\"") && me.text.contains("\"AB\""), "{}", me.text);
    let start = farm.raw("GET", "/start", &[], Vec::new()).await.text;
    ensure!(start.contains("Next: Strains that you grow.") && start.contains("href=\"/probes/new\""), "{start}");
    let taken = [("key", Uuid::new_v4().to_string()), ("strains", "OY".into()), ("strains", "SH".into())];
    let body = serde_urlencoded::to_string(taken)?.into_bytes();
    for _ in 0..2 {
        let answer = farm.raw("POST", "/strains/examples", &FORM, body.clone()).await;
        ensure!(answer.status == 303, "{}", answer.text);
    }
    let strains = farm.get("/api/strains").await;
    ensure!(strains["rows"].as_array().is_some_and(|rows| rows.len() == 2), "{strains}");
    // The middle of what the paper says: 14 to 20 days at 1 °C (Minamide, Habu & Ogata 1980).
    ensure!(strains["rows"][0]["life"][0]["points"][0]["days"] == 17.0, "{strains}");
    let start = farm.raw("GET", "/start", &[], Vec::new()).await.text;
    ensure!(start.contains("Next: A recipe of your blocks."), "{start}");
    Ok(())
}

#[tokio::test]
async fn a_code_is_not_guessed() -> Result<()> {
    let (farm, code) = Farm::unopened().await?;
    let mut last = 0;
    for _ in 0..12 {
        last = send(&farm, "/setup", Uuid::new_v4(), &typed("BBBB-BBBB", "UTC", "gills under paper")).await?.status;
    }
    ensure!(last == 429, "{last}");
    let right = send(&farm, "/setup", Uuid::new_v4(), &typed(&code, "UTC", "gills under paper")).await?;
    ensure!(right.status == 429, "not even with the right code: {}", right.status);
    Ok(())
}
