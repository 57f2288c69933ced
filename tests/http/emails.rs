//! Dockets and invoices by e-mail: to whom, with what attached, and what the mail server said.

use std::sync::Arc;

use anyhow::{Context, Result, ensure};
use base64::{Engine, engine::general_purpose::STANDARD};
use chrono::TimeDelta;
use gillbook::notices::{Mail, Sender};
use gillbook_core::outbox::Trouble;
use gillbook_testkit::{Answer, Farm};
use gillbook_tests::{mail_server, python};
use gillbook_web::{App, Settings, router};
use serde_json::{Value, json};
use sqlx::Connection;
use uuid::Uuid;

use crate::forms::send;

/// A farm with an invoice of one docket, whose customer has an address.
async fn invoiced(farm: &Farm) -> Result<(String, String)> {
    let customer = farm.get("/api/customers/PLUM").await;
    let etag = format!("\"{}\"", customer["version"]);
    let email = json!({"email": "chef@plum.example"});
    farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", &etag)], Some(email)).await.expect(200);
    let docket = farm.docket_of(1500).await;
    let invoice = farm.create("/api/invoices", json!({"customer": "PLUM", "dockets": [docket]})).await;
    Ok((docket, invoice["invoice"].as_str().context("an invoice")?.to_owned()))
}

fn sender(url: String) -> Result<Sender> {
    Sender::new(&Mail { smtp_url: Some(url), mail_from: Some("Book <book@service.example>".into()), ..Mail::default() })
}

fn bytes(part: &Value) -> Result<Vec<u8>> {
    Ok(STANDARD.decode(part["content"].as_str().context("a part")?)?)
}

async fn document(farm: &Farm, path: &str) -> Answer {
    farm.raw("GET", path, &[], Vec::new()).await
}

#[tokio::test(flavor = "multi_thread")]
async fn an_invoice_goes_out_with_its_paper_and_its_ubl() -> Result<()> {
    let farm = Farm::new().await?;
    let (_, invoice) = invoiced(&farm).await?;
    let etag = format!("\"{}\"", farm.get("/api/farm").await["version"]);
    let own = json!({"email": "owner@farm.example", "name": "Föhr & Sons"});
    farm.ask(&farm.owner, "PATCH", "/api/farm", &[("if-match", &etag)], Some(own)).await.expect(200);
    let path = format!("/api/invoices/{invoice}/emails");
    let told = farm.post(&path, json!({"message": "Dear Kim,\nwith thanks."})).await.expect(201);
    ensure!(told["to"] == "chef@plum.example" && told["sent_at"].is_null(), "{told}");
    let (url, taken) = mail_server().await?;
    ensure!(sender(url)?.empty_outbox(&farm.store, farm.now()).await? == 1);
    let read = python("email_parts.py", &taken.await??)?;
    ensure!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    let read: Value = serde_json::from_slice(&read.stdout)?;
    ensure!(read["defects"] == json!([]), "{read}");
    let headers = &read["headers"];
    // The service's own address, in the farm's name: another's would be refused where the sender is checked.
    ensure!(
        headers["From"].as_str().is_some_and(|f| f.contains("Föhr & Sons") && f.contains("<book@service.example>"))
    );
    ensure!(headers["Reply-To"].as_str().is_some_and(|f| f.contains("<owner@farm.example>")), "{headers}");
    ensure!(headers["Subject"] == format!("Invoice {invoice} of Föhr & Sons"), "{headers}");
    let parts = read["parts"].as_array().context("parts")?;
    let shape: Vec<_> = parts.iter().map(|p| (p["type"].as_str(), p["name"].as_str())).collect();
    let (pdf, xml) = (format!("{invoice}.pdf"), format!("{invoice}.xml"));
    ensure!(
        shape
            == [
                (Some("text/plain"), None),
                (Some("application/pdf"), Some(pdf.as_str())),
                (Some("application/xml"), Some(xml.as_str()))
            ],
        "{shape:?}"
    );
    let words = String::from_utf8(bytes(&parts[0])?)?;
    let issued = farm.get(&format!("/api/invoices/{invoice}")).await;
    let total = issued["total"].as_str().context("a total")?;
    ensure!(words.starts_with("Dear Kim,") && words.contains(&format!("{total} EUR, due")), "{words}");
    ensure!(!words.contains('\u{a0}'), "a plain text has plain spaces: {words:?}");
    for (part, kind) in [(&parts[1], "pdf"), (&parts[2], "ubl")] {
        let same = document(&farm, &format!("/api/invoices/{invoice}/{kind}")).await;
        ensure!(String::from_utf8_lossy(&bytes(part)?) == same.text, "{kind} is the document");
    }
    let told = farm.get(&path).await["rows"][0].clone();
    ensure!(told["sent_at"].is_string() && told["trouble"] == "", "{told}");
    let page = document(&farm, &format!("/invoices/{invoice}/email")).await;
    ensure!(page.text.contains("To chef@plum.example") && page.text.contains("sent 4"), "{}", page.text);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_docket_is_sent_on_its_page_once_and_tried_until_it_is_taken() -> Result<()> {
    let farm = Farm::new().await?;
    let (docket, _) = invoiced(&farm).await?;
    let path = format!("/dockets/{docket}/email");
    let form = document(&farm, &path).await;
    ensure!(form.text.contains("value=\"chef@plum.example\""), "{}", form.text);
    let wrong = send(&farm, &path, Uuid::new_v4(), &[("to", "chef at plum"), ("message", "Kept")]).await?;
    ensure!(wrong.status == 422 && wrong.text.contains("is not an e-mail address"), "{}", wrong.text);
    ensure!(wrong.text.contains("Kept") && wrong.text.contains("value=\"chef at plum\""), "{}", wrong.text);
    let key = Uuid::new_v4();
    for _ in 0..2 {
        let done = send(&farm, &path, key, &[("to", "books@plum.example"), ("message", "")]).await?;
        ensure!(done.status == 303, "{}", done.text);
    }
    let listed = farm.get(&format!("/api/dockets/{docket}/emails")).await;
    ensure!(listed["rows"].as_array().map(Vec::len) == Some(1), "once: {listed}");
    // Nobody answers there; half a minute, a minute, two later it is tried again.
    let nowhere = sender("smtp://127.0.0.1:1".into())?;
    ensure!(nowhere.empty_outbox(&farm.store, farm.now()).await? == 0);
    let page = document(&farm, &path).await;
    ensure!(page.text.contains("not taken yet, tried again"), "{}", page.text);
    ensure!(nowhere.empty_outbox(&farm.store, farm.now() + TimeDelta::seconds(59)).await? == 0);
    let due = farm.store.lease_emails(8, farm.now() + TimeDelta::seconds(60)).await?;
    ensure!(due.len() == 1 && due[0].tries == 2 && due[0].reply_to.is_empty(), "{due:?}");
    // An address of this machine opens nothing at the customer's.
    ensure!(!due[0].draft.body.contains("http"), "{}", due[0].draft.body);
    let names: Vec<_> = due[0].draft.attachments.iter().map(|a| a.name.as_str()).collect();
    ensure!(names == [format!("{docket}.pdf"), format!("{docket}.xml")], "{names:?}");
    // While one has it nobody else does.
    ensure!(farm.store.lease_emails(8, farm.now() + TimeDelta::seconds(61)).await?.is_empty());
    farm.store.email_tried(&due[0], None, farm.now() + TimeDelta::seconds(61)).await?;
    // Nor is it sent by another whose lease is over.
    farm.store.email_tried(&due[0], Some(&Trouble::passing("late")), farm.now() + TimeDelta::hours(1)).await?;
    ensure!(farm.store.lease_emails(8, farm.now() + TimeDelta::days(1)).await?.is_empty());
    // What was attached is kept no longer than it waits.
    let mut db = sqlx::PgConnection::connect_with(&farm.admin).await?;
    let left: i64 = sqlx::query_scalar("select count(*) from email_attachment").fetch_one(&mut db).await?;
    ensure!(left == 0, "{left}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_sent_is_refused_with_the_remedy() -> Result<()> {
    let mut farm = Farm::new().await?;
    let docket = farm.docket_of(1500).await;
    let invoice = farm.create("/api/invoices", json!({"customer": "PLUM", "dockets": [docket]})).await;
    let invoice = invoice["invoice"].as_str().context("an invoice")?;
    let path = format!("/api/invoices/{invoice}/emails");
    farm.post(&path, json!({})).await.ensure_problem(422, "invalid", Some("/to"));
    farm.post(&path, json!({"to": "a@b.example, c@d.example"})).await.ensure_problem(422, "invalid", Some("/to"));
    farm.post(&path, json!({"to": "a@plum..example"})).await.ensure_problem(422, "invalid", Some("/to"));
    farm.post("/api/invoices/I-99/emails", json!({"to": "a@b.example"})).await.ensure_problem(404, "not-found", None);
    farm.post("/api/dockets/D-99/emails", json!({"to": "a@b.example"})).await.ensure_problem(404, "not-found", None);
    let customer = farm.get("/api/customers/PLUM").await;
    let etag = format!("\"{}\"", customer["version"]);
    let email = json!({"email": "chef@plum.example"});
    farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", &etag)], Some(email)).await.expect(200);
    for (role, of_docket, of_invoice) in
        [("driver", 201, 403), ("picker", 201, 403), ("bookkeeper", 403, 201), ("verifier", 403, 403)]
    {
        let who = farm.person(role).await;
        for (path, expected) in [(format!("/api/dockets/{docket}/emails"), of_docket), (path.clone(), of_invoice)] {
            let answer = farm.post_as(&who, &path, json!({})).await;
            ensure!(answer.status == expected, "{role} {path}: {} {}", answer.status, answer.text);
            // In the farm's name to anybody: the owner alone.
            let elsewhere = farm.post_as(&who, &path, json!({"to": "a@b.example"})).await;
            ensure!(elsewhere.status == 403, "{role} {path}: {} {}", elsewhere.status, elsewhere.text);
        }
    }
    farm.post(&path, json!({"to": "a@b.example"})).await.expect(201);
    // Another farm sees nothing of it and sends nothing of it.
    let other = farm.second("Other").await?;
    let there = farm.post_as(&other.owner, &path, json!({"to": "a@b.example"})).await;
    ensure!(there.status == 404, "{}", there.text);
    // Without a mail server the page says so, and asks for nothing.
    let now = farm.now();
    let served = |settings| router(App::new(farm.store.clone(), Arc::new(move || now), settings));
    let (silent, open) = (
        served(Settings::default()),
        served(Settings { sends_email: true, secure_cookies: true, ..Settings::default() }),
    );
    // Where the service has a name that everybody can open, the customer is given the address of the docket.
    farm.router = open;
    let headers = [("host", "book.farm.example"), ("idempotency-key", "k1"), ("content-type", "application/json")];
    let body = json!({"to": "a@b.example"}).to_string().into_bytes();
    let told = farm.raw("POST", &format!("/api/dockets/{docket}/emails"), &headers, body).await.expect(201);
    let link = "To read it as it stands at any time: https://book.farm.example/shared/";
    ensure!(told["body"].as_str().is_some_and(|body| body.contains(link)), "{told}");
    farm.router = silent;
    let page = document(&farm, &format!("/invoices/{invoice}/email")).await;
    ensure!(page.text.contains("has set no mail server") && !page.text.contains("Send it</button>"), "{}", page.text);
    farm.post(&path, json!({"to": "a@b.example"})).await.ensure_problem(409, "closed", None);
    let page = document(&farm, &format!("/invoices/{invoice}")).await;
    ensure!(!page.text.contains("/email\""), "{}", page.text);
    Ok(())
}

/// What the mail server will not take at whatever time is told at once; sent again with its key it is answered as before.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_refused_for_good_is_given_up_at_once() -> Result<()> {
    let farm = Farm::new().await?;
    let (docket, _) = invoiced(&farm).await?;
    let path = format!("/api/dockets/{docket}/emails");
    let once = [("idempotency-key", "once")];
    let first = farm.ask(&farm.owner, "POST", &path, &once, Some(json!({}))).await.expect(201);
    let due = farm.store.lease_emails(8, farm.now()).await?;
    farm.store.email_tried(&due[0], Some(&Trouble::lasting("550 no such\u{7} mailbox")), farm.now()).await?;
    ensure!(farm.store.lease_emails(8, farm.now() + TimeDelta::days(3)).await?.is_empty());
    let page = document(&farm, &format!("/dockets/{docket}/email")).await;
    ensure!(page.text.contains("not delivered") && page.text.contains("550 no such  mailbox"), "{}", page.text);
    let act = farm.get(&format!("/api/dockets/{docket}")).await["act_id"].as_str().unwrap_or_default().to_owned();
    farm.post(&format!("/api/acts/{act}/reversal"), json!({"reason": "Wrong crate"})).await;
    let again = farm.ask(&farm.owner, "POST", &path, &once, Some(json!({}))).await.expect(201);
    ensure!(again == first, "{again}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_farm_sends_so_many_a_day() -> Result<()> {
    let farm = Farm::new().await?;
    let (_, invoice) = invoiced(&farm).await?;
    let path = format!("/api/invoices/{invoice}/emails");
    farm.post(&path, json!({})).await.expect(201);
    let copies = "insert into email (farm_id, email_id, invoice, address, subject, body, entered_by, made_at, due_at)
         select farm_id, gen_random_uuid(), invoice, address, subject, body, entered_by, made_at, due_at
           from email, generate_series(1, 499)";
    let mut db = sqlx::PgConnection::connect_with(&farm.admin).await?;
    sqlx::query(copies).execute(&mut db).await?;
    farm.post(&path, json!({})).await.ensure_problem(429, "too-many", None);
    farm.pass(TimeDelta::days(1));
    farm.post(&path, json!({})).await.expect(201);
    let told = farm.get(&path).await;
    ensure!(told["rows"].as_array().map(Vec::len) == Some(50), "the last of them");
    Ok(())
}
