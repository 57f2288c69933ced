//! What a week brought.

use anyhow::{Context, Result};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};

use super::{WEEK, came_back, handed_over, kept, sent, week};

/// One lot on two lines of a docket, a kilogram each: 14.50 at 5.5 % tax and 5.00 at 20 %.
async fn sent_on_two_lines(farm: &Farm) -> Result<String> {
    for (product, amount, tax) in [("TABLE", "14.50", "5.5"), ("SOUP", "5.00", "20")] {
        let new =
            json!({"product": product, "name": product, "strains": ["OY"], "least_grade": "B", "tax_percent": tax});
        farm.create("/api/products", new).await;
        farm.create("/api/prices", json!({"price_list": "TABLE", "product": product, "amount": amount, "unit": "kg"}))
            .await;
    }
    let lines = json!([{"product": "TABLE", "grams_g": 1000}, {"product": "SOUP", "grams_g": 1000}]);
    let body = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": lines});
    let order = farm.create("/api/orders", body).await["order"].as_str().context("a code")?.to_owned();
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
    let docket = farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    assert_eq!(docket["lines"][0]["lot"], docket["lines"][1]["lot"], "{docket}");
    Ok(docket["docket"].as_str().context("a code")?.to_owned())
}

#[tokio::test]
async fn what_comes_back_of_a_line_is_taken_off_that_line_alone() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(5000).await;
    let code = sent_on_two_lines(&farm).await?;
    handed_over(&farm, &code).await;
    let back = json!({"lines": [{"line": 2, "grams_g": 10}], "reason": "Broken"});
    let docket = farm.create(&format!("/api/dockets/{code}/returns"), back).await;
    let expected =
        [(0, 0, 1000, "14.50"), (0, 10, 990, "4.95")].map(|(a, b, c, d)| (json!(a), json!(b), json!(c), json!(d)));
    assert_eq!(kept(&docket), expected.iter().map(|(a, b, c, d)| (a, b, c, d)).collect::<Vec<_>>(), "{docket}");
    assert_eq!((&docket["net"], &docket["sent_net"]), (&json!("19.45"), &json!("19.50")));
    // The week has the same money: 19.50 handed over, 0.05 come back.
    let money = week(&farm, WEEK).await["now"]["money"][0].clone();
    assert_eq!(
        (&money["net"], &money["returned"], &money["returned_g"]),
        (&json!("19.45"), &json!("0.05"), &json!(10))
    );
    Ok(())
}

#[tokio::test]
async fn no_more_comes_back_of_a_line_than_was_taken_of_it() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(5000).await;
    let code = sent_on_two_lines(&farm).await?;
    let refused = json!({"taken_by": "Cook", "refused": [{"line": 2, "grams_g": 950, "reason": "bruised"}]});
    farm.create(&format!("/api/dockets/{code}/delivery"), refused).await;
    // The customer has plenty of the lot, by the other line.
    let back =
        |grams: i64| json!({"lines": [{"line": 1, "grams_g": 1}, {"line": 2, "grams_g": grams}], "reason": "Broken"});
    let returns = format!("/api/dockets/{code}/returns");
    farm.post(&returns, back(51)).await.ensure_problem(409, "not-enough", Some("/lines/1/grams_g"));
    farm.create(&returns, back(50)).await;
    farm.post(&returns, back(1)).await.ensure_problem(409, "not-enough", Some("/lines/1/grams_g"));
    let docket = farm.get(&format!("/api/dockets/{code}")).await;
    let expected =
        [(0, 1, 999, "14.49"), (950, 50, 0, "0.00")].map(|(a, b, c, d)| (json!(a), json!(b), json!(c), json!(d)));
    assert_eq!(kept(&docket), expected.iter().map(|(a, b, c, d)| (a, b, c, d)).collect::<Vec<_>>(), "{docket}");
    Ok(())
}

#[tokio::test]
async fn nothing_is_kept_of_a_docket_that_is_void() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(5000).await;
    let code = sent(&farm, 1235).await?;
    let act = farm.get(&format!("/api/dockets/{code}")).await["act_id"].as_str().context("the act")?.to_owned();
    farm.create(&format!("/api/acts/{act}/reversal"), json!({"reason": "Wrong van"})).await;
    let docket = farm.get(&format!("/api/dockets/{code}")).await;
    assert_eq!(
        (&docket["status"], &docket["sent_net"], &docket["net"]),
        (&json!("void"), &json!("21.61"), &json!("0.00"))
    );
    let expected = [(json!(0), json!(0), json!(0), json!("0.00"))];
    assert_eq!(kept(&docket), expected.iter().map(|(a, b, c, d)| (a, b, c, d)).collect::<Vec<_>>(), "{docket}");
    Ok(())
}

#[tokio::test]
async fn goods_and_money_are_sold_at_hand_over_and_come_back_in_the_week_of_the_return() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(5000).await;
    let docket = sent(&farm, 1235).await?;
    let now = week(&farm, WEEK).await["now"].clone();
    assert_eq!(
        (&now["total"]["sold_g"], &now["money"], &now["out_for_delivery"]),
        (&json!(0), &json!([]), &json!({"grams_g": 1235, "net": "21.61"}))
    );
    let page = farm.raw("GET", "/week?week=2026-W19", &[], Vec::new()).await.text;
    assert!(page.contains("Out for delivery, not yet sold: 1.24 kg, 21.61 EUR."), "{page}");
    handed_over(&farm, &docket).await;
    came_back(&farm, &docket, 235).await;
    let now = week(&farm, WEEK).await["now"].clone();
    assert_eq!(
        (&now["total"]["sold_g"], &now["delivered_g"], &now["ordered_g"]),
        (&json!(1000), &json!(1235), &json!(1235))
    );
    assert_eq!((&now["money"][0]["net"], &now["money"][0]["grams_g"]), (&json!("17.50"), &json!(1000)));
    assert_eq!((&now["money"][0]["returned"], &now["money"][0]["returned_g"]), (&json!("4.11"), &json!(235)));
    assert_eq!(now["out_for_delivery"]["grams_g"], 0);
    farm.pass(TimeDelta::days(7));
    let closed = farm.create(&format!("/api/weeks/{WEEK}/close"), json!({})).await["closed"].clone();
    came_back(&farm, &docket, 100).await;
    let (then, later) = (week(&farm, WEEK).await, week(&farm, "2026-W20").await);
    // What came back later is that week's, goods and money; the closed week has not moved.
    assert_eq!((&then["now"], &then["closed"], &then["after_close"]), (&closed, &closed, &json!(0)));
    assert_eq!((&later["now"]["total"]["sold_g"], &later["now"]["money"][0]["net"]), (&json!(-100), &json!("-1.75")));
    assert_eq!((&later["now"]["delivered_g"], &later["now"]["total"]["wasted_g"]), (&json!(0), &json!(100)));
    let earnings = farm.get("/api/reports/earnings").await;
    assert_eq!(
        (&earnings["customers"][0]["revenue"], &earnings["customers"][0]["sold_g"]),
        (&json!("15.75"), &json!(900))
    );
    Ok(())
}

#[tokio::test]
async fn the_money_of_a_week_opens_to_its_rows() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(5000).await;
    let docket = sent(&farm, 1235).await?;
    handed_over(&farm, &docket).await;
    came_back(&farm, &docket, 235).await;
    let rows = farm.get(&format!("/api/reports/weeks/{WEEK}/sales")).await["rows"].clone();
    let of = |row: &Value| (row["kind"].clone(), row["document"].clone(), row["grams_g"].clone(), row["net"].clone());
    assert_eq!(of(&rows[0]), (json!("handed_over"), json!(docket), json!(1235), json!("21.61")));
    assert_eq!(of(&rows[1]), (json!("returned"), json!(docket), json!(-235), json!("-4.11")));
    let csv = farm.raw("GET", &format!("/api/reports/weeks/{WEEK}/sales/csv"), &[], Vec::new()).await;
    let line =
        format!("2026-05-04T08:00:00+02:00,returned,{docket},PLUM,restaurant,{lot},-235,-4.11,0.00,0.00,EUR\r\n");
    assert!(csv.text.contains(&line), "{}", csv.text);
    let page = farm.raw("GET", "/week", &[], Vec::new()).await.text;
    assert!(page.contains(&format!(r#"<a href="/dockets/{docket}">{docket}, returned</a>"#)), "{page}");
    Ok(())
}

async fn to_market(farm: &Farm, taken: Value) {
    let body = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "60.00", "taken": taken});
    farm.create("/api/market-days", body).await;
}

async fn cashed_up(farm: &Farm, body: Value) -> Value {
    farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(body)).await.expect(200)
}

#[tokio::test]
async fn market_takings_stand_without_tax_at_their_own_prices_and_with_their_fee() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/prices", json!({"price_list": "TABLE", "product": "LM", "amount": "35", "unit": "kg"})).await;
    let oyster = farm.lot_of(2000).await;
    let mut weighing = Farm::weighing(2000);
    weighing["sources"] = json!([{"batch": "B3", "flush": 1}]);
    let mane = farm.create("/api/weighings", weighing).await["lot"].as_str().context("a lot")?.to_owned();
    to_market(
        &farm,
        json!([{"lot": oyster, "place": "F1", "grams_g": 2000}, {"lot": mane, "place": "F1", "grams_g": 2000}]),
    )
    .await;
    // 2 kg at 17.50 and 2 kg at 35.00, with 5.5 % tax: 110.78, of which a third and two thirds.
    let day = cashed_up(&farm, json!({"back_place": "F1", "cash": "150.78", "card": "20.00", "fee": "9.00"})).await;
    assert_eq!((&day["takings"], &day["net"]), (&json!("110.78"), &json!("105.00")));
    let sold = |lot: &str| {
        day["sold"].as_array().and_then(|s| s.iter().find(|s| s["lot"] == lot)).cloned().unwrap_or_default()
    };
    let parts =
        |s: &Value| ["product", "price_per_kg", "amount", "net", "fee"].map(|f| s[f].as_str().unwrap_or("").to_owned());
    assert_eq!(parts(&sold(&oyster)), ["OY", "17.5", "36.93", "35.00", "3.00"]);
    assert_eq!(parts(&sold(&mane)), ["LM", "35", "73.85", "70.00", "6.00"].map(str::to_owned), "{day}");
    let money = week(&farm, WEEK).await["now"]["money"][0].clone();
    assert_eq!(
        ["channel", "net", "tax", "fee", "per_kg"].map(|f| money[f].as_str().unwrap_or("")),
        ["market", "105.00", "5.78", "9.00", "24.00"]
    );
    let earnings = farm.get("/api/reports/earnings").await;
    let batch = earnings["batches"].as_array().and_then(|b| b.iter().find(|b| b["batch"] == "B3")).context("B3")?;
    assert_eq!(
        (&batch["revenue"], &batch["fee"], &batch["contribution"]),
        (&json!("70.00"), &json!("6.00"), &json!("5.00"))
    );
    Ok(())
}

#[tokio::test]
async fn takings_without_anything_sold_stay_in_the_week() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    to_market(&farm, json!([{"lot": lot, "place": "F1", "grams_g": 1000}])).await;
    let body = json!({"lots": [{"lot": lot, "back_g": 1000}], "back_place": "F1", "cash": "75.00", "card": "0", "fee": "5.00"});
    let day = cashed_up(&farm, body).await;
    // 15.00 with 5.5 % in it.
    assert_eq!((&day["takings"], &day["net"], &day["sold"]), (&json!("15.00"), &json!("14.22"), &json!([])));
    let money = week(&farm, WEEK).await["now"]["money"][0].clone();
    assert_eq!((&money["net"], &money["tax"], &money["fee"]), (&json!("14.22"), &json!("0.78"), &json!("5.00")));
    assert_eq!((&money["grams_g"], &money["per_kg"]), (&json!(0), &Value::Null));
    assert_eq!(farm.get("/api/reports/earnings").await["unknown_revenue"], "14.22");
    Ok(())
}

#[tokio::test]
async fn money_keeps_the_decimals_of_its_currency_and_takes_no_more() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    let mut out = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "60.005", "taken": [{"lot": lot, "place": "F1", "grams_g": 1000}]});
    farm.post("/api/market-days", out.clone()).await.ensure_problem(422, "invalid", Some("/float_amount"));
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    sqlx::query("update farm set currency = 'TND'").execute(&mut db).await?;
    out["float_amount"] = json!("10.125");
    farm.create("/api/market-days", out).await;
    let whole = json!({"back_place": "F1", "cash": "85.930", "card": "0.000", "fee": "0"});
    for field in ["cash", "card", "fee"] {
        let mut fine = whole.clone();
        fine[field] = json!("90.0005");
        let refused = farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(fine)).await;
        refused.ensure_problem(422, "invalid", Some(&format!("/{field}")));
        assert!(refused.text.contains("at most 3 decimals"), "{}", refused.text);
    }
    let day = cashed_up(&farm, whole).await;
    assert_eq!(
        (&day["float_amount"], &day["takings"], &day["sold"][0]["amount"]),
        (&json!("10.125"), &json!("75.805"), &json!("75.805"))
    );
    let price = json!({"price_list": "TABLE", "product": "LM", "amount": "24.00005", "unit": "kg"});
    farm.post("/api/prices", price).await.ensure_problem(422, "invalid", Some("/amount"));
    let recipe =
        json!({"recipe": "STRAW", "name": "Straw", "block_wet_g": 4200, "block_dry_g": 2000, "block_cost": "2.95005"});
    farm.post("/api/recipes", recipe).await.ensure_problem(422, "invalid", Some("/block_cost"));
    Ok(())
}
