//! A farm that is set up and run by its pages alone: what is typed there is what the interface has afterwards.

use anyhow::{Context, Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::{Answer, As, Farm};
use serde_json::json;
use uuid::Uuid;

use crate::forms::send;

/// Opens a page.
pub(crate) async fn seen(farm: &Farm, path: &str) -> Result<String> {
    let page = farm.raw("GET", path, &[], Vec::new()).await;
    ensure!(page.status == 200, "{path}: {}", page.text);
    Ok(page.text)
}

/// What a page carries in a hidden field.
fn carried(page: &str, action: &str, name: &str) -> Result<String> {
    let form =
        page.split_once(&format!("action=\"{action}\"")).with_context(|| format!("a form for {action}: {page}"))?.1;
    let field = form.split_once(&format!("name=\"{name}\" value=\"")).with_context(|| format!("{name} in {form}"))?.1;
    Ok(field.split_once('"').context("its end")?.0.to_owned())
}

/// Sends a form that has to be taken.
pub(crate) async fn done(farm: &Farm, path: &str, fields: &[(&str, &str)]) -> Result<Answer> {
    let answer = send(farm, path, Uuid::new_v4(), fields).await?;
    ensure!(answer.status == 303, "{path}: {}", answer.text);
    Ok(answer)
}

/// Sends a form with the version that its page carries.
pub(crate) async fn changed(farm: &Farm, page: &str, action: &str, fields: &[(&str, &str)]) -> Result<()> {
    let version = carried(&seen(farm, page).await?, action, "version")?;
    done(farm, action, &[fields, &[("version", &version)]].concat()).await?;
    Ok(())
}

/// What the farm is made of, from nothing.
pub(crate) async fn set_up(farm: &Farm) -> Result<()> {
    done(
        farm,
        "/strains",
        &[
            ("name", "Grey oyster"),
            ("strain", "oy"),
            ("species", "Oyster mushroom"),
            ("latin_name", "Pleurotus ostreatus"),
            ("lowest_safe_c", "0"),
            ("expected_yield_g", "900"),
            ("days_to_first_flush", "16"),
            ("flush_interval_days", "11"),
            ("flushes", "2"),
            ("trim_share", "0,1"),
        ],
    )
    .await?;
    done(
        farm,
        "/recipes",
        &[
            ("name", "Oak"),
            ("recipe", "OAK"),
            ("block_wet_g", "4200"),
            ("block_dry_g", "2000"),
            ("block_cost", "2,95"),
            ("ingredients/0/name", "Sawdust"),
            ("ingredients/0/wet_g", "3000"),
            ("ingredients/0/dry_share", "0.6"),
            ("ingredients/0/price_per_kg", "0.2"),
        ],
    )
    .await?;
    done(
        farm,
        "/rooms",
        &[("name", "Fruiting"), ("room", "fr1"), ("kind", "fruiting"), ("capacity_blocks", "200"), ("area_m2", "20")],
    )
    .await?;
    done(
        farm,
        "/crates",
        &[("name", "Blue"), ("crate", "blue"), ("kind", "crate"), ("tare_dry_g", "1450"), ("tare_wet_g", "1490")],
    )
    .await?;
    done(
        farm,
        "/places",
        &[
            ("name", "Fridge"),
            ("place", "f1"),
            ("kind", "fridge"),
            ("limit.name", "Our rule"),
            ("limit.warm_c", "5"),
            ("limit.cold_c", "0"),
            ("limit.rule_text", "Below five.\r\nAlways."),
        ],
    )
    .await?;
    for (name, kind) in [("Van", "van"), ("Stall", "stall")] {
        done(farm, "/places", &[("name", name), ("place", name), ("kind", kind)]).await?;
    }
    done(farm, "/probes", &[("probe", "urn:x/1"), ("place", "F1")]).await?;
    done(farm, "/price-lists", &[("name", "Trade"), ("price_list", "TRADE")]).await?;
    done(
        farm,
        "/products",
        &[
            ("name", "Oysters"),
            ("product", "OY"),
            ("strains", "OY"),
            ("least_grade", "B"),
            ("form", "fresh"),
            ("tax_percent", "5,5"),
        ],
    )
    .await?;
    done(farm, "/products/OY/price", &[("price_list", "TRADE"), ("amount", "17,50"), ("unit", "kg")]).await?;
    for (name, code, kind) in [("The Plum", "PLUM", "restaurant"), ("Saturday", "SATURDAY", "market")] {
        done(
            farm,
            "/customers",
            &[
                ("name", name),
                ("customer", code),
                ("kind", kind),
                ("price_list", "TRADE"),
                ("least_days", "2"),
                ("over_percent", "7,5"),
                ("under_percent", "5"),
                ("stop", "0"),
                ("min_order_g", "0,5"),
                ("address", "1 Mill Lane\r\nUpton"),
            ],
        )
        .await?;
    }
    Ok(())
}

#[tokio::test]
async fn a_farm_is_set_up_on_its_pages() -> Result<()> {
    let farm = Farm::bare().await?;
    set_up(&farm).await?;
    let customer = farm.get("/api/customers/PLUM").await;
    ensure!(
        customer["over_percent"] == 7.5
            && customer["min_order_g"] == 500
            && customer["address"] == "1 Mill Lane\nUpton",
        "{customer}"
    );
    ensure!(farm.get("/api/recipes").await["rows"][0]["ingredients"][0]["wet_g"] == 3000);
    let limit = farm.get("/api/places/F1").await["limit"].clone();
    ensure!(limit["warm_c"] == 5.0 && limit["rule_text"] == "Below five.\nAlways.", "{limit}");
    // Changed, and only what was changed: the limit keeps its day.
    changed(&farm, "/places/F1", "/places/F1", &[("name", "Walk-in"), ("humidity_percent", "92")]).await?;
    let place = farm.get("/api/places/F1").await;
    ensure!(place["name"] == "Walk-in" && place["limit"]["effective_from"] == limit["effective_from"], "{place}");
    farm.pass(TimeDelta::minutes(1));
    changed(
        &farm,
        "/places/F1",
        "/places/F1/limit",
        &[("limit.name", "Tighter"), ("limit.warm_c", "4,5"), ("limit.cold_c", "1")],
    )
    .await?;
    ensure!(farm.get("/api/places/F1").await["limit"]["warm_c"] == 4.5);
    changed(
        &farm,
        "/customers/PLUM",
        "/customers/PLUM",
        &[
            ("name", "Plum"),
            ("kind", "shop"),
            ("price_list", "TRADE"),
            ("least_days", "0"),
            ("over_percent", "10"),
            ("under_percent", "5"),
            ("stop", "0"),
            ("min_order_g", "0"),
            ("freshest", "true"),
            ("address", ""),
            ("email", ""),
        ],
    )
    .await?;
    let customer = farm.get("/api/customers/PLUM").await;
    ensure!(customer["freshest"] == true && customer["address"] == "" && customer["kind"] == "shop", "{customer}");
    changed(
        &farm,
        "/strains/OY",
        "/strains/OY/life",
        &[
            ("packaging", "open"),
            ("points/0/c", "1"),
            ("points/0/days", "17"),
            ("points/1/c", "20"),
            ("points/1/days", "2,5"),
            ("spread", "0,2"),
            ("source", "Our own shelf"),
        ],
    )
    .await?;
    ensure!(farm.get("/api/strains/OY").await["life"][0]["points"][1]["days"] == 2.5);
    changed(&farm, "/products/OY", "/products/OY/best-before", &[("packaging", "open"), ("days", "9")]).await?;
    changed(
        &farm,
        "/settings",
        "/settings/words",
        &[("words.docket", "delivery note"), ("words.verifier", "verifier"), ("words.plan", "plan")],
    )
    .await?;
    let grades: Vec<(String, &str)> = ["A", "B", "C"].map(|g| (format!("grades/{g}/name"), "Fine")).into();
    let grades: Vec<(&str, &str)> = grades.iter().map(|(n, v)| (n.as_str(), *v)).collect();
    let more = [("grades/new-0/grade", "d"), ("grades/new-0/rank", "4"), ("grades/new-0/name", "Soup")];
    changed(&farm, "/settings", "/settings/grades", &[&grades[..], &more].concat()).await?;
    let settings = farm.get("/api/farm").await;
    ensure!(settings["words"]["docket"] == "delivery note" && settings["grades"][3]["grade"] == "D", "{settings}");
    ensure!(settings["best_before"][0]["days"] == 9, "{settings}");
    Ok(())
}

#[tokio::test]
async fn what_is_wrong_stands_beside_its_field_and_a_changed_page_is_told() -> Result<()> {
    let farm = Farm::new().await?;
    let wrong = send(
        &farm,
        "/customers",
        Uuid::new_v4(),
        &[
            ("name", "Pear"),
            ("customer", "a b"),
            ("kind", "shop"),
            ("price_list", "TABLE"),
            ("least_days", "two"),
            ("over_percent", "10"),
            ("under_percent", "5"),
            ("stop", "0"),
            ("min_order_g", "0"),
        ],
    )
    .await?;
    ensure!(wrong.status == 422 && wrong.text.contains("“two” is not a whole number"), "{}", wrong.text);
    ensure!(wrong.text.contains("value=\"Pear\"") && wrong.text.contains("id=\"least_days-wrong\""), "{}", wrong.text);
    let limit = send(
        &farm,
        "/places",
        Uuid::new_v4(),
        &[("name", "Cold"), ("place", "C1"), ("kind", "fridge"), ("limit.warm_c", "5")],
    )
    .await?;
    ensure!(
        limit.text.contains("id=\"limit.name-wrong\"") && limit.text.contains("id=\"limit.cold_c-wrong\""),
        "{}",
        limit.text
    );
    let upside = [
        ("name", "Cold"),
        ("place", "C1"),
        ("kind", "fridge"),
        ("limit.name", "x"),
        ("limit.warm_c", "1"),
        ("limit.cold_c", "5"),
    ];
    let limit = send(&farm, "/places", Uuid::new_v4(), &upside).await?;
    ensure!(limit.text.contains("id=\"limit.warm_c-wrong\""), "{}", limit.text);
    // Two have the page open: the second is told, and what they typed is there.
    let page = seen(&farm, "/rooms/FR1").await?;
    let version = carried(&page, "/rooms/FR1", "version")?;
    let room = |name: &'static str| [("name", name), ("capacity_blocks", "150")];
    done(&farm, "/rooms/FR1", &[&room("First")[..], &[("version", &version)]].concat()).await?;
    let stale =
        send(&farm, "/rooms/FR1", Uuid::new_v4(), &[&room("Second")[..], &[("version", &version)]].concat()).await?;
    ensure!(stale.status == 412 && stale.text.contains("value=\"Second\""), "{} {}", stale.status, stale.text);
    ensure!(seen(&farm, "/rooms/FR1").await?.contains("value=\"First\""));
    for path in ["/customers/NONE", "/people/x", "/acts/00000000-0000-0000-0000-000000000000", "/market-days/M-9"] {
        let answer = farm.raw("GET", path, &[], Vec::new()).await;
        ensure!(answer.status == 404 && answer.text.contains("<nav"), "{path}: {}", answer.text);
    }
    Ok(())
}

#[tokio::test]
async fn people_and_tokens_come_and_go_and_no_secret_is_shown_again() -> Result<()> {
    let farm = Farm::new().await?;
    let person = [
        ("name", "Oda Berg"),
        ("initials", "ob"),
        ("role", "picker"),
        ("sign_in_name", "oda"),
        ("passphrase", "no gills"),
    ];
    let key = Uuid::new_v4();
    let short = send(&farm, "/people", key, &person).await?;
    ensure!(short.status == 422 && short.text.contains("id=\"passphrase-wrong\""), "{}", short.text);
    ensure!(!short.text.contains("no gills") && short.text.contains("value=\"Oda Berg\""), "{}", short.text);
    let person = [&person[..4], &[("passphrase", "many gills under one cap")]].concat();
    ensure!(send(&farm, "/people", key, &person).await?.status == 303);
    let picker = farm.sign_in_with("oda", "many gills under one cap", false).await;
    for (path, method, status) in
        [("/people", "GET", 403), ("/customers", "GET", 200), ("/customers/new", "GET", 403), ("/settings", "GET", 200)]
    {
        ensure!(farm.ask(&picker, method, path, &[], None).await.status == status, "{path}");
    }
    let people = farm.get("/api/people").await;
    let oda = people["rows"].as_array().context("people")?.iter().find(|p| p["initials"] == "OB").context("Oda")?;
    let path = format!("/people/{}", oda["person_id"].as_str().context("an id")?);
    done(&farm, &format!("{path}/remove"), &[]).await?;
    ensure!(farm.ask(&picker, "GET", "/customers", &[], None).await.status == 303, "she is signed out");
    ensure!(!seen(&farm, &path).await?.contains("Remove them"));

    let probe = "/probes/p1/token";
    let key = Uuid::new_v4();
    let made = send(&farm, probe, key, &[("name", "Board"), ("days", "30")]).await?;
    ensure!(made.status == 200, "{}", made.text);
    let secret =
        made.text.split_once("Bearer ").and_then(|(_, rest)| rest.split_once('<')).context("a secret")?.0.to_owned();
    ensure!(!send(&farm, probe, key, &[("name", "Board"), ("days", "30")]).await?.text.contains(&secret));
    let board = As::Token(secret);
    let pack = json!([{"bn": "p1", "n": "", "u": "Cel", "v": 3.0, "t": 0}]);
    ensure!(farm.ask(&board, "POST", "/api/readings", &[], Some(pack.clone())).await.status < 300);
    let token = farm.get("/api/tokens").await["rows"][0]["token_id"].as_str().context("a token")?.to_owned();
    done(&farm, &format!("/tokens/{token}/remove"), &[]).await?;
    ensure!(farm.ask(&board, "POST", "/api/readings", &[], Some(pack)).await.status == 401);
    Ok(())
}

#[tokio::test]
async fn lists_are_looked_through_and_go_on() -> Result<()> {
    let farm = Farm::new().await?;
    for n in 0..103 {
        let customer =
            json!({"customer": format!("C{n:03}"), "name": format!("Café {n}"), "kind": "shop", "price_list": "TABLE"});
        farm.create("/api/customers", customer).await;
    }
    let first = seen(&farm, "/customers").await?;
    ensure!(first.matches("<li>").count() == 100 && first.contains("after=C099"), "{first}");
    ensure!(seen(&farm, "/customers?q=&after=C099").await?.contains("PLUM"));
    ensure!(seen(&farm, "/customers?q=caf%C3%A9+7").await?.matches("<li>").count() == 11);
    ensure!(seen(&farm, "/customers?q=%3Cscript%3E").await?.contains("Nothing has “&#60;script&#62;” in it."));
    Ok(())
}

#[tokio::test]
async fn what_begins_later_is_told_beside_what_is_in_force() -> Result<()> {
    let farm = Farm::new().await?;
    let price = json!({"price_list": "TABLE", "product": "OY", "amount": "19.25", "unit": "kg", "effective_from": "2026-05-20T00:00:00Z"});
    farm.create("/api/prices", price).await;
    let limit =
        json!({"limit": {"name": "Summer", "warm_c": 4, "cold_c": 1, "effective_from": "2026-06-01T00:00:00Z"}});
    let version = farm.get("/api/places/F1").await["version"].to_string();
    let headers = [("if-match", version.as_str())];
    farm.ask(&farm.owner, "PATCH", "/api/places/F1", &headers, Some(limit)).await.expect(200);
    for (path, told) in [
        ("/products/OY", "19.25 EUR a kg, from 20 May 2026"),
        ("/price-lists/TABLE", "19.25 EUR a kg, from 20 May 2026"),
        ("/places/F1", "Summer, 1 to 4 °C, from 1 Jun 2026"),
    ] {
        let page = seen(&farm, path).await?.replace('\u{a0}', " ");
        ensure!(page.contains(told) && page.contains("to come"), "{path}: {page}");
    }
    // Once it has begun it is the one in force.
    farm.pass(TimeDelta::days(17));
    let page = seen(&farm, "/products/OY").await?;
    ensure!(page.contains("19.25") && !page.contains("to come"), "{page}");
    Ok(())
}
