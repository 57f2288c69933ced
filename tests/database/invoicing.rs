//! Money by the service's role in plain SQL: what is issued stands, and adds up or is not there.

use anyhow::Result;
use gillbook_store::check::check;
use gillbook_testkit::Farm;
use serde_json::{Value, json};
use sqlx::{Connection, PgConnection};

use super::{call, on_farm, run};

/// A document with some of its members changed.
fn with(document: &Value, changes: Value) -> Value {
    let mut changed = document.clone();
    if let (Value::Object(changed), Value::Object(changes)) = (&mut changed, changes) {
        changed.extend(changes);
    }
    changed
}

#[tokio::test]
async fn the_services_role_cannot_rewrite_money_or_write_it_by_itself() -> Result<()> {
    let farm = Farm::new().await?;
    let docket = farm.docket_of(1000).await;
    farm.create("/api/invoices", json!({"customer": "PLUM", "dockets": [docket]})).await;
    farm.create("/api/payments", json!({"customer": "PLUM", "amount": "1", "method": "cash"})).await;
    let mut db = on_farm(&farm).await?;
    for table in
        ["invoice", "invoice_line", "invoice_tax", "payment", "payment_share", "payment_reversal", "journal_line"]
    {
        for sql in [
            format!("update {table} set farm_id = farm_id"),
            format!("delete from {table}"),
            format!("insert into {table} select * from {table}"),
            format!("truncate {table}"),
        ] {
            let refused = run(&mut db, &sql).await.expect_err(&sql).to_string();
            assert!(refused.contains("permission denied"), "{sql}: {refused}");
        }
        // The owner's triggers guard what the service has no privilege for.
        let mut owner = PgConnection::connect_with(&farm.admin).await?;
        let refused = run(&mut owner, &format!("update {table} set farm_id = farm_id")).await.expect_err(table);
        assert!(refused.to_string().contains("is a record"), "{table}: {refused}");
    }
    for sql in [
        "call book(1, 'X', 'invoice', 'PLUM', '2026-05-04', array['bank'], array[1]::numeric[])",
        "select next_number(1, 'invoice')",
    ] {
        let refused = run(&mut db, sql).await.expect_err(sql).to_string();
        assert!(refused.contains("permission denied"), "{sql}: {refused}");
    }
    Ok(())
}

#[tokio::test]
async fn a_document_adds_up_or_is_not_there() -> Result<()> {
    let farm = Farm::new().await?;
    let n = farm.id.0;
    let (billed, free) = (farm.docket_of(1000).await, farm.docket_of(1000).await);
    farm.create("/api/invoices", json!({"customer": "PLUM", "dockets": [billed]})).await;
    let other = farm.beside("eve").await?;
    let mut db = on_farm(&farm).await?;
    let line = json!({"line": 1, "docket": free, "docket_line": 1, "order_reference": "", "description": "OY", "grams": 1000, "tax_percent": "5.5", "net": "17.50", "goods": "17.50"});
    let tax = json!({"tax_percent": "5.5", "net": "17.50", "tax": "0.96"});
    let invoice = json!({
        "kind": "invoice", "customer": "PLUM", "issued_on": "2026-05-04", "due_on": "2026-05-18", "seller_name": "", "seller_address": "",
        "seller_tax_number": "", "payment_details": "", "buyer_name": "", "buyer_address": "", "buyer_tax_number": "", "seller_country": "", "seller_electronic_address": "", "buyer_country": "", "buyer_electronic_address": "", "paper_size": "a4", "exemption_reason": "", "currency": "EUR",
        "tax_name": "tax", "note": "", "net": "17.50", "tax": "0.96", "total": "18.46", "recorded_at": "2026-05-04T06:00:00Z",
        "issued_by": "ada", "lines": [line], "taxes": [tax],
    });
    let note = with(&invoice, json!({"kind": "credit_note", "corrects": "INV-1"}));
    let of_line = |changes: Value| with(&line, changes);
    let corrects = json!({"corrects": "INV-1", "corrects_line": 1, "docket": billed});
    for (broken, document) in [
        ("invoice_total_adds_up", with(&invoice, json!({"total": "18.47"}))),
        ("invoice_adds_up", with(&invoice, json!({"net": "17.49", "total": "18.45"}))),
        ("invoice_adds_up", with(&invoice, json!({"taxes": [with(&tax, json!({"net": "17.40"}))]}))),
        ("invoice_adds_up", with(&invoice, json!({"taxes": [with(&tax, json!({"tax": "0.97"}))]}))),
        ("invoice_has_lines", with(&invoice, json!({"net": "0", "tax": "0", "total": "0", "lines": [], "taxes": []}))),
        ("invoice_line_once", with(&invoice, json!({"lines": [of_line(json!({"docket": billed}))]}))),
        ("invoice_line_once", with(&invoice, json!({"lines": [of_line(json!({"grams": 1001}))]}))),
        ("invoice_docket_its_own", with(&invoice, json!({"customer": "SATURDAY"}))),
        (
            "invoice_docket_its_own",
            with(
                &invoice,
                json!({"lines": [of_line(json!({"tax_percent": "99"}))], "taxes": [with(&tax, json!({"tax_percent": "99"}))]}),
            ),
        ),
        ("invoice_currency_its_own", with(&invoice, json!({"currency": "USD"}))),
        ("invoice_days_go_up", with(&invoice, json!({"issued_on": "2026-05-03"}))),
        ("invoice_net_range", with(&invoice, json!({"net": "NaN", "tax": "NaN", "total": "NaN"}))),
        ("invoice_line_goods_range", with(&invoice, json!({"lines": [of_line(json!({"goods": "17.00"}))]}))),
        ("invoice_line_docket_fk", with(&invoice, json!({"lines": [of_line(json!({"docket": "D-99"}))]}))),
        ("invoice_corrects_whole", with(&invoice, json!({"corrects": "INV-1"}))),
        ("credit_note_its_own", note.clone()),
        ("credit_note_its_own", with(&note, json!({"lines": [with(&line, with(&corrects, json!({"docket": free})))]}))),
        (
            "credit_note_within_invoice",
            with(
                &note,
                json!({
                    "net": "17.51", "total": "18.47", "taxes": [with(&tax, json!({"net": "17.51"}))],
                    "lines": [with(&line, with(&corrects, json!({"net": "17.51"})))],
                }),
            ),
        ),
        (
            "credit_note_within_invoice",
            with(
                &note,
                json!({
                    "tax": "0.97", "total": "18.47", "taxes": [with(&tax, json!({"tax": "0.97"}))], "lines": [with(&line, corrects.clone())],
                }),
            ),
        ),
    ] {
        let refused = call(&mut db, "post_invoice", n, &document).await.expect_err(broken).to_string();
        assert!(refused.contains(broken), "{broken}: {refused}");
    }
    let payment = json!({"customer": "PLUM", "paid_on": "2026-05-04", "amount": "5", "method": "cash", "reference": "", "recorded_at": "2026-05-04T06:00:00Z", "entered_by": "ada"});
    let share = |invoice: &str, amount: &str| json!({"shares": [{"invoice": invoice, "amount": amount}]});
    for (broken, document) in [
        ("payment_covers_shares", with(&payment, share("INV-1", "5.01"))),
        ("payment_share_within_invoice", with(&payment, with(&share("INV-1", "18.47"), json!({"amount": "20"})))),
        ("payment_share_within_invoice", with(&payment, with(&share("INV-1", "1"), json!({"customer": "SATURDAY"})))),
        ("payment_covers_shares", with(&payment, json!({"method": "write_off"}))),
        ("payment_covers_shares", with(&payment, json!({"amount": "0"}))),
        ("payment_amount_range", with(&payment, json!({"amount": "NaN"}))),
        ("payment_method_known", with(&payment, json!({"method": "shells"}))),
    ] {
        let refused = call(&mut db, "post_payment", n, &document).await.expect_err(broken).to_string();
        assert!(refused.contains(broken), "{broken}: {refused}");
    }
    // Nothing is written to another farm.
    for (function, document) in [("post_invoice", &invoice), ("post_payment", &payment)] {
        assert!(call(&mut db, function, other.id.0, document).await.is_err(), "{function}");
    }
    call(&mut db, "post_invoice", n, &invoice).await?;
    assert_eq!(farm.get("/api/invoices/INV-2").await["total"], "18.46", "no number was used up");
    assert_eq!(check(&farm.admin.clone().username("gillbook_audit")).await?, []);
    Ok(())
}
