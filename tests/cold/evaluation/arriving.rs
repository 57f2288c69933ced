//! Readings as they arrive.

use anyhow::Result;
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::json;
use sqlx::{Connection, PgConnection};

use super::{post, reading};

#[tokio::test]
async fn a_lone_reading_sent_again_is_there_once_and_another_value_is_refused() -> Result<()> {
    let farm = Farm::new().await?;
    let at = farm.now() - TimeDelta::minutes(5);
    for (c, accepted, duplicate, refused) in [(2.0, 1, 0, 0), (2.0, 0, 1, 0), (3.0, 0, 0, 1)] {
        let answer = post(&farm, vec![reading(at, c)]).await;
        assert_eq!((&answer["accepted"], &answer["duplicate"]), (&json!(accepted), &json!(duplicate)), "{answer}");
        assert_eq!(answer["refused"].as_array().map(Vec::len), Some(refused), "{answer}");
        // With the mark of the one before, and without it.
        farm.get("/api/excursions").await;
    }
    assert_eq!(post(&farm, vec![reading(at + TimeDelta::minutes(1), 2.0)]).await["accepted"], 1);
    assert_eq!(post(&farm, vec![reading(at + TimeDelta::minutes(1), 2.0)]).await["duplicate"], 1);
    Ok(())
}

#[tokio::test]
async fn a_pack_over_months_finds_the_month_in_between() -> Result<()> {
    let farm = Farm::new().await?;
    let at = |days| farm.now() - TimeDelta::days(days);
    for days in [300, 100] {
        assert_eq!(post(&farm, vec![reading(at(days), 2.0)]).await["accepted"], 1);
    }
    let sparse = post(&farm, vec![reading(at(300), 2.0), reading(at(200), 2.0), reading(at(100), 2.0)]).await;
    assert_eq!((&sparse["accepted"], &sparse["duplicate"], &sparse["refused"]), (&json!(1), &json!(2), &json!([])));
    Ok(())
}

#[tokio::test]
async fn temperatures_and_what_comes_beside_them_are_kept_together() -> Result<()> {
    let farm = Farm::new().await?;
    let at = farm.now().timestamp() - 60;
    let beside = |unit: &str, value: f64| json!({"n": "p1", "u": unit, "t": at, "v": value});
    let pack = vec![beside("%EL", 80.0), beside("Cel", 2.0), beside("%RH", 90.0)];
    for (accepted, duplicate) in [(1, 0), (0, 1)] {
        let answer = post(&farm, pack.clone()).await;
        assert_eq!((&answer["accepted"], &answer["duplicate"]), (&json!(accepted), &json!(duplicate)), "{answer}");
        assert_eq!((&answer["beside"], &answer["refused"]), (&json!(2), &json!([])), "{answer}");
    }
    Ok(())
}

#[tokio::test]
async fn whoever_posts_does_not_wait_for_a_store_that_is_being_judged() -> Result<()> {
    let farm = Farm::new().await?;
    let at = |minutes| farm.now() - TimeDelta::minutes(minutes);
    post(&farm, vec![reading(at(3), 2.0)]).await;
    // A judge has the store in hand, and somebody opens the fridge page meanwhile.
    let mut judge = PgConnection::connect_with(&farm.admin).await?;
    sqlx::raw_sql("insert into dirty_range select farm_id, place, true, from_at, through_at from dirty_range")
        .execute(&mut judge)
        .await?;
    sqlx::raw_sql("begin; select from dirty_range where leased for update").execute(&mut judge).await?;
    let looking = farm.clone();
    let page = tokio::spawn(async move { looking.get("/api/excursions").await });
    let mut watch = PgConnection::connect_with(&farm.admin).await?;
    let waits =
        "select exists (select from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock')";
    while !sqlx::query_scalar::<_, bool>(waits).fetch_one(&mut watch).await? {
        tokio::task::yield_now().await;
    }
    let posted =
        tokio::time::timeout(std::time::Duration::from_secs(5), post(&farm, vec![reading(at(2), 2.0)])).await?;
    assert_eq!(posted["accepted"], 1);
    sqlx::raw_sql("rollback").execute(&mut judge).await?;
    page.await?;
    Ok(())
}
