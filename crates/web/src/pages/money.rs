//! Money: who owes what, and a customer's account with the forms of an invoice and of a payment.

use askama::Template;
use axum::{extract::State, response::Response};
use chrono::{Datelike, NaiveDate};
use gillbook_core::{
    selling::{
        billable::BillableLine,
        customer::Customer,
        invoice::NewInvoice,
        invoice_run::NewInvoiceRun,
        journal::JournalLine,
        payment::NewPayment,
        receivables::{Receivable, Statement, StatementKind},
    },
    text::{CustomerCode, DocketCode},
};
use gillbook_documents::statement as paper;
use gillbook_store::farm::farms::Farm;
use rust_decimal::Decimal;

use super::{
    Html, Layout,
    act::{ActPage, answer, first},
    amount, coinage_of, count, date,
    sheet::{Field, FormFields, Input, Sheet},
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    documents::set,
    extract::{KeyedForm, PathParam},
    problem::Problem,
    read_tx,
};

#[derive(Template)]
#[template(path = "money.html")]
pub(super) struct MoneyPage {
    head: Layout,
    currency: String,
    open: String,
    overdue: Option<String>,
    to_invoice: Option<String>,
    rows: Vec<Row>,
    /// The form that invoices everybody, where something waits.
    run: Option<Sheet>,
    /// The months of the journal: words, first and last day.
    months: Vec<(String, NaiveDate, NaiveDate)>,
}

struct Row {
    code: String,
    name: String,
    to_invoice: String,
    open: String,
    overdue: String,
    credit: String,
}

async fn money_page(app: &App, who: &Authenticated, refused: Option<Sheet>) -> Result<MoneyPage, Problem> {
    let (farm, today, owed) = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        Ok((farm, tx.farm_day().await?, tx.receivables().await?))
    })?;
    let shown = |sum: Decimal| (!sum.is_zero()).then(|| amount(sum));
    let blank = |sum: Decimal| shown(sum).unwrap_or_default();
    let coinage = coinage_of(&farm);
    let sum = |of: fn(&Receivable) -> Decimal| {
        let sum: Decimal = owed.iter().map(of).sum();
        coinage.map_or(sum, |c| c.round(sum))
    };
    let waits = owed.iter().any(|r| r.not_invoiced_net > Decimal::ZERO);
    Ok(MoneyPage {
        head: Layout::new(&farm, who, "/money"),
        open: amount(sum(|r| r.open)),
        overdue: shown(sum(|r| r.overdue)),
        to_invoice: shown(sum(|r| r.not_invoiced_net)),
        run: refused.or_else(|| waits.then(|| run_sheet(today))),
        rows: owed
            .iter()
            .map(|r| Row {
                code: r.customer.to_string(),
                name: r.name.clone(),
                to_invoice: blank(r.not_invoiced_net),
                open: blank(r.open),
                overdue: blank(r.overdue),
                credit: blank(r.credit),
            })
            .collect(),
        months: months(today),
        currency: farm.currency,
    })
}

/// The form that invoices everybody.
fn run_sheet(today: NaiveDate) -> Sheet {
    let until = Field::new("until", "Delivered up to", Input::Day).with(today.to_string());
    Sheet::new("/money/invoices", "Invoice all of it, one invoice a customer", vec![until])
}

pub(super) async fn get_money(State(app): State<App>, who: Authenticated) -> Result<Html<MoneyPage>, Problem> {
    Ok(Html(money_page(&app, &who, None).await?))
}

pub(super) async fn post_invoices(
    State(app): State<App>,
    who: Authenticated,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewInvoiceRun| create_tx!(app, who, &form.once, |tx| tx.run_invoices(&new).await);
    let today = read_tx!(app, who, |tx| tx.farm_day().await)?;
    let done = run_sheet(today).submit(&form, act).await;
    let again = async |refused| money_page(&app, &who, Some(refused)).await;
    Ok(answer(done, |_| "/invoices".to_owned(), again).await)
}

/// This month so far and the one before.
fn months(today: NaiveDate) -> Vec<(String, NaiveDate, NaiveDate)> {
    let first = today.with_day(1).unwrap_or(today);
    let last = first.pred_opt().unwrap_or(first);
    let named = |from: NaiveDate, until: NaiveDate| (from.format("%B %Y").to_string(), from, until);
    vec![named(first, today), named(last.with_day(1).unwrap_or(last), last)]
}

/// The form of an invoice: every docket that has something left to invoice, all of them ticked.
fn invoice_sheet(customer: &CustomerCode, farm: &Farm, lines: &[BillableLine], today: NaiveDate) -> Sheet {
    let coinage = coinage_of(farm);
    let mut dockets: Vec<(&DocketCode, NaiveDate, Decimal)> = Vec::new();
    for line in lines.iter().filter(|l| l.unbilled_g().0 > 0) {
        let net = coinage.map_or(Decimal::ZERO, |c| line.unbilled_net(c));
        match dockets.last_mut().filter(|(docket, ..)| *docket == &line.docket) {
            Some((_, _, sum)) => *sum += net,
            None => dockets.push((&line.docket, line.delivered_on, net)),
        }
    }
    let choices = dockets.iter().map(|(docket, day, net)| {
        (docket.to_string(), format!("{docket}, {}: {} {}", date(*day), amount(*net), farm.currency))
    });
    let all: Vec<String> = dockets.iter().map(|(docket, ..)| docket.to_string()).collect();
    let mut fields = vec![Field::hidden("customer", customer.to_string())];
    if !dockets.is_empty() {
        let without = format!("without {}", farm.tax_name);
        fields.push(
            Field::new("dockets", "What was delivered", Input::Several)
                .hint(without)
                .with(all.join("\n"))
                .of(choices)
                .optional(),
        );
    }
    fields.extend([
        Field::new("extras/1/description", "Something else, such as delivery", Input::Text).of_any_rows(),
        Field::new("extras/1/net", format!("Amount without {}, {}", farm.tax_name, farm.currency), Input::Amount)
            .of_any_rows()
            .half(),
        Field::new("extras/1/tax_percent", format!("{} on it, %", farm.tax_name), Input::Amount).of_any_rows().half(),
        Field::new("note", "Note on the invoice", Input::Text).hint("their order number, thanks").optional(),
        Field::new("issued_on", "Invoice date", Input::Day).with(today.to_string()),
    ]);
    Sheet::new(format!("/customers/{customer}/invoice"), "Issue the invoice", fields)
}

const METHODS: [(&str, &str); 4] =
    [("bank_transfer", "Bank transfer"), ("cash", "Cash"), ("card", "Card"), ("write_off", "Not paid: written off")];

/// The form of a payment.
fn payment_sheet(customer: &CustomerCode, farm: &Farm, account: &Statement, today: NaiveDate) -> Sheet {
    let open = &account.open_invoices;
    let owed: Decimal = open.iter().map(|i| i.open).sum();
    let amount_field = Field::new("amount", format!("Amount, {}", farm.currency), Input::Amount);
    let amount_field = if account.credit.is_zero() || owed.is_zero() {
        amount_field
    } else {
        amount_field.hint(format!("0 uses their credit of {} alone", amount(account.credit)))
    };
    let mut fields = vec![
        Field::hidden("customer", customer.to_string()),
        if owed.is_zero() { amount_field } else { amount_field.offered(owed.to_string(), "all of it") },
        Field::new("method", "How", Input::Touch).with("bank_transfer").of_words(&METHODS),
        Field::new("paid_on", "Date of the payment", Input::Day).with(today.to_string()),
        Field::new("reference", "Reference", Input::Text).optional(),
    ];
    for (n, invoice) in open.iter().enumerate() {
        let name = |field: &str| format!("shares/{}/{field}", invoice.invoice);
        let label =
            format!("Of it for {}, due {}: {} open", invoice.invoice, date(invoice.due_on), amount(invoice.open));
        let field = Field::new(name("amount"), label, Input::Amount).optional().beside();
        fields.extend([
            Field::hidden(name("invoice"), invoice.invoice.to_string()),
            if n == 0 {
                field.hint("left empty, what is due first is paid first; named here, the rest is their credit")
            } else {
                field
            },
        ]);
    }
    Sheet::new(format!("/customers/{customer}/payment"), "Enter the payment", fields)
}

async fn account_page(app: &App, who: &Authenticated, code: &CustomerCode) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let today = tx.farm_day().await?;
        let customer = tx.customer(code).await?;
        let lines = tx.to_invoice(code).await?;
        let account = tx.statement(code, None, None).await?;
        let money = |sum: Decimal| format!("{} {}", amount(sum), farm.currency);
        let mut page = ActPage::new(Layout::new(&farm, who, "/money"), customer.name.clone(), ("/money", "Money"))
            .detail("Owes", money(account.ageing.open()));
        for (words, sum) in [
            ("Overdue up to 30 days", account.ageing.days_1_to_30),
            ("Overdue 31 to 60 days", account.ageing.days_31_to_60),
            ("Overdue 61 to 90 days", account.ageing.days_61_to_90),
            ("Overdue over 90 days", account.ageing.over_90_days),
            ("To their credit", account.credit),
        ] {
            if !sum.is_zero() {
                page = page.detail(words, money(sum));
            }
        }
        page = page.detail("Invoices are due", format!("after {}", count(customer.payment_days.into(), "day")));
        for invoice in &account.open_invoices {
            let words = format!("{}, due {}: {} open", invoice.invoice, date(invoice.due_on), money(invoice.open));
            page = page.link(format!("/invoices/{}", invoice.invoice), words);
        }
        for invoice in over_invoiced(tx, &lines).await? {
            page =
                page.link(format!("/invoices/{invoice}/credit"), format!("Goods of {invoice} came back: credit them"));
        }
        page = page
            .link(format!("/invoices?q={code}"), "All invoices and credit notes")
            .link(format!("/payments?q={code}"), "All payments")
            .link(format!("/api/customers/{code}/statement/pdf"), "Statement of this year (PDF)");
        if !farm.is_ready_for_invoices() && page.head.may("POST", "/settings/farm") {
            page = page.link(
                "/settings",
                "Your address or how you are paid is missing: add it under Settings before you invoice",
            );
        }
        let to_invoice = lines.iter().any(|l| l.unbilled_g().0 > 0);
        let invoice = (
            if to_invoice {
                "Invoice what was delivered"
            } else {
                "Invoice something else: all that was delivered is invoiced"
            },
            invoice_sheet(code, &farm, &lines, today),
        );
        let payment = ("Record a payment", payment_sheet(code, &farm, &account, today));
        // What is to be done first stands first.
        let sheets = if to_invoice { [invoice, payment] } else { [payment, invoice] };
        Ok(sheets.into_iter().fold(page, |page, (heading, sheet)| page.sheet(heading, sheet)))
    })
}

/// Invoices of which goods came back since.
async fn over_invoiced(
    tx: &mut gillbook_store::Tx,
    lines: &[BillableLine],
) -> gillbook_store::Result<std::collections::BTreeSet<String>> {
    let mut invoices = std::collections::BTreeSet::new();
    for line in lines.iter().filter(|l| l.unbilled_g().0 < 0) {
        invoices.extend(tx.invoices_of(&line.docket).await?.into_iter().map(|i| i.to_string()));
    }
    Ok(invoices)
}

pub(super) async fn get_account(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<CustomerCode>,
) -> Result<Html<ActPage>, Problem> {
    first(account_page(&app, &who, &code).await)
}

pub(super) async fn post_invoice(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<CustomerCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewInvoice| create_tx!(app, who, &form.once, |tx| tx.issue_invoice(&new).await);
    let on = |issued: &serde_json::Value| format!("/invoices/{}", issued["invoice"].as_str().unwrap_or_default());
    account_page(&app, &who, &code).await?.take("/invoice", &form, act, on).await
}

pub(super) async fn post_payment(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<CustomerCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewPayment| create_tx!(app, who, &form.once, |tx| tx.enter_payment(&new).await);
    let on = |paid: &serde_json::Value| format!("/payments/{}", paid["payment"].as_str().unwrap_or_default());
    account_page(&app, &who, &code).await?.take("/payment", &form, act, on).await
}

/// The statement as it prints.
pub(crate) async fn statement_pdf(
    farm: Farm,
    customer: Customer,
    of: Statement,
    today: NaiveDate,
) -> Result<Vec<u8>, Problem> {
    // What is open is known of today: beside the balance of an earlier day it would not add up.
    let is_of_today = of.until >= today;
    let what = |kind: StatementKind, document: &str| match kind {
        StatementKind::Invoice => format!("Invoice {document}"),
        StatementKind::CreditNote => format!("Credit note {document}"),
        StatementKind::Payment => format!("Payment {document}"),
        StatementKind::PaymentReversal => format!("Payment {document} taken back"),
    };
    let overdue = |due: NaiveDate| match (of.until - due).num_days() {
        ..=0 => String::new(),
        days => format!("{} overdue", count(days, "day")),
    };
    let sheet = paper::Statement {
        customer: customer.name,
        address: customer.address,
        from: date(of.from),
        until: date(of.until),
        opening: amount(of.opening_balance),
        rows: of
            .rows
            .iter()
            .map(|r| paper::Row {
                day: date(r.day),
                what: what(r.kind, &r.document),
                debit: if r.amount > Decimal::ZERO { amount(r.amount) } else { String::new() },
                credit: if r.amount < Decimal::ZERO { amount(-r.amount) } else { String::new() },
                balance: amount(r.balance),
            })
            .collect(),
        closing: amount(of.closing_balance),
        open: of
            .open_invoices
            .iter()
            .filter(|_| is_of_today)
            .map(|i| paper::Open {
                invoice: i.invoice.to_string(),
                issued_on: date(i.issued_on),
                due_on: date(i.due_on),
                overdue: overdue(i.due_on),
                open: amount(i.open),
            })
            .collect(),
        open_sum: amount(of.ageing.open()),
        credit: (is_of_today && !of.credit.is_zero()).then(|| amount(of.credit)),
        currency: of.currency,
        payment_details: farm.payment_details.clone(),
        farm_address: farm.letterhead(),
        paper_size: farm.paper_size,
        farm: farm.name,
    };
    set(move || sheet.pdf()).await
}

/// The journal as CSV (RFC 4180).
pub(crate) fn journal_csv(lines: &[JournalLine], currency: &str) -> Result<Vec<u8>, Problem> {
    let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let heads = ["booked_on", "kind", "document", "account", "customer", "debit", "credit", "currency"];
    let written = csv.write_record(heads).and_then(|()| {
        lines.iter().try_for_each(|l| {
            let side = |amount: Decimal| if amount > Decimal::ZERO { amount.to_string() } else { String::new() };
            csv.write_record([
                l.booked_on.to_string().as_str(),
                l.kind.as_str(),
                &l.document,
                l.account.as_str(),
                l.customer.as_str(),
                &side(l.amount),
                &side(-l.amount),
                currency,
            ])
        })
    });
    written.map_err(|_| Problem::broken())?;
    csv.into_inner().map_err(|_| Problem::broken())
}
