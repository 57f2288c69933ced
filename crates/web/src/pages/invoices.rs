//! Invoices and credit notes: the list, one of them, and what is taken off one.

use askama::Template;
use axum::{extract::State, response::Response};
use gillbook_core::{
    Grams,
    kinds::PriceUnit,
    party::Party,
    selling::{
        credit_note::{CreditLine, NewCreditNote},
        invoice::{Invoice, InvoiceKind, InvoiceLine},
    },
    text::InvoiceCode,
};
use gillbook_documents::invoice as paper;
use gillbook_store::{Pagination, Result as StoreResult, Tx, farm::farms::Farm};
use rust_decimal::Decimal;

use super::{
    Html, Layout,
    act::{ActPage, first},
    amount, as_money, count, date, exact_kg, g,
    resource::Resource,
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

/// The list of them, which is looked through like any other.
pub(super) struct Invoices;

impl Resource for Invoices {
    const PATH: &'static str = "/invoices";
    const TITLE: &'static str = "Invoices and credit notes";
    const ADD: &'static str = "";
    const CODE: &'static str = "invoice";
    const SETTLED: &'static [&'static str] = &[];
    type Item = Invoice;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Invoice>> {
        tx.invoices(None, page).await
    }

    fn code(invoice: &Invoice) -> String {
        invoice.invoice.to_string()
    }

    fn line(i: &Invoice) -> (String, String) {
        let name = format!("{}, {}", i.invoice, i.buyer.name);
        (name, format!("{}, {}: {} {}, {}", i.customer, date(i.issued_on), amount(i.total), i.currency, status(i)))
    }

    async fn fields(_: &mut Tx, _: &Farm) -> StoreResult<Vec<Field>> {
        Ok(Vec::new())
    }
}

/// How an invoice stands, in a word or two.
fn status(i: &Invoice) -> String {
    match (i.kind, &i.corrects) {
        (InvoiceKind::CreditNote, Some(corrects)) => format!("for {corrects}"),
        _ if !i.open.is_zero() && (i.paid + i.credited).is_zero() => "open".into(),
        _ if !i.open.is_zero() => format!("{} open", amount(i.open)),
        _ if i.paid.is_zero() && !i.credited.is_zero() => "credited".into(),
        _ if i.paid + i.credited > i.total => {
            format!("paid, {} of it to their credit", amount(i.paid + i.credited - i.total))
        }
        _ => "paid".into(),
    }
}

/// What the document is called, at the beginning of a line.
pub(super) const fn word(kind: InvoiceKind) -> &'static str {
    match kind {
        InvoiceKind::Invoice => "Invoice",
        InvoiceKind::CreditNote => "Credit note",
    }
}

#[derive(Template)]
#[template(path = "invoice.html")]
pub(super) struct InvoicePage {
    head: Layout,
    word: &'static str,
    of: Invoice,
    about: String,
    lines: Vec<PageLine>,
    taxes: Vec<(String, String)>,
    net: String,
    total: String,
    open: Option<String>,
    has_ubl: bool,
    can_email: bool,
    can_credit: bool,
}

struct PageLine {
    description: String,
    docket: Option<String>,
    delivered_on: String,
    grams: String,
    price: String,
    net: String,
    credited: Option<String>,
}

fn page_line(l: &InvoiceLine) -> PageLine {
    let packs = l.packs.map_or_else(String::new, |n| format!(", {}", count(n, "pack")));
    PageLine {
        description: format!("{}{packs}", l.description),
        docket: l.docket.as_ref().map(ToString::to_string),
        delivered_on: l.delivered_on.map_or_else(String::new, |day| format!("{}{}", date(day), order_of(l))),
        grams: if l.grams_g > Grams::ZERO { g(l.grams_g) } else { String::new() },
        price: l
            .price
            .zip(l.unit)
            .filter(|_| l.grams_g > Grams::ZERO)
            .map_or_else(String::new, |(price, unit)| format!("{} / {unit}", as_money(price, l.net.scale()))),
        net: amount(l.net),
        credited: (!l.credited_net.is_zero()).then(|| format!("{} credited", amount(l.credited_net))),
    }
}

pub(super) async fn get_invoice(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<InvoiceCode>,
) -> Result<Html<InvoicePage>, Problem> {
    let (farm, of) = read_tx!(app, who, |tx| Ok((tx.farm().await?, tx.invoice(&code).await?)))?;
    let head = Layout::new(&farm, &who, "/money");
    let left = of.lines.iter().any(|l| l.credited_net < l.net);
    let due = match of.kind {
        InvoiceKind::Invoice => format!(", due {}", date(of.due_on)),
        InvoiceKind::CreditNote => String::new(),
    };
    Ok(Html(InvoicePage {
        word: word(of.kind),
        about: format!("{}, {}{due}. {}.", of.buyer.name, date(of.issued_on), capital(&status(&of))),
        lines: of.lines.iter().map(page_line).collect(),
        taxes: of
            .taxes
            .iter()
            .map(|t| (format!("{} {} % of {}", of.tax_name, t.tax_percent, amount(t.net)), amount(t.tax)))
            .collect(),
        net: amount(of.net),
        total: amount(of.total),
        open: (of.kind == InvoiceKind::Invoice && of.open != of.total).then(|| amount(of.open)),
        can_email: app.settings.sends_email && head.may("GET", "/invoices/{invoice}/email"),
        has_ubl: gillbook_documents::ubl::invoice(&of).is_ok(),
        can_credit: of.kind == InvoiceKind::Invoice && left && head.may("GET", "/invoices/{invoice}/credit"),
        head,
        of,
    }))
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(char::to_uppercase);
    first.into_iter().flatten().chain(letters).collect()
}

async fn credit_page(app: &App, who: &Authenticated, code: &InvoiceCode) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let of = tx.invoice(code).await?;
        let over = tx.to_invoice(&of.customer).await?;
        let back = format!("/invoices/{code}");
        let page =
            ActPage::new(Layout::new(&farm, who, "/money"), format!("Credit note for {code}"), (&back, "The invoice"))
                .about("An invoice is never changed. Say what is taken off it: goods by their weight, or an amount.")
                .or_nothing("All of it is credited already, or it is a credit note itself.");
        let left: Vec<&InvoiceLine> =
            of.lines.iter().filter(|l| l.credited_net < l.net || l.credited_g < l.grams_g).collect();
        if of.kind == InvoiceKind::CreditNote || left.is_empty() {
            return Ok(page);
        }
        let mut fields = vec![Field::hidden("invoice", code.to_string())];
        for line in left {
            let name = |field: &str| format!("lines/{}/{field}", line.line);
            let docket = line.docket.as_ref().map_or_else(String::new, |d| format!(", {d}"));
            fields.push(Field::hidden_whole(name("line"), line.line));
            let left_g = line.grams_g - line.credited_g;
            if left_g > Grams::ZERO {
                let label = format!("{}{docket}, {} kg: came back, kg", line.description, exact_kg(left_g));
                let field = Field::new(name("grams_g"), label, Input::Kilograms).optional().beside();
                fields.push(match CreditLine::proposed(line, &over) {
                    Some(came_back) => field.with(exact_kg(came_back)).hint("by the return"),
                    None => field,
                });
            }
            let label = if left_g > Grams::ZERO {
                format!(
                    "or taken off its {}, {} before {}",
                    amount(line.net - line.credited_net),
                    of.currency,
                    of.tax_name
                )
            } else {
                let left = amount(line.net - line.credited_net);
                format!("{}{docket}: taken off its {left}, {} before {}", line.description, of.currency, of.tax_name)
            };
            fields.push(Field::new(name("net"), label, Input::Amount).optional().beside());
        }
        fields.push(Field::new("reason", "Why", Input::Text).hint("it stands on the credit note"));
        Ok(page.sheet("", Sheet::new(format!("/invoices/{code}/credit"), "Issue the credit note", fields)))
    })
}

pub(super) async fn get_credit(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<InvoiceCode>,
) -> Result<Html<ActPage>, Problem> {
    first(credit_page(&app, &who, &code).await)
}

pub(super) async fn post_credit(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<InvoiceCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewCreditNote| create_tx!(app, who, &form.once, |tx| tx.issue_credit_note(&new).await);
    let on = |issued: &serde_json::Value| format!("/invoices/{}", issued["invoice"].as_str().unwrap_or_default());
    credit_page(&app, &who, &code).await?.take("/credit", &form, act, on).await
}

/// Lines as they print: one for what several lots filled of a docket's product at one price and rate.
fn merged(lines: Vec<InvoiceLine>) -> Vec<InvoiceLine> {
    let mut merged: Vec<InvoiceLine> = Vec::new();
    let of = |l: &InvoiceLine| (l.docket.clone(), l.description.clone(), l.price, l.unit, l.tax_percent);
    for line in lines {
        match merged
            .last_mut()
            .filter(|last| line.docket.is_some() && line.grams_g > Grams::ZERO && of(last) == of(&line))
        {
            Some(last) => {
                last.grams_g += line.grams_g;
                last.net += line.net;
                last.packs = last.packs.zip(line.packs).map(|(a, b)| a + b);
            }
            None => merged.push(line),
        }
    }
    merged
}

/// The customer's number of the order that a line was ordered with, to stand behind its delivery.
fn order_of(line: &InvoiceLine) -> String {
    if line.order_reference.is_empty() { String::new() } else { format!(", order {}", line.order_reference) }
}

/// The document as it prints. Set away from the threads that answer requests.
pub(crate) async fn invoice_pdf(of: Invoice) -> Result<Vec<u8>, Problem> {
    let party = |p: Party| paper::Party { name: p.name, address: p.address, tax_number: p.tax_number };
    let places = of.net.scale();
    let price = |price: Decimal, unit: PriceUnit| format!("{} / {unit}", as_money(price, places));
    let order = of.order_reference().map(str::to_owned);
    let own = |l: &InvoiceLine| if order.is_none() { order_of(l) } else { String::new() };
    let lines = merged(of.lines).into_iter().map(|l| paper::Line {
        delivery: l.docket.as_ref().map(|d| match l.delivered_on {
            Some(day) => format!("{d}, {}{}", date(day), own(&l)),
            None => d.to_string(),
        }),
        description: l.description,
        packs: l.packs,
        grams: (l.grams_g > Grams::ZERO).then_some(l.grams_g),
        price: l.price.zip(l.unit).filter(|_| l.grams_g > Grams::ZERO).map(|(p, unit)| price(p, unit)),
        tax_percent: l.tax_percent.to_string(),
        net: amount(l.net),
    });
    let sheet = paper::Invoice {
        paper_size: of.paper_size,
        exemption_reason: of.exemption_reason,
        word: word(of.kind).to_owned(),
        invoice: of.invoice.to_string(),
        corrects: of.corrects.map(|c| c.to_string()),
        order: order.clone(),
        issued_on: date(of.issued_on),
        due_on: (of.kind == InvoiceKind::Invoice).then(|| date(of.due_on)),
        lines: lines.collect(),
        taxes: of
            .taxes
            .iter()
            .map(|t| paper::Tax { percent: t.tax_percent.to_string(), net: amount(t.net), tax: amount(t.tax) })
            .collect(),
        seller: party(of.seller),
        buyer: party(of.buyer),
        tax_name: capital(&of.tax_name),
        net: amount(of.net),
        tax: (of.taxes.len() > 1).then(|| amount(of.tax)),
        total: amount(of.total),
        currency: of.currency,
        payment_details: of.payment_details,
        note: match of.kind {
            InvoiceKind::Invoice => of.note,
            InvoiceKind::CreditNote => format!("Reason: {}", of.note),
        },
    };
    set(move || sheet.pdf()).await
}
