//! At a customer's door: who took it and signed, what was refused and why, crates, money, and the docket that the customer opens.

use anyhow::{Context, Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::{Answer, As, Farm};
use serde_json::{Value, json};

fn signature() -> Value {
    json!([[[20, 150], [80, 30], [140, 150]], [[300, 100]]])
}

/// A docket that is on its way in the van.
async fn under_way(farm: &Farm, customer: &str, grams: i64) -> Result<String> {
    let lines = json!([{"product": "OY", "grams_g": grams}]);
    let order =
        farm.create("/api/orders", json!({"customer": customer, "delivery_day": "2026-05-05", "lines": lines})).await;
    let order = order["order"].as_str().context("an order")?.to_owned();
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
    let docket = farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await;
    Ok(docket["docket"].as_str().context("a docket")?.to_owned())
}

async fn page(farm: &Farm, path: &str) -> Answer {
    farm.raw("GET", path, &[("accept", "text/html")], Vec::new()).await
}

/// The same as somebody who is not signed in.
async fn opened(farm: &Farm, path: &str) -> Answer {
    farm.ask(&As::Nobody, "GET", path, &[("accept", "text/html")], None).await
}

#[tokio::test]
async fn what_happened_at_the_door_stands_on_the_docket() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(3000).await;
    let docket = under_way(&farm, "PLUM", 1000).await?;
    let delivery = json!({
        "taken_by": "Kim", "signature": signature(), "crates_out": 3, "crates_back": 1,
        "paid": {"amount": "15.00"}, "refused": [{"line": 1, "grams_g": 100, "reason": "Two caps <bruised>"}],
    });
    let driver = farm.person("driver").await;
    let path = format!("/api/dockets/{docket}");
    let told = farm.post_as(&driver, &format!("{path}/delivery"), delivery).await.expect(201);
    let door = &told["delivery"];
    ensure!(door["hand_over"] == "in_person" && door["signed"] == true && door["taken_by"] == "Kim", "{told}");
    ensure!(
        told["lines"][0]["refused_g"] == 100 && told["lines"][0]["refused_because"] == "Two caps <bruised>",
        "{told}"
    );
    let drawn = farm.raw("GET", &format!("{path}/signature"), &[], Vec::new()).await;
    ensure!(drawn.headers["content-type"] == "image/svg+xml", "{}", drawn.text);
    ensure!(drawn.text.contains("M20 150L80 30L140 150M300 100h0"), "{}", drawn.text);
    let receipt = farm.raw("GET", &format!("{path}/receipt"), &[], Vec::new()).await;
    ensure!(receipt.status == 200 && receipt.text.starts_with("%PDF-"), "{}", receipt.status);
    // The money is the customer's until an invoice takes it, in cash, and names its docket.
    let payment = &farm.get("/api/payments").await["rows"][0];
    ensure!(
        payment["docket"] == docket.as_str() && payment["method"] == "cash" && payment["amount"] == "15.00",
        "{payment}"
    );
    ensure!(payment["shares"] == json!([]), "{payment}");
    let shown = page(&farm, &format!("/dockets/{docket}")).await.text;
    for part in [
        "Taken by Kim",
        "100 g refused: Two caps &#60;bruised&#62;",
        "15.00 EUR paid at the door, cash.",
        "M20 150L80 30",
        "Crates of ours at",
        "/receipt",
    ] {
        ensure!(shown.contains(part), "{part}: {shown}");
    }
    let account = page(&farm, "/customers/PLUM/account").await.text;
    ensure!(account.contains("15.00"), "{account}");
    // Taken back, nothing was refused and nobody signed. The money came all the same.
    let act = door["act_id"].as_str().context("an act")?;
    farm.create(&format!("/api/acts/{act}/reversal"), json!({"reason": "Another docket"})).await;
    let told = farm.get(&path).await;
    ensure!(told["delivery"] == Value::Null && told["lines"][0]["refused_because"] == "", "{told}");
    farm.raw("GET", &format!("{path}/signature"), &[], Vec::new()).await.ensure_problem(404, "not-found", None);
    ensure!(farm.get("/api/crates-out").await["rows"] == json!([]));
    ensure!(farm.get("/api/payments").await["rows"].as_array().is_some_and(|rows| rows.len() == 1));
    let left = json!({"hand_over": "unattended", "taken_by": "Back door, under the awning"});
    farm.create(&format!("{path}/delivery"), left).await;
    let shown = page(&farm, &format!("/dockets/{docket}")).await.text;
    ensure!(shown.contains("Left there, nobody in: Back door, under the awning"), "{shown}");
    Ok(())
}

#[tokio::test]
async fn what_cannot_be_at_a_door_is_refused_and_nothing_is_written() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(3000).await;
    let docket = under_way(&farm, "PLUM", 1000).await?;
    let path = format!("/api/dockets/{docket}");
    let with = |changes: Value| {
        let mut body = json!({"taken_by": "Kim"});
        for (name, value) in changes.as_object().into_iter().flatten() {
            body[name] = value.clone();
        }
        body
    };
    for (changes, pointer) in [
        (json!({"hand_over": "unattended", "signature": signature()}), "/signature"),
        (json!({"hand_over": "thrown"}), "/hand_over"),
        (json!({"signature": []}), "/signature"),
        (json!({"signature": [[[601, 0]]]}), "/signature"),
        (json!({"signature": [[[1, 1, 1]]]}), "/signature"),
        (json!({"paid": {"amount": "0"}}), "/paid/amount"),
        (json!({"paid": {"amount": "-4"}}), "/paid/amount"),
        (json!({"paid": {"amount": "4.005"}}), "/paid/amount"),
        (json!({"paid": {"amount": "4", "method": "bank_transfer"}}), "/paid/method"),
        (json!({"paid": {"amount": "4", "method": "write_off"}}), "/paid/method"),
        (json!({"refused": [{"line": 1, "grams_g": 10}]}), "/refused/0/reason"),
        (json!({"refused": [{"line": 1, "grams_g": 10, "reason": " "}]}), "/refused/0/reason"),
        (json!({"refused": [{"line": 1, "grams_g": 1001, "reason": "All"}]}), "/refused/0/grams_g"),
    ] {
        let answer = farm.post(&format!("{path}/delivery"), with(changes)).await;
        answer.ensure_problem(422, "invalid", Some(pointer));
    }
    ensure!(farm.get(&path).await["status"] == "dispatched");
    ensure!(farm.get("/api/payments").await["rows"] == json!([]));
    farm.raw("GET", &format!("{path}/receipt"), &[], Vec::new()).await.ensure_problem(404, "not-found", None);
    // Another customer's docket was not paid by this one, and none that is not there.
    for (customer, docket) in [("SATURDAY", docket.as_str()), ("PLUM", "D-99")] {
        let body = json!({"customer": customer, "amount": "5", "method": "cash", "docket": docket});
        farm.post("/api/payments", body).await.ensure_problem(422, "invalid", Some("/docket"));
    }
    Ok(())
}

/// By the form: a refusal without a reason comes back with what was signed, and with it the hand-over is written down.
#[tokio::test]
async fn the_form_keeps_what_was_signed() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(3000).await;
    let docket = under_way(&farm, "PLUM", 1000).await?;
    let drawn = signature().to_string();
    let mut fields = vec![
        ("key", "00000000-0000-4000-8000-000000000001"),
        ("hand_over", "in_person"),
        ("taken_by", "Kim"),
        ("signature", drawn.as_str()),
        ("crates_out", "2"),
        ("paid.amount", "4,50"),
        ("refused/1/line", "1"),
        ("refused/1/grams_g", "0,1"),
    ];
    let path = format!("/dockets/{docket}/delivery");
    let form = |fields: &[(&str, &str)]| {
        let pairs = fields.iter().map(|(name, value)| format!("{}={}", encoded(name), encoded(value)));
        pairs.collect::<Vec<_>>().join("&").into_bytes()
    };
    let kind = [("content-type", "application/x-www-form-urlencoded"), ("accept", "text/html")];
    let again = farm.raw("POST", &path, &kind, form(&fields)).await;
    ensure!(again.status == 422 && again.text.contains("Fill this in."), "{} {}", again.status, again.text);
    ensure!(again.text.contains("[[20,150],[80,30],[140,150]]"), "{}", again.text);
    fields[0].1 = "00000000-0000-4000-8000-000000000002";
    fields.push(("refused/1/reason", "Too small"));
    let done = farm.raw("POST", &path, &kind, form(&fields)).await;
    ensure!(done.status == 303, "{} {}", done.status, done.text);
    let told = farm.get(&format!("/api/dockets/{docket}")).await;
    ensure!(told["delivery"]["signed"] == true && told["lines"][0]["refused_because"] == "Too small", "{told}");
    ensure!(farm.get("/api/payments").await["rows"][0]["amount"] == "4.50");
    Ok(())
}

fn encoded(text: &str) -> String {
    text.bytes().map(|b| format!("%{b:02X}")).collect()
}

#[tokio::test]
async fn crates_are_counted_by_customer() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(5000).await;
    let mut acts = Vec::new();
    for (customer, out, back) in [("PLUM", 3, 0), ("PLUM", 2, 4), ("SATURDAY", 0, 2), ("PLUM", 1, 0)] {
        let docket = under_way(&farm, customer, 300).await?;
        let body = json!({"taken_by": "Kim", "crates_out": out, "crates_back": back});
        let told = farm.create(&format!("/api/dockets/{docket}/delivery"), body).await;
        acts.push(told["delivery"]["act_id"].as_str().context("an act")?.to_owned());
        farm.pass(TimeDelta::minutes(5));
    }
    let out = async || {
        let rows = farm.get("/api/crates-out").await["rows"].clone();
        let row = |r: &Value| (r["customer"].as_str().unwrap_or_default().to_owned(), r["crates"].as_i64());
        rows.as_array().into_iter().flatten().map(row).collect::<Vec<_>>()
    };
    ensure!(out().await == [("PLUM".to_owned(), Some(2)), ("SATURDAY".to_owned(), Some(-2))], "{:?}", out().await);
    farm.create(&format!("/api/acts/{}/reversal", acts[3]), json!({"reason": "Slip"})).await;
    ensure!(out().await == [("PLUM".to_owned(), Some(1)), ("SATURDAY".to_owned(), Some(-2))], "{:?}", out().await);
    let shown = page(&farm, "/crates-out").await.text;
    ensure!(shown.contains("\u{2212}1 in all") && shown.contains("/customers/PLUM"), "{shown}");
    Ok(())
}

#[tokio::test]
async fn the_customer_opens_the_docket_by_its_address_and_nothing_else() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(3000).await;
    let settings = json!({"telephone": "+33 1 23", "storage_line": "Keep it dry & cold."});
    farm.ask(&farm.owner, "PATCH", "/api/farm", &[("if-match", "\"1\"")], Some(settings)).await.expect(200);
    let docket = under_way(&farm, "PLUM", 1000).await?;
    let other = under_way(&farm, "SATURDAY", 500).await?;
    let link = farm.get(&format!("/api/dockets/{docket}/link")).await;
    let address = link["path"].as_str().context("a path")?.to_owned();
    ensure!(address.starts_with(&format!("/shared/{}.{docket}.", farm.id.0)), "{address}");
    let seen = opened(&farm, &address).await;
    ensure!(seen.status == 200 && seen.text.contains("On its way since"), "{} {}", seen.status, seen.text);
    for part in ["Keep it dry &#38; cold.", "Tel. +33 1 23", "1.000", "/pdf", "/ubl", "your kitchen"] {
        ensure!(seen.text.contains(part), "{part}: {}", seen.text);
    }
    ensure!(!seen.text.contains("/lots/") && !seen.text.contains("/find"), "{}", seen.text);
    let body =
        json!({"taken_by": "Kim", "signature": signature(), "refused": [{"line": 1, "grams_g": 100, "reason": "Wet"}]});
    farm.create(&format!("/api/dockets/{docket}/delivery"), body).await;
    let seen = opened(&farm, &address).await.text;
    ensure!(
        seen.contains("100 g refused: Wet") && seen.contains("You kept 0.900 kg, ") && seen.contains("M20 150"),
        "{seen}"
    );
    let pdf = opened(&farm, &format!("{address}/pdf")).await;
    ensure!(pdf.text.starts_with("%PDF-") && pdf.headers["content-type"] == "application/pdf", "{}", pdf.status);
    ensure!(opened(&farm, &format!("{address}/ubl")).await.text.contains("DespatchAdvice"));
    // Without prices, where the customer wants none.
    let quiet = json!({"docket_prices": false});
    farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", "\"1\"")], Some(quiet)).await.expect(200);
    let seen = opened(&farm, &address).await.text;
    ensure!(!seen.contains("EUR") && seen.contains("You kept 0.900 kg."), "{seen}");
    // What is not this address opens nothing.
    let secret = address.rsplit('.').next().context("a code")?;
    let (number, mut flipped) = (farm.id.0, secret.to_owned());
    let swap = if flipped.starts_with('A') { "B" } else { "A" };
    flipped.replace_range(0..1, swap);
    for wrong in [
        format!("{number}.{other}.{secret}"),
        format!("{number}.{docket}.{flipped}"),
        format!("{number}.{docket}.{}", &secret[..8]),
        format!("{number}.{docket}."),
        format!("{}.{docket}.{secret}", number + 1),
        format!("0.{docket}.{secret}"),
        "nonsense".into(),
    ] {
        for rest in ["", "/pdf", "/ubl"] {
            let none = opened(&farm, &format!("/shared/{wrong}{rest}")).await;
            ensure!(none.status == 404, "{wrong}{rest}: {}", none.status);
        }
    }
    // Taken back by the owner, and given out anew.
    farm.ask(&farm.owner, "DELETE", "/api/docket-links", &[], None).await.expect(204);
    ensure!(opened(&farm, &address).await.status == 404);
    let fresh = farm.get(&format!("/api/dockets/{docket}/link")).await["path"].as_str().context("a path")?.to_owned();
    ensure!(opened(&farm, &fresh).await.status == 200);
    farm.pass(TimeDelta::days(399));
    ensure!(opened(&farm, &fresh).await.status == 200);
    farm.pass(TimeDelta::days(4));
    ensure!(opened(&farm, &fresh).await.status == 404);
    Ok(())
}
