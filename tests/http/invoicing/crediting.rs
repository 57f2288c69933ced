//! Crediting: goods that came back, what was agreed, and what then can be taken back.

use anyhow::{Result, ensure};
use gillbook_testkit::Farm;
use rust_decimal::Decimal;
use serde_json::{Value, json};

use super::{balance, invoice, sum};

async fn credit(farm: &Farm, lines: Value) -> gillbook_testkit::Answer {
    farm.post("/api/credit-notes", json!({"invoice": "INV-1", "lines": lines, "reason": "Bruised"})).await
}

#[tokio::test]
async fn what_came_back_is_credited_to_the_cent_and_may_be_invoiced_again() -> Result<()> {
    let farm = Farm::new().await?;
    let docket = farm.docket_of(1235).await;
    invoice(&farm, &[&docket]).await;
    let back = json!({"lines": [{"line": 1, "grams_g": 235}], "reason": "Bruised"});
    let back = farm.create(&format!("/api/dockets/{docket}/returns"), back).await;
    ensure!(back["net"] == "17.50", "{back}");
    let over = farm.get("/api/customers/PLUM/to-invoice").await["rows"][0].clone();
    ensure!((&over["kept_g"], &over["billed_g"]) == (&json!(1000), &json!(1235)), "{over}");
    ensure!(farm.get("/api/receivables").await["rows"][0]["not_invoiced_net"] == "-4.11");
    ensure!(balance(&farm, "delivered_not_invoiced").await == "-4.11".parse()?);
    let note = credit(&farm, json!([{"line": 1, "grams_g": 235}])).await.expect(201);
    ensure!(note["invoice"] == "CN-1" && note["corrects"] == "INV-1" && note["net"] == "4.11", "{note}");
    ensure!(farm.get("/api/customers/PLUM/to-invoice").await["rows"] == json!([]));
    ensure!(balance(&farm, "delivered_not_invoiced").await == Decimal::ZERO);
    // An allowance is lost, and what it was given for is not invoiced again.
    let note = credit(&farm, json!([{"line": 1, "net": "2.50"}])).await.expect(201);
    ensure!(balance(&farm, "revenue").await == "-15.00".parse()?, "{note}");
    ensure!(farm.get("/api/customers/PLUM/to-invoice").await["rows"] == json!([]));
    let credited = farm.get("/api/invoices/INV-1").await;
    ensure!(
        credited["lines"][0]["credited_net"] == "6.61" && credited["credit_notes"] == json!(["CN-1", "CN-2"]),
        "{credited}"
    );
    for (lines, said) in [
        (json!([{"line": 1, "grams_g": 1001}]), "are left to credit"),
        (json!([{"line": 1, "net": "15.01"}]), "15.00 is left"),
        (json!([{"line": 2, "grams_g": 1}]), "has no line 2"),
        (json!([{"line": 1}]), "one of the two"),
        (json!([]), "Say what is taken off"),
    ] {
        let refused = credit(&farm, lines).await;
        ensure!(refused.status == 422 && refused.text.contains(said), "{said}: {}", refused.text);
    }
    // The rest of it: the customer still has the goods, so they can be invoiced anew.
    credit(&farm, json!([{"line": 1, "grams_g": 1000}])).await.expect(201);
    let closed = farm.get("/api/invoices/INV-1").await;
    ensure!(closed["credited"] == closed["total"] && closed["open"] == "0.00", "{closed}");
    ensure!(balance(&farm, "receivables").await == Decimal::ZERO && balance(&farm, "tax").await == Decimal::ZERO);
    ensure!(invoice(&farm, &[&docket]).await["net"] == "17.50");
    let of_note = json!({"invoice": "CN-1", "lines": [{"line": 1, "net": "1"}], "reason": "x"});
    let of_note = farm.post("/api/credit-notes", of_note).await;
    ensure!(of_note.status == 422 && of_note.text.contains("is a credit note"), "{}", of_note.text);
    Ok(())
}

#[tokio::test]
async fn a_docket_on_an_invoice_is_not_taken_back() -> Result<()> {
    let farm = Farm::new().await?;
    let docket = farm.docket_of(1000).await;
    invoice(&farm, &[&docket]).await;
    let act = farm.get(&format!("/api/dockets/{docket}")).await["act_id"].clone();
    let path = format!("/api/acts/{}/reversal", act.as_str().unwrap_or_default());
    let refused = farm.post(&path, json!({"reason": "Wrong customer"})).await;
    ensure!(refused.status == 409 && refused.text.contains("Credit what is on it first"), "{}", refused.text);
    credit(&farm, json!([{"line": 1, "grams_g": 1000}])).await.expect(201);
    farm.create(&path, json!({"reason": "Wrong customer"})).await;
    ensure!(farm.get("/api/customers/PLUM/to-invoice").await["rows"] == json!([]));
    ensure!(balance(&farm, "delivered_not_invoiced").await == Decimal::ZERO);
    Ok(())
}

#[tokio::test]
async fn what_was_paid_and_is_credited_afterwards_is_the_customers_credit() -> Result<()> {
    let farm = Farm::new().await?;
    let docket = farm.docket_of(1000).await;
    let issued = invoice(&farm, &[&docket]).await;
    farm.create("/api/payments", json!({"customer": "PLUM", "amount": issued["total"], "method": "card"})).await;
    credit(&farm, json!([{"line": 1, "grams_g": 1000}])).await.expect(201);
    let account = farm.get("/api/customers/PLUM/statement").await;
    ensure!(
        account["credit"] == issued["total"] && sum(&account["closing_balance"]) == -sum(&issued["total"]),
        "{account}"
    );
    Ok(())
}
