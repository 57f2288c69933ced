//! The same by hand, on the pages.

use anyhow::{Result, ensure};
use gillbook_testkit::Farm;
use serde_json::json;
use uuid::Uuid;

use super::super::forms::send;

async fn page(farm: &Farm, path: &str) -> Result<String> {
    let page = farm.raw("GET", path, &[("accept", "text/html")], Vec::new()).await;
    ensure!(page.status == 200, "{path}: {} {}", page.status, page.text);
    Ok(page.text)
}

#[tokio::test]
async fn an_invoice_a_payment_and_a_credit_note_are_written_on_pages() -> Result<()> {
    let farm = Farm::new().await?;
    let (first, second) = (farm.docket_of(1000).await, farm.docket_of(2000).await);
    let money = page(&farm, "/money").await?;
    ensure!(money.contains("52.50") && money.contains("/customers/PLUM/account"), "{money}");
    ensure!(page(&farm, &format!("/dockets/{first}")).await?.contains("/customers/PLUM/account\">Invoice it"));
    let account = page(&farm, "/customers/PLUM/account").await?;
    ensure!(account.contains(&format!("{first}, 4\u{a0}May\u{a0}2026: 17.50 EUR")), "{account}");
    let key = Uuid::new_v4();
    let form = [
        ("dockets", first.as_str()),
        ("dockets", &second),
        ("note", "Order <7> & thanks"),
        ("issued_on", "2026-05-04"),
    ];
    for _ in 0..2 {
        let issued = send(&farm, "/customers/PLUM/invoice", key, &form).await?;
        ensure!(issued.status == 303 && issued.headers["location"] == "/invoices/INV-1", "{}", issued.text);
    }
    let invoice = page(&farm, "/invoices/INV-1").await?;
    ensure!(invoice.contains("55.39") && invoice.contains("Order &#60;7&#62; &#38; thanks"), "{invoice}");
    ensure!(page(&farm, &format!("/dockets/{first}")).await?.contains("/invoices/INV-1"));
    ensure!(page(&farm, "/invoices?q=plum").await?.contains("INV-1, PLUM"));
    // A slip stands beside its field, and what was typed is there.
    let slip = [("amount", "20,005"), ("method", "cash"), ("paid_on", "2026-05-04")];
    let refused = send(&farm, "/customers/PLUM/payment", Uuid::new_v4(), &slip).await?;
    ensure!(refused.status == 422 && refused.text.contains("at most 2 decimals"), "{}", refused.text);
    ensure!(refused.text.contains("value=\"20,005\""), "{}", refused.text);
    let paid = [("amount", "20"), ("method", "cash"), ("paid_on", "2026-05-04"), ("shares/INV-1/amount", "15")];
    let paid = send(&farm, "/customers/PLUM/payment", Uuid::new_v4(), &paid).await?;
    ensure!(paid.headers["location"] == "/payments/P-1", "{}", paid.text);
    let payment = page(&farm, "/payments/P-1").await?;
    ensure!(payment.contains("15.00 EUR of it for INV-1") && payment.contains("<td>5.00 EUR</td>"), "{payment}");
    farm.create(
        &format!("/api/dockets/{second}/returns"),
        json!({"lines": [{"line": 1, "grams_g": 500}], "reason": "Soft"}),
    )
    .await;
    ensure!(page(&farm, "/customers/PLUM/account").await?.contains("/invoices/INV-1/credit"));
    let credit = page(&farm, "/invoices/INV-1/credit").await?;
    ensure!(credit.contains("value=\"0.500\""), "what came back is proposed: {credit}");
    let none = send(&farm, "/invoices/INV-1/credit", Uuid::new_v4(), &[("reason", "Soft")]).await?;
    ensure!(none.status == 422 && none.text.contains("Say what is taken off"), "{}", none.text);
    let credit = [("lines/2/grams_g", "0.5"), ("reason", "Soft")];
    let credit = send(&farm, "/invoices/INV-1/credit", Uuid::new_v4(), &credit).await?;
    ensure!(credit.headers["location"] == "/invoices/CN-1", "{}", credit.text);
    ensure!(page(&farm, "/invoices/CN-1").await?.contains("/invoices/INV-1"));
    let back = send(&farm, "/payments/P-1/reversal", Uuid::new_v4(), &[("reason", "Bounced")]).await?;
    ensure!(back.status == 303, "{}", back.text);
    ensure!(page(&farm, "/payments/P-1").await?.contains("Bounced"));
    Ok(())
}

#[tokio::test]
async fn everybody_is_invoiced_with_one_button() -> Result<()> {
    let farm = Farm::new().await?;
    ensure!(!page(&farm, "/money").await?.contains("one invoice a customer"), "nothing waits yet");
    farm.docket_of(1000).await;
    ensure!(page(&farm, "/money").await?.contains("one invoice a customer"));
    let slip = send(&farm, "/money/invoices", Uuid::new_v4(), &[("until", "2026-05-01")]).await?;
    ensure!(slip.status == 422 && slip.text.contains("id=\"until-wrong\""), "{}", slip.text);
    let run = send(&farm, "/money/invoices", Uuid::new_v4(), &[("until", "2026-05-04")]).await?;
    ensure!(run.status == 303 && run.headers["location"] == "/invoices", "{}", run.text);
    ensure!(page(&farm, "/invoices").await?.contains("INV-1, PLUM"));
    Ok(())
}
