//! A market day on the phone: from the first sale to the cash count, without a connection in between.

use anyhow::{Context, Result, ensure};
use chrono::TimeDelta;
use fantoccini::{Locator, elements::Element};
use gillbook_testkit::Farm;
use gillbook_tests::{Phone, serve};
use serde_json::{Value, json};

use crate::{
    farm_today,
    line::Line,
    scale::{Network, Way},
    sign_in,
};

/// A farm whose stall is out with 5 kg of oysters, loose and in punnets, and where cash is paid to five cents.
async fn stall_is_out() -> Result<(Farm, String)> {
    let farm = farm_today().await?;
    let punnet = json!({"product": "OYP", "name": "Oyster punnet", "strains": ["OY"], "least_grade": "B", "tax_percent": "5.5", "pack_g": 150});
    farm.create("/api/products", punnet).await;
    farm.create("/api/prices", json!({"price_list": "TABLE", "product": "OYP", "amount": "4.2654", "unit": "pack"}))
        .await;
    let etag = format!("\"{}\"", farm.get("/api/farm").await["version"]);
    let coins = json!({"cash_step": "0.05"});
    farm.ask(&farm.owner, "PATCH", "/api/farm", &[("if-match", &etag)], Some(coins)).await.expect(200);
    let lot = farm.lot_of(5000).await;
    let taken = json!([{"lot": lot, "place": "F1", "grams_g": 5000}]);
    farm.create(
        "/api/market-days",
        json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "50.00", "taken": taken}),
    )
    .await;
    Ok((farm, lot))
}

async fn shown(phone: &Phone, css: &str) -> Result<Element> {
    phone.page.wait().for_element(Locator::Css("body:not(:has(#flip:not([hidden])))")).await?;
    phone.page.wait().for_element(Locator::Css(css)).await.with_context(|| css.to_owned())
}

async fn touch(phone: &Phone, css: &str) -> Result<()> {
    shown(phone, css).await?;
    phone.touch(css).await
}

async fn text(phone: &Phone, css: &str) -> Result<String> {
    Ok(shown(phone, css).await?.text().await?)
}

/// Waits for words on the page.
async fn says(phone: &Phone, words: &str) -> Result<()> {
    let there = format!("//main[contains(., \"{words}\")]");
    phone.page.wait().for_element(Locator::XPath(&there)).await.with_context(|| words.to_owned())?;
    Ok(())
}

async fn types(phone: &Phone, digits: &str) -> Result<()> {
    for digit in digits.chars() {
        touch(phone, &format!("#pad [data-digit='{digit}']")).await?;
    }
    touch(phone, "#take").await
}

/// Waits until so many sales are kept and nothing waits on the phone.
async fn all_sent(phone: &Phone, sales: usize) -> Result<()> {
    let last = format!("#last li:nth-child({sales})");
    phone.page.wait().for_element(Locator::Css(&last)).await.with_context(|| last.clone())?;
    let hidden = phone.page.wait().for_element(Locator::Css("#held[hidden]")).await;
    let left = text(phone, "main").await?;
    hidden.context(left)?;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_market_day_goes_on_without_a_connection_and_ends_with_the_cash_count() -> Result<()> {
    let (farm, lot) = stall_is_out().await?;
    let network = Network::new();
    let line = Line::to(serve(network.before(farm.router.clone())).await?).await?;
    let phone = Phone::open().await?;
    sign_in(&phone, &line.home).await?;
    let stall = format!("{}/stall", line.home);
    phone.page.goto(&stall).await?;
    // The phone keeps the page by and by; what it sells from then on is in no page that it has.
    let is_kept = "const look = async done => (await caches.match('/stall')) ? done(true) : setTimeout(look, 50, done); look(arguments[0])";
    assert_eq!(phone.page.execute_async(is_kept, vec![]).await?, json!(true));
    // Two punnets in cash, with a connection.
    farm.pass(TimeDelta::seconds(2));
    touch(&phone, "#offers [data-product='OYP']").await?;
    touch(&phone, "#offers [data-product='OYP']").await?;
    ensure!(text(&phone, "#cash").await? == "Cash 9.00", "{}", text(&phone, "#cash").await?);
    touch(&phone, "#cash").await?;
    all_sent(&phone, 1).await?;
    ensure!(farm.get("/api/market-days/M-1").await["tally"]["cash"] == "9.00");

    line.cut(true);
    phone.page.goto(&stall).await?;
    ensure!(text(&phone, "#old:not([hidden])").await?.starts_with("No connection. Prices and sales are those of"));
    // A weighed sale that cash is rounded for: 0.347 kg at 18.46 is 6.41.
    touch(&phone, "#offers [data-product='OY']").await?;
    types(&phone, "347").await?;
    ensure!(text(&phone, "#total").await? == "6.41" && text(&phone, "#cash").await? == "Cash 6.40");
    touch(&phone, "#cash").await?;
    // One at another price, by card; and one by mistake, which is taken back before it was sent.
    touch(&phone, "#offers [data-product='OYP']").await?;
    touch(&phone, "#bought li button:last-of-type").await?;
    types(&phone, "300").await?;
    touch(&phone, "#card").await?;
    touch(&phone, "#offers [data-product='OYP']").await?;
    touch(&phone, "#cash").await?;
    touch(&phone, "#held-list li:nth-child(3) button").await?;
    touch(&phone, "#held-list li:nth-child(3) button").await?;
    ensure!(
        text(&phone, "#taken").await? == "18.40 EUR: 15.40 in cash, 3.00 by card.",
        "{}",
        text(&phone, "#taken").await?
    );
    // A sale that is not paid yet outlives the page, as do those that wait.
    touch(&phone, "#offers [data-product='OYP']").await?;
    phone.page.goto(&stall).await?;
    ensure!(text(&phone, "#cash").await? == "Cash 4.50");
    ensure!(text(&phone, "#taken").await? == "18.40 EUR: 15.40 in cash, 3.00 by card.", "as before");
    shown(&phone, "#held-list li:nth-child(3)").await?;
    ensure!(farm.get("/api/market-days/M-1").await["tally"]["sales"] == 1, "nothing has arrived");
    touch(&phone, "#bought li button").await?;

    line.cut(false);
    farm.pass(TimeDelta::seconds(2));
    // Today says that something waits, and so does the page where the stall is cashed up, until they have sent it.
    network.set(Way::Lost);
    for page in ["/", "/market-days/M-1"] {
        phone.page.goto(&format!("{}{page}", line.home)).await?;
        let waits = "//div[@id='waiting' and contains(., '4 entries kept on this phone')]";
        phone.page.wait().for_element(Locator::XPath(waits)).await.context(page)?;
    }
    network.set(Way::Good);
    phone.page.wait().for_element(Locator::Css("#waiting[hidden]")).await?;
    phone.page.goto(&stall).await?;
    all_sent(&phone, 4).await?;
    let tally = farm.get("/api/market-days/M-1").await["tally"].clone();
    ensure!(tally["sales"] == 3 && tally["cash"] == "15.40" && tally["card"] == "3.00", "{tally}");
    ensure!(tally["cash_rounding"] == "-0.01" && tally["grams_g"] == 797, "{tally}");

    ensure!(text(&phone, "#taken").await? == "18.40 EUR: 15.40 in cash, 3.00 by card.", "each counts once");

    // The cash count: what came back, the box, and why it is not what the tally says.
    touch(&phone, "#cash-up").await?;
    let close = "form[action='/market-days/M-1/close']";
    let back = format!("{close} [name='lots/{lot}/back_g']");
    for (css, typed) in [(back.as_str(), "4.200"), ("[name=cash]", "65.00"), ("[name=card]", "3.00")] {
        let field = shown(&phone, css).await?;
        field.clear().await?;
        field.send_keys(typed).await?;
    }
    let send = format!("{close} button:not([type=button])");
    touch(&phone, &send).await?;
    says(&phone, "By the tally 65.40 should be in the box").await?;
    shown(&phone, "[name=difference_reason]").await?.send_keys("Wrong change").await?;
    touch(&phone, &send).await?;
    says(&phone, "0.40 EUR short").await?;
    says(&phone, "Wrong change").await?;
    let day = farm.get("/api/market-days/M-1").await;
    ensure!(day["cash_difference"] == "-0.40" && day["takings"] == "18.00", "{day}");
    phone.close().await
}

/// A sale that came there, and whose answer did not, is on the phone and in the facts: it counts once, before and after it is known.
#[tokio::test(flavor = "multi_thread")]
async fn a_sale_whose_answer_is_lost_counts_once() -> Result<()> {
    let (farm, _) = stall_is_out().await?;
    let network = Network::new();
    let home = format!("http://{}", serve(network.before(farm.router.clone())).await?);
    let phone = Phone::open().await?;
    sign_in(&phone, &home).await?;
    phone.page.goto(&format!("{home}/stall")).await?;
    network.set(Way::AnswerLost);
    touch(&phone, "#offers [data-product='OYP']").await?;
    touch(&phone, "#cash").await?;
    let was_sent = "const is = (e) => e.name.endsWith('/sales');
        const look = (done) => (performance.getEntriesByType('resource').some(is) ? done(true) : setTimeout(look, 50, done)); look(arguments[0])";
    assert_eq!(phone.page.execute_async(was_sent, vec![]).await?, json!(true));
    ensure!(farm.get("/api/market-days/M-1").await["tally"]["sales"] == 1, "it came there");
    farm.pass(TimeDelta::seconds(2));
    phone.page.goto(&format!("{home}/stall")).await?;
    shown(&phone, "#held-list li").await?;
    let once = "4.50 EUR: 4.50 in cash, 0.00 by card.";
    ensure!(text(&phone, "#taken").await? == once, "{}", text(&phone, "#taken").await?);
    network.set(Way::Good);
    all_sent(&phone, 1).await?;
    ensure!(text(&phone, "#taken").await? == once, "{}", text(&phone, "#taken").await?);
    ensure!(farm.get("/api/market-days/M-1").await["tally"]["sales"] == 1);
    phone.close().await
}

/// A stall is cashed up by another while a phone has no connection: what it holds stays in sight and says why it is not saved.
#[tokio::test(flavor = "multi_thread")]
async fn what_comes_after_the_cash_count_is_not_lost() -> Result<()> {
    let (farm, _) = stall_is_out().await?;
    let line = Line::to(serve(farm.router.clone()).await?).await?;
    let phone = Phone::open().await?;
    sign_in(&phone, &line.home).await?;
    let stall = format!("{}/stall", line.home);
    phone.page.goto(&stall).await?;
    touch(&phone, "#offers [data-product='OYP']").await?;
    line.cut(true);
    touch(&phone, "#card").await?;
    shown(&phone, "#held-list li").await?;
    let closed = json!({"back_place": "F1", "cash": "50.00", "card": "0", "fee": "0"});
    farm.ask(&farm.owner, "PATCH", "/api/market-days/M-1", &[], Some(closed)).await.expect(200);
    line.cut(false);
    phone.page.goto(&stall).await?;
    says(&phone, "No stall is out").await?;
    let refused = "//ol[@id='held-list']/li[contains(., '4.50 card') and contains(., 'is cashed up')]";
    phone.page.wait().for_element(Locator::XPath(refused)).await.context(text(&phone, "main").await?)?;
    // It goes for good only where somebody says so twice.
    touch(&phone, "#held-list button").await?;
    ensure!(text(&phone, "#held-list li").await?.contains("Remove "), "it asks");
    touch(&phone, "#held-list button").await?;
    phone.page.wait().for_element(Locator::Css("#held[hidden]")).await?;
    phone.close().await
}

/// What the phone asks people for is what the service keeps, whatever the rule for halves.
#[tokio::test(flavor = "multi_thread")]
async fn the_phone_rounds_as_the_service_does() -> Result<()> {
    for rounding in ["half_up", "half_down", "half_even"] {
        let farm = farm_today().await?;
        let etag = format!("\"{}\"", farm.get("/api/farm").await["version"]);
        let rule = json!({"rounding": rounding, "cash_step": "0.10"});
        farm.ask(&farm.owner, "PATCH", "/api/farm", &[("if-match", &etag)], Some(rule)).await.expect(200);
        let lot = farm.lot_of(5000).await;
        let taken = json!([{"lot": lot, "place": "F1", "grams_g": 5000}]);
        farm.create(
            "/api/market-days",
            json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "0", "taken": taken}),
        )
        .await;
        let phone = Phone::open().await?;
        let home = format!("http://{}", serve(farm.router.clone()).await?);
        sign_in(&phone, &home).await?;
        phone.page.goto(&format!("{home}/stall")).await?;
        // Halves of a cent, and cash that ends in five cents.
        let sales = [("50", "30"), ("50", "50"), ("500", "131"), ("500", "133"), ("700", "750")];
        for (n, (price, grams)) in sales.into_iter().enumerate() {
            touch(&phone, "#offers [data-product='OY']").await?;
            types(&phone, grams).await?;
            touch(&phone, "#bought li button:last-of-type").await?;
            types(&phone, price).await?;
            let asked = text(&phone, "#cash").await?;
            touch(&phone, "#cash").await?;
            all_sent(&phone, 1 + n).await?;
            let sales = farm.get("/api/market-days/M-1/sales").await["rows"].clone();
            let weighed = grams.parse::<i64>()?;
            let of_these = |sale: &&Value| sale["lines"][0]["grams_g"] == weighed;
            let sale = sales.as_array().and_then(|s| s.iter().find(of_these)).context("the sale")?;
            let coins = |field: &str| sale[field].as_str().unwrap_or_default().replace('.', "").parse::<i64>();
            let paid = coins("total")? + coins("cash_rounding")?;
            ensure!(
                asked == format!("Cash {}.{:02}", paid / 100, paid % 100),
                "{rounding}: asked for {asked}, kept {sale}"
            );
        }
        phone.close().await?;
    }
    Ok(())
}
