//! What must be sold first.

use anyhow::{Result, ensure};
use chrono::NaiveDate;
use gillbook_testkit::Farm;
use serde_json::{Value, json};

use super::{days, graded, hours, life_days, near, steady};

async fn order(farm: &Farm, customer: &str, on: NaiveDate, grams: i64) -> String {
    let body = json!({"customer": customer, "delivery_day": on, "past_day": true, "lines": [{"product": "OY", "grams_g": grams}]});
    farm.create("/api/orders", body).await["order"].as_str().unwrap_or_default().to_owned()
}

/// Weighs grams, and has a customer fetch them.
async fn sold(farm: &Farm, customer: &str, grams: i64) {
    farm.docket_for(customer, grams).await;
}

/// What must be sold first, with all that is told of it.
async fn sell_first(farm: &Farm) -> Value {
    farm.get("/api/reports/shelf-life").await
}

async fn at_risk(farm: &Farm) -> Vec<Value> {
    farm.get("/api/reports/shelf-life").await["lots"].as_array().cloned().unwrap_or_default()
}

#[tokio::test]
async fn a_lesser_grade_fills_no_order_and_the_lowest_that_will_do_goes_first() -> Result<()> {
    let farm = Farm::new().await?;
    let today = farm.now().date_naive();
    let (a, b, c) = (graded(&farm, "A", 1000).await, graded(&farm, "B", 300).await, graded(&farm, "C", 250).await);
    let code = order(&farm, "PLUM", today, 1400).await;
    let rows = at_risk(&farm).await;
    let told: Vec<_> = rows.iter().map(|r| (r["lot"].as_str(), r["at_risk_g"].as_i64(), r["why"].as_str())).collect();
    let why = "PLUM asks for grade B or better on 4 May.";
    assert_eq!(told, [(Some(c.as_str()), Some(250), Some(why))]);
    let aside =
        farm.ask(&farm.owner, "PUT", &format!("/api/orders/{code}/set-aside"), &[], Some(json!({}))).await.expect(200);
    let lots = &aside["lines"][0]["set_aside"];
    let taken: Vec<_> =
        lots.as_array().into_iter().flatten().map(|s| (s["lot"].as_str(), s["grams_g"].as_i64())).collect();
    assert_eq!(taken.iter().find(|t| t.0 == Some(&b)), Some(&(Some(b.as_str()), Some(300))));
    assert_eq!(taken.iter().find(|t| t.0 == Some(&a)), Some(&(Some(a.as_str()), Some(1000))));
    // Of an order that one of them could fill alone, the lesser grade gives first.
    farm.ask(&farm.owner, "DELETE", &format!("/api/orders/{code}/set-aside"), &[], None).await;
    let small = order(&farm, "PLUM", today, 200).await;
    let aside =
        farm.ask(&farm.owner, "PUT", &format!("/api/orders/{small}/set-aside"), &[], Some(json!({}))).await.expect(200);
    assert_eq!(aside["lines"][0]["set_aside"][0]["lot"], json!(b), "{aside}");
    Ok(())
}

#[tokio::test]
async fn a_lot_ends_with_its_life_and_an_order_far_off_does_not_hide_it() -> Result<()> {
    let farm = Farm::new().await?;
    let began = farm.now();
    let lot = farm.lot_of(1000).await;
    farm.pass(days(3));
    let today = farm.now().date_naive();
    steady(&farm, "p1", began, farm.now(), 12.0).await;
    order(&farm, "PLUM", today + days(4), 1000).await;
    let rows = at_risk(&farm).await;
    let low = (0.8 - 3.0 / life_days(12.0)) * life_days(12.0);
    assert!((1.0..2.0).contains(&low), "{low}");
    assert_eq!(
        (&rows[0]["lot"], &rows[0]["at_risk_g"], &rows[0]["ends_by"]),
        (&json!(lot), &json!(1000), &json!("shelf_life"))
    );
    assert_eq!((&rows[0]["last_day"], &rows[0]["when"]), (&json!(today + days(1)), &json!("tomorrow")));
    assert_eq!(rows[0]["why"], "The next order for it is PLUM's on 11 May, after its last day.");
    near(&rows[0]["life"]["days_left_low"], low);
    // An order from yesterday is an order of today.
    order(&farm, "PLUM", today - days(1), 600).await;
    let rows = at_risk(&farm).await;
    assert_eq!((&rows[0]["at_risk_g"], &rows[0]["stock_g"]), (&json!(400), &json!(1000)));
    Ok(())
}

#[tokio::test]
async fn the_days_that_a_customer_asks_for_are_named_and_what_is_away_is_not_at_risk() -> Result<()> {
    let farm = Farm::new().await?;
    let today = farm.now().date_naive();
    farm.create(
        "/api/customers",
        json!({"customer": "PICKY", "name": "Picky's", "kind": "restaurant", "price_list": "TABLE", "least_days": 2}),
    )
    .await;
    let lot = farm.lot_of(1500).await;
    let limit = farm.lot_of(900).await;
    assert_eq!(lot, limit, "the same lot, two crates");
    order(&farm, "PICKY", today + days(6), 500).await;
    let sent = order(&farm, "PLUM", today, 700).await;
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{sent}/set-aside"), &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": sent, "van": "VAN"})).await;
    farm.pass(hours(1));
    let rows = at_risk(&farm).await;
    assert_eq!(rows.len(), 1, "{rows:?}");
    assert_eq!(
        (&rows[0]["place"], &rows[0]["stock_g"], &rows[0]["at_risk_g"]),
        (&json!("F1"), &json!(1700), &json!(1700))
    );
    assert_eq!(rows[0]["why"], "Picky's asks for 2 days left at delivery on 10 May.");
    // The life of the grams in the fridge, not of those in the van.
    near(&rows[0]["life"]["at_c"], 5.0);
    let today_page = farm.raw("GET", "/", &[], Vec::new()).await;
    assert!(
        today_page.text.contains("Sell first") && today_page.text.contains("1.70 kg after that"),
        "{}",
        today_page.text
    );
    Ok(())
}

#[tokio::test]
async fn what_usually_sells_is_not_at_risk_until_it_is_settled_otherwise() -> Result<()> {
    let farm = Farm::new().await?;
    sold(&farm, "PLUM", 1000).await;
    ensure!(sell_first(&farm).await["weeks"] == json!([]), "a week has to pass first");
    farm.pass(days(7));
    let today = farm.now().date_naive();
    let lot = farm.lot_of(3000).await;
    let told = sell_first(&farm).await;
    ensure!(told["weeks"] == json!(["2026-05-04"]), "{told}");
    let row = &told["lots"][0];
    ensure!(row["lot"] == json!(lot) && row["at_risk_g"] == 1000 && row["left_by_week"] == json!([1000]), "{told}");
    ensure!((&row["low_g"], &row["high_g"]) == (&json!(1000), &json!(1000)), "{told}");
    ensure!(row["why"] == "No order is left for it, and it is more than usually sells.", "{told}");
    // It keeps until Monday next, so they may come twice.
    let comes = |on: NaiveDate| json!({"order": null, "customer_name": "PLUM", "day": on, "sold_on": "2026-05-04", "grams_g": 1000});
    ensure!(row["taken"] == json!([comes(today), comes(today + days(7))]), "{told}");
    ensure!(told["ways"] == json!([]), "who is expected in any case is not asked: {told}");
    // They order less than usual: that is all that they take today.
    let code = order(&farm, "PLUM", today, 400).await;
    let row = at_risk(&farm).await[0].clone();
    ensure!(row["at_risk_g"] == 1600 && row["taken"][0]["order"] == json!(code), "{row}");
    Ok(())
}

#[tokio::test]
async fn who_is_not_expected_in_time_is_asked() -> Result<()> {
    let farm = Farm::new().await?;
    let elm = json!({"customer": "ELM", "name": "Elm House", "kind": "restaurant", "price_list": "TABLE"});
    farm.create("/api/customers", elm).await;
    sold(&farm, "ELM", 500).await;
    farm.pass(days(1));
    sold(&farm, "PLUM", 800).await;
    farm.pass(days(6));
    // It has to go today, a Monday. The Elm is expected, and who buys on Tuesdays may be rung up.
    farm.create("/api/openings", json!({"strain": "OY", "grade": "A", "packaging": "open", "harvest_day": "2026-05-04", "place": "F1", "grams_g": 1200})).await;
    let told = sell_first(&farm).await;
    ensure!(told["lots"][0]["at_risk_g"] == 700 && told["lots"][0]["when"] == "today", "{told}");
    let ways = &told["ways"];
    let asked = (&ways[0]["way"], &ways[0]["customer"], &ways[0]["grams_g"], &ways[0]["strain"]);
    ensure!(asked == (&json!("ask"), &json!("PLUM"), &json!(700), &json!("OY")), "{told}");
    ensure!(ways.as_array().map(Vec::len) == Some(1) && ways[0]["money"] == told["lots"][0]["money"], "{told}");
    let page = farm.raw("GET", "/sell-first", &[], Vec::new()).await.text;
    ensure!(page.contains("Ask PLUM: 0.70 kg") && page.contains("/orders/new?customer=PLUM"), "{page}");
    ensure!(page.contains("Elm House, Mon"), "{page}");
    Ok(())
}

#[tokio::test]
async fn who_may_not_see_prices_sees_no_money_and_everybody_sees_why() -> Result<()> {
    let farm = Farm::new().await?;
    sold(&farm, "PLUM", 600).await;
    farm.lot_of(400).await;
    farm.pass(hours(1));
    let told = sell_first(&farm).await;
    ensure!(told["money"].is_string() && told["lots"][0]["money"].is_string(), "{told}");
    let page = farm.raw("GET", "/sell-first", &[], Vec::new()).await.text;
    ensure!(page.contains("about 7.00 EUR") && page.contains("What usually sells is not known yet"), "{page}");
    let picker = farm.person("picker").await;
    let told = farm.ask(&picker, "GET", "/api/reports/shelf-life", &[], None).await.expect(200);
    ensure!(told["money"].is_null() && told["lots"][0]["money"].is_null(), "{told}");
    let page = farm.ask(&picker, "GET", "/sell-first", &[], None).await.text;
    ensure!(page.contains("0.40&nbsp;kg") && !page.contains("EUR"), "{page}");
    Ok(())
}

#[tokio::test]
async fn what_comes_later_is_told_beside_what_is_urgent() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/openings", json!({"strain": "OY", "grade": "A", "packaging": "open", "harvest_day": "2026-04-27", "place": "F1", "grams_g": 570})).await;
    farm.lot_of(1250).await;
    let page = farm.raw("GET", "/", &[], Vec::new()).await.text;
    assert!(page.contains("has no order and must go by tomorrow"), "{page}");
    assert!(page.contains("1.25 kg after that"), "{page}");
    assert!(page.contains("No order is left for it."), "{page}");
    Ok(())
}
