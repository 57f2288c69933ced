//! Many at once on the same few lots: nothing below zero, nothing lost, every refusal with a reason.

use anyhow::Result;
use gillbook_testkit::{Farm, crowd};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn thirty_two_at_once_on_the_same_lots() -> Result<()> {
    let carried_out = crowd(Farm::new().await?, 32, 100).await?;
    assert!(carried_out > 500, "{carried_out} of 3200 were carried out");
    Ok(())
}
