//! The published description against the running service: schemathesis makes requests from it, good ones and bad ones.

use std::process::Stdio;

use anyhow::{Result, ensure};
use gillbook_store::check::check;
use gillbook_testkit::{As, Farm};
use gillbook_tests::{python_tool, serve};
use serde_json::json;
use tokio::process::Command;

/// Codes that are there, so that requests get past "not found".
const CODES: &str = r#"
[parameters]
"path.strain" = ["OY", "LM"]
"path.batch" = ["B1", "B3"]
"path.room" = ["FR1"]
"path.crate" = ["BLUE"]
"path.place" = ["F1", "VAN"]
"path.product" = ["OY", "LM"]
"path.customer" = ["PLUM", "SATURDAY"]
"path.lot" = ["{lot}"]
"path.order" = ["{order}", "{sent}"]
"path.docket" = ["{docket}"]
"path.week" = ["2026-W18", "2026-W19"]
"path.probe" = ["p1"]
"path.check" = ["FLOOR"]
"path.excursion" = ["{excursion}"]
"#;

/// Six hours of readings that end in a warm spell.
async fn warm_spell(farm: &Farm) -> Result<String> {
    let began = farm.now().timestamp() - 6 * 3600;
    let records: Vec<_> = (0..360)
        .map(|m| json!({"n": "p1", "u": "Cel", "t": began + m * 60, "v": if m < 60 { 2.0 } else { 12.0 }}))
        .collect();
    farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(records))).await.expect(200);
    let list = farm.get("/api/excursions").await;
    Ok(list["rows"][0]["excursion_id"].as_str().unwrap_or_default().to_owned())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_service_answers_as_its_description_says() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(6000).await;
    let order =
        json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 1500}]});
    let order_code = farm.create("/api/orders", order.clone()).await["order"].clone();
    let sent = farm.create("/api/orders", order).await["order"].as_str().unwrap_or_default().to_owned();
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{sent}/set-aside"), &[], Some(json!({}))).await.expect(200);
    let docket = farm.create("/api/dockets", json!({"order": sent})).await["docket"].clone();
    farm.create("/api/checks", json!({"check": "FLOOR", "name": "Floor", "topic": "cleaning", "every_days": 1})).await;
    let excursion = warm_spell(&farm).await?;
    let config = CODES
        .replace("{lot}", &lot)
        .replace("{excursion}", &excursion)
        .replace("{order}", order_code.as_str().unwrap_or_default())
        .replace("{sent}", &sent)
        .replace("{docket}", docket.as_str().unwrap_or_default());
    let As::Cookie(cookie) = &farm.owner else { unreachable!("the owner is a person") };
    let secret = cookie.split_once('=').map_or("", |(_, value)| value);

    let file = format!("{}/conformance.toml", env!("CARGO_TARGET_TMPDIR"));
    std::fs::write(&file, config)?;
    let address = serve(farm.router.clone()).await?;
    let run = Command::new(python_tool("conformance", "schemathesis")?)
        .args(["--config-file", &file, "run", "--no-color", "--seed", "20260504", "--max-examples", "15"])
        .args(["--phases", "examples,coverage,fuzzing", "--continue-on-failure", "--workers", "1"])
        .arg("--checks=not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance,response_headers_conformance")
        // Signing out, or guessing passphrases until the limit, would leave nothing to test.
        .args(["--exclude-path", "/api/sign-in"])
        // The live stream does not end.
        .args(["--exclude-path", "/api/events"])
        .args(["--header", &format!("Authorization: Bearer {secret}")])
        .arg(format!("http://{address}/api/openapi.json"))
        .current_dir(env!("CARGO_TARGET_TMPDIR"))
        .stdin(Stdio::null())
        .output()
        .await?;
    let said = String::from_utf8_lossy(&run.stdout);
    ensure!(
        run.status.success(),
        "{}",
        said.lines().map(|l| l.chars().take(400).collect::<String>() + "\n").collect::<String>()
    );
    // A run in which nobody was let in would prove nothing.
    ensure!(said.contains("generated, ") && !said.contains("Authentication failed"), "{said}");
    farm.ask(&farm.owner, "GET", "/api/me", &[], None).await.expect(200);
    let wrong = check(&farm.admin.clone().username("gillbook_audit")).await?;
    ensure!(wrong.is_empty(), "the invariants hold after whatever it sent: {wrong:?}");
    Ok(())
}
