//! Many at once on the same few lots: nothing below zero, nothing lost, every refusal with a reason.

use anyhow::Result;
use chrono::TimeDelta;
use futures::future::join_all;
use gillbook_testkit::{Farm, crowd};
use serde_json::json;
use sqlx::{Connection, PgConnection};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn thirty_two_at_once_on_the_same_lots() -> Result<()> {
    let carried_out = crowd(Farm::new().await?, 32, 100).await?;
    assert!(carried_out > 500, "{carried_out} of 3200 were carried out");
    Ok(())
}

/// Posts one reading of a minute of the hour before, and gives what became of it: accepted and there before.
async fn post_minute(farm: &Farm, minute: i64) -> (u64, u64) {
    let at = farm.now() - TimeDelta::minutes(60 - minute);
    let pack = json!([{"n": "p1", "u": "Cel", "t": at.timestamp(), "v": 2.5}]);
    let answer = farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(pack)).await.expect(200);
    assert_eq!(answer["refused"], json!([]), "{answer}");
    (answer["accepted"].as_u64().unwrap_or_default(), answer["duplicate"].as_u64().unwrap_or_default())
}

async fn readings_kept(farm: &Farm) -> Result<i64> {
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    Ok(sqlx::query_scalar("select count(*) from reading").fetch_one(&mut db).await?)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readings_that_are_posted_together_and_twice_are_each_kept_once() -> Result<()> {
    let farm = Farm::new().await?;
    for round in 0..3 {
        // Each minute twice at the same time, so that doubles meet in one commit and in two that overlap.
        let posts = (0..20).chain(0..20).map(|minute| post_minute(&farm, round * 20 + minute));
        let (kept, there) = join_all(posts).await.into_iter().fold((0, 0), |sum, of| (sum.0 + of.0, sum.1 + of.1));
        assert_eq!((kept, there), (20, 20));
    }
    assert_eq!(readings_kept(&farm).await?, 60);
    Ok(())
}
