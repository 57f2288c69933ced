//! What `gillbook check` finds, and the data that queries are checked against.

use anyhow::Result;
use gillbook_store::check::{INVARIANTS, check};
use gillbook_testkit::Farm;
use serde_json::json;
use sqlx::{AssertSqlSafe, Column, Connection, Executor, PgConnection, SqlSafeStr, Statement, TypeInfo};

use super::run;

#[tokio::test]
async fn check_finds_each_kind_of_damage() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(5000).await;
    farm.create("/api/packings", json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": 900}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 900}]})).await;
    farm.create(
        "/api/orders",
        json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 500}]}),
    )
    .await;
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": "O-1", "van": "VAN"})).await;
    let gift = farm
        .create(
            "/api/movements",
            json!({"kind": "gift", "lot": lot, "from_place": "F1", "grams_g": 50, "reason": "Neighbour"}),
        )
        .await;
    farm.create(
        &format!("/api/acts/{}/reversal", gift["act_id"].as_str().unwrap_or_default()),
        json!({"reason": "Came back"}),
    )
    .await;
    let docket = farm.docket_of(200).await;
    farm.create("/api/invoices", json!({"customer": "PLUM", "dockets": [docket]})).await;
    farm.create("/api/payments", json!({"customer": "PLUM", "amount": "1", "method": "cash"})).await;
    let recall = json!({"kind": "recall", "starts_from": "docket", "code": docket, "reason": "Mould"});
    farm.create("/api/recalls", recall).await;
    let audit = farm.admin.clone().username("gillbook_audit");
    assert_eq!(check(&audit).await?, []);
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    for (invariant, damage) in [
        (0, "update balance set grams = grams + 1 where place = 'F1'"),
        (
            1,
            "insert into movement select farm_id, act_id, 8::smallint, lot, 'VAN', 'WASTE', 99999 from movement limit 1",
        ),
        (2, "update balance set set_aside_g = 1 where place = 'F1'"),
        (3, "delete from balance where place = 'VAN'"),
        (4, "delete from movement where to_place = 'PACKING'"),
        (5, "update movement set grams = grams - 1 where from_place = 'FR1'"),
        (6, "update weighing_source set grams = grams + 1"),
        (7, "update lot_link set grams = grams - 1"),
        (8, "delete from movement m using act a where a.act_id = m.act_id and a.kind = 'reversal'"),
        (9, "update movement set to_place = 'HOME' where to_place = 'VAN'"),
        (10, "update docket set number = 7 where order_code = 'O-1'"),
        (11, "update docket_line set grams = grams + 1"),
        (12, "alter table movement no force row level security"),
        (
            13,
            "insert into movement select farm_id, act_id, 7::smallint, lot, 'PLUM', 'WASTE', 1 from movement join docket using (farm_id, act_id)",
        ),
        (16, "update docket_part set grams = grams - 1"),
        (17, "update balance set grams = 0 where place = 'VAN'"),
        (18, "delete from docket where order_code = 'O-1'"),
        (19, "update invoice set number = 9"),
        (20, "update invoice_tax set net = net + 1"),
        (21, "update payment_share set amount = 1000"),
        (22, "update payment set amount = 0"),
        (23, "update journal_line set amount = amount + 2"),
        (24, "delete from lot_event where document = 'RC-1'"),
    ] {
        // What a superuser can do with every trigger off; taken back after the look.
        run(&mut db, "begin; set local session_replication_role = replica").await?;
        run(&mut db, damage).await?;
        run(&mut db, "commit").await?;
        let found = check(&audit).await?;
        assert!(found.iter().any(|f| f.invariant == INVARIANTS[invariant]), "{damage}: {found:?}");
    }
    Ok(())
}

/// The queries were checked against committed data: here that data is held against the schema that the migrations make.
#[tokio::test]
async fn the_committed_query_data_matches_the_schema() -> Result<()> {
    let mut db = PgConnection::connect_with(&gillbook_testkit::database().await?).await?;
    let mut compared = 0;
    for entry in std::fs::read_dir(gillbook_tests::top().join(".sqlx"))? {
        let told: serde_json::Value = serde_json::from_slice(&std::fs::read(entry?.path())?)?;
        let query = told["query"].as_str().unwrap_or_default().to_owned();
        let statement = (&mut db).prepare(AssertSqlSafe(query.clone()).into_sql_str()).await?;
        let columns: Vec<(&str, &str)> = statement.columns().iter().map(|c| (c.name(), c.type_info().name())).collect();
        let told_columns = told["describe"]["columns"].as_array().cloned().unwrap_or_default();
        let same = told_columns.len() == columns.len()
            && told_columns.iter().zip(&columns).all(|(told, (name, kind))| {
                told["name"] == *name
                    && told["type_info"].as_str().is_some_and(|t| t.eq_ignore_ascii_case(&kind.replace("[]", "Array")))
            });
        assert!(same, "the data of this query is old; prepare it again:\n{query}\n{columns:?}\n{told_columns:?}");
        compared += 1;
    }
    assert!(compared > 150, "{compared}");
    Ok(())
}
