//! The database's own guards, tried with plain SQL.

mod damage;
mod farms;
mod invoicing;
mod posting;
mod tally;

use anyhow::Result;
use gillbook_testkit::Farm;
use serde_json::json;
use sqlx::{AssertSqlSafe, Connection, PgConnection};

async fn as_app(farm: &Farm) -> Result<PgConnection> {
    Ok(PgConnection::connect_with(&farm.admin.clone().username("gillbook_app")).await?)
}

async fn run(db: &mut PgConnection, sql: &str) -> Result<u64, sqlx::Error> {
    Ok(sqlx::raw_sql(AssertSqlSafe(sql.to_owned())).execute(db).await?.rows_affected())
}

/// The service's role, on a farm.
async fn on_farm(farm: &Farm) -> Result<PgConnection> {
    let mut db = as_app(farm).await?;
    run(&mut db, &format!("set gillbook.farm = {0}; set gillbook.farms = '{{{0}}}'", farm.id.0)).await?;
    Ok(db)
}

async fn call(
    db: &mut PgConnection,
    function: &str,
    farm: i32,
    document: &serde_json::Value,
) -> Result<(), sqlx::Error> {
    let sql = format!("select {function}($1, $2)");
    sqlx::query(AssertSqlSafe(sql)).bind(farm).bind(document).execute(db).await.map(drop)
}

/// An entry of somebody at the console of the service's role.
#[expect(clippy::needless_pass_by_value, reason = "made where it is handed in")]
fn entry(kind: &str, parts: serde_json::Value) -> serde_json::Value {
    let mut entry = json!({"act": {"act_id": uuid::Uuid::new_v4(), "kind": kind, "happened_at": "2026-05-05T08:00:00Z",
        "recorded_at": "2026-05-05T08:00:00Z", "done_by": "x", "entered_by": "x", "own_sign_in": false, "reason": ""}});
    for (part, rows) in parts.as_object().into_iter().flatten() {
        let target = if matches!(part.as_str(), "document" | "reverses" | "happened_at" | "act_id") {
            &mut entry["act"]
        } else {
            &mut entry
        };
        target[part] = rows.clone();
    }
    entry
}

async fn post(db: &mut PgConnection, farm: i32, entry: serde_json::Value) -> Result<(), sqlx::Error> {
    sqlx::query("select post_entry($1, $2)").bind(farm).bind(entry).execute(db).await.map(|_| ())
}

fn legs(legs: &[(&str, &str, &str, i64)]) -> serde_json::Value {
    let row = |(n, (lot, from, to, grams)): (usize, &(&str, &str, &str, i64))| json!({"leg": n + 1, "lot": lot, "from_place": from, "to_place": to, "grams": grams});
    legs.iter().enumerate().map(row).collect()
}
