//! From a docket to money: invoices, credit notes, payments, statements and the journal.

mod by_hand;
mod crediting;
mod issuing;
mod paying;
mod sums;

use gillbook_testkit::Farm;
use rust_decimal::Decimal;
use serde_json::{Value, json};

/// Invoices dockets of PLUM.
async fn invoice(farm: &Farm, dockets: &[&str]) -> Value {
    farm.create("/api/invoices", json!({"customer": "PLUM", "dockets": dockets})).await
}

/// A sum as the interface gives it.
fn sum(of: &Value) -> Decimal {
    of.as_str().unwrap_or_default().parse().unwrap_or(Decimal::MAX)
}

/// Balances of the journal of May 2026, by account. Each document must add up to nothing.
async fn balance(farm: &Farm, account: &str) -> Decimal {
    let journal = farm.get("/api/reports/journal?from=2026-05-01&until=2026-05-31").await;
    let rows = journal["rows"].as_array().cloned().unwrap_or_default();
    let of =
        |key: &str, value: &str| rows.iter().filter(|r| r[key] == value).map(|r| sum(&r["amount"])).sum::<Decimal>();
    for row in &rows {
        assert_eq!(of("document", row["document"].as_str().unwrap_or_default()), Decimal::ZERO, "{journal}");
    }
    // What was sold by customer, product and tax rate is the revenue of the journal's sales.
    let sales = farm.get("/api/reports/sales?from=2026-05-01&until=2026-05-31").await;
    let sold: Decimal = sales["rows"].as_array().into_iter().flatten().map(|r| sum(&r["net"])).sum();
    let earned = rows.iter().filter(|r| r["kind"] == "sale" && r["account"] == "revenue").map(|r| -sum(&r["amount"]));
    assert_eq!(sold, earned.sum::<Decimal>(), "{sales} {journal}");
    of("account", account)
}
