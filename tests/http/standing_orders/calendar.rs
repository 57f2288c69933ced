//! The calendar at its secret address, read by a library that knows nothing of us.

use anyhow::{Context, Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::{As, Farm};
use gillbook_tests::python;
use serde_json::{Value, json};

use super::body;

/// The address of a new calendar.
async fn calendar(farm: &Farm) -> Result<(String, Value)> {
    let made = farm.create("/api/tokens", json!({"name": "Phone", "scope": "calendar"})).await;
    Ok((format!("/calendar/{}.ics", made["secret"].as_str().context("a secret")?), made))
}

/// Day, summary and description of each event.
async fn events(farm: &Farm, address: &str) -> Result<Vec<(String, String, String)>> {
    let answer = farm.ask(&As::Nobody, "GET", address, &[], None).await;
    ensure!(
        answer.status == 200 && answer.headers["content-type"] == "text/calendar; charset=utf-8",
        "{}",
        answer.text
    );
    ensure!(answer.headers["cache-control"] == "private, no-store");
    let output = python("calendar_events.py", &answer.text)?;
    ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    Ok(serde_json::from_slice(&output.stdout)?)
}

#[tokio::test]
async fn deliveries_and_harvests_are_read_as_they_were_meant() -> Result<()> {
    let farm = Farm::new().await?;
    let name = "Plum; \"Door\", Ölmühle \\ 蘑菇 & a name that is far too long for one line of seventy-five octets";
    farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", "\"1\"")], Some(json!({"name": name})))
        .await
        .expect(200);
    let standing = body(json!({"note": "Back door, please; ring\ntwice"}));
    farm.create("/api/standing-orders", standing).await;
    let draft = json!({"customer": "PLUM", "delivery_day": "2026-05-06", "draft": true, "lines": [{"product": "OY", "grams_g": 500}]});
    farm.create("/api/orders", draft).await;
    let (address, _) = calendar(&farm).await?;
    let told = events(&farm, &address).await?;
    let deliveries: Vec<_> = told.iter().filter(|(_, summary, _)| !summary.starts_with("Harvest")).collect();
    let days: Vec<&str> = deliveries.iter().map(|(day, ..)| day.as_str()).collect();
    ensure!(days == ["2026-05-05", "2026-05-08", "2026-05-12", "2026-05-15"], "{told:?}");
    ensure!(deliveries[0].1 == format!("{name}, 3.00 kg"), "{told:?}");
    ensure!(deliveries[0].2 == "OY 3.00 kg\nOrder O-1, confirmed\nBack door, please; ring\ntwice", "{told:?}");
    // Made on the fifteenth of April, the first flush after sixteen days, the next eleven days after that began.
    let harvest = |told: &[(String, String, String)]| {
        told.iter()
            .find(|(_, summary, _)| summary.contains(", B1 flush"))
            .map(|(day, summary, _)| (day.clone(), summary.clone()))
    };
    ensure!(harvest(&told) == Some(("2026-05-01".into(), "Harvest of Oyster mushroom, B1 flush 1".into())), "{told:?}");
    farm.lot_of(1000).await;
    let told = events(&farm, &address).await?;
    ensure!(harvest(&told) == Some(("2026-05-15".into(), "Harvest of Oyster mushroom, B1 flush 2".into())), "{told:?}");
    Ok(())
}

#[tokio::test]
async fn the_address_opens_the_calendar_and_nothing_else_and_is_taken_back() -> Result<()> {
    let mut farm = Farm::new().await?;
    let (address, made) = calendar(&farm).await?;
    let secret = As::Token(made["secret"].as_str().context("a secret")?.to_owned());
    for path in ["/api/orders", "/api/farm", "/api/customers", "/api/me"] {
        farm.ask(&secret, "GET", path, &[], None).await.ensure_problem(403, "not-allowed", None);
    }
    // What opens other things opens no calendar.
    let reader = farm.create("/api/tokens", json!({"name": "Sheet", "scope": "read"})).await;
    for wrong in [reader["secret"].as_str().context("a secret")?, "1.nonsense", "x"] {
        let none = farm.ask(&As::Nobody, "GET", &format!("/calendar/{wrong}.ics"), &[], None).await;
        ensure!(none.status == 404, "{wrong}: {}", none.status);
    }
    let other = farm.second("other").await?;
    other.set_up().await;
    other.create("/api/standing-orders", body(json!({}))).await;
    ensure!(
        !events(&farm, &address).await?.iter().any(|(_, summary, _)| summary.starts_with("PLUM")),
        "another farm's"
    );
    farm.pass(TimeDelta::days(364));
    ensure!(farm.ask(&As::Nobody, "GET", &address, &[], None).await.status == 200);
    farm.owner = farm.sign_in("ada").await;
    let path = format!("/api/tokens/{}", made["token_id"].as_str().context("an id")?);
    farm.ask(&farm.owner, "DELETE", &path, &[], None).await.expect(204);
    ensure!(farm.ask(&As::Nobody, "GET", &address, &[], None).await.status == 404);
    Ok(())
}
