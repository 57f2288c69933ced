//! The pages by role, and what they say of orders and dockets.

use anyhow::{Context, Result, ensure};
use gillbook_store::farm::sessions::Principal;
use gillbook_testkit::{As, Farm};
use gillbook_web::access::{RULES, roles};
use serde_json::{Value, json};
use uuid::Uuid;

const FORM: [(&str, &str); 1] = [("content-type", "application/x-www-form-urlencoded")];

async fn page(farm: &Farm, who: &As, path: &str) -> String {
    let answer = farm.ask(who, "GET", path, &[], None).await;
    assert_eq!(answer.status, 200, "{path}: {}", answer.text);
    answer.text
}

async fn order(farm: &Farm, day: &str, grams: i64) -> String {
    let lines = json!([{"product": "OY", "grams_g": grams}]);
    let order = farm.create("/api/orders", json!({"customer": "PLUM", "delivery_day": day, "lines": lines})).await;
    order["order"].as_str().unwrap_or_default().to_owned()
}

/// Sets an order aside and sends it out by van.
async fn send_out(farm: &Farm, order: &str) -> Value {
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
    farm.create("/api/dockets", json!({"order": order, "van": "VAN", "short": true})).await
}

/// The values of an attribute in a page.
fn values<'a>(page: &'a str, attribute: &str) -> Vec<&'a str> {
    page.split(&format!(" {attribute}=\"")).skip(1).filter_map(|rest| rest.split('"').next()).collect()
}

/// Whether the table of rules lets a role through to an address.
fn lets(method: &str, address: &str, standing: Principal) -> bool {
    let path = address.split(['?', '#']).next().unwrap_or_default();
    let fits = |pattern: &str| {
        let (pattern, path): (Vec<&str>, Vec<&str>) = (pattern.split('/').collect(), path.split('/').collect());
        pattern.len() == path.len() && pattern.iter().zip(path).all(|(a, b)| *a == b || a.starts_with('{'))
    };
    let exact = RULES.iter().find(|r| r.method == method && r.path == path);
    let rule = exact.or_else(|| RULES.iter().find(|r| r.method == method && fits(r.path)));
    rule.unwrap_or_else(|| panic!("{method} {address} has no rule")).allows.permits(standing)
}

#[tokio::test]
async fn no_page_offers_what_the_role_may_not_do() -> Result<()> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(4000).await;
    let open = order(&farm, "2026-05-05", 500).await;
    let aside = order(&farm, "2026-05-06", 500).await;
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{aside}/set-aside"), &[], Some(json!({}))).await.expect(200);
    let sent = order(&farm, "2026-05-04", 500).await;
    let docket = send_out(&farm, &sent).await["docket"].as_str().context("a docket")?.to_owned();
    let mut pages: Vec<String> =
        ["/", "/weigh", "/orders", "/stock", "/fridge", "/checks", "/week", "/blocks", "/food-safety", "/notices"]
            .map(String::from)
            .to_vec();
    pages.extend([open, aside, sent].map(|o| format!("/orders/{o}")));
    pages.extend([format!("/dockets/{docket}"), format!("/lots/{lot}")]);
    for role in roles() {
        let (who, standing) = (farm.person(role.as_str()).await, Principal::Person(role));
        for path in pages.iter().filter(|p| lets("GET", p, standing)) {
            let text = page(&farm, &who, path).await;
            for (method, attribute) in [("GET", "href"), ("POST", "action")] {
                for address in values(&text, attribute).into_iter().filter(|a| a.starts_with('/')) {
                    ensure!(lets(method, address, standing), "{path} offers {role} {method} {address}");
                }
            }
        }
    }
    Ok(())
}

#[tokio::test]
async fn overdue_and_far_off_orders_are_seen_and_a_past_day_is_asked_about() -> Result<()> {
    let mut farm = Farm::new().await?;
    let early = order(&farm, "2026-05-05", 500).await;
    let late = order(&farm, "2026-07-20", 500).await;
    farm.pass(chrono::TimeDelta::days(9));
    farm.owner = farm.sign_in("ada").await;
    let text = page(&farm, &farm.owner, "/orders").await;
    for order in [&early, &late] {
        ensure!(text.contains(&format!("/orders/{order}\"")), "{order} is missing: {text}");
    }
    ensure!(
        text.contains("Tue\u{a0}5\u{a0}May\u{a0}2026, <strong>overdue</strong>")
            && !text.contains("Jul\u{a0}2026, <strong>"),
        "{text}"
    );
    ensure!(text.contains(&format!("class=\"next\" href=\"/orders/{early}\"")), "the oldest is the next to make up");
    ensure!(page(&farm, &farm.owner, "/").await.contains("<strong>1 overdue order</strong>"));

    let wrong = json!({"customer": "PLUM", "delivery_day": "2025-05-14", "lines": [{"product": "OY", "grams_g": 500}]});
    farm.post("/api/orders", wrong.clone()).await.ensure_problem(422, "invalid", Some("/delivery_day"));
    let mut meant = wrong;
    meant["past_day"] = json!(true);
    farm.create("/api/orders", meant).await;
    farm.create(
        "/api/orders",
        json!({"customer": "PLUM", "delivery_day": "2026-05-13", "lines": [{"product": "OY", "grams_g": 500}]}),
    )
    .await;
    let moved = json!({"delivery_day": "2026-05-12"});
    let version = farm.get(&format!("/api/orders/{late}")).await["version"].to_string();
    let patch = |body: Value| {
        let (farm, version, late) = (&farm, version.clone(), late.clone());
        async move {
            let headers = [("if-match", version.as_str())];
            farm.ask(&farm.owner, "PATCH", &format!("/api/orders/{late}"), &headers, Some(body)).await
        }
    };
    patch(moved).await.ensure_problem(422, "invalid", Some("/delivery_day"));
    patch(json!({"delivery_day": "2026-05-12", "past_day": true})).await.expect(200);
    Ok(())
}

#[tokio::test]
async fn a_short_order_says_why() -> Result<()> {
    let farm = Farm::new().await?;
    let patch = |path: &'static str, body: Value| {
        let farm = &farm;
        async move { farm.ask(&farm.owner, "PATCH", path, &[("if-match", "1")], Some(body)).await.expect(200) }
    };
    let none = order(&farm, "2026-05-05", 500).await;
    let text = page(&farm, &farm.owner, &format!("/orders/{none}")).await;
    ensure!(text.contains("Short: none of grade B or better is free"), "{text}");
    farm.lot_of(2000).await;
    let text = page(&farm, &farm.owner, &format!("/orders/{none}")).await;
    ensure!(text.contains("Not set aside yet: 2.00 kg are free"), "{text}");
    patch("/api/customers/PLUM", json!({"least_days": 30})).await;
    let text = page(&farm, &farm.owner, &format!("/orders/{none}")).await;
    ensure!(text.contains("Short: nothing fresh enough. PLUM wants 30 days left at delivery"), "{text}");
    Ok(())
}

#[tokio::test]
async fn a_docket_tells_packs_shortage_and_what_came_back() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/products", json!({"product": "PUN", "name": "Punnet", "strains": ["OY"], "least_grade": "B", "pack_g": 250, "tax_percent": "0"})).await;
    farm.create("/api/prices", json!({"price_list": "TABLE", "product": "PUN", "amount": "4.35", "unit": "pack"}))
        .await;
    farm.lot_of(4000).await;
    let lines = json!([{"product": "OY", "grams_g": 2500}, {"product": "PUN", "packs": 8}]);
    let order =
        farm.create("/api/orders", json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": lines})).await;
    let order = order["order"].as_str().context("an order")?.to_owned();
    let sent = send_out(&farm, &order).await;
    // 4000 g: 2500 loose, then six whole packs; two packs are short.
    assert_eq!((&sent["lines"][1]["packs"], &sent["lines"][1]["grams_g"]), (&json!(6), &json!(1500)));
    assert_eq!((&sent["ordered"][1]["short_g"], &sent["ordered"][0]["short_g"]), (&json!(500), &json!(0)));
    assert_eq!((&sent["net"], &sent["sent_net"]), (&json!("69.85"), &json!("69.85")));

    let refused = json!({"taken_by": "Cook", "refused": [{"line": 1, "grams_g": 500, "reason": "bruised"}]});
    farm.create("/api/dockets/D-1/delivery", refused).await;
    let back = json!({"lines": [{"line": 1, "grams_g": 300}], "reason": "bruised"});
    let docket = farm.create("/api/dockets/D-1/returns", back.clone()).await;
    let line = &docket["lines"][0];
    // Both lines are of one lot; what was refused and what came back is of the first: 43.75 × 1700 ÷ 2500 = 29.75, and the packs' 26.10.
    assert_eq!((&line["refused_g"], &line["returned_g"], &line["kept_g"]), (&json!(500), &json!(300), &json!(1700)));
    let other = &docket["lines"][1];
    assert_eq!((&other["refused_g"], &other["returned_g"], &other["kept_g"]), (&json!(0), &json!(0), &json!(1500)));
    assert_eq!((&line["kept_amount"], &other["kept_amount"]), (&json!("29.75"), &json!("26.10")));
    assert_eq!((&docket["net"], &docket["sent_net"]), (&json!("55.85"), &json!("69.85")));

    let text = page(&farm, &farm.owner, "/dockets/D-1").await;
    for words in [
        "6 packs",
        "0.500 kg refused: bruised, 0.300 kg came back: bruised",
        "3\u{202f}200",
        "55.85",
        "Punnet: 2 short of 8 packs",
    ] {
        ensure!(text.contains(words), "{words}: {text}");
    }
    let text = page(&farm, &farm.owner, &format!("/orders/{order}")).await;
    ensure!(
        text.contains("0.500 kg refused: bruised, 0.300 kg came back: bruised") && text.contains("delivered"),
        "{text}"
    );
    let paper = printed(&farm, "D-1").await?;
    for words in
        ["grade A", "2026", "without tax 5.5 %", "Punnet: 2 short of 8 packs", "55.85", "your kitchen's own plan"]
    {
        ensure!(paper.contains(words), "{words}: {paper}");
    }
    // A return that was a mistake is taken back, and nothing came back of it.
    let acts = farm.get("/api/movements?limit=500").await;
    let act = acts["rows"].as_array().into_iter().flatten().find(|a| a["kind"] == "return").context("the return")?;
    let path = format!("/api/acts/{}/reversal", act["act_id"].as_str().unwrap_or_default());
    farm.create(&path, json!({"reason": "other docket"})).await;
    let docket = farm.get("/api/dockets/D-1").await;
    assert_eq!((&docket["lines"][0]["returned_g"], &docket["net"]), (&json!(0), &json!("61.10")));
    Ok(())
}

/// The words of a docket's PDF.
async fn printed(farm: &Farm, docket: &str) -> Result<String> {
    let file = fetched_pdf(farm, &format!("/api/dockets/{docket}/pdf")).await?;
    let text = std::process::Command::new("pdftotext").arg(&file).arg("-").output()?;
    Ok(String::from_utf8_lossy(&text.stdout).split_whitespace().collect::<Vec<_>>().join(" "))
}

/// A document as it comes over the wire, in a file of its own.
async fn fetched_pdf(farm: &Farm, path: &str) -> Result<std::path::PathBuf> {
    let As::Cookie(cookie) = &farm.owner else { unreachable!("the owner is a person") };
    gillbook::notices::choose_crypto();
    let home = gillbook_tests::serve(farm.router.clone()).await?;
    let answer = reqwest::Client::new().get(format!("http://{home}{path}")).header("cookie", cookie).send().await?;
    ensure!(answer.status() == 200, "{path}: {}", answer.status());
    let file = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{}.pdf", Uuid::new_v4()));
    std::fs::write(&file, answer.bytes().await?)?;
    Ok(file)
}

/// The size of a document's pages, as another program reads it.
async fn page_size(farm: &Farm, path: &str) -> Result<String> {
    let told = std::process::Command::new("pdfinfo").arg(fetched_pdf(farm, path).await?).output()?;
    let told = String::from_utf8_lossy(&told.stdout).into_owned();
    let size = told.lines().find_map(|line| line.strip_prefix("Page size:"));
    Ok(size.map(str::trim).unwrap_or_default().to_owned())
}

#[tokio::test]
async fn documents_print_on_the_farms_sheets_and_invoices_as_they_were_issued() -> Result<()> {
    const A4: &str = "595.276 x 841.89 pts (A4)";
    const LETTER: &str = "612 x 792 pts (letter)";
    let farm = Farm::new().await?;
    farm.lot_of(3000).await;
    let first = farm.docket_of(500).await;
    farm.create("/api/invoices", json!({"customer": "PLUM", "dockets": [first]})).await;
    let paper = |size: &'static str| {
        let farm = &farm;
        async move {
            let version = format!("\"{}\"", farm.get("/api/farm").await["version"]);
            farm.ask(&farm.owner, "PATCH", "/api/farm", &[("if-match", &version)], Some(json!({"paper_size": size})))
                .await
        }
    };
    paper("a3").await.ensure_problem(422, "invalid", Some("/paper_size"));
    ensure!(page_size(&farm, "/api/dockets/D-1/pdf").await? == A4);
    ensure!(paper("letter").await.expect(200)["paper_size"] == "letter");
    let second = farm.docket_of(500).await;
    farm.create("/api/invoices", json!({"customer": "PLUM", "dockets": [second]})).await;
    for path in [
        "/api/dockets/D-1/pdf",
        "/api/invoices/INV-2/pdf",
        "/api/customers/PLUM/statement/pdf",
        "/api/packing-list/pdf?day=2026-05-05",
        "/api/places/F1/temperature-record/pdf?from=2026-05-04&until=2026-05-04",
    ] {
        ensure!(page_size(&farm, path).await? == LETTER, "{path}: {}", page_size(&farm, path).await?);
    }
    ensure!(page_size(&farm, "/api/invoices/INV-1/pdf").await? == A4, "it is issued");
    ensure!(page(&farm, &farm.owner, "/settings").await.contains(r#"name="paper_size" value="letter" checked"#));
    Ok(())
}

#[tokio::test]
async fn a_docket_takes_a_decimal_comma_and_keeps_what_was_typed() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(2000).await;
    let order = order(&farm, "2026-05-05", 500).await;
    send_out(&farm, &order).await;
    let post = |fields: String| {
        let farm = &farm;
        async move { farm.raw("POST", "/dockets/D-1/delivery", &FORM, fields.into_bytes()).await }
    };
    let key = Uuid::new_v4();
    let wrong = post(format!("key={key}&taken_by=Cook&temperature_c=cold&crates_out=3")).await;
    assert_eq!(wrong.status, 422);
    for words in ["“cold” is not a number. Type one such as 2.5.", "value=\"Cook\"", "value=\"3\""] {
        ensure!(wrong.text.contains(words), "{words}: {}", wrong.text);
    }
    let good = post(format!("key={key}&taken_by=Cook&temperature_c=3%2C5&crates_out=3")).await;
    assert_eq!(good.status, 303, "{}", good.text);
    assert_eq!(farm.get("/api/dockets/D-1").await["delivery"]["temperature_c"], 3.5);
    Ok(())
}

#[tokio::test]
async fn what_goes_wrong_keeps_the_way_on() -> Result<()> {
    let farm = Farm::new().await?;
    for path in ["/lots/NOPE", "/nothing/here", "/food-safety", "/problems/stale", "/fridge?place=NONE"] {
        let answer = farm.raw("GET", path, &[], Vec::new()).await;
        ensure!(answer.text.contains("<nav") && answer.text.contains("Farm of ada"), "{path}: {}", answer.text);
        let stranger = farm.ask(&As::Nobody, "GET", path, &[], None).await;
        ensure!(!stranger.text.contains("<nav") && !stranger.text.contains("Farm of ada"), "{path}: {}", stranger.text);
    }
    Ok(())
}

/// Scripts and styles travel compressed, and nothing that has anything of the farm in it.
#[tokio::test]
async fn scripts_and_styles_are_sent_small() -> Result<()> {
    let farm = Farm::new().await?;
    let gzip = [("accept-encoding", "gzip"), ("accept", "text/html")];
    for (path, is_small) in
        [("/assets/stall.js", true), ("/assets/gillbook.css", true), ("/", false), ("/assets/icon.png", false)]
    {
        let answer = farm.raw("GET", path, &gzip, Vec::new()).await;
        let encoding = answer.headers.get("content-encoding").map(|e| e.as_bytes().to_vec());
        ensure!(answer.status == 200 && encoding == is_small.then(|| b"gzip".to_vec()), "{path}: {encoding:?}");
        let whole = farm.raw("GET", path, &[("accept", "text/html")], Vec::new()).await;
        ensure!(!whole.headers.contains_key("content-encoding"), "{path}");
        ensure!(
            is_small == (answer.text.len() < whole.text.len()),
            "{path}: {} of {}",
            answer.text.len(),
            whole.text.len()
        );
    }
    Ok(())
}
