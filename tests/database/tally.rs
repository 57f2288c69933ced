//! The tally of a stall by the service's role in plain SQL: it is added to by its functions alone, and not once its day is cashed up.

use anyhow::Result;
use gillbook_testkit::Farm;
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};
use uuid::Uuid;

use super::{call, on_farm, run};

fn sale(total: &str) -> Value {
    json!({
        "tally_sale": Uuid::new_v4(), "market_day": "M-1", "sold_at": "2026-05-04T09:00:00Z", "method": "cash", "total": total, "cash_rounding": "0",
        "sold_by": "JP", "entered_by": "JP", "recorded_at": "2026-05-04T09:00:00Z",
        "lines": [{"line": 1, "product": "OY", "grams": 100, "price": "20", "amount": "2.00"}],
    })
}

#[tokio::test]
async fn a_tally_is_not_written_by_hand() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(5000).await;
    let out = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "0", "taken": [{"lot": lot, "place": "F1", "grams_g": 5000}]});
    farm.create("/api/market-days", out).await;
    let mut db = on_farm(&farm).await?;
    let mut owner = PgConnection::connect_with(&farm.admin).await?;
    let n = farm.id.0;
    let kept = sale("2.00");
    call(&mut db, "post_tally_sale", n, &kept).await?;
    let refused = call(&mut db, "post_tally_sale", n, &sale("2.01")).await.expect_err("not the sum").to_string();
    assert!(refused.contains("does not add up"), "{refused}");
    let mut rounded = sale("2.00");
    rounded["cash_rounding"] = json!("0.01");
    let refused = call(&mut db, "post_tally_sale", n, &rounded).await.expect_err("no such coin").to_string();
    assert!(refused.contains("does not add up"), "{refused}");
    let mut rounded_card = sale("2.00");
    rounded_card["method"] = json!("card");
    rounded_card["cash_rounding"] = json!("0.01");
    let refused = call(&mut db, "post_tally_sale", n, &rounded_card).await.expect_err("a card").to_string();
    assert!(refused.contains("tally_sale_cash_rounding_apart"), "{refused}");
    let other = farm.second("bea").await?;
    let mut others = on_farm(&other).await?;
    let undo = json!({"tally_sale": kept["tally_sale"], "reversed_at": "2026-05-04T10:00:00Z", "reversed_by": "JP", "entered_by": "JP"});
    for (function, document) in [("post_tally_sale", sale("2.00")), ("reverse_tally_sale", undo.clone())] {
        let refused = call(&mut others, function, n, &document).await.expect_err(function).to_string();
        assert!(refused.contains("is not open"), "to a day that is open, of another farm: {refused}");
    }
    for table in ["tally_sale", "tally_line", "tally_reversal"] {
        for sql in [
            format!("update {table} set farm_id = farm_id"),
            format!("delete from {table}"),
            format!("insert into {table} select * from {table}"),
        ] {
            let refused = run(&mut db, &sql).await.expect_err(&sql).to_string();
            assert!(refused.contains("permission denied"), "{sql}: {refused}");
        }
        let refused = run(&mut owner, &format!("update {table} set farm_id = farm_id")).await.expect_err(table);
        assert!(refused.to_string().contains("is a record"), "{table}: {refused}");
    }
    let closed = json!({"back_place": "F1", "cash": "2.00", "card": "0", "fee": "0"});
    farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(closed)).await.expect(200);
    for (function, document) in [("post_tally_sale", sale("2.00")), ("reverse_tally_sale", undo)] {
        let refused = call(&mut db, function, n, &document).await.expect_err(function).to_string();
        assert!(refused.contains("is not open"), "{function}: {refused}");
    }
    Ok(())
}
