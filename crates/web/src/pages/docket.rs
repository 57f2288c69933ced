//! One docket: what went out, how it was handed over, what came back.

use askama::Template;
use axum::{extract::State, http::HeaderMap, response::Response};
use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    selling::{
        customer::Customer,
        delivery::NewDelivery,
        docket::{Docket, DocketLine, DocketStatus},
        payment::{Payment, received},
    },
    text::{DocketCode, InvoiceCode},
};
use gillbook_documents::signature;
use gillbook_store::{Result as StoreResult, Tx, farm::farms::Farm};
use rust_decimal::Decimal;

use super::{
    Html, Layout,
    act::answer,
    amount,
    availability::mail_to,
    count,
    days::MadeAt,
    docket_sheet::{at_the_door, came_back, door_details, on_hold, sent_warm, shortages},
    exact_kg, full_day, full_time, g,
    orders::window,
    payments::how,
    phones::{home_of, qr_code},
    sheet::{Field, FormFields, Input, Sheet},
    zone_of,
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam, capital},
    problem::Problem,
    read_tx,
};

/// The receipt of what was paid at the door, for who may see that.
const RECEIPT: &str = "/api/dockets/{docket}/receipt";

#[derive(Template)]
#[template(path = "docket.html")]
pub(super) struct DocketPage {
    head: Layout,
    made_at: MadeAt,
    docket: Docket,
    /// Where it goes, in a line.
    address: String,
    /// The customer's number as a telephone takes it (RFC 3966).
    dial: String,
    /// What the order says to who brings it, a sentence each, while it is on its way.
    to_driver: Vec<String>,
    day: String,
    word: String,
    status: String,
    lines: Vec<PaperLine>,
    grams: String,
    /// What was kept, where something was refused or came back.
    kept: Option<String>,
    shortages: Vec<String>,
    warnings: Vec<String>,
    /// The form of the hand-over, while it is to come.
    hand_over: Option<Sheet>,
    can_return: bool,
    can_email: bool,
    /// Invoices that it is on; nothing for who does not see them.
    invoices: Option<Vec<InvoiceCode>>,
    /// Who signed for it, as an SVG image.
    signature: Option<String>,
    /// Crates of the farm at the customer's, in words.
    crates_there: String,
    /// What was measured and counted at the door, in words.
    at_door: String,
    /// What it comes to, where something was paid for it.
    comes_to: String,
    /// What was paid at the door.
    paid: Vec<String>,
    /// The address at which the customer reads it without signing in.
    link: Option<CustomersLink>,
    /// Lots of which something was refused at the door: it is in the van still.
    refused: Vec<String>,
}

impl DocketPage {
    /// Whether there is a docket for their books: not of one that was taken back.
    fn has_ubl(&self) -> bool {
        self.docket.ensure_went_out().is_ok()
    }
}

/// The address at which a customer reads a docket.
struct CustomersLink {
    address: String,
    /// As a QR code.
    code: String,
    /// An e-mail that is written with it.
    mail: Option<String>,
}

struct PaperLine {
    product: String,
    lot: String,
    best_before: String,
    grams: String,
    amount: String,
    came_back: String,
}

fn paper_line(l: &DocketLine) -> PaperLine {
    let packs = l.packs.map_or_else(String::new, |n| format!(", {}", count(n, "pack")));
    PaperLine {
        product: format!("{}, grade {}{packs}", l.product_name, l.grade),
        lot: l.lot.to_string(),
        best_before: l.best_before.map_or_else(|| "—".into(), |d| d.format("%-d %b %Y").to_string()),
        grams: g(l.grams_g),
        amount: l.amount.to_string(),
        came_back: came_back(l).unwrap_or_default(),
    }
}

fn crates_words(crates: i64, customer: &str) -> String {
    match crates {
        0 => String::new(),
        1.. => format!("Crates of ours at {customer}: {crates}"),
        _ => format!("{} more came back from {customer} than we wrote down there", count(-crates, "crate")),
    }
}

pub(super) fn dial(telephone: &str) -> String {
    telephone.chars().filter(|c| c.is_ascii_digit() || *c == '+').collect()
}

fn paid_words(payment: &Payment) -> String {
    let back = if payment.reversed.is_some() { ", taken back since" } else { "" };
    format!("{} {} paid at the door, {}{back}.", amount(payment.amount), payment.currency, how(payment.method))
}

fn customers_link(home: &str, secret: &str, docket: &Docket, customer: &Customer, farm: &Farm) -> CustomersLink {
    let address = format!("{home}/shared/{secret}");
    let subject = format!("{} {} of {}", capital(farm.word("docket")), docket.docket, full_day(docket.delivery_day));
    let text = format!("{subject}, {}:\n{address}\n", farm.name);
    CustomersLink { code: qr_code(&address), mail: mail_to(&customer.email, &subject, &text), address }
}

fn refused_lots(docket: &Docket) -> Vec<String> {
    let lots = docket.lines.iter().filter(|l| l.refused_g > Grams::ZERO).map(|l| l.lot.to_string());
    lots.collect::<std::collections::BTreeSet<_>>().into_iter().collect()
}

/// What the parts of the form stand under that are seldom needed.
const REFUSED: &str = "Something was refused";
const PAID: &str = "They paid at the door";

/// What a hand-over's form knows beside the docket.
struct Door {
    /// What the docket comes to with tax.
    total: Decimal,
    /// What was paid for it already.
    paid: Decimal,
    crates_there: i64,
}

impl Door {
    async fn read(tx: &mut Tx, farm: &Farm, docket: &Docket) -> StoreResult<Self> {
        let coinage = tx.farm_settings().await?.coinage;
        let crates_there = tx.crates_at(&docket.customer, tx.now()).await?;
        let paid = received(&tx.payments_at_door(&docket.docket).await?);
        Ok(Self { total: docket.total(farm.tax_by, coinage), paid, crates_there })
    }
}

/// The hand-over. What is refused at the door is typed beside its line.
fn hand_over(docket: &Docket, door: &Door) -> Sheet {
    let how = [("in_person", "Somebody took it"), ("unattended", "Left there, nobody in")];
    let mut fields = vec![
        Field::new("hand_over", "At the door", Input::Touch).of_words(&how).with("in_person").optional(),
        Field::new("taken_by", "Taken by, or left at", Input::Text).hint("a name, or such as the back door"),
        Field::new("signature", "Signature", Input::Drawing).hint("if they sign").optional(),
        Field::new("temperature_c", "Temperature of the goods, °C", Input::Number).optional(),
        Field::new("crates_out", "Crates left there", Input::Whole).optional().half(),
        Field::new("crates_back", "Empty crates taken back", Input::Whole)
            .hint(if door.crates_there > 0 { format!("{} are there", door.crates_there) } else { String::new() })
            .optional()
            .half(),
    ];
    for line in &docket.lines {
        let name = |field: &str| format!("refused/{}/{field}", line.line);
        let label = format!(
            "Refused of {} {}, {} ({} kg), kg",
            line.product_name,
            line.grade,
            line.lot,
            exact_kg(line.grams_g)
        );
        fields.extend([
            Field::hidden_whole(name("line"), line.line).folded(REFUSED),
            Field::new(name("grams_g"), label, Input::Kilograms).of_any_rows().beside().folded(REFUSED),
            Field::new(name("reason"), "Why", Input::Text)
                .hint("bruised, too small, not ordered")
                .of_any_rows()
                .folded(REFUSED),
        ]);
    }
    fields.extend([
        Field::new("paid.amount", format!("Amount, {}", docket.currency), Input::Amount)
            .hint(to_pay(door))
            .folded(PAID),
        Field::new("paid.method", "How", Input::Choice)
            .hint("cash where none is chosen")
            .of_words(&[("cash", "Cash"), ("card", "Card")])
            .optional()
            .folded(PAID),
    ]);
    let sheet = Sheet::new(format!("/dockets/{}/delivery", docket.docket), "Save the hand-over", fields);
    sheet.or_later(format!("{} for {}: {{taken_by}}", docket.docket, docket.customer_name), Some("delivered_at"))
}

fn to_pay(door: &Door) -> String {
    let total = format!("with tax {}, less what is refused", amount(door.total));
    if door.paid.is_zero() { total } else { format!("{total}; {} is paid already", amount(door.paid)) }
}

/// Where the docket stands, in words.
fn status_words(docket: &Docket, zone: Tz) -> String {
    match (&docket.status, &docket.delivery) {
        (DocketStatus::Void, _) => "Taken back; its number is not used again.".into(),
        (DocketStatus::Delivered, Some(d)) => {
            format!("{}, {}.", at_the_door(docket, d), full_time(d.delivered_at, zone))
        }
        (DocketStatus::Delivered, None) => "Fetched by the customer.".into(),
        (DocketStatus::Dispatched, _) => {
            format!("Out for delivery since {}.", full_time(docket.dispatched_at, zone))
        }
    }
}

async fn docket_page(
    app: &App,
    who: &Authenticated,
    code: &DocketCode,
    home: &str,
    refused: Option<Sheet>,
) -> Result<DocketPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let docket = tx.docket(code).await?;
        let holds = tx.holds_of_docket(&docket).await?;
        let head = Layout::new(&farm, who, "/orders");
        let customer = tx.customer(&docket.customer).await?;
        let door = Door::read(tx, &farm, &docket).await?;
        let to_driver = if docket.status == DocketStatus::Dispatched {
            vec![window(&customer), tx.order(&docket.order).await?.note]
        } else {
            Vec::new()
        };
        let invoices = if head.may("GET", "/invoices/{invoice}") && docket.status == DocketStatus::Delivered {
            Some(tx.invoices_of(code).await?)
        } else {
            None
        };
        let signed = docket.delivery.as_ref().is_some_and(|d| d.signed);
        let signature = if signed { Some(signature::svg(&tx.signature(code).await?)) } else { None };
        let paid = if head.may("GET", RECEIPT) { tx.payments_at_door(code).await? } else { Vec::new() };
        let link = tx.docket_link(&docket).await?;
        Ok(DocketPage {
            made_at: MadeAt::new(tx.now(), zone),
            address: docket.address.lines().collect::<Vec<_>>().join(", "),
            dial: dial(&docket.telephone),
            signature,
            crates_there: crates_words(door.crates_there, &docket.customer_name),
            at_door: docket.delivery.as_ref().map(door_details).unwrap_or_default(),
            comes_to: if docket.status == DocketStatus::Delivered && !paid.is_empty() {
                format!("With tax it comes to {} {}.", amount(door.total), docket.currency)
            } else {
                String::new()
            },
            paid: paid.iter().map(paid_words).collect(),
            link: link.map(|secret| customers_link(home, &secret, &docket, &customer, &farm)),
            invoices,
            to_driver: to_driver.into_iter().filter(|said| !said.is_empty()).collect(),
            day: full_day(docket.delivery_day),
            word: farm.word("docket").to_owned(),
            status: status_words(&docket, zone),
            lines: docket.lines.iter().map(paper_line).collect(),
            grams: g(docket.lines.iter().map(|l| l.grams_g).sum()),
            kept: docket.kept_less().map(g),
            shortages: shortages(&docket),
            warnings: [on_hold(&docket, &holds), sent_warm(&docket, zone)].concat(),
            hand_over: if docket.status == DocketStatus::Dispatched && head.may("POST", "/dockets/{docket}/delivery") {
                Some(refused.clone().unwrap_or_else(|| hand_over(&docket, &door)))
            } else {
                refused.clone()
            },
            refused: if head.may("GET", "/lots/{lot}/move") { refused_lots(&docket) } else { Vec::new() },
            can_email: app.settings.sends_email
                && docket.ensure_went_out().is_ok()
                && head.may("GET", "/dockets/{docket}/email"),
            can_return: docket.status == DocketStatus::Delivered && head.may("GET", "/dockets/{docket}/return"),
            head,
            docket,
        })
    })
}

pub(super) async fn get_docket(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<DocketCode>,
    headers: HeaderMap,
) -> Result<Html<DocketPage>, Problem> {
    Ok(Html(docket_page(&app, &who, &code, &home_of(&app, &headers), None).await?))
}

pub(super) async fn post_delivery(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<DocketCode>,
    headers: HeaderMap,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    app.refresh_before_read(&who).await?;
    let (docket, door) = read_tx!(app, who, |tx| {
        let (farm, docket) = (tx.farm().await?, tx.docket(&code).await?);
        let door = Door::read(tx, &farm, &docket).await?;
        Ok((docket, door))
    })?;
    let act = async |new: NewDelivery| create_tx!(app, who, &form.once, |tx| tx.deliver(&code, &new).await);
    let done = hand_over(&docket, &door).submit(&form, act).await;
    let again = async |refused| docket_page(&app, &who, &code, &home_of(&app, &headers), Some(refused)).await;
    Ok(answer(done, |_| format!("/dockets/{code}"), again).await)
}
