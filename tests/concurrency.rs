//! Many at once on the same few lots: nothing below zero, nothing lost, every refusal with a reason.

use std::time::Duration;

use anyhow::Result;
use chrono::TimeDelta;
use futures::{future::join_all, poll};
use gillbook_store::{Signed, Store};
use gillbook_testkit::{Farm, crowd};
use serde_json::json;
use sqlx::{Connection, PgConnection};
use tokio::time::timeout;

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

#[tokio::test]
async fn clients_that_go_away_half_way_leave_the_line_open() -> Result<()> {
    let farm = Farm::new().await?;
    // Each goes away a little later than the one before: before it stands in line, with its turn, while it waits for another's.
    for minute in 0..30 {
        let mut posts: Vec<_> = (0..3).map(|_| Box::pin(post_minute(&farm, minute))).collect();
        for _ in 0..minute {
            for post in &mut posts {
                // One that is answered is asked no more.
                if poll!(post.as_mut()).is_ready() {
                    *post = Box::pin(post_minute(&farm, minute));
                }
            }
            tokio::task::yield_now().await;
        }
        drop(posts);
        let (kept, there) = timeout(Duration::from_secs(20), post_minute(&farm, minute)).await?;
        assert_eq!(kept + there, 1, "minute {minute}");
    }
    assert_eq!(readings_kept(&farm).await?, 30);
    Ok(())
}

#[tokio::test]
async fn a_transaction_that_is_given_up_while_it_begins_is_not_left_open() -> Result<()> {
    let farm = Farm::bare().await?;
    let store = Store::connect(farm.admin.clone().username("gillbook_app"), 1).await?;
    let signed = Signed { farm: farm.id, name: "AB".into(), key: "given up".into() };
    let mut admin = PgConnection::connect_with(&farm.admin).await?;
    let mut begun = 0;
    // Given up a little later each time: before the connection is there, while it begins, once it has begun.
    for polls in 0..40 {
        let mut beginning = Box::pin(store.begin_read(&signed, farm.now()));
        for _ in 0..polls {
            if poll!(beginning.as_mut()).is_ready() {
                begun += 1;
                break;
            }
            tokio::task::yield_now().await;
        }
        drop(beginning);
        // There is one connection, so that this waits until it is back.
        store.ping().await?;
        let open: i64 = sqlx::query_scalar(
            "select count(*) from pg_stat_activity
              where datname = current_database() and usename = 'gillbook_app' and state like 'idle in transaction%'",
        )
        .fetch_one(&mut admin)
        .await?;
        assert_eq!(open, 0, "given up after {polls} polls");
    }
    assert!(begun < 40, "some were given up before they had begun");
    Ok(())
}
