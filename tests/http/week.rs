//! A week over HTTP: weighed, packed, taken to market, closed; and what is sent again counts once.

use anyhow::Result;
use chrono::TimeDelta;
use gillbook_testkit::{As, Farm};
use serde_json::json;
use uuid::Uuid;

#[tokio::test]
async fn a_week_from_the_scale_to_the_close() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(5000).await;
    let order = farm
        .create(
            "/api/orders",
            json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 1235}]}),
        )
        .await;
    let code = order["order"].as_str().unwrap_or_default();
    let aside =
        farm.ask(&farm.owner, "PUT", &format!("/api/orders/{code}/set-aside"), &[], Some(json!({}))).await.expect(200);
    assert_eq!(aside["lines"][0]["set_aside"][0]["grams_g"], 1235);
    let docket = farm.create("/api/dockets", json!({"order": code, "van": "VAN"})).await;
    // 1.235 kg at 17.50 is 21.6125, half up 21.61.
    assert_eq!((&docket["docket"], &docket["net"]), (&json!("D-1"), &json!("21.61")));
    farm.create("/api/dockets/D-1/delivery", json!({"taken_by": "Cook", "temperature_c": 3.5})).await;
    farm.create("/api/dockets/D-1/returns", json!({"lines": [{"line": 1, "grams_g": 235}], "reason": "Broken"})).await;
    farm.create(
        "/api/movements",
        json!({"kind": "waste", "lot": lot, "from_place": "F1", "grams_g": 100, "reason": "Soft"}),
    )
    .await;
    farm.create("/api/stock-counts", json!({"place": "F1", "lots": [{"lot": lot, "counted_g": 3600}]})).await;
    let week = farm.get("/api/reports/weeks/2026-W19").await;
    let total = &week["now"]["total"];
    for (field, grams) in
        [("harvested_g", 5000), ("sold_g", 1000), ("wasted_g", 335), ("unexplained_g", 45), ("closing_g", 3600)]
    {
        assert_eq!(total[field], grams, "{field}: {total}");
    }
    farm.post("/api/weeks/2026-W19/close", json!({})).await.ensure_problem(409, "closed", None);
    farm.pass(TimeDelta::days(7));
    farm.create("/api/weeks/2026-W19/close", json!({})).await;
    farm.post("/api/weeks/2026-W19/close", json!({})).await.ensure_problem(409, "closed", None);
    let trace = farm.get(&format!("/api/lots/{lot}/trace")).await;
    assert_eq!((&trace["came_from"][0]["batch"], &trace["went_to"][0]["customer"]), (&json!("B1"), &json!("PLUM")));
    let forward = farm.get("/api/trace?starts_from=batch&code=B1").await;
    assert_eq!(forward["went_to"][0]["docket"], "D-1");
    let earnings = farm.get("/api/reports/earnings").await;
    assert_eq!(earnings["batches"][0]["sold_g"], 1000);
    Ok(())
}

#[tokio::test]
async fn packing_and_market_make_child_lots() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(4000).await;
    let packing = json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": 1000}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 900}], "trim_g": 70, "water_g": 30});
    let made = farm.create("/api/packings", packing.clone()).await;
    let child = farm.get(&format!("/api/lots/{}", made["made"][0].as_str().unwrap_or_default())).await;
    assert_eq!(child["made_of"][0]["grams_g"], 900);
    let mut short = packing;
    short["trim_g"] = json!(69);
    farm.post("/api/packings", short).await.ensure_problem(422, "invalid", Some("/lots_out"));
    farm.create("/api/market-days", json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "60.00", "taken": [{"lot": lot, "place": "F1", "grams_g": 2000}]})).await;
    let reckoning = json!({"lots": [{"lot": lot, "back_g": 300, "wasted_g": 50, "tasted_g": 20}], "back_place": "F1", "cash": "80.00", "card": "10.00", "fee": "5.00"});
    let day = farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(reckoning)).await.expect(200);
    assert_eq!((&day["takings"], &day["sold"][0]["grams_g"]), (&json!("30.00"), &json!(1630)));
    assert_eq!(farm.get("/api/reports/weeks/2026-W19").await["book_check"]["lots_off"], json!([]));
    Ok(())
}

#[tokio::test]
async fn sent_ten_times_counts_once() -> Result<()> {
    let farm = Farm::new().await?;
    let weighing = Farm::weighing(800);
    let send = || farm.ask(&farm.owner, "POST", "/api/weighings", &[], Some(weighing.clone()));
    let first = send().await;
    assert_eq!(first.status, 201, "{}", first.text);
    let again = futures::future::join_all((0..9).map(|_| send())).await;
    assert!(again.iter().all(|a| a.status == 201 && a.text == first.text));
    let at_once = Farm::weighing(700);
    let all = futures::future::join_all(
        (0..10).map(|_| farm.ask(&farm.owner, "POST", "/api/weighings", &[], Some(at_once.clone()))),
    )
    .await;
    assert!(all.iter().all(|a| a.status == 201 && a.text == all[0].text));
    assert_eq!(farm.get("/api/weighings").await["rows"].as_array().map(Vec::len), Some(2));
    let mut other = weighing.clone();
    other["gross_g"] = json!(9999);
    farm.ask(&farm.owner, "POST", "/api/weighings", &[], Some(other)).await.ensure_problem(422, "key-reused", None);
    let key = Uuid::new_v4().to_string();
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-06", "lines": [{"product": "OY", "grams_g": 500}]});
    for _ in 0..10 {
        let answer =
            farm.ask(&farm.owner, "POST", "/api/orders", &[("idempotency-key", &key)], Some(order.clone())).await;
        assert_eq!(answer.expect(201)["order"], "O-1");
    }
    let keyed = [("idempotency-key", key.as_str())];
    let more = json!({"customer": "PLUM", "delivery_day": "2026-05-06", "lines": [{"product": "OY", "grams_g": 600}]});
    farm.ask(&farm.owner, "POST", "/api/orders", &keyed, Some(more)).await.ensure_problem(422, "key-reused", None);
    let key = Uuid::new_v4().to_string();
    let keyed = [("idempotency-key", key.as_str())];
    let at_once = (0..10).map(|_| farm.ask(&farm.owner, "POST", "/api/orders", &keyed, Some(order.clone())));
    for answer in futures::future::join_all(at_once).await {
        assert_eq!(answer.expect(201)["order"], "O-2");
    }
    farm.ask(&farm.owner, "POST", "/api/orders", &[], Some(order)).await.ensure_problem(400, "bad-request", None);
    assert_eq!(farm.get("/api/orders").await["rows"].as_array().map(Vec::len), Some(2));
    let pack = json!([{"n": "p1", "u": "Cel", "t": farm.now().timestamp() - 60, "v": 2.5}]);
    let at_once = (0..10).map(|_| farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(pack.clone())));
    let kept = futures::future::join_all(at_once).await;
    let counts = |what: &str| kept.iter().map(|a| a.json()[what].as_i64().unwrap_or(-1)).sum::<i64>();
    assert_eq!((counts("accepted"), counts("duplicate")), (1, 9));
    Ok(())
}

#[tokio::test]
async fn an_entry_sent_again_by_somebody_else_is_the_same_entry() -> Result<()> {
    let farm = Farm::new().await?;
    let picker = farm.person("picker").await;
    let weighing = Farm::weighing(500);
    let first = farm.ask(&farm.owner, "POST", "/api/weighings", &[], Some(weighing.clone())).await;
    first.expect(201);
    // A shared phone: another is signed in when the answer that was lost is asked for, with the id as its key or a new one.
    let id = weighing["id"].as_str().unwrap_or_default().to_owned();
    let new = Uuid::new_v4().to_string();
    for key in [vec![], vec![("idempotency-key", id.as_str())], vec![("idempotency-key", new.as_str())]] {
        let again = farm.ask(&picker, "POST", "/api/weighings", &key, Some(weighing.clone())).await;
        assert_eq!((again.status, &again.text), (201, &first.text));
    }
    let at_once = Farm::weighing(700);
    let both = [&farm.owner, &picker].map(|who| farm.ask(who, "POST", "/api/weighings", &[], Some(at_once.clone())));
    let both = futures::future::join_all(both).await;
    assert!(both.iter().all(|a| a.status == 201 && a.text == both[0].text), "{both:?}");
    assert_eq!(farm.get("/api/weighings").await["rows"].as_array().map(Vec::len), Some(2));
    // The same id with another weight is another entry, and a key stays with one body.
    let mut other = weighing.clone();
    other["gross_g"] = json!(9999);
    farm.ask(&picker, "POST", "/api/weighings", &[], Some(other)).await.ensure_problem(422, "key-reused", None);
    let keyed = [("idempotency-key", new.as_str())];
    farm.ask(&picker, "POST", "/api/weighings", &keyed, Some(Farm::weighing(100))).await.expect(201);
    let more = Farm::weighing(200);
    farm.ask(&picker, "POST", "/api/weighings", &keyed, Some(more)).await.ensure_problem(422, "key-reused", None);
    let verifier = farm.person("verifier").await;
    farm.ask(&verifier, "POST", "/api/weighings", &[], Some(weighing)).await.ensure_problem(403, "not-allowed", None);
    Ok(())
}

#[tokio::test]
async fn readings_are_kept_once_and_faults_are_no_temperatures() -> Result<()> {
    let farm = Farm::new().await?;
    let now = farm.now().timestamp();
    let pack = json!([
        {"bn": "p1", "bt": now - 600, "bu": "Cel", "v": 2.0}, {"t": 60, "v": 2.5}, {"t": 120, "v": 85.0}, {"t": 180, "v": -127},
        {"t": 240, "vs": "NaN"}, {"t": 99_999_999, "v": 1.0}, {"t": 300, "u": "%RH", "v": 50}, {"n": "x", "t": 300, "v": 2}, {"t": 360, "v": 2.25, "colour_": 1}
    ]);
    let first = farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(pack.clone())).await.expect(200);
    assert_eq!((&first["accepted"], &first["faults"]), (&json!(5), &json!(3)), "{first}");
    let refused: Vec<i64> =
        first["refused"].as_array().into_iter().flatten().filter_map(|r| r["index"].as_i64()).collect();
    assert_eq!((refused, &first["beside"]), (vec![5, 7, 8], &json!(1)));
    let again = farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(pack)).await.expect(200);
    assert_eq!((&again["accepted"], &again["duplicate"]), (&json!(0), &json!(5)));
    let other = json!([{"n": "p1", "u": "Cel", "t": now - 600, "v": 3.0}]);
    let other = farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(other)).await.expect(200);
    assert_eq!(other["refused"][0]["remedy"], "permanent");
    let nan = format!(r#"[{{"n":"p1","u":"Cel","t":{},"v":NaN}}]"#, now - 30);
    let nan = farm
        .raw("POST", "/api/readings", &[("content-type", "application/senml+json")], nan.into_bytes())
        .await
        .expect(200);
    assert_eq!(nan["faults"], 1);
    let air = farm.get("/api/places/F1/temperature").await;
    assert_eq!(
        (&air["exposure"]["known_s"], &air["exposure"]["mean_c"], &air["faults"]),
        (&json!(60.0), &json!(2.25), &json!(4))
    );
    let token = farm.create("/api/tokens", json!({"name": "board", "scope": "readings", "probe": "p1"})).await;
    let token = As::Token(token["secret"].as_str().unwrap_or_default().to_owned());
    farm.ask(&token, "POST", "/api/readings", &[], Some(json!([{"n": "p1", "u": "Cel", "t": now - 10, "v": 2}])))
        .await
        .expect(200);
    farm.ask(&token, "GET", "/api/stock", &[], None).await.ensure_problem(403, "not-allowed", None);
    Ok(())
}

/// What was ordered, sent, handed over, invoiced and paid stands in one report, and each of its sums is that of its rows.
#[tokio::test]
async fn a_week_is_followed_from_order_to_cash() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(9000).await;
    let told = |week: &'static str| {
        let farm = &farm;
        async move { farm.get(&format!("/api/reports/weeks/{week}/order-to-cash")).await }
    };
    let order =
        json!({"customer": "PLUM", "delivery_day": "2026-05-06", "lines": [{"product": "OY", "grams_g": 2000}]});
    farm.create("/api/orders", order.clone()).await;
    // Neither a draft nor what was called off is promised.
    let mut draft = order.clone();
    draft["draft"] = json!(true);
    farm.create("/api/orders", draft).await;
    let off = farm.create("/api/orders", order).await["order"].as_str().unwrap_or_default().to_owned();
    let cancelled = json!({"status": "cancelled"});
    farm.ask(&farm.owner, "PATCH", &format!("/api/orders/{off}"), &[("if-match", "\"1\"")], Some(cancelled))
        .await
        .expect(200);
    let docket = farm.docket_of(1000).await;
    farm.pass(TimeDelta::minutes(30));
    let back = json!({"lines": [{"line": 1, "grams_g": 200}], "reason": "Wet"});
    farm.create(&format!("/api/dockets/{docket}/returns"), back).await;
    let stall = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "0", "taken": [{"lot": lot, "place": "F1", "grams_g": 800}]});
    farm.create("/api/market-days", stall).await;
    let cashed_up =
        json!({"cash": "21.10", "card": "0", "fee": "0", "back_place": "F1", "lots": [{"lot": lot, "back_g": 0}]});
    farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(cashed_up)).await.expect(200);
    // 800 g at 17.50 are 14.00, with 5.5 % 14.77; with what is not goods 25.32.
    let more = json!({"customer": "PLUM", "dockets": [docket], "extras": [{"description": "Crate", "net": "10.00", "tax_percent": "5.5"}]});
    let invoice = farm.create("/api/invoices", more).await;
    assert_eq!(invoice["total"], "25.32");
    farm.create("/api/payments", json!({"customer": "PLUM", "amount": "20", "method": "bank_transfer"})).await;
    farm.create("/api/payments", json!({"customer": "PLUM", "amount": "0.32", "method": "write_off"})).await;
    let week = told("2026-W19").await;
    let restaurants = &week["channels"]["restaurant"];
    assert_eq!(restaurants["ordered"], json!({"grams_g": 3000, "net": "52.50"}), "{week}");
    assert_eq!(restaurants["sent"], json!({"grams_g": 1000, "net": "17.50"}));
    assert_eq!(restaurants["handed_over"], json!({"grams_g": 1000, "net": "17.50"}));
    assert_eq!(restaurants["returned"], json!({"grams_g": 200, "net": "3.50"}));
    assert_eq!(restaurants["sold"], json!({"grams_g": 800, "net": "14.00"}));
    let market = &week["channels"]["market"];
    assert_eq!(
        (&market["stall_takings"], &market["sold"]),
        (&json!("21.10"), &json!({"grams_g": 800, "net": "20.00"}))
    );
    let total = &week["total"];
    for (name, amount) in [
        ("opening", "0.00"),
        ("invoiced", "25.32"),
        ("credited", "0.00"),
        ("paid", "20.00"),
        ("written_off", "0.32"),
        ("closing", "5.00"),
    ] {
        assert_eq!(total[name], amount, "{name}: {week}");
    }
    assert_eq!(total["sold"], json!({"grams_g": 1600, "net": "34.00"}));
    assert_eq!(week["orders"].as_array().map(Vec::len), Some(2), "{week}");
    assert_eq!(week["receivables"].as_array().map(Vec::len), Some(3), "{week}");
    // The week after begins with what was owed, and a payment that is taken back in it is owed again.
    farm.pass(TimeDelta::days(7));
    farm.create("/api/payments/P-1/reversal", json!({"reason": "Bounced"})).await;
    let next = told("2026-W20").await;
    let owed = ["opening", "paid", "closing"].map(|name| next["total"][name].as_str().unwrap_or_default().to_owned());
    assert_eq!(owed, ["5.00", "-20.00", "25.00"], "{next}");
    assert_eq!(told("2026-W19").await, week, "the week that is over stays");
    let page = farm.raw("GET", "/weeks/2026-W19/order-to-cash", &[("accept", "text/html")], Vec::new()).await;
    for seen in [
        "34.00<small> EUR sold",
        "to their credit: <b>5.00 EUR</b>",
        "Restaurants",
        "Market",
        "52.50",
        "/invoices/INV-1",
        "/payments/P-1",
    ] {
        assert!(page.text.contains(seen), "{seen}: {}", page.text);
    }
    let picker = farm.person("picker").await;
    farm.ask(&picker, "GET", "/api/reports/weeks/2026-W19/order-to-cash", &[], None).await.ensure_problem(
        403,
        "not-allowed",
        None,
    );
    Ok(())
}
