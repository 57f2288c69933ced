//! Finding things by codes and names.

use anyhow::Result;
use gillbook_testkit::{Answer, As, Farm};
use serde_json::{Value, json};

/// Kinds and codes of what a query finds.
async fn found(farm: &Farm, q: &str) -> Vec<(String, String)> {
    let list = farm.get(&format!("/api/search?q={q}")).await;
    let rows = list["rows"].as_array().cloned().unwrap_or_default();
    let word = |v: &Value| v.as_str().unwrap_or_default().to_owned();
    rows.iter().map(|r| (word(&r["kind"]), word(&r["code"]))).collect()
}

async fn page(farm: &Farm, who: &As, q: &str) -> Answer {
    farm.ask(who, "GET", &format!("/find?q={q}"), &[], None).await
}

/// A farm with a lot, an order and a docket, and a customer with a name.
async fn farm() -> Result<(Farm, String, String, String)> {
    let farm = Farm::new().await?;
    farm.create(
        "/api/customers",
        json!({"customer": "BISTRO", "name": "Café Bréhat", "kind": "restaurant", "price_list": "TABLE"}),
    )
    .await;
    let lot = farm.lot_of(900).await;
    let body =
        json!({"customer": "BISTRO", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 500}]});
    let order = farm.create("/api/orders", body).await["order"].as_str().unwrap_or_default().to_owned();
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
    let docket = farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    let docket = docket["docket"].as_str().unwrap_or_default().to_owned();
    Ok((farm, lot, order, docket))
}

#[tokio::test]
async fn each_kind_of_thing_is_found_by_its_code_however_it_is_typed() -> Result<()> {
    let (farm, lot, order, docket) = farm().await?;
    for (kind, code) in [
        ("lot", lot.as_str()),
        ("batch", "B1"),
        ("order", &order),
        ("docket", &docket),
        ("customer", "PLUM"),
        ("product", "LM"),
    ] {
        for typed in [code.to_owned(), code.to_lowercase(), code.replace('-', "")] {
            assert_eq!(found(&farm, &typed).await.first(), Some(&(kind.to_owned(), code.to_owned())), "{typed}");
        }
    }
    Ok(())
}

#[tokio::test]
async fn a_customer_is_found_by_name_with_what_they_ordered_last() -> Result<()> {
    let (farm, _, order, docket) = farm().await?;
    for typed in ["brehat", "caf%C3%A9%20br", "CAFE", "bréhat".replace('é', "%C3%A9").as_str(), "brehta"] {
        let found = found(&farm, typed).await;
        assert!(found.contains(&("customer".into(), "BISTRO".into())), "{typed}: {found:?}");
        assert!(found.contains(&("order".into(), order.clone())), "{typed}: {found:?}");
        assert!(found.contains(&("docket".into(), docket.clone())), "{typed}: {found:?}");
    }
    assert_eq!(found(&farm, "nobody").await, []);
    Ok(())
}

#[tokio::test]
async fn the_newest_lots_and_batches_are_found_by_their_strain() -> Result<()> {
    let (farm, lot, ..) = farm().await?;
    let found = found(&farm, "oyster").await;
    for (kind, code) in [("lot", lot.as_str()), ("batch", "B1"), ("batch", "B2")] {
        assert!(found.contains(&(kind.into(), code.into())), "{found:?}");
    }
    assert!(!found.contains(&("batch".into(), "B3".into())), "of another strain: {found:?}");
    Ok(())
}

#[tokio::test]
async fn a_whole_code_leads_to_its_page_and_a_part_to_a_list() -> Result<()> {
    let (farm, lot, _, _) = farm().await?;
    let whole = page(&farm, &farm.owner, &lot.to_lowercase()).await;
    assert_eq!((whole.status, whole.headers["location"].to_str()?), (303, format!("/lots/{lot}").as_str()));
    let part = page(&farm, &farm.owner, &lot[..3]).await;
    assert_eq!(part.status, 200);
    assert!(part.text.contains(&format!("href=\"/lots/{lot}\"")), "{}", part.text);
    // A customer's code is found before what they ordered, and leads to its page though that has its name.
    assert_eq!(page(&farm, &farm.owner, "plum").await.status, 303);
    // LM is a product's code and begins no lot's; OY begins the lot's too.
    assert_eq!(page(&farm, &farm.owner, "lm").await.status, 303);
    assert_eq!(page(&farm, &farm.owner, "oy").await.status, 200);
    let nothing = page(&farm, &farm.owner, "%3Cb%3Exyzzy").await;
    assert!(
        nothing.text.contains("Nothing that you can open goes by") && !nothing.text.contains("<b>"),
        "{}",
        nothing.text
    );
    Ok(())
}

#[tokio::test]
async fn nobody_is_led_to_a_page_that_they_may_not_see() -> Result<()> {
    let (farm, ..) = farm().await?;
    let driver = farm.person("driver").await;
    let shown = page(&farm, &driver, "b1").await;
    assert_eq!(shown.status, 200);
    assert!(!shown.text.contains("/batches/"), "{}", shown.text);
    assert_eq!(page(&farm, &As::Nobody, "b1").await.headers["location"].to_str()?, "/sign-in");
    Ok(())
}

#[tokio::test]
async fn another_farms_things_are_not_found() -> Result<()> {
    let (farm, lot, order, _) = farm().await?;
    let other = farm.second("zoe").await?;
    for typed in [&lot, &order, "brehat", "plum"] {
        assert_eq!(found(&other, typed).await, [], "{typed}");
    }
    Ok(())
}

#[tokio::test]
async fn what_cannot_be_looked_for_is_refused_and_named() -> Result<()> {
    let farm = Farm::new().await?;
    for path in ["/api/search?q=".to_owned(), "/api/search?q=%20".into(), format!("/api/search?q={}", "a".repeat(101))]
    {
        farm.ask(&farm.owner, "GET", &path, &[], None).await.ensure_problem(422, "invalid", Some("q"));
    }
    // A page says what it wants instead.
    for q in ["", "%00", "%25", "_", "%E2%80%94"] {
        assert_eq!(page(&farm, &farm.owner, q).await.status, 200, "{q}");
    }
    assert_eq!(found(&farm, "%25").await, []);
    assert_eq!(found(&farm, "%00").await, []);
    assert_eq!(found(&farm, "%E6%97%A5B1").await, [], "a letter that stands in no code is not left out of one");
    Ok(())
}
