//! What a body may hold, and what the description says of it.

use anyhow::{Result, ensure};
use gillbook_testkit::Farm;
use serde_json::{Value, json};
use sqlx::Connection;

#[tokio::test]
async fn numbers_beyond_their_column_name_the_field() -> Result<()> {
    let farm = Farm::new().await?;
    let strain = json!({"strain": "SH", "name": "Shiitake", "species": "Shiitake", "latin_name": "Lentinula edodes", "lowest_safe_c": 0, "expected_yield_g": 1000, "days_to_first_flush": 16, "flush_interval_days": 11, "flushes": 2, "trim_share": 15});
    let recipe = json!({"recipe": "ASH", "name": "Ash", "block_wet_g": 4200, "block_dry_g": 2000, "block_cost": "1000000000000"});
    let room = json!({"room": "FR2", "name": "Two", "kind": "fruiting", "capacity_blocks": 20, "area_m2": 1e9});
    let product =
        json!({"product": "BIG", "name": "Big", "strains": ["OY"], "least_grade": "B", "tax_percent": "12345"});
    let price = json!({"price_list": "TABLE", "product": "OY", "amount": "999999999999", "unit": "kg"});
    let customer =
        json!({"customer": "ELM", "name": "Elm", "kind": "restaurant", "price_list": "TABLE", "over_percent": 12345});
    for (path, body, pointer) in [
        ("/api/strains", strain, "/trim_share"),
        ("/api/recipes", recipe, "/block_cost"),
        ("/api/rooms", room, "/area_m2"),
        ("/api/products", product, "/tax_percent"),
        ("/api/prices", price, "/amount"),
        ("/api/customers", customer, "/over_percent"),
    ] {
        farm.post(path, body).await.ensure_problem(422, "invalid", Some(pointer));
    }
    let change = [("if-match", "1")];
    let body = Some(json!({"tax_percent": "12345"}));
    let answer = farm.ask(&farm.owner, "PATCH", "/api/products/OY", &change, body).await;
    answer.ensure_problem(422, "invalid", Some("/tax_percent"));
    Ok(())
}

/// A slip of the finger behind the "?" does not ask for everything.
#[tokio::test]
async fn a_name_that_an_address_does_not_know_is_refused() -> Result<()> {
    let farm = Farm::new().await?;
    let asked = async |path: &str| farm.ask(&farm.owner, "GET", path, &[], None).await;
    for (path, name) in [
        ("/api/stock?lott=OY-1", "lott"),
        ("/api/orders?limit=5&sort=day", "sort"),
        ("/api/lots?in_stock=true&Limit=5", "Limit"),
        ("/api/me?who=1", "who"),
        ("/api/lots/OY-1/trace?depth=2", "depth"),
    ] {
        asked(path).await.ensure_problem(422, "invalid", Some(name));
    }
    for known in ["/api/stock", "/api/orders?limit=5", "/api/me?", "/orders?utm_source=mail", "/sign-in?x=1"] {
        ensure!(asked(known).await.status < 400, "{known}");
    }
    Ok(())
}

/// Where we are to blame, the answer, its header and the log go by one id: the proxy's, if it gave a good one.
#[tokio::test]
async fn a_failure_of_ours_has_the_id_of_its_request() -> Result<()> {
    let farm = Farm::new().await?;
    let mut db = sqlx::PgConnection::connect_with(&farm.admin).await?;
    sqlx::query("alter table house_check rename to gone").execute(&mut db).await?;
    let given = "3f1c3f0e-6f0a-4d5e-9a39-5a8f6f1f9c11";
    for (header, kept) in [(None, false), (Some(given), true), (Some("<script>"), false)] {
        let headers: Vec<(&str, &str)> = header.map(|id| ("x-request-id", id)).into_iter().collect();
        let answer = farm.ask(&farm.owner, "GET", "/api/checks", &headers, None).await;
        answer.ensure_problem(500, "internal", None);
        let id = answer.headers["x-request-id"].to_str()?.to_owned();
        assert_eq!(answer.json()["instance"], format!("urn:uuid:{id}"));
        assert_eq!(id == given, kept, "{header:?}");
    }
    Ok(())
}

#[tokio::test]
async fn what_is_taken_is_called_by_its_name() -> Result<()> {
    let farm = Farm::new().await?;
    let taken = |answer: gillbook_testkit::Answer| {
        answer.ensure_problem(409, "already-there", None);
        answer.json()["detail"].as_str().unwrap_or_default().to_owned()
    };
    let customer = |code: &str| json!({"customer": code, "name": "X", "kind": "shop", "price_list": "TABLE"});
    let place = "A place or a customer has this code. Choose another.";
    assert_eq!(taken(farm.post("/api/customers", customer("PLUM")).await), place);
    assert_eq!(taken(farm.post("/api/customers", customer("F1")).await), place);
    let crates = json!({"crate": "BLUE", "name": "B", "kind": "crate", "tare_dry_g": 1, "tare_wet_g": 2});
    assert_eq!(taken(farm.post("/api/crates", crates).await), "That crate code is taken. Choose another.");
    let version = farm.get("/api/farm").await["version"].to_string();
    let grades = Some(json!({"grades": [{"grade": "Q", "rank": 1, "name": "Queen"}]}));
    let change = [("if-match", version.as_str())];
    let rank = taken(farm.ask(&farm.owner, "PATCH", "/api/farm", &change, grades).await);
    assert_eq!(rank, "Another grade has this rank. Give each grade a rank of its own.");
    Ok(())
}

#[tokio::test]
async fn a_change_that_says_nothing_leaves_the_version_alone() -> Result<()> {
    let farm = Farm::new().await?;
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 500}]});
    farm.create("/api/orders", order).await;
    for path in
        ["farm", "strains/OY", "rooms/FR1", "crates/BLUE", "places/F1", "products/OY", "customers/PLUM", "orders/O-1"]
    {
        let list = path.split('/').next().unwrap_or_default();
        let read = async || -> Value {
            let answer = farm.get(&format!("/api/{list}")).await;
            let rows = answer["rows"].as_array().cloned().unwrap_or_else(|| vec![answer.clone()]);
            let code = path.split('/').nth(1);
            rows.into_iter()
                .find(|r| code.is_none_or(|c| r.as_object().is_some_and(|o| o.values().any(|v| v == c))))
                .unwrap_or_default()
        };
        let before = read().await;
        let version = before["version"].to_string();
        let change = [("if-match", version.as_str())];
        let answer = farm.ask(&farm.owner, "PATCH", &format!("/api/{path}"), &change, Some(json!({}))).await;
        assert_eq!(answer.expect(200)["version"], before["version"], "{path}");
        assert_eq!(read().await, before, "{path}");
        let stale = [("if-match", "99")];
        let answer = farm.ask(&farm.owner, "PATCH", &format!("/api/{path}"), &stale, Some(json!({}))).await;
        answer.ensure_problem(412, "stale", None);
    }
    Ok(())
}

#[tokio::test]
async fn a_customers_terms_can_be_changed_later() -> Result<()> {
    let farm = Farm::new().await?;
    let change = json!({"kind": "shop", "over_percent": 2.5, "min_order_g": 3000});
    let changed = farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", "1")], Some(change)).await;
    let changed = changed.expect(200);
    assert_eq!(
        (&changed["kind"], &changed["over_percent"], &changed["min_order_g"], &changed["version"]),
        (&json!("shop"), &json!(2.5), &json!(3000), &json!(2))
    );
    let less = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 500}]});
    farm.post("/api/orders", less).await.ensure_problem(422, "invalid", Some("/lines"));
    Ok(())
}

/// Each member of a change reaches its column, and no other does.
#[tokio::test]
async fn every_setting_that_is_changed_is_read_back() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/price-lists", json!({"price_list": "FAIR", "name": "Fair", "tax_included": true})).await;
    for (path, changes) in [
        (
            "/api/customers/PLUM",
            json!({
                "name": "Plum & Co", "kind": "shop", "price_list": "FAIR", "least_days": 3, "freshest": true, "over_percent": 2.5, "under_percent": 1.5,
                "min_order_g": 3000, "address": "Quay 3", "email": "a@plum.example", "telephone": "555", "docket_prices": false, "payment_days": 30,
                "tax_number": "TX 1", "country": "FR", "electronic_address": "9957:FR1", "order_by_days": 2, "order_by_time": "16:00",
                "deliver_from": "07:00", "deliver_until": "09:30", "delivery_days": ["tuesday", "friday"], "substitutes": true, "round": "Town", "stop": 4,
            }),
        ),
        (
            "/api/farm",
            json!({
                "name": "Elsewhere", "address": "Mill Lane 3", "registration": "R 7", "telephone": "556", "email": "farm@elsewhere.example", "storage_line": "Cool.", "tax_name": "VAT",
                "rounding": "half_even", "cash_step": "0.05", "tax_by": "line", "tax_number": "TX 2", "exemption_reason": "Small", "country": "SE",
                "electronic_address": "0088:1", "payment_details": "Bank 1", "implied_decimals": false, "paper_size": "letter",
            }),
        ),
        ("/api/products/OY", json!({"name": "Oysters", "tax_percent": "7", "floor_per_kg": "9.5"})),
    ] {
        for (name, value) in changes.as_object().into_iter().flatten() {
            let before = farm.get(path).await;
            let version = format!("\"{}\"", before["version"]);
            let change = json!({name: value});
            let changed =
                farm.ask(&farm.owner, "PATCH", path, &[("if-match", &version)], Some(change)).await.expect(200);
            let mut expected = before.clone();
            expected[name] = value.clone();
            expected["version"] = json!(before["version"].as_i64().unwrap_or_default() + 1);
            ensure!(before[name] != *value, "{path} {name} is that already");
            ensure!(changed == expected && farm.get(path).await == expected, "{path} {name}: {changed}");
        }
    }
    Ok(())
}

#[tokio::test]
async fn query_names_that_are_not_known_are_refused() -> Result<()> {
    let farm = Farm::new().await?;
    for path in ["/api/orders", "/api/stock", "/api/customers", "/api/lots", "/api/dockets", "/api/excursions"] {
        let answer = farm.ask(&farm.owner, "GET", &format!("{path}?form=2026-05-01"), &[], None).await;
        assert_eq!(answer.status, 422, "{path}: {}", answer.text);
        ensure!(answer.text.contains("form"), "{}", answer.text);
    }
    Ok(())
}

#[tokio::test]
async fn the_description_says_which_keys_are_needed_and_what_is_binary() -> Result<()> {
    let api: Value = serde_json::from_str(gillbook_web::openapi_json())?;
    let key = |path: &str| {
        let parameters = api["paths"][path]["post"]["parameters"].as_array().into_iter().flatten();
        parameters.filter(|p| p["name"] == "Idempotency-Key").map(|p| p["required"] == true).collect::<Vec<_>>()
    };
    assert_eq!((key("/api/orders"), key("/api/customers")), (vec![true], vec![true]));
    assert_eq!((key("/api/weighings"), key("/api/dockets")), (vec![false], vec![false]), "the body's id does as well");
    assert_eq!(key("/api/readings"), [false], "times that are told in full need none");
    let binary = json!({"type": "string", "format": "binary"});
    let pdf = &api["paths"]["/api/dockets/{docket}/pdf"]["get"]["responses"]["200"]["content"]["application/pdf"];
    let cbor = &api["paths"]["/api/readings"]["post"]["requestBody"]["content"]["application/senml+cbor"];
    assert_eq!((&pdf["schema"], &cbor["schema"]), (&binary, &binary));
    assert_eq!(api["servers"][0]["url"], "/");
    Ok(())
}

/// What is answered to a write is made of its plan; it is what is read back afterwards, field by field.
#[tokio::test]
async fn what_is_answered_is_what_is_read_back() -> Result<()> {
    let farm = Farm::new().await?;
    let packs = json!({"product": "PUN", "name": "Punnets", "strains": ["OY"], "least_grade": "B", "pack_g": 150, "packaging": "vented", "tax_percent": "5.5"});
    farm.create("/api/products", packs).await;
    let price = json!({"price_list": "TABLE", "product": "PUN", "amount": "3.25", "unit": "pack"});
    farm.create("/api/prices", price).await;
    let time = "2026-05-04T05:30:00.123456Z";
    let weighing = json!({"id": uuid::Uuid::new_v4(), "grade": "A", "gross_g": 9000, "trim_g": 300, "cut": true, "by": "CD", "weighed_at": time,
        "tare": {"crate": "BLUE", "liner": "PAPER", "crates": 2, "wet": true},
        "sources": [{"batch": "B2", "flush": 1, "share": 1}, {"batch": "B1", "flush": 1, "share": 2}]});
    let weighed = farm.create("/api/weighings", weighing).await;
    let read = farm.get(&format!("/api/weighings/{}", weighed["id"].as_str().unwrap_or_default())).await;
    assert_eq!(weighed, read);
    let lot = &weighed["lot"];
    let act = async |act: &Value| farm.get(&format!("/api/acts/{}", act["act_id"].as_str().unwrap_or_default())).await;
    let gift = json!({"kind": "gift", "lot": lot, "from_place": "F1", "grams_g": 50, "reason": "Neighbour", "by": "CD", "happened_at": time.replace("05:30", "05:40")});
    let gift = farm.create("/api/movements", gift).await;
    assert_eq!(gift, act(&gift).await);
    let back = farm
        .create(
            &format!("/api/acts/{}/reversal", gift["act_id"].as_str().unwrap_or_default()),
            json!({"reason": "Kept"}),
        )
        .await;
    assert_eq!(back, act(&back).await);
    let packing = json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": 1000}], "trim_g": 60, "water_g": 40,
        "lots_out": [{"product": "PUN", "grade": "A", "packaging": "vented", "grams_g": 600}, {"grade": "B", "packaging": "vented", "grams_g": 300}]});
    let packed = farm.create("/api/packings", packing).await;
    assert_eq!(packed["act"], act(&packed["act"]).await);
    assert_eq!(&packed, &farm.get("/api/packings").await["rows"][0]);
    let counted =
        farm.create("/api/stock-counts", json!({"place": "F1", "lots": [{"lot": lot, "counted_g": 4500}]})).await;
    assert_eq!(&counted, &farm.get("/api/stock-counts").await["rows"][0]);
    let opening = json!({"strain": "LM", "grade": "B", "packaging": "open", "harvest_day": "2026-05-02", "place": "F1", "grams_g": 700});
    let opened = farm.create("/api/openings", opening).await;
    assert_eq!(opened["act"], act(&opened["act"]).await);
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "note": "Back door",
        "lines": [{"product": "OY", "grams_g": 900}, {"product": "PUN", "packs": 3}, {"product": "OY", "grams_g": 9000}]});
    let ordered = farm.create("/api/orders", order).await;
    assert_eq!(ordered, farm.get("/api/orders/O-1").await);
    let aside = farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    assert_eq!(aside, farm.get("/api/orders/O-1").await);
    ensure!(aside["lines"][1]["set_aside"][0]["grams_g"] == 450, "{aside}");
    let free = farm.ask(&farm.owner, "DELETE", "/api/orders/O-1/set-aside", &[], None).await.expect(200);
    assert_eq!(free, farm.get("/api/orders/O-1").await);
    // Short, in packs and loose; into a van, and fetched with what was left.
    let priced = json!({"price_list": "TABLE", "product": "OY", "amount": "17.5050", "unit": "kg"});
    farm.pass(chrono::TimeDelta::minutes(1));
    farm.create("/api/prices", priced).await;
    for (order, van) in [("O-1", json!("VAN")), ("O-2", Value::Null)] {
        if order == "O-2" {
            let fetched =
                json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 111}]});
            farm.create("/api/orders", fetched).await;
            farm.create("/api/openings", json!({"strain": "OY", "grade": "A", "packaging": "open", "harvest_day": "2026-05-02", "place": "F1", "grams_g": 700})).await;
        }
        farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
        let sent = farm.create("/api/dockets", json!({"order": order, "van": van, "short": true})).await;
        let docket = sent["docket"].as_str().unwrap_or_default();
        assert_eq!(sent, farm.get(&format!("/api/dockets/{docket}")).await, "{order}");
    }
    Ok(())
}
