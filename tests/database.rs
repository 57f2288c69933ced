//! The database's own guards, tried with plain SQL.

use anyhow::Result;
use gillbook_store::{
    check::{INVARIANTS, check},
    migrate::migrate,
    refusal_for,
};
use gillbook_testkit::Farm;
use serde_json::json;
use sqlx::{AssertSqlSafe, Column, Connection, Executor, PgConnection, SqlSafeStr, Statement, TypeInfo};

async fn as_app(farm: &Farm) -> Result<PgConnection> {
    Ok(PgConnection::connect_with(&farm.admin.clone().username("gillbook_app")).await?)
}

async fn run(db: &mut PgConnection, sql: &str) -> Result<u64, sqlx::Error> {
    Ok(sqlx::raw_sql(AssertSqlSafe(sql.to_owned())).execute(db).await?.rows_affected())
}

#[tokio::test]
async fn the_services_role_cannot_rewrite_a_record_or_touch_a_balance() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(1000).await;
    let mut db = as_app(&farm).await?;
    run(&mut db, &format!("set gillbook.farms = '{{{}}}'", farm.id.0)).await?;
    for table in ["weighing", "movement", "reading", "docket", "act", "lot"] {
        for sql in [
            format!("delete from {table}"),
            format!("update {table} set farm_id = farm_id"),
            format!("truncate {table} cascade"),
        ] {
            let error = run(&mut db, &sql).await.expect_err(&sql).to_string();
            assert!(error.contains("permission denied"), "{sql}: {error}");
        }
    }
    for sql in [
        "update balance set grams = 9",
        "insert into balance select farm_id, lot, 'VAN', 5, 0 from balance",
        "delete from balance",
    ] {
        assert!(run(&mut db, sql).await.is_err(), "{sql}");
    }
    // A leg added to an act that is over, and an act whose legs do not add up to its weighing.
    let added =
        "insert into movement select farm_id, act_id, 9::smallint, lot, from_place, to_place, 5 from movement limit 1";
    let refused = run(&mut db, added).await.expect_err(added).to_string();
    assert!(refused.contains("closed"), "{refused}");
    let unweighed = format!(
        "begin; insert into act (farm_id, act_id, kind, happened_at, recorded_at, done_by, entered_by)
             values ({0}, gen_random_uuid(), 'weighing', now(), now(), 'x', 'x');
         insert into movement select {0}, a.act_id, 1, l.lot, 'FR1', 'F1', 500 from act a, lot l where a.done_by = 'x'; commit",
        farm.id.0
    );
    let refused = run(&mut db, &unweighed).await.expect_err("it does not add up").to_string();
    assert!(refused.contains("act_is_told"), "{refused}");
    // Goods that are handed over under a docket, of none of its lines.
    let of_no_line = format!(
        "begin; insert into act (farm_id, act_id, kind, happened_at, recorded_at, done_by, entered_by)
             values ({0}, gen_random_uuid(), 'dispatch', now(), now(), 'y', 'y');
         insert into movement select {0}, a.act_id, 1, l.lot, 'F1', 'PLUM', 500 from act a, lot l where a.done_by = 'y'; commit",
        farm.id.0
    );
    let refused = run(&mut db, &of_no_line).await.expect_err("of no line").to_string();
    assert!(refused.contains("act_is_told"), "{refused}");
    Ok(())
}

/// The service's role may have constraints looked at early; what it writes after the look is looked at again.
#[tokio::test]
async fn nothing_is_written_behind_the_look_at_an_act() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(3000).await;
    let counted = farm
        .create("/api/stock-counts", json!({"place": "F1", "lots": [{"lot": lot, "counted_g": 3000}]}))
        .await["act"]["act_id"]
        .clone();
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 500}]});
    farm.create("/api/orders", order).await;
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": "O-1", "van": "VAN"})).await;
    let mut db = as_app(&farm).await?;
    run(&mut db, &format!("set gillbook.farms = '{{{}}}'", farm.id.0)).await?;
    let act = |kind: &str, reverses: &str| {
        format!(
            "insert into act (farm_id, act_id, kind, happened_at, recorded_at, done_by, entered_by, reverses)
             select {}, gen_random_uuid(), '{kind}', o.happened_at, now(), 'x', 'x', {reverses}
               from act o where o.act_id = {counted}; ",
            farm.id.0,
            counted = counted.to_string().replace('"', "'"),
        )
    };
    let leg = |from: &str, to: &str, grams: i64| {
        format!(
            "insert into movement select farm_id, act_id, 1, '{lot}', '{from}', '{to}', {grams} from act where done_by = 'x'; "
        )
    };
    let lines = "insert into docket_line select farm_id, docket, 9, order_line, product, product_name, lot, place, harvest_day, best_before,
                 1, price, unit, tax_percent, 0 from docket_line";
    for (writes, broken) in [
        (act("reversal", "o.act_id") + &leg("FOUND", "F1", 99_000_000), "act_reversal_whole"),
        (act("count", "null") + &leg("FOUND", "F1", 900), "act_is_told"),
        (act("count", "null"), "act_is_told"),
        (act("finish", "null") + &leg("F1", "WATER", 3), "act_is_told"),
        (act("market_close", "null"), "act_is_told"),
        (act("week_close", "null"), "act_is_told"),
        (act("delivery", "null"), "act_is_told"),
        (lines.to_owned(), "is closed"),
        (
            format!(
                "insert into lot_link select farm_id, act_id, '{lot}', '{lot}X', 5 from act where kind = 'weighing'"
            ),
            "lot_link",
        ),
        (
            "insert into weighing_source select farm_id, act_id, batch, 9, 5, 'shared' from weighing_source".to_owned(),
            "is closed",
        ),
        (
            "insert into stock_count select farm_id, act_id, lot, 'VAN', 5, 0, 0, 0, 0, 0, 'x' from stock_count"
                .to_owned(),
            "is closed",
        ),
        (
            format!("insert into delivery select {}, act_id, 'D-1', 'Cook', null, 0, 0 from weighing", farm.id.0),
            "is closed",
        ),
        (format!("insert into docket_part select {}, act_id, 'D-1', 1, 5 from weighing", farm.id.0), "is closed"),
        (
            format!(
                "insert into week_close select {}, '2026-W01', act_id, '2026-01-01Z', '2026-01-02Z', '2026-02-01Z', '{{}}' from weighing",
                farm.id.0
            ),
            "is closed",
        ),
    ] {
        for early in ["", "set constraints all immediate; "] {
            let refused =
                run(&mut db, &format!("begin; {early}{writes}; commit")).await.expect_err(&writes).to_string();
            assert!(refused.contains(broken), "{writes}: {refused}");
            run(&mut db, "rollback").await?;
        }
    }
    // The goods of a docket stay in the van, also for plain SQL.
    let taken = act("transfer", "null") + &leg("VAN", "F1", 1);
    let refused = run(&mut db, &format!("begin; {taken}; commit")).await.expect_err(&taken).to_string();
    assert!(refused.contains("under way to customers"), "{refused}");
    Ok(())
}

/// Who dealt with a spell, or typed it in, is no second person, also for the service's role in plain SQL.
#[tokio::test]
async fn nobody_countersigns_their_own_action() -> Result<()> {
    let farm = Farm::new().await?;
    let mut db = as_app(&farm).await?;
    let n = farm.id.0;
    run(&mut db, &format!("set gillbook.farms = '{{{n}}}'")).await?;
    let spell = |id: u8| format!("'00000000-0000-4000-8000-00000000000{id}'");
    for id in [1, 2] {
        let sql = format!("insert into excursion (farm_id, excursion_id, place, kind, began_at, ended_at, known_s, beyond_c_s, judged_at)
                           values ({n}, {}, 'F1', 'too_warm', now(), now(), 0, 0, now())", spell(id));
        run(&mut db, &sql).await?;
    }
    let action = format!("insert into excursion_action (farm_id, action_id, excursion_id, done, food, food_note, done_at, recorded_at, done_by, entered_by, orders_short, known_began_at)
                          values ({n}, {0}, {0}, 'Shut the door', 'kept', '', now(), now(), 'AB', 'CD', '{{}}', now())", spell(1));
    run(&mut db, &action).await?;
    for (id, who, of) in [(1, "AB", 1), (2, " cd ", 1), (3, "EF", 2), (4, "EF", 1)] {
        let sign_off =
            format!("insert into excursion_sign_off values ({n}, {}, {}, now(), '{who}', '')", spell(id), spell(of));
        run(&mut db, &sign_off).await?;
        let signed =
            run(&mut db, &format!("insert into excursion_action_sign_off values ({n}, {}, {})", spell(1), spell(id)))
                .await;
        match signed {
            Ok(_) => assert_eq!(id, 4, "{who}"),
            Err(error) => assert!(error.to_string().contains("second person") && id < 4, "{who}: {error}"),
        }
    }
    // Nor where the signature comes behind what it signs.
    let behind = format!(
        "with signed as (insert into excursion_sign_off values ({n}, {0}, {1}, now(), 'AB', ''))
         insert into excursion_action_sign_off values ({n}, {1}, {0})",
        spell(5),
        spell(1)
    );
    run(&mut db, "delete from excursion_action_sign_off").await.expect_err("it is kept");
    let action = action.replacen(&spell(1), &spell(6), 1);
    run(&mut db, &action).await?;
    let behind = behind.replace(
        &format!("values ({n}, {}, {})", spell(1), spell(5)),
        &format!("values ({n}, {}, {})", spell(6), spell(5)),
    );
    let refused = run(&mut db, &behind).await.expect_err("nobody saw the signature").to_string();
    assert!(refused.contains("second person"), "{refused}");
    Ok(())
}

/// Each rule of an act, broken by plain SQL of the service's role while all the others are kept.
#[tokio::test]
#[expect(clippy::too_many_lines, reason = "one flat list of rules")]
async fn an_act_adds_up_or_is_not_there() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(5000).await;
    let packs = json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": 900}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 900}]});
    let made = farm.create("/api/packings", packs).await["made"][0].as_str().unwrap_or_default().to_owned();
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 500}]});
    farm.create("/api/orders", order).await;
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": "O-1", "van": "VAN"})).await;
    farm.create("/api/dockets/D-1/delivery", json!({"taken_by": "Cook"})).await;
    let stall = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "0", "taken": [{"lot": lot, "place": "F1", "grams_g": 800}]});
    farm.create("/api/market-days", stall).await;
    let gift = json!({"kind": "gift", "lot": lot, "from_place": "F1", "grams_g": 50, "reason": "Neighbour"});
    let gift = farm.create("/api/movements", gift).await["act_id"].as_str().unwrap_or_default().to_owned();
    farm.create(&format!("/api/acts/{gift}/reversal"), json!({"reason": "Came back"})).await;
    let mut of_other = Farm::weighing(500);
    of_other["sources"] = json!([{"batch": "B3", "flush": 1}]);
    let other = farm.create("/api/weighings", of_other).await["lot"].as_str().unwrap_or_default().to_owned();
    let mut db = as_app(&farm).await?;
    let n = farm.id.0;
    run(&mut db, &format!("set gillbook.farms = '{{{n}}}'")).await?;
    let x = "select act_id from act where done_by = 'x'";
    let act = |kind: &str| {
        let document = if kind == "dispatch" { "D-2" } else { "D-1" };
        format!(
            "insert into act (farm_id, act_id, kind, happened_at, recorded_at, done_by, entered_by, document)
                 values ({n}, gen_random_uuid(), '{kind}', now(), now(), 'x', 'x', '{document}')"
        )
    };
    let back = |of: &str| {
        format!("insert into act (farm_id, act_id, kind, happened_at, recorded_at, done_by, entered_by, reverses)
                 select farm_id, gen_random_uuid(), 'reversal', happened_at, now(), 'x', 'x', act_id from act where {of}")
    };
    let leg = |n_leg: i32, lot: &str, from: &str, to: &str, grams: i64| {
        format!("insert into movement select {n}, ({x}), {n_leg}, '{lot}', '{from}', '{to}', {grams}")
    };
    let link = |parent: &str, child: &str, grams: i64| {
        format!("insert into lot_link select {n}, ({x}), '{parent}', '{child}', {grams}")
    };
    let docket = |van: &str| {
        format!("insert into docket select farm_id, 'D-2', 2, order_code, customer, customer_name, address, ({x}), {van}, delivery_day, dispatched_at,
                        currency from docket where docket = 'D-1'")
    };
    let line = |grams: i64| {
        format!("insert into docket_line select farm_id, 'D-2', line, order_line, product, product_name, lot, place, harvest_day, best_before, {grams},
                        price, unit, tax_percent, amount from docket_line where docket = 'D-1'")
    };
    let delivery = format!("insert into delivery values ({n}, ({x}), 'D-1', 'Cook', null, 0, 0)");
    let close =
        format!("update market_day set status = 'closed', close_act = ({x}), cash = 0, card = 0, fee = 0, net = 0");
    let l = lot.as_str();
    for (broken, writes) in [
        ("act_moves_something", vec![act("gift")]),
        ("act_parts_known", vec![act("gift"), leg(1, l, "F1", "GIFT", 50), link(l, &made, 50)]),
        ("act_parts_known", vec![act("gift"), leg(1, l, "F1", "GIFT", 50), delivery.clone()]),
        ("act_reversal_allowed", vec![back("kind = 'reversal'"), leg(1, l, "F1", "GIFT", 50)]),
        ("act_reversal_whole", vec![back("kind = 'packing'"), leg(1, l, "PACKING", "F1", 50)]),
        (
            "act_weighing_adds_up",
            vec![
                act("weighing"),
                leg(1, l, "FR1", "F1", 500),
                format!(
                    "insert into weighing select {n}, ({x}), lot, place, 511, 12, 499, 0, cut, crate, crates, liner, wet from weighing where lot = '{l}'"
                ),
                format!(
                    "insert into weighing_source select {n}, ({x}), batch, flush, 500, basis from weighing_source where batch = 'B1'"
                ),
            ],
        ),
        (
            "act_packing_adds_up",
            vec![
                act("packing"),
                leg(1, l, "F1", "PACKING", 100),
                leg(2, &made, "PACKING", "F1", 90),
                link(l, &made, 90),
            ],
        ),
        (
            "act_strains_apart",
            vec![
                act("packing"),
                leg(1, l, "F1", "PACKING", 100),
                leg(2, &other, "PACKING", "F1", 100),
                link(l, &other, 100),
            ],
        ),
        (
            "act_children_add_up",
            vec![
                act("packing"),
                leg(1, l, "F1", "PACKING", 100),
                leg(2, &made, "PACKING", "F1", 100),
                link(l, &made, 90),
            ],
        ),
        (
            "act_parents_add_up",
            vec![
                act("packing"),
                leg(1, l, "F1", "PACKING", 60),
                leg(2, &made, "F1", "PACKING", 40),
                leg(3, &made, "PACKING", "F1", 100),
                link(l, &made, 100),
            ],
        ),
        (
            "act_count_adds_up",
            vec![
                act("count"),
                leg(1, l, "F1", "WATER", 20),
                format!("insert into stock_count select {n}, ({x}), '{l}', 'F1', 90, 100, 0, 0, 10, 0, 'x'"),
            ],
        ),
        ("act_docket_adds_up", vec![act("dispatch"), docket("'VAN'"), line(500), leg(1, l, "F1", "VAN", 600)]),
        (
            "act_docket_parts_add_up",
            vec![
                act("dispatch"),
                docket("null"),
                line(500),
                leg(1, l, "F1", "PLUM", 500),
                format!("insert into docket_part select {n}, ({x}), 'D-2', 1, 400"),
            ],
        ),
        ("act_delivery_once", vec![act("delivery"), delivery]),
        (
            "act_docket_its_own",
            vec![
                act("dispatch"),
                docket("null"),
                line(500),
                leg(1, l, "F1", "SATURDAY", 500),
                format!("insert into docket_part select {n}, ({x}), 'D-2', 1, 500"),
            ],
        ),
        (
            "act_finish_its_own",
            vec![
                act("finish"),
                leg(1, l, "F1", "WATER", 50),
                format!(
                    "insert into lot_event select {n}, gen_random_uuid(), '{made}', 9, 'finish', 'x', now(), now(), 'x', ({x}), 'x', null"
                ),
            ],
        ),
        (
            "act_market_sales_add_up",
            vec![
                act("market_close"),
                close,
                leg(1, l, "STALL", "SATURDAY", 800),
                format!(
                    "insert into market_sale (farm_id, market_day, lot, grams, tax_percent, amount, net, fee) values ({n}, 'M-1', '{l}', 700, 0, 0, 0, 0)"
                ),
            ],
        ),
    ] {
        let refused =
            run(&mut db, &format!("begin; {}; commit", writes.join("; "))).await.expect_err(broken).to_string();
        assert!(refused.contains(broken), "{broken}: {refused}");
        run(&mut db, "rollback").await?;
    }
    assert_eq!(check(&farm.admin.clone().username("gillbook_audit")).await?, []);
    Ok(())
}

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
    run(&mut db, &format!("set gillbook.farms = '{{{}}}'; {stand_in}", farm.id.0)).await?;
    let rich = format!("insert into balance values ({}, '{lot}', 'F1', 900000, 0)", farm.id.0);
    run(&mut db, &rich).await?;
    let gift = format!(
        "begin; insert into act (farm_id, act_id, kind, happened_at, recorded_at, done_by, entered_by, reason)
             values ({0}, gen_random_uuid(), 'gift', now(), now(), 'x', 'x', 'x');
         insert into movement select {0}, act_id, 1, '{lot}', 'F1', 'GIFT', 500000 from act where done_by = 'x'; commit",
        farm.id.0
    );
    let refused = run(&mut db, &gift).await.expect_err("there are 1000 g").to_string();
    assert!(refused.contains("has not 500000 g at F1"), "{refused}");
    Ok(())
}

#[tokio::test]
async fn no_farm_set_or_another_one_shows_no_rows() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(1000).await;
    let mut db = as_app(&farm).await?;
    for setting in [
        "reset gillbook.farms".to_owned(),
        "set gillbook.farms = ''".to_owned(),
        format!("set gillbook.farms = '{{{}}}'", farm.id.0 + 1),
    ] {
        run(&mut db, &setting).await?;
        for table in ["farm", "lot", "movement", "balance", "person", "token", "customer"] {
            let rows: i64 =
                sqlx::query_scalar(AssertSqlSafe(format!("select count(*) from {table}"))).fetch_one(&mut db).await?;
            assert_eq!(rows, 0, "{table} after {setting}");
        }
    }
    Ok(())
}

#[tokio::test]
async fn names_to_sign_in_with_are_found_on_any_farm_and_changed_on_ones_own() -> Result<()> {
    let farm = Farm::bare().await?;
    let other = farm.second("bea").await?;
    let mut db = as_app(&farm).await?;
    run(&mut db, &format!("set gillbook.farms = '{{{}}}'", farm.id.0)).await?;
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
        (10, "update docket set number = 7"),
        (11, "update docket_line set grams = grams + 1"),
        (12, "alter table movement no force row level security"),
        (
            13,
            "insert into movement select farm_id, act_id, 7::smallint, lot, 'PLUM', 'WASTE', 1 from movement join docket using (farm_id, act_id)",
        ),
        (16, "update docket_part set grams = grams - 1"),
        (17, "update balance set grams = 0 where place = 'VAN'"),
        (18, "delete from docket"),
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
