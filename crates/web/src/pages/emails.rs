//! Dockets and invoices that are sent by e-mail: what is written, and the form that sends it.

use axum::{extract::State, http::HeaderMap, response::Response};
use chrono_tz::Tz;
use gillbook_core::{
    refusal::{Refusal, RefusalKind},
    selling::{
        docket::Docket,
        email::{Email, EmailState, NewEmail},
        invoice::{Invoice, InvoiceKind},
    },
    text::{DocketCode, InvoiceCode},
};
use gillbook_documents::ubl;
use gillbook_store::{
    farm::farms::Farm,
    selling::emails::{Attachment, EmailDraft, EmailOf},
};

use super::{
    Html, Layout,
    act::{ActPage, first},
    amount, date,
    docket_sheet::{DocketPaper, despatch_advice},
    exact_kg, full_day, full_time,
    invoices::{invoice_pdf, word},
    phones::home_of,
    sheet::{Field, FormFields, Input, Sheet},
    zone_of,
};
use crate::{
    App,
    access::rule_of,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam, capital},
    problem::Problem,
    read_tx,
    respond::Document,
};

const NOT_SENT: &str =
    "No e-mail leaves from here: whoever runs this service has set no mail server. Print it, or send its link.";

/// Refuses to send to another address than the customer's own, but for who enters customers: it would go out in the farm's name.
fn ensure_may_choose(who: &Authenticated, address: &str, customers: &str) -> Result<(), Problem> {
    let may_choose =
        rule_of("PATCH", "/api/customers/{customer}").is_some_and(|rule| rule.allows.permits(who.standing));
    if may_choose || address == customers {
        return Ok(());
    }
    let detail =
        "You can send it to the address that is entered with the customer. Ask the owner of the farm for another.";
    Err(Refusal::new(RefusalKind::NotAllowed, detail).at("/to").into())
}

fn ensure_sends(app: &App) -> Result<(), Problem> {
    if app.settings.sends_email { Ok(()) } else { Err(Refusal::new(RefusalKind::Closed, NOT_SENT).into()) }
}

fn attached(document: Document) -> Attachment {
    Attachment { name: document.name, kind: document.kind.to_owned(), content: document.bytes }
}

/// What an e-mail says: the sender's own words, the document's, and who they are from. Its days are written with plain spaces.
fn body(message: &str, of: &str, farm: &Farm) -> String {
    let signed = [farm.name.as_str(), &farm.address, &farm.telephone];
    let signed = signed.into_iter().filter(|line| !line.is_empty()).collect::<Vec<_>>().join("\n");
    let parts = [message, of, &signed];
    parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("\n\n").replace('\u{a0}', " ") + "\n"
}

const fn is_attached(has_ubl: bool) -> &'static str {
    if has_ubl { "It is attached as PDF, and as UBL for your books." } else { "It is attached as PDF." }
}

fn invoice_words(of: &Invoice, has_ubl: bool) -> String {
    let due = match (of.kind, &of.corrects) {
        (InvoiceKind::CreditNote, Some(corrects)) => format!(" for {corrects}"),
        (InvoiceKind::CreditNote, None) => String::new(),
        (InvoiceKind::Invoice, _) => format!(", due {}", date(of.due_on)),
    };
    let what = format!("{} {} of {}", word(of.kind), of.invoice, date(of.issued_on));
    format!("{what}: {} {}{due}. {}", amount(of.total), of.currency, is_attached(has_ubl))
}

/// What is sent of an invoice or credit note.
pub(crate) async fn invoice_draft(
    app: &App,
    who: &Authenticated,
    code: &InvoiceCode,
    new: &NewEmail,
) -> Result<EmailDraft, Problem> {
    ensure_sends(app)?;
    let (farm, of, customer) = read_tx!(app, who, |tx| {
        let of = tx.invoice(code).await?;
        let customer = tx.customer(&of.customer).await?;
        Ok((tx.farm().await?, of, customer))
    })?;
    let address = new.address(&customer.name, &customer.email)?;
    ensure_may_choose(who, &address, &customer.email)?;
    // A document that has no UBL goes as it prints.
    let for_books = ubl::invoice(&of).ok();
    let subject = format!("{} {} of {}", word(of.kind), of.invoice, farm.name);
    let body = body(new.message.as_str(), &invoice_words(&of, for_books.is_some()), &farm);
    let name = |kind: &str| format!("{}.{kind}", of.invoice);
    let for_books = for_books.map(|bytes| Document { kind: "application/xml", name: name("xml"), bytes });
    let paper = Document { kind: "application/pdf", name: name("pdf"), bytes: invoice_pdf(of).await? };
    let attachments = [Some(paper), for_books].into_iter().flatten().map(attached).collect();
    Ok(EmailDraft { address, subject, body, attachments })
}

/// Whether a customer can open an address: one of a name of several parts over HTTPS, and none of this machine or the farm's own network.
fn is_open_to_all(home: &str) -> bool {
    let host = home.strip_prefix("https://").map(|host| host.split(':').next().unwrap_or_default());
    host.is_some_and(|host| {
        let last = host.rsplit('.').next().unwrap_or_default();
        host.contains('.')
            && !["local", "lan", "home", "internal", "localhost"].contains(&last)
            && last.parse::<u8>().is_err()
    })
}

fn docket_words(docket: &Docket, farm: &Farm, link: Option<String>) -> String {
    let grams = docket.kept_less().unwrap_or_else(|| docket.lines.iter().map(|l| l.grams_g).sum());
    let read = link.map_or_else(String::new, |link| format!("\nTo read it as it stands at any time: {link}"));
    let what = format!("{} {} of {}", capital(farm.word("docket")), docket.docket, full_day(docket.delivery_day));
    format!("{what}: {} kg. {}{read}", exact_kg(grams), is_attached(true))
}

/// What is sent of a docket, with the address at which it is read where this service is open to everybody. `home` is the service's own.
pub(crate) async fn docket_draft(
    app: &App,
    who: &Authenticated,
    code: &DocketCode,
    home: &str,
    new: &NewEmail,
) -> Result<EmailDraft, Problem> {
    ensure_sends(app)?;
    let (paper, customer, link) = read_tx!(app, who, |tx| {
        let paper = DocketPaper::read(tx, code).await?;
        let customer = tx.customer(&paper.docket.customer).await?;
        let link = tx.docket_link(&paper.docket).await?;
        Ok((paper, customer, link))
    })?;
    paper.docket.ensure_went_out()?;
    let address = new.address(&customer.name, &customer.email)?;
    ensure_may_choose(who, &address, &customer.email)?;
    let link = link.filter(|_| is_open_to_all(home)).map(|secret| format!("{home}/shared/{secret}"));
    let subject = format!("{} {code} of {}", capital(paper.farm.word("docket")), paper.farm.name);
    let body = body(new.message.as_str(), &docket_words(&paper.docket, &paper.farm, link), &paper.farm);
    let for_books = despatch_advice(app, who, code).await?;
    let paper = Document { kind: "application/pdf", name: paper.name(), bytes: paper.pdf().await? };
    Ok(EmailDraft { address, subject, body, attachments: vec![attached(paper), attached(for_books)] })
}

/// How far an e-mail is, in words.
fn state_words(email: &Email, zone: Tz) -> String {
    let time = |at: Option<_>| at.map_or_else(String::new, |at| full_time(at, zone));
    match email.state() {
        EmailState::Sent => format!("sent {}", time(email.sent_at)),
        EmailState::GivenUp => {
            format!("not delivered ({}). Send it again, or telephone: {}", time(email.given_up_at), email.trouble)
        }
        EmailState::Waiting if email.trouble.is_empty() => "on its way".to_owned(),
        EmailState::Waiting => format!("not taken yet, tried again: {}", email.trouble),
    }
}

/// The page of a document's e-mails: those that there are, and the form that writes one.
fn page(app: &App, page: ActPage, emails: &[Email], (customers, zone): (&str, Tz), action: String) -> ActPage {
    let page = emails.iter().fold(page.or_nothing(NOT_SENT), |page, email| {
        page.detail(format!("To {}", email.to), format!("{}, by {}", state_words(email, zone), email.entered_by))
    });
    if !app.settings.sends_email {
        return page;
    }
    let fields = vec![
        Field::new("to", "To", Input::Text).with(customers).optional(),
        Field::new("message", "Message", Input::Lines).hint("stands above the document's own words").optional(),
    ];
    page.sheet("", Sheet::new(action, "Send it", fields))
}

async fn invoice_page(app: &App, who: &Authenticated, code: &InvoiceCode) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let (farm, of) = (tx.farm().await?, tx.invoice(code).await?);
        let customer = tx.customer(&of.customer).await?;
        let emails = tx.emails_of(EmailOf::Invoice(code)).await?;
        let title = format!("E-mail {} {code}", word(of.kind).to_lowercase());
        let back = (format!("/invoices/{code}"), word(of.kind));
        let act = ActPage::new(Layout::new(&farm, who, "/money"), title, (&back.0, back.1));
        Ok(page(app, act, &emails, (&customer.email, zone_of(&farm)), format!("/invoices/{code}/email")))
    })
}

async fn docket_page(app: &App, who: &Authenticated, code: &DocketCode) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let (farm, docket) = (tx.farm().await?, tx.docket(code).await?);
        let customer = tx.customer(&docket.customer).await?;
        let emails = tx.emails_of(EmailOf::Docket(code)).await?;
        let back = (format!("/dockets/{code}"), capital(farm.word("docket")));
        let title = format!("E-mail {} {code}", farm.word("docket"));
        let act = ActPage::new(Layout::new(&farm, who, "/orders"), title, (&back.0, &back.1));
        Ok(page(app, act, &emails, (&customer.email, zone_of(&farm)), format!("/dockets/{code}/email")))
    })
}

pub(super) async fn get_invoice_email(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<InvoiceCode>,
) -> Result<Html<ActPage>, Problem> {
    first(invoice_page(&app, &who, &code).await)
}

pub(super) async fn post_invoice_email(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<InvoiceCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewEmail| {
        let draft = invoice_draft(&app, &who, &code, &new).await?;
        create_tx!(app, who, &form.once, |tx| tx.send_email(EmailOf::Invoice(&code), &draft).await)
    };
    let on = |_: &serde_json::Value| format!("/invoices/{code}/email");
    invoice_page(&app, &who, &code).await?.take("/email", &form, act, on).await
}

pub(super) async fn get_docket_email(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<DocketCode>,
) -> Result<Html<ActPage>, Problem> {
    first(docket_page(&app, &who, &code).await)
}

pub(super) async fn post_docket_email(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<DocketCode>,
    headers: HeaderMap,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewEmail| {
        let draft = docket_draft(&app, &who, &code, &home_of(&app, &headers), &new).await?;
        create_tx!(app, who, &form.once, |tx| tx.send_email(EmailOf::Docket(&code), &draft).await)
    };
    let on = |_: &serde_json::Value| format!("/dockets/{code}/email");
    docket_page(&app, &who, &code).await?.take("/email", &form, act, on).await
}
