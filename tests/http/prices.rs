//! What things cost: lists with tax and without, prices for more, the least price, and what is taken off a list.

use anyhow::{Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::{Value, json};
use uuid::Uuid;

use super::forms::send;

/// A docket of so many grams of oysters, as it was sent.
async fn docket(farm: &Farm, customer: &str, ordered_g: i64) -> Value {
    let order =
        json!({"customer": customer, "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": ordered_g}]});
    let order = farm.create("/api/orders", order).await["order"].clone();
    let path = format!("/api/orders/{}/set-aside", order.as_str().unwrap_or_default());
    farm.ask(&farm.owner, "PUT", &path, &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await
}

#[tokio::test]
async fn who_orders_more_pays_less_a_kilogram_until_it_is_taken_off_the_list() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(50_000).await;
    let price = |from_g: i64, amount: Value| json!({"price_list": "TABLE", "product": "OY", "from_g": from_g, "amount": amount, "unit": "kg"});
    let off =
        |from_g: i64| json!({"price_list": "TABLE", "product": "OY", "from_g": from_g, "off_list": true, "unit": "kg"});
    farm.create("/api/prices", price(5000, json!("16"))).await;
    farm.create("/api/prices", price(10_000, json!("15.1"))).await;
    for (ordered, asked, amount) in [(4999, "17.5", "87.48"), (5000, "16", "80.00"), (10_000, "15.1", "151.00")] {
        let sent = docket(&farm, "PLUM", ordered).await;
        ensure!(sent["lines"][0]["price"] == asked && sent["lines"][0]["amount"] == amount, "{ordered}: {sent}");
    }
    let told = farm.get("/api/availability?customer=PLUM&from=2026-05-05").await;
    let listed = |from_g, amount| json!({"from_g": from_g, "amount": amount, "unit": "kg", "tax_included": false});
    let prices = json!([listed(0, "17.5"), listed(5000, "16"), listed(10_000, "15.1")]);
    ensure!(told["days"][0]["products"][0]["prices"] == prices, "{told}");
    let text =
        farm.raw("GET", "/api/availability/text?customer=PLUM&from=2026-05-05&until=2026-05-05", &[], Vec::new()).await;
    let expected = ", 17.50 EUR a kg, 16.00 EUR a kg from 5 kg, 15.10 EUR a kg from 10 kg\n";
    ensure!(text.text.contains(expected), "{}", text.text);
    farm.pass(TimeDelta::minutes(1));
    farm.create("/api/prices", off(5000)).await;
    farm.pass(TimeDelta::minutes(1));
    ensure!(docket(&farm, "PLUM", 5000).await["lines"][0]["price"] == "17.5");
    let listed = farm.get("/api/prices").await;
    let weights: Vec<&Value> = listed["rows"].as_array().into_iter().flatten().map(|p| &p["from_g"]).collect();
    ensure!(weights == [0, 10_000], "{listed}");
    // What is off the list altogether is not sent, at whatever weight.
    farm.create("/api/prices", off(0)).await;
    farm.pass(TimeDelta::minutes(1));
    let order =
        json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 10_000}]});
    let order = farm.create("/api/orders", order).await["order"].clone();
    let path = format!("/api/orders/{}/set-aside", order.as_str().unwrap_or_default());
    farm.ask(&farm.owner, "PUT", &path, &[], Some(json!({}))).await.expect(200);
    let refused = farm.post("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    refused.ensure_problem(409, "price-missing", None);
    ensure!(refused.text.contains("no price for 10000 g of OY"), "{}", refused.text);
    // That is said before the van is loaded, and none of it is offered to them any more.
    let page = farm.raw("GET", &format!("/orders/{}", order.as_str().unwrap_or_default()), &[], Vec::new()).await;
    ensure!(page.text.contains("Their price list has no price for it"), "{}", page.text);
    let offered =
        |told: &Value| told["days"][0]["products"].as_array().is_some_and(|of| of.iter().any(|p| p["product"] == "OY"));
    ensure!(!offered(&farm.get("/api/availability?customer=PLUM&from=2026-05-05").await));
    ensure!(offered(&farm.get("/api/availability?from=2026-05-05").await), "to nobody in particular it is");
    farm.create("/api/prices", price(0, json!("17"))).await;
    let page = farm.raw("GET", &format!("/orders/{}", order.as_str().unwrap_or_default()), &[], Vec::new()).await;
    ensure!(!page.text.contains("has no price for it"), "{}", page.text);
    Ok(())
}

#[tokio::test]
async fn a_list_with_tax_in_it_is_what_people_pay() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(5000).await;
    let list =
        farm.create("/api/price-lists", json!({"price_list": "FAIR", "name": "Fair", "tax_included": true})).await;
    ensure!(list["tax_included"] == true, "{list}");
    farm.create("/api/prices", json!({"price_list": "FAIR", "product": "OY", "amount": "19.00", "unit": "kg"})).await;
    let fair = json!({"price_list": "FAIR"});
    for customer in ["PLUM", "SATURDAY"] {
        let path = format!("/api/customers/{customer}");
        farm.ask(&farm.owner, "PATCH", &path, &[("if-match", "\"1\"")], Some(fair.clone())).await.expect(200);
    }
    // 19.00 ÷ 1.055 = 18.0095; two kilograms are 36.02, with 5.5 % of tax 38.00.
    let sent = docket(&farm, "PLUM", 2000).await;
    ensure!(sent["lines"][0]["price"] == "18.0095" && sent["lines"][0]["amount"] == "36.02", "{sent}");
    let number = sent["docket"].as_str().unwrap_or_default();
    farm.create(&format!("/api/dockets/{number}/delivery"), json!({"taken_by": "Chef"})).await;
    let invoice = farm.create("/api/invoices", json!({"customer": "PLUM", "dockets": [number]})).await;
    ensure!(invoice["total"] == "38.00", "{invoice}");
    let told = farm.get("/api/availability?customer=PLUM&from=2026-05-05").await;
    let product = &told["days"][0]["products"][0];
    ensure!(product["prices"][0]["amount"] == "19" && product["prices"][0]["tax_included"] == true, "{told}");
    let text = farm.raw("GET", "/api/availability/text?customer=PLUM&from=2026-05-05", &[], Vec::new()).await;
    ensure!(text.text.contains("19.00 EUR a kg") && text.text.contains("Prices have tax in them."), "{}", text.text);
    // At the stall they are asked as they stand.
    let day = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "50", "taken": [{"lot": sent["lines"][0]["lot"], "place": "F1", "grams_g": 1000}]});
    farm.create("/api/market-days", day).await;
    let stall = farm.raw("GET", "/stall", &[("accept", "text/html")], Vec::new()).await;
    ensure!(stall.text.contains(r#""price":1900"#), "{}", stall.text);
    Ok(())
}

#[tokio::test]
async fn a_price_below_the_least_is_set_only_where_it_is_meant() -> Result<()> {
    let farm = Farm::new().await?;
    let product = farm.get("/api/products/OY").await;
    let version = format!("\"{}\"", product["version"]);
    let floor = json!({"floor_per_kg": "12.5"});
    let changed = farm.ask(&farm.owner, "PATCH", "/api/products/OY", &[("if-match", &version)], Some(floor)).await;
    ensure!(changed.expect(200)["floor_per_kg"] == "12.5");
    farm.pass(TimeDelta::minutes(1));
    let price = |amount: &str, below_floor: bool| json!({"price_list": "TABLE", "product": "OY", "amount": amount, "unit": "kg", "below_floor": below_floor});
    for amount in ["12.4999", "0"] {
        farm.post("/api/prices", price(amount, false)).await.ensure_problem(422, "invalid", Some("/amount"));
        ensure!(farm.get("/api/prices").await["rows"][0]["amount"] == "17.5", "{}", farm.get("/api/prices").await);
    }
    farm.create("/api/prices", price("12.5", false)).await;
    farm.pass(TimeDelta::minutes(1));
    farm.create("/api/prices", price("9", true)).await;
    for (wrong, field) in [
        (json!({"price_list": "NONE", "product": "OY", "amount": "15", "unit": "kg"}), "/price_list"),
        (json!({"price_list": "TABLE", "product": "NONE", "amount": "15", "unit": "kg"}), "/product"),
        (json!({"price_list": "TABLE", "product": "OY", "amount": "15", "unit": "pack"}), "/unit"),
        (json!({"price_list": "TABLE", "product": "OY", "amount": "15", "unit": "kg", "from_g": -1}), "/from_g"),
    ] {
        farm.post("/api/prices", wrong).await.ensure_problem(422, "invalid", Some(field));
    }
    // On the page as well, where a tick says that it is meant.
    farm.pass(TimeDelta::minutes(1));
    let typed = |amount, meant| {
        [("price_list", "TABLE"), ("amount", amount), ("unit", "kg"), ("from_g", "2,5"), ("below_floor", meant)]
    };
    let refused = send(&farm, "/products/OY/price", Uuid::new_v4(), &typed("8", "")).await?;
    ensure!(refused.status == 422 && refused.text.contains("is not to go below 12.5"), "{}", refused.text);
    ensure!(send(&farm, "/products/OY/price", Uuid::new_v4(), &typed("8", "true")).await?.status == 303);
    let page = farm.raw("GET", "/products/OY", &[("accept", "text/html")], Vec::new()).await;
    ensure!(page.text.contains("8.00 EUR a kg for 2.5 kg or more, since"), "{}", page.text);
    ensure!(
        send(
            &farm,
            "/products/OY/price",
            Uuid::new_v4(),
            &[("price_list", "TABLE"), ("unit", "kg"), ("off_list", "true"), ("effective_from", "2026-06-01T00:00")]
        )
        .await?
        .status
            == 303
    );
    let forgotten =
        send(&farm, "/products/OY/price", Uuid::new_v4(), &[("price_list", "TABLE"), ("unit", "kg")]).await?;
    ensure!(forgotten.status == 422 && forgotten.text.contains("Give a price"), "{}", forgotten.text);
    let picker = farm.person("picker").await;
    let seen = farm.ask(&picker, "GET", "/api/products/OY", &[], None).await.expect(200);
    ensure!(seen["floor_per_kg"].is_null() && farm.get("/api/products/OY").await["floor_per_kg"] == "12.5", "{seen}");
    let list = farm.raw("GET", "/price-lists/TABLE", &[("accept", "text/html")], Vec::new()).await;
    ensure!(list.text.contains("off the list, from 1"), "{}", list.text);
    Ok(())
}
