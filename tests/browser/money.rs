//! From what was delivered to money in the bank, by what the pages show, with the touches counted.

use anyhow::{Result, ensure};
use gillbook_testkit::Farm;
use gillbook_tests::serve;
use serde_json::json;

use crate::{hand::Hand, sign_in};

#[tokio::test(flavor = "multi_thread")]
async fn what_was_delivered_is_invoiced_paid_and_made_good() -> Result<()> {
    let farm = Farm::new().await?;
    let docket = farm.docket_of(3000).await;
    let base = format!("http://{}", serve(farm.router.clone()).await?);
    let mut hand = Hand::at(&format!("{base}/")).await?;
    sign_in(&hand.phone, &base).await?;
    let account = "/customers/PLUM/account";
    hand.walk(&["/money", account]).await?;
    hand.send("/customers/PLUM/invoice").await?;
    let effort = hand.spent("an invoice of what was delivered");
    ensure!(effort.touches <= 4 && effort.keys == 0, "{effort:?}");
    let seen = hand.sees().await?;
    ensure!(seen.contains("Invoice INV-1") && seen.contains("55.39") && seen.contains(&docket), "{seen}");
    ensure!(farm.get("/api/invoices/INV-1").await["total"] == "55.39");
    hand.walk(&[account]).await?;
    hand.touch("form[action='/customers/PLUM/payment'] button[data-fills=amount]").await?;
    hand.send("/customers/PLUM/payment").await?;
    let effort = hand.spent("its payment");
    ensure!(effort.touches <= 3 && effort.keys == 0, "{effort:?}");
    ensure!(hand.sees().await?.contains("55.39 EUR of it for INV-1"));
    farm.create(
        &format!("/api/dockets/{docket}/returns"),
        json!({"lines": [{"line": 1, "grams_g": 500}], "reason": "Soft"}),
    )
    .await;
    hand.walk(&[account, "/invoices/INV-1/credit"]).await?;
    hand.fill("/invoices/INV-1/credit", &[("reason", "Soft caps")]).await?;
    hand.send("/invoices/INV-1/credit").await?;
    let seen = hand.sees().await?;
    ensure!(seen.contains("Credit note CN-1") && seen.contains("8.75") && seen.contains("Soft caps"), "{seen}");
    ensure!(farm.get("/api/customers/PLUM/statement").await["credit"] == "9.23");
    hand.phone.close().await
}
