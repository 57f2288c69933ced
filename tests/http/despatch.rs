//! The docket for the customer's own books.

use anyhow::{Result, ensure};
use gillbook_testkit::Farm;
use gillbook_tests::python;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::forms::send;

/// Loose goods and packs of several lots, some of it short, one product not at all, with names that XML has to escape; then handed over with
/// crates.
#[tokio::test]
async fn despatch_advice_holds_against_its_schema_and_the_docket() -> Result<()> {
    let farm = Farm::new().await?;
    for body in [
        json!({"product": "PUN", "name": "Punnet <150 g> & \"lid\"", "strains": ["OY"], "least_grade": "B", "pack_g": 150, "tax_percent": "5.5"}),
        json!({"product": "MANE", "name": "Lion's mane", "strains": ["LM"], "least_grade": "B", "tax_percent": "5.5"}),
    ] {
        farm.create("/api/products", body).await;
    }
    for (product, unit) in [("PUN", "pack"), ("MANE", "kg")] {
        let price = json!({"price_list": "TABLE", "product": product, "amount": "3.20", "unit": unit, "effective_from": "2026-01-01T00:00:00Z"});
        farm.create("/api/prices", price).await;
    }
    let hostile = json!({"customer": "ASH", "name": "Ash <&\"'> ]]>", "kind": "restaurant", "price_list": "TABLE", "address": "A & B\n<Lane> 3"});
    farm.create("/api/customers", hostile).await;
    farm.lot_of(1300).await;
    let mut other = Farm::weighing(700);
    other["grade"] = json!("B");
    farm.create("/api/weighings", other).await;
    let lines = json!([{"product": "OY", "grams_g": 1250}, {"product": "PUN", "packs": 6}, {"product": "MANE", "grams_g": 400}]);
    let new = json!({"customer": "ASH", "delivery_day": "2026-05-05", "reference": "PO <7> & 8", "lines": lines});
    let order = farm.create("/api/orders", new).await["order"].as_str().unwrap_or_default().to_owned();
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
    farm.create(
        "/api/dockets",
        json!({"order": order, "van": "VAN", "short": true, "short_because": "Too few <picked> & \"one\" crate fell"}),
    )
    .await;
    let plain = farm.docket_of(985).await;
    let mut documents = Vec::new();
    let house = farm.get("/api/farm").await;
    let mut read = async |docket: &str| -> Result<()> {
        let xml = farm.raw("GET", &format!("/api/dockets/{docket}/ubl"), &[], Vec::new()).await;
        ensure!(xml.status == 200 && xml.headers["content-type"] == "application/xml", "{}", xml.text);
        let told = farm.get(&format!("/api/dockets/{docket}")).await;
        documents.push(json!({"xml": xml.text, "told": told, "farm": house, "day": "2026-05-04", "offset_s": 7200}));
        Ok(())
    };
    read("D-1").await?;
    read(&plain).await?;
    let delivery = json!({"taken_by": "Chef", "crates_out": 3, "crates_back": 1, "refused": [{"line": 1, "grams_g": 100, "reason": "bruised"}]});
    farm.create("/api/dockets/D-1/delivery", delivery).await;
    read("D-1").await?;
    let first = &documents[0]["told"];
    ensure!(first["ordered"][2]["short_g"] == 400 && first["lines"].as_array().is_some_and(|l| l.len() > 2), "{first}");
    let output = python("despatch.py", &Value::from(documents.clone()).to_string())?;
    ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    ensure!(String::from_utf8(output.stdout)?.trim() == "3", "all were read");
    let page = farm.raw("GET", "/dockets/D-1", &[("accept", "text/html")], Vec::new()).await;
    ensure!(page.text.contains("/api/dockets/D-1/ubl"), "{}", page.text);
    ensure!(page.text.contains("Reason: Too few &#60;picked&#62; &#38;"), "{}", page.text);
    // On its page too the reason is asked for where an order is short, and where it is not said none stands on the docket.
    farm.lot_of(500).await;
    let new = json!({"customer": "ASH", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 9000}]});
    let order = farm.create("/api/orders", new).await["order"].as_str().unwrap_or_default().to_owned();
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
    let page = farm.raw("GET", &format!("/orders/{order}"), &[("accept", "text/html")], Vec::new()).await;
    ensure!(page.text.contains("Why it is short"), "{}", page.text);
    let path = format!("/orders/{order}/dispatch");
    let long = "x".repeat(201);
    let refused = send(&farm, &path, Uuid::new_v4(), &[("van", "VAN"), ("short_because", &long)]).await?;
    ensure!(refused.status == 422 && refused.text.contains("at most 200 letters"), "{}", refused.text);
    let sent = send(&farm, &path, Uuid::new_v4(), &[("van", "VAN"), ("short_because", "")]).await?;
    ensure!(sent.status == 303, "{}", sent.text);
    let docket = sent.headers["location"].to_str()?.trim_start_matches("/dockets/").to_owned();
    ensure!(farm.get(&format!("/api/dockets/{docket}")).await["short_because"] == "");
    let page = farm.raw("GET", &format!("/dockets/{docket}"), &[("accept", "text/html")], Vec::new()).await;
    ensure!(page.text.contains("short of 9.00 kg") && !page.text.contains("Reason:"), "{}", page.text);
    // Of what was taken back there is none.
    let act = farm.get(&format!("/api/dockets/{plain}")).await["act_id"].as_str().unwrap_or_default().to_owned();
    farm.create(&format!("/api/acts/{act}/reversal"), json!({"reason": "Wrong crate"})).await;
    let void = farm.raw("GET", &format!("/api/dockets/{plain}/ubl"), &[], Vec::new()).await;
    ensure!(void.status == 409 && void.text.contains("was taken back"), "{} {}", void.status, void.text);
    let page = farm.raw("GET", &format!("/dockets/{plain}"), &[("accept", "text/html")], Vec::new()).await;
    ensure!(!page.text.contains("/ubl\""), "{}", page.text);
    Ok(())
}
