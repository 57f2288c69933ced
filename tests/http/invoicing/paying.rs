//! Paying: what a payment settles, the statement, and taking it back.

use anyhow::{Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use rust_decimal::Decimal;
use serde_json::{Value, json};

use super::{balance, sum};

async fn owed(farm: &Farm, net: &str) -> Value {
    farm.create("/api/invoices", json!({"customer": "PLUM", "extras": [{"description": "x", "net": net}]})).await
}

async fn pay(farm: &Farm, amount: &str, more: Value) -> gillbook_testkit::Answer {
    let mut body = json!({"customer": "PLUM", "amount": amount, "method": "bank_transfer"});
    if let (Value::Object(body), Value::Object(more)) = (&mut body, more) {
        body.extend(more);
    }
    farm.post("/api/payments", body).await
}

#[tokio::test]
async fn payments_settle_in_parts_over_several_and_the_rest_is_credit() -> Result<()> {
    let farm = Farm::new().await?;
    owed(&farm, "30.00").await;
    farm.pass(TimeDelta::days(1));
    owed(&farm, "20.00").await;
    let first = pay(&farm, "40", json!({"reference": "May"})).await.expect(201);
    let shares = json!([{"invoice": "INV-1", "amount": "30.00"}, {"invoice": "INV-2", "amount": "10.00"}]);
    ensure!(first["payment"] == "P-1" && first["shares"] == shares, "{first}");
    ensure!(farm.get("/api/invoices/INV-2").await["open"] == "10.00");
    let over = pay(&farm, "25.50", json!({})).await.expect(201);
    ensure!(over["shares"] == json!([{"invoice": "INV-2", "amount": "10.00"}]), "{over}");
    let account = farm.get("/api/customers/PLUM/statement").await;
    ensure!(account["credit"] == "15.50" && account["closing_balance"] == "-15.50", "{account}");
    let kinds: Vec<&Value> = account["rows"].as_array().into_iter().flatten().map(|r| &r["kind"]).collect();
    ensure!(kinds == ["invoice", "invoice", "payment", "payment"], "{account}");
    // Credit pays the next one, without money.
    owed(&farm, "10.00").await;
    pay(&farm, "0", json!({})).await.expect(201);
    ensure!(farm.get("/api/customers/PLUM/statement").await["credit"] == "5.50");
    // What was over of it has settled another since.
    let refused = farm.post("/api/payments/P-2/reversal", json!({"reason": "Bounced"})).await;
    ensure!(refused.status == 409 && refused.text.contains("has settled another invoice since"), "{}", refused.text);
    farm.create("/api/payments/P-3/reversal", json!({"reason": "Slip"})).await;
    let back = farm.create("/api/payments/P-2/reversal", json!({"reason": "Bounced"})).await;
    ensure!(back["reversed"]["reason"] == "Bounced", "{back}");
    let again = farm.post("/api/payments/P-2/reversal", json!({"reason": "Bounced"})).await;
    ensure!(again.status == 409, "{}", again.text);
    let account = farm.get("/api/customers/PLUM/statement").await;
    ensure!(account["closing_balance"] == "20.00" && account["credit"] == "0.00", "{account}");
    // On the day on which it came it is booked both ways, and neither line is lost.
    let journal = farm.get("/api/reports/journal?from=2026-05-01&until=2026-05-31").await;
    let of_payment = |kind: &str| {
        let rows = journal["rows"].as_array().into_iter().flatten();
        rows.filter(|r| r["document"] == "P-2" && r["kind"] == kind).count()
    };
    ensure!((of_payment("payment"), of_payment("payment_reversal")) == (2, 2), "{journal}");
    ensure!(
        balance(&farm, "receivables").await == "20.00".parse()? && balance(&farm, "bank").await == "40.00".parse()?
    );
    Ok(())
}

#[tokio::test]
async fn a_payment_that_cannot_be_names_its_field() -> Result<()> {
    let farm = Farm::new().await?;
    owed(&farm, "30.00").await;
    let share = |invoice: &str, amount: &str| json!({"shares": [{"invoice": invoice, "amount": amount}]});
    for (amount, more, pointer) in [
        ("1.005", json!({}), "/amount"),
        ("-1", json!({}), "/amount"),
        ("0", json!({}), "/amount"),
        ("1000001", json!({}), "/amount"),
        ("1", json!({"method": "shells"}), "/method"),
        ("1", json!({"paid_on": "2026-06-01"}), "/paid_on"),
        ("50", share("INV-1", "30.01"), "/shares/0/amount"),
        ("1", share("INV-1", "2"), "/shares"),
        ("1", share("INV-7", "1"), "/shares/0/invoice"),
        ("31", json!({"method": "write_off"}), "/amount"),
    ] {
        let refused = pay(&farm, amount, more.clone()).await;
        ensure!(
            refused.status == 422 && refused.text.contains(&format!("\"{pointer}\"")),
            "{amount} {more}: {}",
            refused.text
        );
    }
    let nobody = farm.post("/api/payments", json!({"customer": "NOBODY", "amount": "1", "method": "cash"})).await;
    ensure!((400..500).contains(&nobody.status), "{}", nobody.text);
    ensure!(farm.get("/api/payments").await["rows"] == json!([]));
    pay(&farm, "30", json!({"method": "write_off"})).await.expect(201);
    ensure!(balance(&farm, "bad_debts").await == "30".parse()? && balance(&farm, "receivables").await == Decimal::ZERO);
    Ok(())
}

#[tokio::test]
async fn debts_grow_old_and_a_statement_is_of_its_days() -> Result<()> {
    let farm = Farm::new().await?;
    owed(&farm, "30.00").await;
    farm.pass(TimeDelta::days(14));
    ensure!(farm.get("/api/receivables").await["rows"][0]["overdue"] == "0.00");
    farm.pass(TimeDelta::days(1));
    let row = farm.get("/api/receivables").await["rows"][0].clone();
    ensure!(row["overdue"] == "30.00" && row["ageing"]["days_1_to_30"] == "30.00", "{row}");
    pay(&farm, "12.00", json!({})).await.expect(201);
    let of_late = farm.get("/api/customers/PLUM/statement?from=2026-05-05&until=2026-05-31").await;
    ensure!(of_late["opening_balance"] == "30.00" && of_late["closing_balance"] == "18.00", "{of_late}");
    ensure!(of_late["rows"].as_array().map(Vec::len) == Some(1), "{of_late}");
    ensure!(sum(&of_late["open_invoices"][0]["open"]) == "18".parse()?, "{of_late}");
    for asked in ["from=2026-06-02&until=2026-06-01", "from=2020-01-01&until=2026-06-01"] {
        let refused = farm.ask(&farm.owner, "GET", &format!("/api/customers/PLUM/statement?{asked}"), &[], None).await;
        ensure!(refused.status == 422, "{}", refused.text);
    }
    let pdf = farm.raw("GET", "/api/customers/PLUM/statement/pdf", &[], Vec::new()).await;
    ensure!(pdf.status == 200 && pdf.headers["content-type"] == "application/pdf", "{}", pdf.status);
    let csv = farm.raw("GET", "/api/reports/journal/csv?from=2026-05-01&until=2026-05-31", &[], Vec::new()).await;
    ensure!(csv.text.contains("2026-05-04,invoice,INV-1,receivables,PLUM,30.00,,EUR\r\n"), "{}", csv.text);
    ensure!(csv.text.contains("2026-05-04,invoice,INV-1,revenue,PLUM,,30.00,EUR\r\n"), "{}", csv.text);
    Ok(())
}
