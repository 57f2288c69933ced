//! What is refused, and to whom; what each route lets in, and the description that is published of it.

use anyhow::Result;
use chrono::TimeDelta;
use gillbook_testkit::{As, Farm};
use serde_json::{Value, json};
use uuid::Uuid;

#[tokio::test]
async fn bad_weighings_name_the_field_and_keep_nothing() -> Result<()> {
    let farm = Farm::new().await?;
    let with = |changes: Value| {
        let mut body = Farm::weighing(500);
        for (k, v) in changes.as_object().into_iter().flatten() {
            body[k] = v.clone();
        }
        body
    };
    for (changes, status, slug, pointer) in [
        (json!({"gross_g": -5}), 422, "invalid", "/gross_g"),
        (json!({"gross_g": 0}), 422, "invalid", "/gross_g"),
        (json!({"gross_g": 90_000_000}), 422, "invalid", "/gross_g"),
        (json!({"gross_g": 12.5}), 422, "invalid", "/gross_g"),
        (json!({"gross_g": 1000}), 422, "invalid", "/tare/crate"),
        (json!({"sources": [{"batch": "B1", "flush": 3}]}), 422, "invalid", "/sources/0/flush"),
        (json!({"sources": [{"batch": "NONE", "flush": 1}]}), 422, "invalid", "/sources/0/batch"),
        (
            json!({"sources": [{"batch": "B1", "flush": 1}, {"batch": "B3", "flush": 1}]}),
            422,
            "invalid",
            "/sources/1/batch",
        ),
        (json!({"sources": []}), 422, "invalid", "/sources"),
        (json!({"weighed_at": "2026-05-09T07:00:00Z"}), 422, "invalid", "/weighed_at"),
        (json!({"weighed_at": "2026-05-04T07:00:00"}), 422, "invalid", "/weighed_at"),
        (json!({"grade": "Z"}), 422, "invalid", "/grade"),
        (json!({"packaging": 0}), 422, "invalid", "/packaging"),
        (json!({"packaging": "boxed"}), 422, "invalid", "/packaging"),
        (json!({"tare": {"crates": 2}}), 422, "invalid", "/tare/crate"),
        (json!({"place": "STALL"}), 422, "invalid", "/place"),
    ] {
        farm.post("/api/weighings", with(changes)).await.ensure_problem(status, slug, Some(pointer));
    }
    farm.create("/api/batches/B2/moves", json!({"kind": "finished", "blocks": 20})).await;
    farm.post("/api/weighings", with(json!({"sources": [{"batch": "B2", "flush": 1}]}))).await.ensure_problem(
        409,
        "closed",
        Some("/sources/0/batch"),
    );
    assert_eq!(farm.get("/api/weighings").await["rows"], json!([]));
    assert_eq!(farm.get("/api/lots").await["rows"], json!([]));
    Ok(())
}

#[tokio::test]
async fn bad_requests_are_told_apart() -> Result<()> {
    let farm = Farm::new().await?;
    let json_type = [("content-type", "application/json")];
    farm.raw("POST", "/api/orders", &json_type, b"{\"customer\":".to_vec()).await.ensure_problem(
        400,
        "bad-request",
        None,
    );
    farm.raw("POST", "/api/orders", &[("content-type", "text/plain")], b"{}".to_vec()).await.ensure_problem(
        415,
        "wrong-content-type",
        None,
    );
    farm.raw("POST", "/api/readings", &json_type, vec![b' '; 100 * 1024 * 1024]).await.ensure_problem(
        413,
        "too-large",
        None,
    );
    let pack: Vec<u8> = format!("[{}]", vec!["{}"; 20_000].join(",")).into_bytes();
    farm.raw("POST", "/api/readings", &json_type, pack).await.ensure_problem(422, "invalid", None);
    farm.ask(&farm.owner, "GET", "/api/nowhere", &[], None).await.ensure_problem(404, "not-found", None);
    // Outside the interface the same is said in words.
    let form = [("content-type", "application/x-www-form-urlencoded")];
    for (method, path, body, status, words) in [
        ("GET", "/nowhere", Vec::new(), 404, "There is nothing at this address"),
        ("DELETE", "/stock", Vec::new(), 405, "does not take that method"),
        ("POST", "/sign-in", vec![b'x'; 3 * 1024 * 1024], 413, "Too large"),
    ] {
        let page = farm.raw(method, path, &form, body).await;
        assert_eq!(page.status, status, "{path}: {}", page.text);
        assert!(page.text.contains("</html>") && page.text.contains(words), "{path}: {}", page.text);
    }
    let customer = |name: &str| json!({"customer": "NEW", "name": name, "kind": "shop", "price_list": "TABLE"});
    farm.post("/api/customers", customer(&"x".repeat(10_000))).await.ensure_problem(422, "invalid", Some("/name"));
    farm.create("/api/customers", customer("きのこ料理 «Гриб» مطعم")).await;
    assert_eq!(farm.get("/api/customers/NEW").await["name"], "きのこ料理 «Гриб» مطعم");
    farm.post("/api/customers", customer("Again")).await.ensure_problem(409, "already-there", None);
    Ok(())
}

#[tokio::test]
async fn orders_hold_what_they_promise() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    let order = |product: &str, grams: i64| json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": product, "grams_g": grams}]});
    farm.create("/api/orders", order("OY", 1500)).await;
    let aside = farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    assert_eq!(aside["lines"][0]["short_g"], 500);
    farm.post("/api/dockets", json!({"order": "O-1"})).await.ensure_problem(409, "not-enough", None);
    let waste = json!({"kind": "waste", "lot": lot, "from_place": "F1", "grams_g": 100, "reason": "Soft"});
    let refused = farm.post("/api/movements", waste).await;
    refused.ensure_problem(409, "set-aside", None);
    assert!(refused.text.contains("O-1"), "{}", refused.text);
    // A hold releases what is set aside, so there is nothing to send out.
    farm.create(&format!("/api/lots/{lot}/hold"), json!({"reason": "Smell"})).await;
    farm.post("/api/dockets", json!({"order": "O-1", "short": true})).await.ensure_problem(409, "not-enough", None);
    farm.create(&format!("/api/lots/{lot}/release"), json!({"reason": "Was the crate"})).await;
    let version = farm.get("/api/orders/O-1").await["version"].as_i64().unwrap_or(0);
    let etag = format!("\"{version}\"");
    let cancel = json!({"status": "cancelled"});
    farm.ask(&farm.owner, "PATCH", "/api/orders/O-1", &[], Some(cancel.clone())).await.ensure_problem(
        428,
        "version-needed",
        None,
    );
    farm.ask(&farm.owner, "PATCH", "/api/orders/O-1", &[("if-match", &etag)], Some(json!({"note": "first"})))
        .await
        .expect(200);
    farm.ask(&farm.owner, "PATCH", "/api/orders/O-1", &[("if-match", &etag)], Some(json!({"note": "second"})))
        .await
        .ensure_problem(412, "stale", None);
    let etag = format!("\"{}\"", version + 1);
    farm.ask(&farm.owner, "PATCH", "/api/orders/O-1", &[("if-match", &etag)], Some(cancel)).await.expect(200);
    farm.post("/api/dockets", json!({"order": "O-1"})).await.ensure_problem(409, "closed", Some("/order"));
    assert_eq!(farm.get("/api/stock").await["rows"][0]["free_g"], 1000);
    Ok(())
}

#[tokio::test]
async fn a_missing_price_stops_the_docket_and_a_reversal_frees_the_grams() -> Result<()> {
    let farm = Farm::new().await?;
    let mut weighing = Farm::weighing(900);
    weighing["sources"] = json!([{"batch": "B3", "flush": 1}]);
    farm.create("/api/weighings", weighing.clone()).await;
    farm.create(
        "/api/orders",
        json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "LM", "grams_g": 900}]}),
    )
    .await;
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    farm.post("/api/dockets", json!({"order": "O-1", "van": "VAN"})).await.ensure_problem(409, "price-missing", None);
    farm.create("/api/prices", json!({"price_list": "TABLE", "product": "LM", "amount": "24", "unit": "kg"})).await;
    let docket = farm.create("/api/dockets", json!({"order": "O-1", "van": "VAN"})).await;
    let id = weighing["id"].as_str().unwrap_or_default();
    farm.post(&format!("/api/weighings/{id}/reversal"), json!({"reason": "Wrong"})).await.ensure_problem(
        409,
        "not-reversible",
        None,
    );
    let act = docket["act_id"].as_str().unwrap_or_default();
    farm.create(&format!("/api/acts/{act}/reversal"), json!({"reason": "Van broke down"})).await;
    assert_eq!(farm.get("/api/dockets/D-1").await["status"], "void");
    farm.create(&format!("/api/weighings/{id}/reversal"), json!({"reason": "Wrong"})).await;
    farm.post(&format!("/api/weighings/{id}/reversal"), json!({"reason": "Wrong"})).await.ensure_problem(
        409,
        "already-reversed",
        None,
    );
    assert_eq!(farm.get("/api/stock").await["rows"], json!([]));
    Ok(())
}

#[tokio::test]
async fn pages_answer_and_the_docket_is_a_pdf() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(2000).await;
    farm.create(
        "/api/orders",
        json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 500}]}),
    )
    .await;
    let set_aside = farm.raw("POST", "/orders/O-1/set-aside", &[], Vec::new()).await;
    assert_eq!(set_aside.status, 303, "{}", set_aside.text);
    let form = [("content-type", "application/x-www-form-urlencoded")];
    let body = format!("key={}&van=VAN", Uuid::new_v4()).into_bytes();
    for _ in 0..2 {
        let sent = farm.raw("POST", "/orders/O-1/dispatch", &form, body.clone()).await;
        assert_eq!((sent.status, sent.headers["location"].to_str()?), (303, "/dockets/D-1"), "{}", sent.text);
    }
    for path in [
        "/",
        "/weigh",
        "/stall",
        "/fridge",
        "/stock",
        "/orders",
        "/orders/O-1",
        "/dockets/D-1",
        "/week",
        "/blocks",
        "/food-safety",
        "/sign-in",
        "/problems/stale",
        &format!("/lots/{lot}"),
    ] {
        let page = farm.raw("GET", path, &[], Vec::new()).await;
        assert_eq!(page.status, 200, "{path}: {}", page.text);
        let policy = page.headers["content-security-policy"].to_str()?;
        assert!(policy.contains("default-src 'self'") && policy.contains("frame-ancestors 'none'"), "{path}: {policy}");
        assert_eq!(page.headers["x-content-type-options"], "nosniff", "{path}");
        assert!(
            page.text.contains("</html>") && page.text.contains("Gillbook does not judge whether food is fit to eat"),
            "{path}"
        );
        assert!(page.text.len() < 60_000, "{path} has {} bytes", page.text.len());
    }
    let pdf = farm.raw("GET", "/api/dockets/D-1/pdf", &[], Vec::new()).await;
    assert!(pdf.status == 200 && pdf.text.starts_with("%PDF-"));
    let turned_away = farm.ask(&As::Nobody, "GET", "/stock", &[], None).await;
    assert_eq!((turned_away.status, turned_away.headers["location"].to_str()?), (303, "/sign-in"));
    Ok(())
}

/// Every route of the description, as every kind of caller, answers as the table of rules says.
#[tokio::test]
async fn every_route_lets_in_whom_the_table_says() -> Result<()> {
    use gillbook_store::farm::sessions::Principal;
    use gillbook_web::access::{Access, RULES};
    let farm = Farm::new().await?;
    let reader = farm.create("/api/tokens", json!({"name": "sheet", "scope": "read"})).await;
    let probe = farm.create("/api/tokens", json!({"name": "board", "scope": "readings", "probe": "p1"})).await;
    let short = farm.create("/api/tokens", json!({"name": "short", "scope": "read", "days": 1})).await;
    let token = |t: &Value| As::Token(t["secret"].as_str().unwrap_or_default().to_owned());
    let mut callers = vec![
        (token(&reader), Some(Principal::Reader)),
        (token(&probe), Some(Principal::Probe(1))),
        (token(&short), None),
        (As::Token("1.nonsense".into()), None),
        (As::Nobody, None),
    ];
    for role in gillbook_web::access::roles() {
        callers.push((farm.person(role.as_str()).await, Some(Principal::Person(role))));
    }
    farm.pass(TimeDelta::days(2));
    for rule in RULES.iter().filter(|r| r.path != "/api/sign-in" && r.path != "/sign-out" && r.path != "/sign-in") {
        let path = rule.path.replace(['{', '}'], "");
        for (caller, standing) in &callers {
            let answer = farm.ask(caller, rule.method, &path, &[], None).await;
            let page = !rule.path.starts_with("/api");
            let allowed = rule.allows == Access::Public || standing.is_some_and(|s| rule.allows.permits(s));
            let shut = if standing.is_none() { if page { 303 } else { 401 } } else { 403 };
            assert!(answer.status != 500, "{} {}: {}", rule.method, rule.path, answer.text);
            if allowed {
                assert!(
                    ![401, 403].contains(&answer.status),
                    "{} {} as {standing:?}: {}",
                    rule.method,
                    rule.path,
                    answer.status
                );
            } else {
                assert_eq!(answer.status, shut, "{} {} as {standing:?}", rule.method, rule.path);
            }
        }
    }
    Ok(())
}

#[tokio::test]
async fn another_farms_codes_are_not_found() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(700).await;
    let other = farm.second("zoe").await?;
    for path in
        [format!("/api/lots/{lot}"), "/api/batches/B1".into(), "/api/customers/PLUM".into(), "/api/places/F1".into()]
    {
        other.ask(&other.owner, "GET", &path, &[], None).await.ensure_problem(404, "not-found", None);
    }
    assert_eq!(other.get("/api/stock").await["rows"], json!([]));
    Ok(())
}

#[test]
fn the_published_description_is_the_programs_own() {
    let published = include_str!("../../openapi/gillbook.json");
    assert!(
        published == gillbook_web::openapi_json(),
        "openapi/gillbook.json is old. Run: cargo run -p gillbook -- openapi > openapi/gillbook.json"
    );
}

#[tokio::test]
async fn a_time_that_makes_the_past_negative_is_taken_and_flagged() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(1000).await;
    farm.pass(TimeDelta::hours(2));
    let before = farm.now() - TimeDelta::hours(3);
    let waste = json!({"kind": "waste", "lot": lot, "from_place": "F1", "grams_g": 300, "reason": "Soft", "happened_at": before});
    farm.create("/api/movements", waste).await;
    let week = farm.get("/api/reports/weeks/2026-W19").await;
    assert_eq!(
        (&week["below_zero"][0]["lot"], &week["below_zero"][0]["grams_g"]),
        (&json!(lot), &json!(-300)),
        "{week}"
    );
    assert_eq!(week["book_check"]["lots_off"], json!([]));
    let page = farm.raw("GET", "/week?week=2026-W19", &[], Vec::new()).await;
    assert!(page.text.contains("Times out of order"), "{}", page.text);
    Ok(())
}
