//! One farm does not see another, and every table and constraint is under the rule for that.

use anyhow::Result;
use gillbook_store::{migrate::migrate, refusal_for};
use gillbook_testkit::{Farm, scope_of};
use serde_json::json;
use sqlx::{AssertSqlSafe, Connection, PgConnection};

use super::{as_app, entry, legs, post, run};

#[tokio::test]
async fn functions_of_the_owner_look_into_temporary_tables_last() -> Result<()> {
    let farm = Farm::bare().await?;
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    let functions: Vec<(String, Option<Vec<String>>)> = sqlx::query_as(
        "select proname::text, proconfig from pg_proc where prosecdef and pronamespace = 'public'::regnamespace order by 1",
    )
    .fetch_all(&mut db)
    .await?;
    assert!(functions.len() >= 6, "{functions:?}");
    for (name, settings) in functions {
        assert_eq!(settings, Some(vec!["search_path=pg_catalog, public, pg_temp".to_owned()]), "{name}");
    }
    Ok(())
}

#[tokio::test]
async fn a_temporary_table_of_the_services_role_stands_in_for_no_balance() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    // A copy of a database has not its privileges: they are set as on any start.
    migrate(&farm.admin).await?;
    let mut db = as_app(&farm).await?;
    let stand_in = "create temporary table balance (like public.balance including all); grant all on balance to public";
    let refused = run(&mut db, stand_in).await.expect_err("the service makes no tables").to_string();
    assert!(refused.contains("permission denied to create temporary tables"), "{refused}");
    // Even where an administrator lets it: the guards read the real table.
    let mut admin = PgConnection::connect_with(&farm.admin).await?;
    run(
        &mut admin,
        &format!("grant temporary on database {} to gillbook_app", farm.admin.get_database().unwrap_or_default()),
    )
    .await?;
    run(&mut db, &format!("{}; {stand_in}", scope_of(farm.id.0))).await?;
    let rich = format!("insert into balance values ({}, '{lot}', 'F1', 900000, 0)", farm.id.0);
    run(&mut db, &rich).await?;
    let gift = entry("gift", json!({"legs": legs(&[(&lot, "F1", "GIFT", 500_000)])}));
    let refused = post(&mut db, farm.id.0, gift).await.expect_err("there are 1000 g").to_string();
    assert!(refused.contains("has not 500000 g at F1"), "{refused}");
    Ok(())
}

#[tokio::test]
async fn no_farm_set_or_another_one_shows_no_rows() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(1000).await;
    let mut db = as_app(&farm).await?;
    for setting in [
        "reset gillbook.farm; reset gillbook.farms".to_owned(),
        "set gillbook.farm = ''; set gillbook.farms = ''".to_owned(),
        scope_of(farm.id.0 + 1),
    ] {
        run(&mut db, &setting).await?;
        for table in ["farm", "lot", "movement", "balance", "person", "token", "customer", "reading", "hourly_figure"] {
            let rows: i64 =
                sqlx::query_scalar(AssertSqlSafe(format!("select count(*) from {table}"))).fetch_one(&mut db).await?;
            assert_eq!(rows, 0, "{table} after {setting}");
        }
    }
    Ok(())
}

#[tokio::test]
async fn work_across_farms_sees_only_the_tables_that_it_touches() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(1000).await;
    let mut db = as_app(&farm).await?;
    run(&mut db, &format!("set gillbook.farms = '{{{}}}'", farm.id.0)).await?;
    let seen = async |db: &mut PgConnection| -> Result<Vec<String>> {
        let tables: Vec<String> = sqlx::query_scalar(
            "select distinct c.relname::text from pg_policy p join pg_class c on c.oid = p.polrelid where c.relkind = 'r' order by 1",
        )
        .fetch_all(&mut *db)
        .await?;
        let mut seen = Vec::new();
        for table in tables {
            let any = AssertSqlSafe(format!("select exists (select from {table})"));
            if sqlx::query_scalar::<_, bool>(any).fetch_one(&mut *db).await.unwrap_or(false) {
                seen.push(table);
            }
        }
        Ok(seen)
    };
    assert_eq!(seen(&mut db).await?, ["dirty_range", "farm", "idempotency", "sign_in_name"]);
    run(&mut db, &scope_of(farm.id.0)).await?;
    let own = seen(&mut db).await?;
    assert!(own.len() > 20 && own.iter().any(|t| t == "lot"), "{own:?}");
    Ok(())
}

#[tokio::test]
async fn names_to_sign_in_with_are_found_on_any_farm_and_changed_on_ones_own() -> Result<()> {
    let farm = Farm::bare().await?;
    let other = farm.second("bea").await?;
    let mut db = as_app(&farm).await?;
    run(&mut db, &scope_of(farm.id.0)).await?;
    assert_eq!(run(&mut db, "delete from sign_in_name where sign_in_name = 'bea'").await?, 0);
    let stolen = format!(
        "insert into sign_in_name select 'mine', farm_id, person_id from sign_in_name where farm_id = {}",
        other.id.0
    );
    let refused = run(&mut db, &stolen).await.expect_err("another farm's").to_string();
    assert!(refused.contains("row-level security"), "{refused}");
    let found: i64 = sqlx::query_scalar("select count(*) from sign_in_name").fetch_one(&mut db).await?;
    assert_eq!(found, 2);
    other.sign_in("bea").await;
    assert_eq!(run(&mut db, "delete from sign_in_name").await?, 1, "its own");
    Ok(())
}

#[tokio::test]
async fn every_table_is_under_the_farm_rule_and_every_constraint_has_words() -> Result<()> {
    let farm = Farm::bare().await?;
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    let tables: Vec<(String, bool, bool, Option<String>)> = sqlx::query_as(
        "select c.relname::text, c.relrowsecurity, c.relforcerowsecurity,
                (select a.attname::text from pg_index i join pg_attribute a on a.attrelid = c.oid and a.attnum = i.indkey[0] where i.indrelid = c.oid and i.indisprimary)
           from pg_class c where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and not c.relispartition",
    )
    .fetch_all(&mut db)
    .await?;
    // The one that finds the farm of a name, the rules that every farm shares, and the migrations' own.
    let exempt = ["sign_in_name", "movement_rule", "_sqlx_migrations"];
    assert!(tables.len() > 40);
    for (table, secured, forced, first) in tables.iter().filter(|t| !exempt.contains(&t.0.as_str())) {
        assert!(*secured && *forced, "{table} is not under forced row security");
        assert_eq!(first.as_deref(), Some("farm_id"), "{table}'s key does not begin with farm_id");
    }
    let constraints: Vec<(String, String)> = sqlx::query_as(
        "select c.conrelid::regclass::text, c.conname::text from pg_constraint c join pg_class t on t.oid = c.conrelid
          where c.connamespace = 'public'::regnamespace and not t.relispartition and t.relname not in ('_sqlx_migrations', 'movement_rule') and c.contype <> 't'",
    )
    .fetch_all(&mut db)
    .await?;
    assert!(constraints.len() > 200);
    for (table, name) in constraints {
        assert!(refusal_for(&table, &name, "").is_some(), "{name} of {table} has no words");
    }
    Ok(())
}
