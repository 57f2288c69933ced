//! All orders filled at once as well as can be.

use anyhow::{Context, Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::{Value, json};

/// A kilogram of each grade, the better one sooner over, and two orders: the first takes any grade, the second the best.
async fn two_orders(farm: &Farm) -> Result<[String; 2]> {
    let best = json!({"product": "OYA", "name": "Best", "strains": ["OY"], "least_grade": "A", "tax_percent": "5.5"});
    farm.create("/api/products", best).await;
    let price = json!({"price_list": "TABLE", "product": "OYA", "amount": "19.50", "unit": "kg"});
    farm.create("/api/prices", price).await;
    farm.lot_of(1000).await;
    farm.pass(TimeDelta::days(1));
    let mut lesser = Farm::weighing(1000);
    lesser["grade"] = json!("B");
    farm.create("/api/weighings", lesser).await;
    let mut codes = Vec::new();
    for (product, day) in [("OY", 6), ("OYA", 7)] {
        let lines = json!([{"product": product, "grams_g": 1000}]);
        let order = json!({"customer": "PLUM", "delivery_day": format!("2026-05-0{day}"), "lines": lines});
        codes.push(farm.create("/api/orders", order).await["order"].as_str().context("a code")?.to_owned());
    }
    codes.try_into().map_err(|_| anyhow::anyhow!("two orders"))
}

async fn plan(farm: &Farm) -> Value {
    farm.get("/api/reports/allocation-plan").await
}

#[tokio::test]
async fn the_plan_leaves_the_best_for_who_asked_for_it_and_is_set_aside_by_its_form() -> Result<()> {
    let farm = Farm::new().await?;
    let [any, _] = two_orders(&farm).await?;
    let told = plan(&farm).await;
    ensure!(told["is_proven"] == true, "{told}");
    ensure!(told["by_rule"]["short_g"] == 1000 && told["plan"]["short_g"] == 0, "{told}");
    ensure!(told["by_rule"]["left_over_g"] == 1000 && told["plan"]["left_over_g"] == 0, "{told}");
    let [first, second] = [&told["orders"][0], &told["orders"][1]];
    ensure!(first["is_other"] == true && first["order"] == any.as_str() && second["is_other"] == true, "{told}");
    let lot = first["lines"][0]["lots"][0]["lot"].as_str().context("a lot")?;
    ensure!(lot != first["lines"][0]["lots_by_rule"][0]["lot"], "{told}");

    let page = farm.raw("GET", "/allocation-plan", &[("accept", "text/html")], Vec::new()).await.text;
    ensure!(page.contains("1.00 kg less short, 1.00 kg less left over"), "{page}");
    let action = format!("/orders/{any}/set-aside/chosen");
    ensure!(page.contains(&format!(r#"action="{action}""#)), "{page}");
    let key = page.split(r#"name="key" value=""#).nth(1).and_then(|k| k.split('"').next()).context("a key")?;
    let field = |name: &str, value: &str| format!("chosen/1@{lot}@F1/{name}={value}");
    let form =
        [format!("key={key}"), field("line", "1"), field("lot", lot), field("place", "F1"), field("grams_g", "1.000")]
            .into_iter()
            .chain(["reason=Best plan for all orders".replace(' ', "+")])
            .collect::<Vec<_>>()
            .join("&");
    let headers = [("content-type", "application/x-www-form-urlencoded")];
    let sent = farm.raw("POST", &action, &headers, form.into_bytes()).await;
    ensure!(sent.status == 303, "{} {}", sent.status, sent.text);
    let order = farm.get(&format!("/api/orders/{any}")).await;
    let aside = &order["lines"][0]["set_aside"][0];
    ensure!(aside["lot"] == lot && aside["reason"] == "Best plan for all orders", "{order}");
    // What is packed is left as it is, and what is left is filled by the simple rule as well.
    farm.ask(
        &farm.owner,
        "PUT",
        &format!("/api/orders/{any}/packed"),
        &[],
        Some(json!({"line": 1, "lot": lot, "place": "F1"})),
    )
    .await
    .expect(200);
    let told = plan(&farm).await;
    ensure!(told["orders"].as_array().map(Vec::len) == Some(1) && told["orders"][0]["is_other"] == false, "{told}");
    let page = farm.raw("GET", "/allocation-plan", &[("accept", "text/html")], Vec::new()).await.text;
    ensure!(page.contains("First-expiring-first is the best plan today."), "{page}");
    Ok(())
}

#[tokio::test]
async fn later_orders_take_what_is_left_and_a_driver_sees_no_money() -> Result<()> {
    let farm = Farm::new().await?;
    ensure!(plan(&farm).await["orders"] == json!([]));
    let page = farm.raw("GET", "/allocation-plan", &[("accept", "text/html")], Vec::new()).await.text;
    ensure!(
        page.replace('\u{a0}', " ").contains("Nothing is to be set aside for the orders until Wed 6 May 2026."),
        "{page}"
    );
    let lines = json!([{"product": "OY", "grams_g": 5000}]);
    let later = json!({"customer": "PLUM", "delivery_day": "2026-05-09", "lines": lines});
    farm.create("/api/orders", later).await;
    ensure!(plan(&farm).await["orders"] == json!([]), "a harvest may still fill it");
    two_orders(&farm).await?;
    let driver = farm.person("driver").await;
    let told = farm.ask(&driver, "GET", "/api/reports/allocation-plan", &[], None).await.expect(200);
    ensure!(told["by_rule"]["left_over_money"].is_null() && told["by_rule"]["short_g"] == 1000, "{told}");
    let page = farm.raw_as(&driver, "GET", "/allocation-plan", &[("accept", "text/html")], Vec::new()).await;
    ensure!(page.status == 200 && !page.text.contains("set-aside/chosen"), "{}", page.text);
    Ok(())
}
