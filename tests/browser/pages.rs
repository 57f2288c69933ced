//! Every page of a farm on which there is something to see: whether it fits a phone.

use anyhow::{Context, Result, ensure};
use chrono::TimeDelta;
use fantoccini::Locator;
use gillbook_testkit::Farm;
use gillbook_tests::{Phone, serve};
use gillbook_web::access::RULES;
use serde_json::{Value, json};

use crate::sign_in;

/// One of each thing that has a page of its own, by its name in the routes.
async fn parts_of(farm: &Farm) -> Result<Vec<(&'static str, String)>> {
    let text = |answer: &Value, member: &str| answer[member].as_str().map(str::to_owned).context("a code");
    let cook = json!({"cook": "C1", "method": "sterilised", "started_at": "2026-05-01T06:00:00Z", "hours": 2.5, "temperature_c": 121.0});
    farm.create("/api/cooks", cook).await;
    let token = farm.create("/api/tokens", json!({"name": "Board", "scope": "readings", "probe": "p1"})).await;
    let more = farm.lot_of(2000).await;
    let load = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "50", "taken": [{"lot": more, "place": "F1", "grams_g": 1000}]});
    let market_day = farm.create("/api/market-days", load).await;
    let person = farm.get("/api/people").await["rows"][0].clone();
    let fixed = [
        ("batch", "B1"),
        ("place", "F1"),
        ("probe", "p1"),
        ("customer", "PLUM"),
        ("product", "OY"),
        ("strain", "OY"),
        ("recipe", "OAK"),
        ("room", "FR1"),
        ("crate", "BLUE"),
        ("price_list", "TABLE"),
        ("cook", "C1"),
        ("week", "2026-W19"),
        ("slug", "stale"),
    ];
    let docket = farm.docket_of(500).await;
    let invoice = farm.create("/api/invoices", json!({"customer": "PLUM", "dockets": [docket]})).await;
    let link = text(&farm.get(&format!("/api/dockets/{docket}/link")).await, "path")?;
    let standing = json!({"customer": "PLUM", "from": farm.today(), "weekdays": ["tuesday", "friday"], "lines": [{"product": "OY", "grams_g": 2000}]});
    let standing = farm.create("/api/standing-orders", standing).await;
    let closed_day = (farm.now() + TimeDelta::days(3)).date_naive();
    farm.create("/api/closed-days", json!({"day": closed_day, "name": "Fair"})).await;
    let payment = farm.create("/api/payments", json!({"customer": "PLUM", "amount": "5", "method": "cash"})).await;
    let begun = json!({"kind": "rehearsal", "starts_from": "docket", "code": docket, "reason": "To see whether we find everybody"});
    let recall = farm.create("/api/recalls", begun).await;
    let mut parts: Vec<(&str, String)> = fixed.iter().map(|(name, code)| (*name, (*code).to_owned())).collect();
    parts.extend([
        ("token", text(&token, "token_id")?),
        ("act", text(&market_day, "out_act")?),
        ("market_day", text(&market_day, "market_day")?),
        ("person", text(&person, "person_id")?),
        ("invoice", text(&invoice, "invoice")?),
        ("payment", text(&payment, "payment")?),
        ("recall", text(&recall, "recall")?),
        ("standing_order", text(&standing, "standing_order")?),
        ("day", closed_day.to_string()),
        ("secret", link.trim_start_matches("/shared/").to_owned()),
    ]);
    Ok(parts)
}

/// The address of every page, with something that is there in each.
fn every_page(known: &[(&str, String)]) -> Result<Vec<String>> {
    let mut pages = vec![
        "/orders/new?customer=PLUM".to_owned(),
        "/standing-orders/new?customer=PLUM".to_owned(),
        "/trace?starts_from=batch&code=B1".to_owned(),
    ];
    for rule in RULES.iter().filter(|rule| rule.method == "GET" && !rule.path.starts_with("/api")) {
        // Files are no pages, and nobody is signed in at the door.
        let files = ["/assets/{file}", "/calendar/{secret}", "/shared/{secret}/pdf", "/shared/{secret}/ubl"];
        if files.contains(&rule.path) || matches!(rule.path, "/sign-in" | "/setup") {
            continue;
        }
        let path =
            known.iter().fold(rule.path.to_owned(), |path, (name, code)| path.replace(&format!("{{{name}}}"), code));
        ensure!(!path.contains('{'), "{path}: name something that it can show");
        pages.push(path);
    }
    Ok(pages)
}

/// The excursion of three warm hours of the last six, with what is in the fridge inside.
async fn warm_spell(farm: &Farm) -> Result<String> {
    farm.pass(TimeDelta::hours(8));
    let first = farm.now() - TimeDelta::hours(6);
    let air = |minute: i64| if (60..240).contains(&minute) { 9.0 } else { 2.0 };
    let reading = |minute: i64| json!({"n": "p1", "u": "Cel", "t": (first + TimeDelta::minutes(minute)).timestamp(), "v": air(minute)});
    let pack: Vec<Value> = (0..360).map(reading).collect();
    farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
    let rows = farm.get("/api/excursions").await;
    Ok(rows["rows"][0]["excursion_id"].as_str().context("an excursion")?.to_owned())
}

/// A phone that is signed in on a farm of which every page shows something, and the address of each page.
pub async fn phone_at_work() -> Result<(Phone, Vec<String>)> {
    let farm = Farm::new().await?;
    let lot = farm.lot_of(4000).await;
    let order =
        json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 1500}]});
    let order = farm.create("/api/orders", order).await;
    let order = order["order"].as_str().context("an order")?.to_owned();
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
    let docket = farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    let docket = docket["docket"].as_str().context("a docket")?.to_owned();
    let mut known = parts_of(&farm).await?;
    known.extend([("lot", lot), ("order", order), ("docket", docket), ("excursion", warm_spell(&farm).await?)]);
    let home = format!("http://{}", serve(farm.router.clone()).await?);
    let pages = every_page(&known)?.into_iter().map(|path| format!("{home}{path}")).collect();
    let phone = Phone::open().await?;
    sign_in(&phone, &home).await?;
    Ok((phone, pages))
}

#[tokio::test(flavor = "multi_thread")]
async fn every_page_fits_a_phone() -> Result<()> {
    let (phone, pages) = phone_at_work().await?;
    ensure!(pages.len() > 60, "{pages:?}");
    // Without a connection there is nowhere to go but to the scale.
    for path in pages.iter().filter(|path| !path.ends_with("/no-connection")) {
        phone.page.goto(path).await?;
        let width = phone.page.execute("return document.documentElement.scrollWidth", vec![]).await?;
        assert_eq!(width, json!(390), "{path} scrolls sideways");
        let lines = "const t = [...document.querySelectorAll('header nav > *')].filter(e => e.checkVisibility()).map(e => e.getBoundingClientRect().top); return new Set(t.map(Math.round)).size <= 1";
        assert_eq!(phone.page.execute(lines, vec![]).await?, json!(true), "{path}: the navigation takes one line");
        let hidden = "const m = document.querySelector('main'); return m.scrollWidth - m.clientWidth";
        assert_eq!(phone.page.execute(hidden, vec![]).await?, json!(0), "{path} hides part of a table");
        // No word of it breaks within itself either. A customer's page has none.
        let nav = "const nav = document.querySelector('header nav'); return nav ? nav.getBoundingClientRect().height < 60 : null";
        let expected = if path.contains("/shared/") { Value::Null } else { json!(true) };
        assert_eq!(phone.page.execute(nav, vec![]).await?, expected, "{path}: the navigation is one line high");
        let low = "return [...document.querySelectorAll('main a, main summary')].filter(a => a.checkVisibility() && a.getBoundingClientRect().height < 24 && !a.closest('p, figcaption')).map(a => a.textContent)";
        assert_eq!(phone.page.execute(low, vec![]).await?, json!([]), "{path}: links are high enough for a thumb");
        // What comes through the service worker is counted as it is before it is compressed. A page that renews itself fetches its own address
        // again, sooner or later: that is no part of the first visit.
        let size = "return [...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource').filter(e => e.name !== location.href)].reduce((sum, e) => sum + e.encodedBodySize, 0)";
        let size = phone.page.execute(size, vec![]).await?;
        ensure!(size.as_f64().is_some_and(|bytes| (1000.0..60_000.0).contains(&bytes)), "{path}: {size} bytes");
        let named = phone.page.execute("return document.querySelectorAll('h1').length", vec![]).await?;
        assert_eq!(named, json!(1), "{path} has one heading");
        let next = phone.page.execute(
            "const b = document.querySelector('.next'); return b ? b.getBoundingClientRect().height : 99",
            vec![],
        );
        ensure!(
            next.await?.as_f64().is_some_and(|h| h >= 56.0),
            "{path}: the next thing to do is high enough for a thumb"
        );
    }
    let nowhere = phone.page.current_url().await?.join("/lots/NOPE")?;
    phone.page.goto(nowhere.as_str()).await?;
    let text = phone.page.find(Locator::Css("main")).await?.text().await?;
    ensure!(text.contains("There is no lot NOPE on this farm"), "{text}");
    phone.close().await
}
