//! A rehearsed recall on a phone, with the touches counted.

use anyhow::{Result, ensure};
use gillbook_testkit::Farm;
use gillbook_tests::serve;

use crate::{hand::Hand, sign_in};

#[tokio::test(flavor = "multi_thread")]
async fn from_a_docket_to_who_has_it_and_what_is_held() -> Result<()> {
    let farm = Farm::new().await?;
    let docket = farm.docket_of(3000).await;
    farm.lot_of(800).await;
    let base = format!("http://{}", serve(farm.router.clone()).await?);
    let mut hand = Hand::at(&format!("{base}/")).await?;
    sign_in(&hand.phone, &base).await?;
    hand.phone.page.goto(&format!("{base}/dockets/{docket}")).await?;
    let trace = format!("/trace?starts_from=docket&code={docket}");
    let action = format!("/recalls?starts_from=docket&code={docket}");
    hand.walk(&[&trace]).await?;
    ensure!(hand.sees().await?.contains("PLUM"));
    hand.touch("input[name=kind][value=rehearsal]").await?;
    hand.touch("input[name=hold]").await?;
    hand.fill(&action, &[("reason", "Yearly")]).await?;
    hand.send(&action).await?;
    let effort = hand.spent("a rehearsed recall, from a docket to who has it and the hold");
    ensure!(effort.touches < 10, "{effort:?}");
    let seen = hand.sees().await?;
    ensure!(seen.contains("Practice recall RC-1") && seen.contains("0 of 1 told") && seen.contains("PLUM"), "{seen}");
    ensure!(farm.get("/api/recalls/RC-1").await["held"].as_array().is_some_and(|held| !held.is_empty()));
    hand.send("/recalls/RC-1/told").await?;
    let effort = hand.spent("that a customer was told");
    ensure!(effort.touches <= 1, "{effort:?}");
    ensure!(hand.sees().await?.contains("1 of 1 told"));
    hand.phone.close().await
}
