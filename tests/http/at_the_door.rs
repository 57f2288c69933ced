//! At a customer's door: who took it and signed, what was refused and why, crates, money, and the docket that the customer opens.

use anyhow::{Context, Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::{Answer, As, Farm};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::forms::send;

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
        "0.100 kg refused: Two caps &#60;bruised&#62;",
        "Crates: 3 left, 1 taken back.",
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
    ensure!(shown.contains("Left with nobody in: Back door, under the awning"), "{shown}");
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
        (json!({"refused": [{"line": 1, "grams_g": 10}]}), "/refused/0"),
        (json!({"refused": [{"line": 1, "grams_g": 10, "reason": " "}]}), "/refused/0/reason"),
        (json!({"refused": [{"line": 1, "grams_g": 1001, "reason": "All"}]}), "/refused/0/grams_g"),
    ] {
        let answer = farm.post(&format!("{path}/delivery"), with(changes)).await;
        answer.ensure_problem(422, "invalid", Some(pointer));
    }
    ensure!(farm.get(&path).await["status"] == "dispatched");
    ensure!(farm.get("/api/payments").await["rows"] == json!([]));
    farm.raw("GET", &format!("{path}/receipt"), &[], Vec::new()).await.ensure_problem(404, "not-found", None);
    // What is paid elsewhere is paid for no docket.
    let body = json!({"customer": "PLUM", "amount": "5", "method": "write_off", "docket": docket});
    farm.post("/api/payments", body).await.ensure_problem(422, "invalid", Some("/docket"));
    Ok(())
}

/// All of it refused, no place says that somebody took it.
#[tokio::test]
async fn refused_whole_nobody_took_it() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(3000).await;
    let docket = under_way(&farm, "PLUM", 1000).await?;
    let body = json!({"taken_by": "Jo", "refused": [{"line": 1, "grams_g": 1000, "reason": "Not ordered"}]});
    farm.create(&format!("/api/dockets/{docket}/delivery"), body).await;
    let shown = page(&farm, &format!("/dockets/{docket}")).await.text;
    let link = farm.get(&format!("/api/dockets/{docket}/link")).await;
    let seen = opened(&farm, link["path"].as_str().context("a path")?).await.text;
    for text in [&shown, &seen] {
        ensure!(text.contains("Refused at the door (Jo)") && !text.contains("Taken by Jo"), "{text}");
    }
    Ok(())
}

/// What was paid at the door settles the invoice of its docket, and no other.
#[tokio::test]
async fn money_of_the_door_settles_its_own_invoice() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(5000).await;
    let mut dockets = Vec::new();
    for paid in [None, Some("5.00"), Some("100.00")] {
        let docket = under_way(&farm, "PLUM", 1000).await?;
        let mut body = json!({"taken_by": "Kim"});
        if let Some(paid) = paid {
            body["paid"] = json!({"amount": paid, "method": "card"});
        }
        farm.create(&format!("/api/dockets/{docket}/delivery"), body).await;
        dockets.push(docket);
    }
    let number = |value: &Value| value.as_str().and_then(|text| text.parse::<f64>().ok()).unwrap_or(f64::NAN);
    let invoiced = async |docket: &str| {
        let invoice = farm.create("/api/invoices", json!({"customer": "PLUM", "dockets": [docket]})).await;
        (number(&invoice["total"]), number(&invoice["open"]))
    };
    let (total, open) = invoiced(&dockets[0]).await;
    ensure!(total > 5.0 && (open - total).abs() < 1e-9, "{total} {open}");
    // What is paid meanwhile settles by itself: the money of the door waits for its own invoices.
    let body = json!({"customer": "PLUM", "amount": "1.00", "method": "bank_transfer"});
    let meanwhile = farm.create("/api/payments", body).await;
    ensure!(meanwhile["shares"] == json!([{"invoice": "INV-1", "amount": "1.00"}]), "{meanwhile}");
    let named = json!({"customer": "PLUM", "amount": "0", "method": "cash", "shares": [{"invoice": "INV-1", "amount": "2.00"}]});
    farm.post("/api/payments", named).await.ensure_problem(422, "invalid", Some("/shares"));
    let (total, open) = invoiced(&dockets[1]).await;
    ensure!((total - open - 5.0).abs() < 1e-9, "{total} {open}");
    let (total, open) = invoiced(&dockets[2]).await;
    ensure!(total > 5.0 && open == 0.0, "{total} {open}");
    let statement = farm.get("/api/customers/PLUM/statement").await;
    ensure!((number(&statement["credit"]) - (100.0 - total)).abs() < 1e-9, "{statement}");
    Ok(())
}

#[tokio::test]
async fn what_is_locked_takes_no_more() -> Result<()> {
    let farm = Farm::new().await?;
    farm.lot_of(5000).await;
    let docket = under_way(&farm, "PLUM", 1000).await?;
    let told = farm.create(&format!("/api/dockets/{docket}/delivery"), json!({"taken_by": "Kim"})).await;
    let act = told["delivery"]["act_id"].as_str().context("an act")?.to_owned();
    let second = under_way(&farm, "PLUM", 500).await?;
    let third = under_way(&farm, "PLUM", 200).await?;
    let sent_at = farm.now();
    for day in ["2026-05-04", "2026-06-01"] {
        let answer = farm.post("/api/period-locks", json!({"locked_until": day})).await;
        answer.ensure_problem(422, "invalid", Some("/locked_until"));
    }
    farm.pass(TimeDelta::days(3));
    let driver = farm.person("driver").await;
    farm.post_as(&driver, "/api/period-locks", json!({"locked_until": "2026-05-05"})).await.ensure_problem(
        403,
        "not-allowed",
        None,
    );
    farm.create("/api/period-locks", json!({"locked_until": "2026-05-05"})).await;
    let journal = "/api/reports/journal?from=2026-05-01&until=2026-05-05";
    let before = farm.get(journal).await;
    // Nothing of the locked days changes: neither what is dated back nor what is taken back.
    let delivery = json!({"taken_by": "Kim", "delivered_at": sent_at + TimeDelta::hours(1)});
    let reversal = json!({"reason": "Slip"});
    let returned =
        json!({"lines": [{"line": 1, "grams_g": 100}], "reason": "Wet", "returned_at": sent_at + TimeDelta::hours(2)});
    let payment = json!({"customer": "PLUM", "amount": "5", "method": "cash", "paid_on": "2026-05-05"});
    for (path, body) in [
        (format!("/api/dockets/{second}/delivery"), delivery),
        (format!("/api/acts/{act}/reversal"), reversal),
        (format!("/api/dockets/{docket}/returns"), returned),
        ("/api/payments".to_owned(), payment),
    ] {
        let answer = farm.post(&path, body).await;
        answer.ensure_problem(409, "closed", None);
        ensure!(answer.text.contains("locked up to 2026-05-05"), "{path}: {}", answer.text);
    }
    ensure!(farm.get(journal).await == before);
    // What was loaded then and never came to a customer is not sold, and may be unloaded.
    let loaded = farm.get(&format!("/api/dockets/{third}")).await["act_id"].as_str().context("an act")?.to_owned();
    farm.create(&format!("/api/acts/{loaded}/reversal"), json!({"reason": "Rain"})).await;
    ensure!(farm.get(journal).await == before);
    // The days after it are open.
    farm.create(&format!("/api/dockets/{second}/delivery"), json!({"taken_by": "Kim"})).await;
    farm.create("/api/payments", json!({"customer": "PLUM", "amount": "5", "method": "cash", "paid_on": "2026-05-06"}))
        .await;
    // Unlocked again, it goes.
    farm.pass(TimeDelta::minutes(1));
    farm.create("/api/period-locks", json!({"locked_until": "2026-05-01"})).await;
    farm.create(&format!("/api/acts/{act}/reversal"), json!({"reason": "Slip"})).await;
    let locks = farm.get("/api/period-locks").await;
    ensure!(
        locks["rows"][0]["locked_until"] == "2026-05-01" && locks["rows"][1]["locked_until"] == "2026-05-05",
        "{locks}"
    );
    let shown = page(&farm, "/period-locks").await.text;
    ensure!(shown.contains("Locked up to 1"), "{shown}");
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
        ("hand_over", "in_person"),
        ("taken_by", "Kim"),
        ("signature", drawn.as_str()),
        ("crates_out", "2"),
        ("paid.amount", "4,50"),
        ("refused/1/line", "1"),
        ("refused/1/grams_g", "0,1"),
    ];
    let path = format!("/dockets/{docket}/delivery");
    let again = send(&farm, &path, Uuid::new_v4(), &fields).await?;
    ensure!(again.status == 422 && again.text.contains("Fill this in."), "{} {}", again.status, again.text);
    ensure!(again.text.contains("[[20,150],[80,30],[140,150]]"), "{}", again.text);
    fields.push(("refused/1/reason", "Too small"));
    let done = send(&farm, &path, Uuid::new_v4(), &fields).await?;
    ensure!(done.status == 303, "{} {}", done.status, done.text);
    let told = farm.get(&format!("/api/dockets/{docket}")).await;
    ensure!(told["delivery"]["signed"] == true && told["lines"][0]["refused_because"] == "Too small", "{told}");
    ensure!(farm.get("/api/payments").await["rows"][0]["amount"] == "4.50");
    Ok(())
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
    ensure!(shown.contains("1 crate out there") && shown.contains("/customers/PLUM"), "{shown}");
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
        seen.contains("0.100 kg refused: Wet") && seen.contains("You kept 0.900 kg, ") && seen.contains("M20 150"),
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
    farm.pass(TimeDelta::days(401));
    ensure!(opened(&farm, &fresh).await.status == 200);
    farm.pass(TimeDelta::days(2));
    ensure!(opened(&farm, &fresh).await.status == 404);
    Ok(())
}
