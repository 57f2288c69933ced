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

/// Two dockets of which something came back, and a stall: what the summary says is what they say themselves.
#[tokio::test]
async fn sales_are_added_up_by_customer_product_and_rate() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(5000).await;
    let dockets = [farm.docket_of(1000).await, farm.docket_of(735).await];
    farm.pass(TimeDelta::minutes(30));
    let back = json!({"lines": [{"line": 1, "grams_g": 333}], "reason": "Wet"});
    farm.create(&format!("/api/dockets/{}/returns", dockets[0]), back).await;
    let stall = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "0", "taken": [{"lot": lot, "place": "F1", "grams_g": 800}]});
    farm.create("/api/market-days", stall).await;
    let cashed_up =
        json!({"cash": "21.30", "card": "0", "fee": "2", "back_place": "F1", "lots": [{"lot": lot, "back_g": 100}]});
    farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(cashed_up)).await.expect(200);
    let (mut grams, mut net) = (0, Decimal::ZERO);
    for docket in &dockets {
        let told = farm.get(&format!("/api/dockets/{docket}")).await;
        grams += told["lines"][0]["kept_g"].as_i64().unwrap_or_default();
        net += sum(&told["net"]);
    }
    let day = farm.get("/api/market-days/M-1").await;
    let path = "/api/reports/sales?from=2026-05-01&until=2026-05-31";
    let rows = farm.get(path).await["rows"].clone();
    ensure!(rows.as_array().map(Vec::len) == Some(2) && grams == 1402, "{rows}");
    ensure!(rows[0]["customer"] == "PLUM" && rows[0]["product"] == "OY" && rows[0]["grams_g"] == grams, "{rows}");
    ensure!(sum(&rows[0]["net"]) == net, "{rows} {net}");
    ensure!(
        rows[1]["customer"] == "SATURDAY" && rows[1]["grams_g"] == 700 && rows[1]["net"] == day["net"],
        "{rows} {day}"
    );
    let csv = farm.raw("GET", &path.replace("sales?", "sales/csv?"), &[], Vec::new()).await.text;
    let lines: Vec<&str> = csv.split("\r\n").collect();
    ensure!(lines.len() == 4 && lines[0] == "customer,product,tax_percent,grams,net,currency", "{csv}");
    ensure!(lines[1].starts_with("PLUM,OY,") && lines[1].ends_with(&format!(",1402,{net},EUR")), "{csv}");
    let swapped = farm.ask(&farm.owner, "GET", "/api/reports/sales?from=2026-06-02&until=2026-06-01", &[], None).await;
    ensure!(swapped.status == 422, "{}", swapped.text);
    Ok(())
}
