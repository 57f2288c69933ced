//! Issuing: what an invoice takes, and what it refuses.

use anyhow::{Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use gillbook_tests::python;
use rust_decimal::Decimal;
use serde_json::{Value, json};

use super::{balance, invoice, sum};

#[tokio::test]
async fn an_invoice_asks_for_what_was_handed_over_with_its_tax() -> Result<()> {
    let farm = Farm::new().await?;
    let body = json!({"address": "Mill Lane 3", "tax_number": "TX 9", "payment_details": "Bank 1"});
    let version = farm.get("/api/farm").await["version"].to_string();
    farm.ask(&farm.owner, "PATCH", "/api/farm", &[("if-match", &format!("\"{version}\""))], Some(body))
        .await
        .expect(200);
    let (first, second) = (farm.docket_of(1235).await, farm.docket_of(3000).await);
    ensure!(balance(&farm, "delivered_not_invoiced").await == "74.11".parse()?);
    let issued = invoice(&farm, &[&first, &second]).await;
    // 1.235 kg at 17.50 is 21.6125; with 52.50 it makes 74.11, of which 5.5 per cent are 4.07605.
    ensure!(
        (&issued["net"], &issued["tax"], &issued["total"]) == (&json!("74.11"), &json!("4.08"), &json!("78.19")),
        "{issued}"
    );
    ensure!(
        issued["invoice"] == "INV-1" && issued["issued_on"] == "2026-05-04" && issued["due_on"] == "2026-05-18",
        "{issued}"
    );
    ensure!(
        issued["seller"]
            == json!({"name": "Farm of ada", "address": "Mill Lane 3", "tax_number": "TX 9", "country": "", "electronic_address": ""}),
        "{issued}"
    );
    ensure!(issued["taxes"] == json!([{"tax_percent": "5.5", "net": "74.11", "tax": "4.08"}]), "{issued}");
    ensure!(farm.get("/api/invoices/INV-1").await == issued, "what is read is what was issued");
    ensure!(balance(&farm, "delivered_not_invoiced").await == Decimal::ZERO);
    ensure!(balance(&farm, "receivables").await == "78.19".parse()?);
    ensure!(balance(&farm, "revenue").await == "-74.11".parse()? && balance(&farm, "tax").await == "-4.08".parse()?);
    let left = farm.get("/api/customers/PLUM/to-invoice").await;
    ensure!(left["rows"] == json!([]), "{left}");
    let pdf = farm.raw("GET", "/api/invoices/INV-1/pdf", &[], Vec::new()).await;
    ensure!(pdf.status == 200 && pdf.headers["content-type"] == "application/pdf", "{}", pdf.status);
    // What is changed afterwards changes nothing of it.
    let version = farm.get("/api/customers/PLUM").await["version"].to_string();
    let moved = json!({"name": "Plum & Co", "address": "Elsewhere", "payment_days": 30});
    farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", &format!("\"{version}\""))], Some(moved))
        .await
        .expect(200);
    ensure!(farm.get("/api/invoices/INV-1").await == issued);
    Ok(())
}

#[tokio::test]
async fn what_is_not_goods_is_on_it_too_and_tax_goes_by_the_farms_rule() -> Result<()> {
    let farm = Farm::new().await?;
    // Three lines of 0.10 with 5 per cent: half a cent each by line, one and a half by rate.
    let extras = vec![json!({"description": "Crate lost", "net": "0.10", "tax_percent": "5"}); 3];
    let by_rate = farm.create("/api/invoices", json!({"customer": "PLUM", "extras": extras})).await;
    ensure!(by_rate["tax"] == "0.02", "{by_rate}");
    ensure!(balance(&farm, "revenue").await == "-0.30".parse()?, "it is earned when it is invoiced");
    let version = farm.get("/api/farm").await["version"].to_string();
    let rule = json!({"tax_by": "line"});
    farm.ask(&farm.owner, "PATCH", "/api/farm", &[("if-match", &format!("\"{version}\""))], Some(rule))
        .await
        .expect(200);
    let by_line = farm.create("/api/invoices", json!({"customer": "PLUM", "extras": extras})).await;
    ensure!(by_line["tax"] == "0.03", "{by_line}");
    Ok(())
}

/// Each row: the body, the field that is blamed, and what the remedy speaks of.
#[tokio::test]
async fn what_cannot_be_invoiced_names_its_field_and_leaves_no_gap() -> Result<()> {
    let farm = Farm::new().await?;
    let docket = farm.docket_of(1000).await;
    farm.create("/api/customers", json!({"customer": "CAFE", "name": "Café", "kind": "shop", "price_list": "TABLE"}))
        .await;
    farm.lot_of(2000).await;
    let order = json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": 500}]});
    let order = farm.create("/api/orders", order).await["order"].clone();
    let path = format!("/api/orders/{}/set-aside", order.as_str().unwrap_or_default());
    farm.ask(&farm.owner, "PUT", &path, &[], Some(json!({}))).await.expect(200);
    let sent = farm.create("/api/dockets", json!({"order": order, "van": "VAN"})).await["docket"].clone();
    let of = |changes: Value| {
        let mut body = json!({"customer": "PLUM", "dockets": [docket]});
        if let (Value::Object(body), Value::Object(changes)) = (&mut body, changes) {
            body.extend(changes);
        }
        body
    };
    let extra = |net: &str| json!([{"description": "x", "net": net}]);
    for (body, pointer, said) in [
        (of(json!({"customer": "NOBODY"})), "", "NOBODY"),
        (of(json!({"customer": "CAFE"})), "/dockets/0", "CAFE has no docket"),
        (of(json!({"dockets": [docket, "D-99"]})), "/dockets/1", "D-99"),
        (of(json!({"dockets": [docket, docket]})), "/dockets/1", "twice"),
        (of(json!({"dockets": [sent]})), "/dockets/0", "on its way"),
        (of(json!({"dockets": []})), "/dockets", "nothing on this invoice"),
        (of(json!({"extras": extra("0.005")})), "/extras/0/net", "at most 2 decimals"),
        (of(json!({"extras": extra("0")})), "/extras/0/net", "above zero"),
        (of(json!({"extras": extra("-1")})), "/extras/0/net", "zero or more"),
        (of(json!({"issued_on": "2026-05-05"})), "/issued_on", "still to come"),
        (of(json!({"issued_on": "2026-05-03"})), "/issued_on", "was handed over on 2026-05-04"),
        (of(json!({"issued_on": "tomorrow"})), "/issued_on", "Tomorrow is not a date"),
        (of(json!({"surprise": 1})), "/surprise", "surprise"),
    ] {
        let refused = farm.post("/api/invoices", body.clone()).await;
        ensure!((400..500).contains(&refused.status), "{body}: {} {}", refused.status, refused.text);
        ensure!(refused.text.contains(said), "{body}: {}", refused.text);
        ensure!(pointer.is_empty() || refused.text.contains(&format!("\"{pointer}\"")), "{body}: {}", refused.text);
    }
    ensure!(invoice(&farm, &[&docket]).await["invoice"] == "INV-1", "no number was used up");
    let again = farm.post("/api/invoices", of(json!({}))).await;
    ensure!(again.status == 422 && again.text.contains("left to invoice"), "{}", again.text);
    farm.pass(TimeDelta::days(3));
    farm.create("/api/invoices", json!({"customer": "PLUM", "extras": extra("1")})).await;
    let before = json!({"customer": "PLUM", "extras": extra("1"), "issued_on": "2026-05-06"});
    let before = farm.post("/api/invoices", before).await;
    ensure!(before.status == 422 && before.text.contains("days go up with the numbers"), "{}", before.text);
    Ok(())
}

#[tokio::test]
async fn money_is_for_the_owner_and_the_bookkeeper_by_their_own_sign_in() -> Result<()> {
    let farm = Farm::new().await?;
    let docket = farm.docket_of(1000).await;
    let body = json!({"customer": "PLUM", "dockets": [docket]});
    for role in ["picker", "driver", "verifier"] {
        let who = farm.person(role).await;
        ensure!(farm.post_as(&who, "/api/invoices", body.clone()).await.status == 403, "{role}");
        for path in
            ["/api/invoices", "/api/receivables", "/api/payments", "/api/reports/journal", "/money", "/invoices"]
        {
            ensure!(farm.ask(&who, "GET", path, &[], None).await.status == 403, "{role} {path}");
        }
    }
    let shared = farm.sign_in_on_shared_phone("ada").await;
    let refused = farm.post_as(&shared, "/api/invoices", body.clone()).await;
    ensure!(refused.status == 403 && refused.text.contains("own sign-in"), "{}", refused.text);
    let bookkeeper = farm.person("bookkeeper").await;
    farm.post_as(&bookkeeper, "/api/invoices", body).await.expect(201);
    ensure!(farm.ask(&bookkeeper, "GET", "/money", &[], None).await.status == 200);
    Ok(())
}

/// ISO 4217: the yen has no decimals, the Tunisian dinar three.
#[tokio::test]
async fn a_currency_has_the_decimals_that_it_has() -> Result<()> {
    for (currency, net, tax, too_fine) in [("JPY", "1001", "55", "1001.5"), ("TND", "1.001", "0.055", "1.0005")] {
        let start = chrono::DateTime::parse_from_rfc3339("2026-05-04T06:00:00Z")?.to_utc();
        let farm = Farm::bare_in(chrono_tz::Europe::Paris, currency, start).await?;
        farm.set_up().await;
        let body =
            |net: &str| json!({"customer": "PLUM", "extras": [{"description": "x", "net": net, "tax_percent": "5.5"}]});
        let issued = farm.create("/api/invoices", body(net)).await;
        ensure!(issued["tax"] == tax && issued["net"] == net, "{issued}");
        ensure!(sum(&issued["total"]) == net.parse::<Decimal>()? + tax.parse::<Decimal>()?, "{issued}");
        ensure!(farm.post("/api/invoices", body(too_fine)).await.status == 422);
        let paid = json!({"customer": "PLUM", "amount": too_fine, "method": "cash"});
        ensure!(farm.post("/api/payments", paid).await.status == 422);
    }
    Ok(())
}

/// UBL against the OASIS schemas and EN 16931's arithmetic, with names that XML has to escape; by another rule there is none, and it says why.
#[tokio::test]
async fn ubl_holds_against_its_schema_and_its_sums() -> Result<()> {
    let farm = Farm::new().await?;
    let version = farm.get("/api/customers/PLUM").await["version"].to_string();
    let hostile = json!({"name": "Plum <&\"'> ]]> Door", "address": "A & B\n<Lane> 3", "tax_number": "X&1"});
    farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", &format!("\"{version}\""))], Some(hostile))
        .await
        .expect(200);
    let (first, second) = (farm.docket_of(1235).await, farm.docket_of(985).await);
    let extras = json!([{"description": "Delivery & <crates>", "net": "4.50", "tax_percent": "21"}, {"description": "Gift", "net": "0.01"}]);
    let body = json!({"customer": "PLUM", "dockets": [first, second], "extras": extras, "note": "Order <7> & thanks"});
    farm.create("/api/invoices", body).await;
    let credited = json!([{"line": 1, "grams_g": 333}, {"line": 2, "net": "1.00"}, {"line": 3, "net": "2.25"}]);
    farm.create("/api/credit-notes", json!({"invoice": "INV-1", "lines": credited, "reason": "Bruised & <late>"}))
        .await;
    // One order of theirs, then two, one of them without a number; and what is taken off of the first.
    let one = farm.docket_ordered_as("PO <4711> & 3", "PLUM", 700).await;
    ensure!(invoice(&farm, &[&one]).await["lines"][0]["order_reference"] == "PO <4711> & 3");
    let (two, none) = (farm.docket_ordered_as("4712", "PLUM", 400).await, farm.docket_of(300).await);
    invoice(&farm, &[&two, &none]).await;
    let credited = json!({"invoice": "INV-2", "lines": [{"line": 1, "grams_g": 100}], "reason": "Soft"});
    farm.create("/api/credit-notes", credited).await;
    // Known by their countries and electronic addresses, and exempt for a reason: from then on.
    let version = farm.get("/api/farm").await["version"].to_string();
    let known = json!({"country": "SE", "electronic_address": "0088:7300010000001", "exemption_reason": "Small <business> & exempt"});
    farm.ask(&farm.owner, "PATCH", "/api/farm", &[("if-match", &format!("\"{version}\""))], Some(known))
        .await
        .expect(200);
    let version = farm.get("/api/customers/PLUM").await["version"].to_string();
    let known = json!({"country": "FR", "electronic_address": "9957:FR12345678901"});
    farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", &format!("\"{version}\""))], Some(known))
        .await
        .expect(200);
    let exempt = json!({"customer": "PLUM", "extras": [{"description": "Gift", "net": "3.00"}, {"description": "Crate", "net": "2.00", "tax_percent": "21"}]});
    let exempt = farm.create("/api/invoices", exempt).await;
    ensure!(exempt["exemption_reason"] == "Small <business> & exempt", "{exempt}");
    ensure!(farm.get("/api/invoices/INV-1").await["exemption_reason"] == "", "it is issued");
    let credit = json!({"invoice": "INV-4", "lines": [{"line": 1, "net": "1.00"}], "reason": "Less"});
    farm.create("/api/credit-notes", credit).await;
    let taxed = json!({"invoice": "INV-4", "lines": [{"line": 2, "net": "1.00"}], "reason": "Less"});
    let taxed = farm.create("/api/credit-notes", taxed).await;
    ensure!(taxed["exemption_reason"] == "", "all of it is taxed: {taxed}");
    let page = farm.raw("GET", "/invoices/INV-4", &[("accept", "text/html")], Vec::new()).await;
    ensure!(page.text.contains("No tax: Small &#60;business&#62; &#38; exempt"), "{}", page.text);
    let mut documents = Vec::new();
    for code in ["INV-1", "CN-1", "INV-2", "INV-3", "CN-2", "INV-4", "CN-3", "CN-4"] {
        let xml = farm.raw("GET", &format!("/api/invoices/{code}/ubl"), &[], Vec::new()).await;
        ensure!(xml.status == 200 && xml.headers["content-type"] == "application/xml", "{}", xml.text);
        documents.push(json!({"xml": xml.text, "told": farm.get(&format!("/api/invoices/{code}")).await}));
    }
    let output = python("ubl.py", &Value::from(documents).to_string())?;
    ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    ensure!(String::from_utf8(output.stdout)?.trim() == "8", "all were read");
    let page = farm.raw("GET", "/invoices/INV-3", &[("accept", "text/html")], Vec::new()).await;
    ensure!(page.text.matches(", order 4712").count() == 1, "{}", page.text);
    let page = farm.raw("GET", "/invoices/INV-2", &[("accept", "text/html")], Vec::new()).await;
    ensure!(page.text.contains("order PO &#60;4711&#62; &#38; 3"), "{}", page.text);
    let version = farm.get("/api/farm").await["version"].to_string();
    let rule = json!({"tax_by": "line"});
    farm.ask(&farm.owner, "PATCH", "/api/farm", &[("if-match", &format!("\"{version}\""))], Some(rule))
        .await
        .expect(200);
    let extras = vec![json!({"description": "x", "net": "0.10", "tax_percent": "5"}); 3];
    farm.create("/api/invoices", json!({"customer": "PLUM", "extras": extras})).await;
    let none = farm.raw("GET", "/api/invoices/INV-5/ubl", &[], Vec::new()).await;
    ensure!(none.status == 404 && none.text.contains("worked out otherwise"), "{}", none.text);
    for (field, wrong) in [("country", "Sweden"), ("country", "ZZ"), ("electronic_address", "7300010000001")] {
        let refused = json!({field: wrong});
        let version = farm.get("/api/customers/PLUM").await["version"].to_string();
        let version = format!("\"{version}\"");
        let refused =
            farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", &version)], Some(refused)).await;
        refused.ensure_problem(422, "invalid", Some(&format!("/{field}")));
    }
    Ok(())
}

/// What customers kept of goods is worth what it was rounded to.
#[tokio::test]
async fn the_rule_of_rounding_stays_once_goods_went_out() -> Result<()> {
    let farm = Farm::new().await?;
    let change = async |rounding: &str| {
        let version = farm.get("/api/farm").await["version"].to_string();
        let body = json!({"rounding": rounding});
        farm.ask(&farm.owner, "PATCH", "/api/farm", &[("if-match", &format!("\"{version}\""))], Some(body)).await
    };
    ensure!(change("half_even").await.status == 200);
    farm.docket_of(1000).await;
    ensure!(change("half_even").await.status == 200, "the same is no change");
    let refused = change("half_up").await;
    ensure!(refused.status == 422 && refused.text.contains("It stays"), "{}", refused.text);
    Ok(())
}

#[tokio::test]
async fn a_run_invoices_everybody_of_what_they_had_by_a_day() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/customers", json!({"customer": "CAFE", "name": "Café", "kind": "shop", "price_list": "TABLE"}))
        .await;
    let first = farm.docket_for("PLUM", 1000).await;
    let cafe = farm.docket_for("CAFE", 2000).await;
    farm.pass(TimeDelta::days(1));
    let later = farm.docket_for("PLUM", 3000).await;
    let run = farm.create("/api/invoice-runs", json!({"until": "2026-05-04"})).await;
    // 17.50 and 35.00, each with its 5.5 per cent (0.9625, 1.925).
    ensure!(run == json!({"invoices": ["INV-1", "INV-2"], "total": "55.39"}), "{run}");
    let docket_of =
        async |invoice: &str| farm.get(&format!("/api/invoices/{invoice}")).await["lines"][0]["docket"].clone();
    ensure!((docket_of("INV-1").await, docket_of("INV-2").await) == (json!(cafe), json!(first)), "by customer");
    let again = farm.post("/api/invoice-runs", json!({"until": "2026-05-04"})).await;
    ensure!(again.status == 422 && again.text.contains("waits for an invoice"), "{}", again.text);
    let early = farm.post("/api/invoice-runs", json!({"until": "2026-06-04"})).await;
    ensure!(early.status == 422 && early.text.contains("still to come"), "{}", early.text);
    farm.create("/api/invoice-runs", json!({})).await;
    ensure!(docket_of("INV-3").await == json!(later));
    Ok(())
}
