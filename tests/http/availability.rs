//! What can still be promised, and what an order's promise rests on.

use anyhow::{Context, Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::{As, Farm};
use serde_json::{Value, json};
use uuid::Uuid;

use super::forms::send;

/// What can be had of a product on a day: in stock, low, high.
async fn left(farm: &Farm, product: &str, day: &str) -> [i64; 3] {
    let told = farm.get(&format!("/api/availability?from={day}&until={day}")).await;
    let found = told["days"][0]["products"].as_array().into_iter().flatten().find(|p| p["product"] == product);
    ["in_stock_g", "low_g", "high_g"].map(|name| found.and_then(|p| p[name].as_i64()).unwrap_or(0))
}

async fn order(farm: &Farm, day: &str, grams_g: i64) -> String {
    let new = json!({"customer": "PLUM", "delivery_day": day, "lines": [{"product": "OY", "grams_g": grams_g}]});
    farm.create("/api/orders", new).await["order"].as_str().unwrap_or_default().to_owned()
}

async fn page(farm: &Farm, path: &str) -> Result<String> {
    let page = farm.raw("GET", path, &[("accept", "text/html")], Vec::new()).await;
    ensure!(page.status == 200, "{path}: {} {}", page.status, page.text);
    Ok(page.text)
}

#[tokio::test]
async fn what_is_left_can_be_promised_and_set_aside_to_the_gram() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(5000).await;
    let later = order(&farm, "2026-05-07", 1200).await;
    let aside = order(&farm, "2026-05-06", 800).await;
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{aside}/set-aside"), &[], Some(json!({}))).await.expect(200);
    ensure!(left(&farm, "OY", "2026-05-05").await == [3000; 3]);
    ensure!(left(&farm, "OY", "2026-05-12").await == [0; 3], "its last day is the eleventh");
    // A draft promises nothing.
    let draft = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "draft": true, "lines": [{"product": "OY", "grams_g": 900}]});
    farm.create("/api/orders", draft).await;
    let all = order(&farm, "2026-05-05", 3000).await;
    ensure!(left(&farm, "OY", "2026-05-05").await == [0; 3]);
    for order in [all, later] {
        let done = farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await;
        ensure!(done.expect(200)["lines"][0]["short_g"] == 0, "{order}");
    }
    Ok(())
}

#[tokio::test]
async fn each_product_keeps_by_its_own_rule_as_when_it_is_set_aside() -> Result<()> {
    let farm = Farm::new().await?;
    let stew =
        json!({"product": "STEW", "name": "For stew", "strains": ["OY"], "least_grade": "B", "tax_percent": "5.5"});
    farm.create("/api/products", stew).await;
    let rule = json!({"best_before": [{"product": "STEW", "packaging": "open", "days": 8}]});
    let version = format!("\"{}\"", farm.get("/api/farm").await["version"]);
    farm.ask(&farm.owner, "PATCH", "/api/farm", &[("if-match", &version)], Some(rule)).await.expect(200);
    farm.lot_of(2000).await;
    // Without a rule OY keeps seven days from the fourth.
    for (day, loose, stew) in [("2026-05-11", 2000, 2000), ("2026-05-12", 0, 2000), ("2026-05-13", 0, 0)] {
        ensure!(left(&farm, "OY", day).await[0] == loose && left(&farm, "STEW", day).await[0] == stew, "{day}");
        for (product, told) in [("OY", loose), ("STEW", stew)] {
            let new =
                json!({"customer": "PLUM", "delivery_day": day, "lines": [{"product": product, "grams_g": 2000}]});
            let order = farm.create("/api/orders", new).await["order"].as_str().unwrap_or_default().to_owned();
            let path = format!("/api/orders/{order}");
            let promise = farm.get(&format!("{path}/promise")).await;
            ensure!(promise["lines"][0]["in_stock_g"] == told, "{day} {product}: {promise}");
            let aside =
                farm.ask(&farm.owner, "PUT", &format!("{path}/set-aside"), &[], Some(json!({}))).await.expect(200);
            ensure!(aside["lines"][0]["short_g"] == 2000 - told, "{day} {product}: {aside}");
            let version = format!("\"{}\"", farm.get(&path).await["version"]);
            farm.ask(&farm.owner, "PATCH", &path, &[("if-match", &version)], Some(json!({"status": "cancelled"})))
                .await
                .expect(200);
        }
    }
    Ok(())
}

#[tokio::test]
async fn a_promise_says_what_it_rests_on_and_what_there_is_instead() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(2000).await;
    let lion = json!({"id": Uuid::new_v4(), "sources": [{"batch": "B3", "flush": 1}], "grade": "A", "gross_g": 600 + 1462, "tare": {"crate": "BLUE", "liner": "PAPER"}});
    farm.create("/api/weighings", lion).await;
    farm.create("/api/prices", json!({"price_list": "TABLE", "product": "LM", "amount": "20", "unit": "kg"})).await;
    let terms = json!({"order_by_days": 1, "order_by_time": "07:00", "substitutes": true, "deliver_from": "07:00", "deliver_until": "10:30"});
    farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", "\"1\"")], Some(terms)).await.expect(200);
    let some = order(&farm, "2026-05-06", 1500).await;
    let promise = farm.get(&format!("/api/orders/{some}/promise")).await;
    ensure!(promise["basis"] == "in_stock" && promise["late"] == false, "{promise}");
    ensure!(promise["order_by"] == "2026-05-05T05:00:00Z", "{promise}");
    let more = order(&farm, "2026-05-05", 700).await;
    let promise = farm.get(&format!("/api/orders/{more}/promise")).await;
    // The order for the earlier day does not take what the other was promised.
    ensure!(promise["basis"] == "short" && promise["lines"][0]["in_stock_g"] == 500, "{promise}");
    ensure!(promise["late"] == true, "{promise}");
    let promise = farm.get(&format!("/api/orders/{some}/promise")).await;
    ensure!(promise["basis"] == "short" && promise["lines"][0]["in_stock_g"] == 1300, "{promise}");
    ensure!(
        promise["lines"][0]["substitutes"] == json!([{"product": "LM", "name": "LM", "grams_g": 200}]),
        "{promise}"
    );
    ensure!(promise["no_forecast"] == json!(["OY"]), "no flush is over yet: {promise}");
    let seen = page(&farm, &format!("/orders/{some}")).await?;
    for words in ["we can do only 1.30 of 1.50 kg", "Instead we can do LM (0.20 kg)", "from 07:00 to 10:30"] {
        ensure!(seen.contains(words), "{words}: {seen}");
    }
    ensure!(page(&farm, &format!("/orders/{more}")).await?.contains("It came in late"));
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{more}/set-aside"), &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": more})).await;
    let gone = farm.ask(&farm.owner, "GET", &format!("/api/orders/{more}/promise"), &[], None).await;
    gone.ensure_problem(409, "closed", None);
    Ok(())
}

#[tokio::test]
async fn a_harvest_is_expected_between_what_flushes_gave() -> Result<()> {
    let farm = Farm::new().await?;
    for (batch, made_on) in [("B4", "2026-04-15"), ("B5", "2026-04-15"), ("B9", "2026-04-26")] {
        farm.create("/api/batches", json!({"batch": batch, "strain": "OY", "recipe": "OAK", "made_on": made_on, "blocks": 20, "origin": "made"})).await;
        let moved = json!({"kind": "moved", "blocks": 20, "room": "FR1"});
        farm.create(&format!("/api/batches/{batch}/moves"), moved).await;
    }
    for (batch, grams) in [("B1", 2000), ("B2", 2000), ("B4", 4000), ("B5", 4000)] {
        let mut weighing = Farm::weighing(grams);
        weighing["sources"] = json!([{"batch": batch, "flush": 1}]);
        farm.create("/api/weighings", weighing).await;
    }
    // The flushes were due on the first of May and picked on the fourth. Nine days on they are over, and B9's, due on the twelfth, is late.
    farm.pass(TimeDelta::days(9));
    for (day, expected) in [
        ("2026-05-16", [0, 0, 0]),
        ("2026-05-17", [0, 2000, 4000]),
        ("2026-05-23", [0, 2000, 4000]),
        ("2026-05-24", [0, 0, 0]),
    ] {
        ensure!(left(&farm, "OY", day).await == expected, "{day}: {:?}", left(&farm, "OY", day).await);
    }
    let words = [
        ("2026-05-18", "expected", "0.00 of 1.50 kg free now, the rest with the harvest that is expected"),
        ("2026-05-19", "good_harvest", "1.50 kg only with a good harvest, 0.50 kg with a poor one"),
    ];
    for (day, basis, words) in words {
        let order = order(&farm, day, 1500).await;
        ensure!(farm.get(&format!("/api/orders/{order}/promise")).await["basis"] == basis, "{basis}");
        ensure!(page(&farm, &format!("/orders/{order}")).await?.contains(words), "{words}");
    }
    let sent = farm.raw("GET", "/api/availability/text?from=2026-05-20&until=2026-05-20", &[], Vec::new()).await;
    ensure!(sent.text.contains("OY: perhaps 1.00 kg\n"), "{}", sent.text);
    let far = order(&farm, "2026-06-20", 500).await;
    ensure!(page(&farm, &format!("/orders/{far}")).await?.contains("too far ahead to tell"));
    let form = page(&farm, "/orders/new?customer=PLUM&delivery_day=2026-05-20").await?;
    ensure!(form.contains("0.00 kg left, 0.00–1.00 with the harvest"), "{form}");
    // Once it is picked it is in stock, and no longer expected.
    let mut weighing = Farm::weighing(3000);
    weighing["sources"] = json!([{"batch": "B9", "flush": 1}]);
    farm.create("/api/weighings", weighing).await;
    ensure!(left(&farm, "OY", "2026-05-17").await == [0, 0, 0], "all of it is promised");
    Ok(())
}

#[tokio::test]
async fn it_is_told_as_a_text_with_the_customers_prices_to_who_may_see_them() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(2000).await;
    farm.create("/api/products", json!({"product": "PUN", "name": "Oyster punnet", "strains": ["OY"], "least_grade": "B", "pack_g": 150, "tax_percent": "5.5"})).await;
    farm.create("/api/closed-days", json!({"day": "2026-05-06", "name": "Fair"})).await;
    farm.create("/api/products", json!({"product": "GIFT", "name": "Not on their list", "strains": ["OY"], "least_grade": "B", "tax_percent": "5.5"})).await;
    farm.create("/api/prices", json!({"price_list": "TABLE", "product": "PUN", "amount": "3.2", "unit": "pack"})).await;
    let terms = json!({"order_by_time": "16:00", "email": "chef+orders@plum.example"});
    farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", "\"1\"")], Some(terms)).await.expect(200);
    let path = "/api/availability/text?customer=PLUM&from=2026-05-05&until=2026-05-06";
    let text = farm.raw("GET", path, &[], Vec::new()).await;
    ensure!(text.headers["content-type"] == "text/plain; charset=utf-8");
    let expected = "Farm of ada\n\nTuesday 5 May\nOY: 2.00 kg, 17.50 EUR a kg\nOyster punnet: 13 packs, 3.20 EUR a pack\nOrder by Mon 4 May, 16:00.\n\nWednesday 6 May\nWe are closed.\n\nEach day is told of alone: the amounts do not add up.\nProducts of the same mushrooms share what there is.\n\"About\" is what we expect to pick. While it lasts.\n";
    ensure!(text.text == expected, "{}", text.text);
    farm.pass(TimeDelta::hours(9));
    let late = farm.raw("GET", path, &[], Vec::new()).await;
    ensure!(late.text.contains("Tuesday 5 May\nToo late to order for this day.\n"), "{}", late.text);
    let picker = farm.person("picker").await;
    let seen = farm.ask(&picker, "GET", "/api/availability?customer=PLUM", &[], None).await.expect(200);
    ensure!(
        seen["days"][0]["products"][0]["prices"] == json!([]) && seen["days"][0]["products"][0]["in_stock_g"] == 2000
    );
    ensure!(
        farm.get("/api/availability?customer=PLUM").await["days"][0]["products"][0]["prices"][0]["amount"] == "17.5"
    );
    let seen = page(&farm, "/availability?customer=PLUM&day=2026-05-05").await?;
    ensure!(seen.contains("mailto:chef%2Borders%40plum%2Eexample?subject="), "{seen}");
    ensure!(seen.contains("17.50 EUR a kg"), "{seen}");
    ensure!(seen.contains("/orders/new?customer=PLUM&#38;delivery_day=2026-05-05"), "{seen}");
    ensure!(page(&farm, "/orders").await?.contains("href=\"/availability\""));
    ensure!(page(&farm, "/availability?day=2026-05-06").await?.contains("The farm is closed on Wed"));
    Ok(())
}

#[tokio::test]
async fn nothing_is_offered_on_a_day_on_which_a_customer_takes_no_deliveries() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(2000).await;
    let tuesdays = json!({"delivery_days": ["tuesday", "friday"]});
    let customer = farm
        .ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", "\"1\"")], Some(tuesdays))
        .await
        .expect(200);
    ensure!(customer["delivery_days"] == json!(["tuesday", "friday"]), "{customer}");
    let told = farm.get("/api/availability?customer=PLUM&from=2026-05-05&until=2026-05-06").await;
    ensure!(told["days"][0]["no_delivery"].is_null() && told["days"][0]["products"][0]["in_stock_g"] == 2000, "{told}");
    ensure!(told["days"][1]["no_delivery"] == "not_their_day" && told["days"][1]["products"] == json!([]), "{told}");
    ensure!(left(&farm, "OY", "2026-05-06").await[0] == 2000, "others are told of it");
    let text = farm.raw("GET", "/api/availability/text?customer=PLUM&from=2026-05-06", &[], Vec::new()).await;
    ensure!(text.text.contains("Wednesday 6 May\nNo delivery to you on this day.\n"), "{}", text.text);
    // It can be taken all the same, and says so.
    let order = order(&farm, "2026-05-06", 500).await;
    let promise = farm.get(&format!("/api/orders/{order}/promise")).await;
    ensure!(promise["no_delivery"] == "not_their_day" && promise["basis"] == "in_stock", "{promise}");
    let seen = page(&farm, &format!("/orders/{order}")).await?;
    ensure!(
        seen.contains("They take no deliveries on a Wednesday.") && seen.contains("on Tuesday and Friday."),
        "{seen}"
    );
    let form = page(&farm, "/orders/new?customer=PLUM&delivery_day=2026-05-06").await?;
    ensure!(form.contains("They take no deliveries on a Wednesday."), "{form}");
    // On the customer's page they are ticked, and no tick at all is any day again.
    let needed =
        [("least_days", "0"), ("over_percent", "10"), ("under_percent", "5"), ("min_order_g", "0"), ("stop", "0")];
    let mut fields = vec![("version", "2"), ("name", "Plum"), ("kind", "restaurant"), ("price_list", "TABLE")];
    fields.extend(needed);
    let shown = page(&farm, "/customers/PLUM").await?;
    ensure!(shown.contains(r#"value="friday" checked"#), "{shown}");
    let saved = send(&farm, "/customers/PLUM", Uuid::new_v4(), &fields).await?;
    ensure!(saved.status == 303, "{}", saved.text);
    let customer = farm.get("/api/customers/PLUM").await;
    ensure!(customer["delivery_days"] == json!([]), "{customer}");
    let wrong = json!({"delivery_days": ["someday"]});
    let refused = farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", "\"3\"")], Some(wrong)).await;
    refused.ensure_problem(422, "invalid", Some("/delivery_days/0"));
    Ok(())
}

#[tokio::test]
async fn another_farm_sees_none_of_it() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(2000).await;
    let other = farm.second("bea").await?;
    ensure!(other.get("/api/availability").await["days"][0]["products"] == json!([]));
    let order = order(&farm, "2026-05-05", 500).await;
    let hidden = other.ask(&other.owner, "GET", &format!("/api/orders/{order}/promise"), &[], None).await;
    hidden.ensure_problem(404, "not-found", None);
    let hidden = other.ask(&other.owner, "GET", "/api/availability?customer=PLUM", &[], None).await;
    hidden.ensure_problem(404, "not-found", None);
    let nobody = farm.ask(&As::Nobody, "GET", "/api/availability", &[], None).await;
    ensure!(nobody.status == 401);
    Ok(())
}

#[tokio::test]
async fn what_cannot_be_asked_is_named() -> Result<()> {
    let farm = Farm::new().await?;
    for (query, field) in [
        ("from=2026-05-03", "from"),
        ("from=2026-05-20", "from"),
        ("until=2026-05-18", "until"),
        ("from=2026-05-06&until=2026-05-05", "until"),
    ] {
        let answer = farm.raw("GET", &format!("/api/availability?{query}"), &[], Vec::new()).await;
        answer.ensure_problem(422, "invalid", Some(field));
    }
    let customer = |more: Value| {
        let mut body = json!({"customer": "FIG", "name": "Fig", "kind": "shop", "price_list": "TABLE"});
        body.as_object_mut().into_iter().for_each(|b| b.extend(more.as_object().cloned().unwrap_or_default()));
        body
    };
    for (more, field) in [
        (json!({"order_by_time": "4 pm"}), "/order_by_time"),
        (json!({"order_by_time": "24:00"}), "/order_by_time"),
        (json!({"order_by_days": 31}), "/order_by_days"),
        (json!({"deliver_from": "10:00", "deliver_until": "07:00"}), "/deliver_until"),
    ] {
        farm.post("/api/customers", customer(more)).await.ensure_problem(422, "invalid", Some(field));
    }
    let long = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "reference": "4".repeat(61), "lines": [{"product": "OY", "grams_g": 500}]});
    farm.post("/api/orders", long).await.ensure_problem(422, "invalid", Some("/reference"));
    Ok(())
}

#[tokio::test]
async fn their_own_order_number_goes_with_the_order_to_its_docket() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(2000).await;
    let slip = [
        ("customer", "PLUM"),
        ("delivery_day", "2026-05-04"),
        ("lines/OY/product", "OY"),
        ("lines/OY/grams_g", "1"),
        ("reference", "PO 4711/26"),
    ];
    let taken = send(&farm, "/orders?customer=PLUM", Uuid::new_v4(), &slip).await?;
    ensure!(taken.status == 303, "{}", taken.text);
    ensure!(page(&farm, "/orders/O-1").await?.contains("Their order PO 4711/26."));
    let window = json!({"deliver_until": "10:30"});
    farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", "\"1\"")], Some(window)).await.expect(200);
    let slip = [("version", "1"), ("delivery_day", "2026-05-05"), ("reference", "PO 4712"), ("note", "Back door")];
    ensure!(send(&farm, "/orders/O-1/day", Uuid::new_v4(), &slip).await?.status == 303);
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    let docket = farm.create("/api/dockets", json!({"order": "O-1", "van": "VAN"})).await;
    ensure!(docket["reference"] == "PO 4712", "{docket}");
    let code = docket["docket"].as_str().context("a code")?;
    ensure!(farm.get(&format!("/api/dockets/{code}")).await["reference"] == "PO 4712");
    // The driver reads what was agreed, until it is handed over.
    let seen = page(&farm, &format!("/dockets/{code}")).await?;
    for words in ["Their order PO 4712.", "They take deliveries until 10:30.", "<p>Back door</p>"] {
        ensure!(seen.contains(words), "{words}: {seen}");
    }
    farm.create(&format!("/api/dockets/{code}/delivery"), json!({"taken_by": "Ines"})).await;
    ensure!(!page(&farm, &format!("/dockets/{code}")).await?.contains("Back door"));
    Ok(())
}
