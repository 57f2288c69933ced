//! Closing a week.

use anyhow::Result;
use chrono::TimeDelta;
use gillbook_testkit::{Farm, scope_of};
use serde_json::json;
use sqlx::{AssertSqlSafe, Connection, PgConnection};

use super::{WEEK, week};

/// Waits, without a clock, until a query of another session waits for a lock.
async fn so_many_wait(db: &mut PgConnection, so_many: i64) -> Result<()> {
    loop {
        let waiting: i64 = sqlx::query_scalar(
            "select count(*) from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'",
        )
        .fetch_one(&mut *db)
        .await?;
        if waiting >= so_many {
            return Ok(());
        }
        tokio::task::yield_now().await;
    }
}

#[tokio::test]
async fn an_act_in_flight_is_in_the_closing_or_told_as_after_it() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    farm.pass(TimeDelta::days(7));
    let happened_at = farm.now() - TimeDelta::days(6);
    let body = |grams: i64| json!({"kind": "waste", "lot": lot, "from_place": "F1", "grams_g": grams, "reason": "Soft", "happened_at": happened_at});
    let mut hand = PgConnection::connect_with(&farm.admin).await?;
    let mut eyes = PgConnection::connect_with(&farm.admin).await?;
    // The closing waits for an act that is under way, and the act that comes next for the closing.
    sqlx::query("begin").execute(&mut hand).await?;
    sqlx::query("select lock_weeks($1, false)").bind(farm.id.0).execute(&mut hand).await?;
    let slow = farm.clone();
    let closing = tokio::spawn(async move { slow.post(&format!("/api/weeks/{WEEK}/close"), json!({})).await });
    so_many_wait(&mut eyes, 1).await?;
    farm.pass(TimeDelta::seconds(1));
    let slow = farm.clone();
    let in_flight = tokio::spawn({
        let body = body(400);
        async move { slow.post("/api/movements", body).await }
    });
    so_many_wait(&mut eyes, 2).await?;
    sqlx::query("rollback").execute(&mut hand).await?;
    let closed = closing.await?.expect(201);
    in_flight.await?.expect(201);
    let seen = week(&farm, WEEK).await;
    assert_eq!(closed["closed"]["total"]["wasted_g"], 0);
    assert_eq!(
        (&seen["now"]["total"]["wasted_g"], &seen["closed"]["total"]["wasted_g"], &seen["after_close"]),
        (&json!(400), &json!(0), &json!(1))
    );
    farm.create("/api/movements", body(100)).await;
    let page = farm.raw("GET", "/week?week=2026-W19", &[], Vec::new()).await.text;
    assert!(page.contains("2 late entries"), "{page}");
    // The page shows what was closed, and says so.
    assert!(
        page.contains("its figures as they were then")
            && page.contains("<th scope=\"row\">Wasted</th><td class=\"n\">0.00"),
        "{page}"
    );
    // Each can be opened: what it was, when it happened and when it was entered.
    assert!(page.contains(" of 5\u{a0}May\u{a0}2026 08:00 by AB, entered 11\u{a0}May\u{a0}2026 08:00: Soft"), "{page}");
    let late = week(&farm, WEEK).await["late_entries"].clone();
    assert_eq!((&late[0]["kind"], late.as_array().map(Vec::len)), (&json!("waste"), Some(2)), "{late}");
    Ok(())
}

#[tokio::test]
async fn a_closing_waits_for_the_acts_that_are_in_the_ledger() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    farm.pass(TimeDelta::days(7));
    let mut hand = PgConnection::connect_with(&farm.admin).await?;
    let mut eyes = PgConnection::connect_with(&farm.admin).await?;
    // An act that has been entered and is not committed.
    sqlx::query("begin").execute(&mut hand).await?;
    sqlx::raw_sql(AssertSqlSafe(scope_of(farm.id.0))).execute(&mut hand).await?;
    sqlx::query(
        "with a as (insert into act (farm_id, act_id, kind, happened_at, recorded_at, done_by, entered_by)
              select farm_id, gen_random_uuid(), 'waste', happened_at + interval '1 hour', $1, 'AB', 'AB' from act where kind = 'weighing' returning *)
         select from a",
    )
    .bind(farm.now())
    .execute(&mut hand)
    .await?;
    sqlx::query(
        "insert into movement select a.farm_id, a.act_id, 1::smallint, $1, 'F1', (select place from place where kind = 'waste'), 250 from act a where a.kind = 'waste'",
    )
    .bind(&lot)
    .execute(&mut hand)
    .await?;
    let closing = tokio::spawn({
        let farm = farm.clone();
        async move { farm.post(&format!("/api/weeks/{WEEK}/close"), json!({})).await }
    });
    so_many_wait(&mut eyes, 1).await?;
    sqlx::query("commit").execute(&mut hand).await?;
    let closed = closing.await?.expect(201);
    assert_eq!((&closed["closed"]["total"]["wasted_g"], &closed["after_close"]), (&json!(250), &json!(0)), "{closed}");
    Ok(())
}

#[tokio::test]
async fn balances_that_are_not_their_movements_are_named_and_stop_the_closing() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    assert_eq!(week(&farm, WEEK).await["book_check"], json!({"balances_g": 1000, "movements_g": 1000, "lots_off": []}));
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    sqlx::raw_sql("set session_replication_role = replica; update balance set grams = grams + 7 where place = 'F1'")
        .execute(&mut db)
        .await?;
    assert_eq!(
        week(&farm, WEEK).await["book_check"],
        json!({"balances_g": 1007, "movements_g": 1000, "lots_off": [lot]})
    );
    let page = farm.raw("GET", "/week?week=2026-W19", &[], Vec::new()).await.text;
    assert!(page.contains("do not agree") && page.contains(&lot), "{page}");
    farm.pass(TimeDelta::days(7));
    let refused = farm.post(&format!("/api/weeks/{WEEK}/close"), json!({})).await;
    refused.ensure_problem(409, "closed", None);
    assert!(refused.text.contains(&lot), "{}", refused.text);
    Ok(())
}
