//! Entries: what the role of the service can write, and what adds up.

use anyhow::Result;
use gillbook_store::check::check;
use gillbook_testkit::{Farm, scope_of};
use serde_json::json;
use sqlx::AssertSqlSafe;

use super::{as_app, entry, legs, post, run};

#[tokio::test]
async fn the_services_role_cannot_rewrite_a_record_or_touch_a_balance() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(1000).await;
    let mut db = as_app(&farm).await?;
    run(&mut db, &scope_of(farm.id.0)).await?;
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
        "select write_lot_events(1, '[]', null)",
        "update market_day set net = 9",
    ] {
        assert!(run(&mut db, sql).await.is_err(), "{sql}");
    }
    // Everything of an entry is written by `post_entry`.
    for table in POSTED {
        let sql = format!("insert into {table} select * from {table}");
        let error = run(&mut db, &sql).await.expect_err(&sql).to_string();
        assert!(error.contains("permission denied"), "{sql}: {error}");
    }
    Ok(())
}

/// The tables of an entry.
const POSTED: [&str; 18] = [
    "act",
    "lot",
    "lot_link",
    "lot_event",
    "movement",
    "weighing",
    "weighing_source",
    "stock_count",
    "loss_warning",
    "week_close",
    "docket",
    "docket_line",
    "docket_spell",
    "docket_part",
    "docket_refusal",
    "delivery",
    "market_day",
    "market_sale",
];

/// What is posted is of its own entry and farm, whatever its rows say.
#[tokio::test]
async fn an_entry_writes_to_no_other() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(3000).await;
    let other = farm.second("bea").await?;
    let mut db = as_app(&farm).await?;
    let n = farm.id.0;
    run(&mut db, &scope_of(n)).await?;
    let weighed: uuid::Uuid = sqlx::query_scalar("select act_id from act").fetch_one(&mut db).await?;
    let mut rows = legs(&[(&lot, "F1", "WASTE", 10)]);
    rows[0]["act_id"] = json!(weighed);
    rows[0]["farm_id"] = json!(other.id.0);
    post(&mut db, n, entry("waste", json!({"legs": rows}))).await?;
    let of: (String, i32) = sqlx::query_as(
        "select a.kind, m.farm_id from movement m join act a using (farm_id, act_id) where m.to_place = 'WASTE'",
    )
    .fetch_one(&mut db)
    .await?;
    assert_eq!(of, ("waste".to_owned(), n));
    // Into another farm's book, and into an entry that is there.
    let waste = || json!({"legs": legs(&[(&lot, "F1", "WASTE", 10)])});
    let refused = post(&mut db, other.id.0, entry("waste", waste())).await.expect_err("another farm's").to_string();
    assert!(refused.contains("row-level security"), "{refused}");
    let mut again = waste();
    again["act_id"] = json!(weighed);
    let refused = post(&mut db, n, entry("waste", again)).await.expect_err("it is there").to_string();
    assert!(refused.contains("is there"), "{refused}");
    let mut unknown = waste();
    unknown["leg"] = json!([]);
    post(&mut db, n, entry("waste", unknown)).await.expect_err("a misspelt part");
    // A finish is an entry, and the day of a market is closed once.
    let finish = json!([{"event_id": uuid::Uuid::new_v4(), "lot": lot, "kind": "finish", "reason": "x", "happened_at": "2026-05-05T08:00:00Z",
        "recorded_at": "2026-05-05T08:00:00Z", "done_by": "x", "entered_by": "x"}]);
    let refused = sqlx::query("select post_lot_events($1, $2)").bind(n).bind(finish).execute(&mut db).await;
    assert!(refused.expect_err("no finish").to_string().contains("lot_event_act_needed"));
    assert_eq!(check(&farm.admin.clone().username("gillbook_audit")).await?, []);
    Ok(())
}

/// Entries that leave out what they say they are, or take what is bound.
#[tokio::test]
async fn an_entry_says_what_it_was() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(3000).await;
    let l = lot.as_str();
    let counted = farm
        .create("/api/stock-counts", json!({"place": "F1", "lots": [{"lot": lot, "counted_g": 3000}]}))
        .await["act"]
        .clone();
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 500}]});
    farm.create("/api/orders", order).await;
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": "O-1", "van": "VAN"})).await;
    let mut db = as_app(&farm).await?;
    run(&mut db, &scope_of(farm.id.0)).await?;
    let back = json!({"reverses": counted["act_id"], "happened_at": counted["happened_at"], "legs": legs(&[(l, "FOUND", "F1", 99_000_000)])});
    for (kind, parts, broken) in [
        ("reversal", back, "act_reversal_whole"),
        ("weighing", json!({"legs": legs(&[(l, "FR1", "F1", 500)])}), "act_is_documented"),
        // Goods that are handed over under a docket, of none of its lines.
        ("dispatch", json!({"legs": legs(&[(l, "F1", "PLUM", 500)])}), "act_is_documented"),
        ("count", json!({"legs": legs(&[(l, "FOUND", "F1", 900)])}), "act_is_documented"),
        ("count", json!({}), "act_is_documented"),
        ("finish", json!({"legs": legs(&[(l, "F1", "WATER", 3)])}), "act_is_documented"),
        ("market_close", json!({}), "act_is_documented"),
        ("week_close", json!({}), "act_is_documented"),
        ("delivery", json!({}), "act_is_documented"),
        // The goods of a docket stay in the van.
        ("transfer", json!({"legs": legs(&[(l, "VAN", "F1", 1)])}), "under way to customers"),
    ] {
        let refused = post(&mut db, farm.id.0, entry(kind, parts)).await.expect_err(kind).to_string();
        assert!(refused.contains(broken), "{kind}: {refused}");
    }
    Ok(())
}

/// Who dealt with a spell, or typed it in, is no second person, also for the service's role in plain SQL.
#[tokio::test]
async fn nobody_countersigns_their_own_action() -> Result<()> {
    let farm = Farm::new().await?;
    let mut db = as_app(&farm).await?;
    let n = farm.id.0;
    run(&mut db, &scope_of(n)).await?;
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

/// Each rule of an entry, broken by the service's role while all the others are kept.
#[tokio::test]
#[expect(clippy::too_many_lines, reason = "one flat list of rules")]
async fn an_act_adds_up_or_is_not_there() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/places", json!({"place": "STALL2", "name": "Second stall", "kind": "stall"})).await;
    let lot = farm.lot_of(5000).await;
    let packs = json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": 900}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 900}]});
    let made = farm.create("/api/packings", packs).await["made"][0].as_str().unwrap_or_default().to_owned();
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 500}]});
    farm.create("/api/orders", order).await;
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": "O-1", "van": "VAN"})).await;
    farm.create("/api/dockets/D-1/delivery", json!({"taken_by": "Cook"})).await;
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 500}]});
    farm.create("/api/orders", order).await;
    farm.ask(&farm.owner, "PUT", "/api/orders/O-2/set-aside", &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": "O-2", "van": "VAN"})).await;
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
    run(&mut db, &scope_of(n)).await?;
    let l = lot.as_str();
    let link = |child: &str, grams: i64| json!([{"parent": l, "child": child, "grams": grams}]);
    let packs = |out: (&str, i64), linked: i64| json!({"legs": legs(&[(l, "F1", "PACKING", 100), (out.0, "PACKING", "F1", out.1)]), "links": link(out.0, linked)});
    let row = |sql: &str| format!("select to_jsonb(r) from ({sql}) r");
    let docket: serde_json::Value =
        sqlx::query_scalar(AssertSqlSafe(row("select * from docket where docket = 'D-1'"))).fetch_one(&mut db).await?;
    let line: serde_json::Value =
        sqlx::query_scalar(AssertSqlSafe(row("select * from docket_line where docket = 'D-1'")))
            .fetch_one(&mut db)
            .await?;
    let weighed: serde_json::Value =
        sqlx::query_scalar(AssertSqlSafe(row(&format!("select * from weighing where lot = '{l}' limit 1"))))
            .fetch_one(&mut db)
            .await?;
    let sent = |van: Option<&str>, leg: (&str, &str, &str, i64), part_g: Option<i64>| {
        let mut docket = docket.clone();
        docket["van"] = json!(van);
        let parts: Vec<_> = part_g.into_iter().map(|g| json!({"line": 1, "grams": g})).collect();
        json!({"docket": [docket], "docket_lines": [line], "docket_parts": parts, "legs": legs(&[leg])})
    };
    let weighing = {
        let mut weighing = weighed.clone();
        for (field, grams) in [("gross_g", 511), ("tare_g", 12), ("net_g", 499)] {
            weighing[field] = json!(grams);
        }
        json!({"weighing": [weighing], "sources": [{"batch": "B1", "flush": 1, "grams": 500, "basis": "measured"}], "legs": legs(&[(l, "FR1", "F1", 500)])})
    };
    let reversal = |of: &'static str| {
        format!("select to_jsonb(r) from (select act_id as reverses, happened_at from act where {of}) r")
    };
    let reversal_of = |head: serde_json::Value, leg: (&str, &str, &str, i64)| json!({"reverses": head["reverses"], "happened_at": head["happened_at"], "legs": legs(&[leg])});
    let twice: serde_json::Value =
        sqlx::query_scalar(AssertSqlSafe(reversal("kind = 'reversal'"))).fetch_one(&mut db).await?;
    let packed: serde_json::Value =
        sqlx::query_scalar(AssertSqlSafe(reversal("kind = 'packing'"))).fetch_one(&mut db).await?;
    let gift = legs(&[(l, "F1", "GIFT", 50)]);
    let delivery = json!([{"hand_over": "in_person", "taken_by": "Cook", "crates_out": 0, "crates_back": 0}]);
    let event = json!([{"event_id": uuid::Uuid::new_v4(), "lot": made, "kind": "finish", "reason": "x", "happened_at": "2026-05-05T08:00:00Z",
        "recorded_at": "2026-05-05T08:00:00Z", "done_by": "x", "entered_by": "x"}]);
    let sale = json!([{"lot": l, "grams": 700, "tax_percent": 0, "amount": 0, "net": 0, "fee": 0}]);
    let taken = json!({"cash": 0, "card": 0, "fee": 0, "net": 0, "cash_rounding": 0, "difference_reason": ""});
    let counted = json!([{"lot": l, "place": "F1", "counted_g": 90, "book_g": 100, "low_g": 0, "likely_g": 0, "high_g": 10, "published_low_g": 0, "published_g": 0, "published_high_g": 0, "published_gross_g": 0, "transferred": false, "unexplained_g": 0, "coefficients": "x"}]);
    let out = json!({"stall": "STALL", "customer": "SATURDAY", "day": "2026-05-05", "float_amount": 0});
    for (broken, kind, parts) in [
        ("act_moves_something", "gift", json!({})),
        ("act_parts_known", "gift", json!({"legs": gift, "links": link(&made, 50)})),
        ("act_parts_known", "gift", json!({"document": "D-1", "legs": gift, "delivery": delivery})),
        (
            "act_parts_known",
            "gift",
            json!({"legs": gift, "weighing": weighing["weighing"], "sources": weighing["sources"]}),
        ),
        ("act_parts_known", "gift", json!({"legs": gift, "counts": counted})),
        ("act_parts_known", "waste", json!({"legs": legs(&[(l, "F1", "WASTE", 50)]), "lot_events": event})),
        (
            "act_parts_known",
            "market_out",
            json!({"market_day": out, "market_close": taken, "legs": legs(&[(l, "F1", "STALL", 5)])}),
        ),
        ("act_reversal_allowed", "reversal", reversal_of(twice, (l, "F1", "GIFT", 50))),
        ("act_reversal_whole", "reversal", reversal_of(packed, (l, "PACKING", "F1", 50))),
        ("act_weighing_adds_up", "weighing", weighing),
        ("act_packing_adds_up", "packing", packs((&made, 90), 90)),
        ("act_strains_apart", "packing", packs((&other, 100), 100)),
        ("act_children_add_up", "packing", packs((&made, 100), 90)),
        (
            "act_parents_add_up",
            "packing",
            json!({"legs": legs(&[(l, "F1", "PACKING", 60), (&made, "F1", "PACKING", 40), (&made, "PACKING", "F1", 100)]), "links": link(&made, 100)}),
        ),
        ("act_count_adds_up", "count", json!({"legs": legs(&[(l, "F1", "WATER", 20)]), "counts": counted})),
        ("act_docket_adds_up", "dispatch", sent(Some("VAN"), (l, "F1", "VAN", 600), None)),
        ("act_docket_parts_add_up", "dispatch", sent(None, (l, "F1", "PLUM", 500), Some(400))),
        (
            "act_docket_refusals_add_up",
            "delivery",
            json!({"document": "D-2", "delivery": delivery, "docket_refusals": [{"line": 1, "grams": 400, "reason": "x"}]}),
        ),
        ("act_docket_its_own", "dispatch", sent(None, (l, "F1", "SATURDAY", 500), Some(500))),
        ("act_delivery_once", "delivery", json!({"document": "D-1", "delivery": delivery})),
        ("act_finish_its_own", "finish", json!({"legs": legs(&[(l, "F1", "WATER", 50)]), "lot_events": event})),
        (
            "act_market_sales_add_up",
            "market_close",
            json!({"document": "M-1", "market_close": taken, "market_sales": sale, "legs": legs(&[(l, "STALL", "SATURDAY", 800)])}),
        ),
        ("act_parts_known", "transfer", json!({"legs": legs(&[(l, "F1", "VAN", 5)]), "lots": []})),
        ("act_stall_its_own", "market_out", json!({"market_day": out, "legs": legs(&[(l, "F1", "STALL2", 5)])})),
        ("act_finish_its_own", "finish", json!({"lot_events": event})),
        ("act_docket_its_own", "dispatch", sent(Some("VAN"), (l, "F1", "PLUM", 500), Some(500))),
        (
            "act_parts_known",
            "market_out",
            json!({"market_day": out, "market_sales": sale, "legs": legs(&[(l, "F1", "STALL", 5)])}),
        ),
    ] {
        let refused = post(&mut db, n, entry(kind, parts)).await.expect_err(broken).to_string();
        assert!(refused.contains(broken), "{broken}: {refused}");
    }
    assert_eq!(check(&farm.admin.clone().username("gillbook_audit")).await?, []);
    Ok(())
}
