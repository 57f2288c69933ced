//! One docket: what went out, how it was handed over, what came back.

use askama::Template;
use axum::{extract::State, response::Response};
use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    selling::{
        delivery::NewDelivery,
        docket::{Docket, DocketLine, DocketStatus, KITCHEN_CAUTION, packs_of},
    },
    text::{DocketCode, InvoiceCode},
};
use gillbook_documents::docket as paper;
use gillbook_store::farm::farms::Farm;
use rust_decimal::Decimal;

use super::{
    Html, Layout,
    act::answer,
    as_money, count, full_day, full_time, g, kg,
    orders::window,
    sheet::{Field, FormFields, Input, Sheet},
    zone_of,
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
#[template(path = "docket.html")]
pub(super) struct DocketPage {
    head: Layout,
    docket: Docket,
    /// What the order says to who brings it, a sentence each, while it is on its way.
    to_driver: Vec<String>,
    day: String,
    word: String,
    status: String,
    lines: Vec<PaperLine>,
    grams: String,
    /// Whether something was refused or came back.
    less: bool,
    kept: String,
    shortages: Vec<String>,
    warnings: Vec<String>,
    /// The form of the hand-over, while it is to come.
    hand_over: Option<Sheet>,
    can_return: bool,
    /// Invoices that it is on; nothing for who does not see them.
    invoices: Option<Vec<InvoiceCode>>,
    /// Lots of which something was refused at the door: it is in the van still.
    refused: Vec<String>,
}

impl DocketPage {
    /// Whether there is a docket for their books: not of one that was taken back.
    fn has_ubl(&self) -> bool {
        self.docket.status != DocketStatus::Void
    }
}

struct PaperLine {
    product: String,
    lot: String,
    best_before: String,
    grams: String,
    amount: String,
    came_back: String,
}

/// What was refused of a line or came back, in words.
fn came_back(l: &DocketLine) -> Option<String> {
    let parts = [(l.refused_g, "refused"), (l.returned_g, "came back")];
    let some = parts.iter().filter(|(grams, _)| *grams > Grams::ZERO);
    let words: Vec<String> = some.map(|(grams, word)| format!("{} g {word}", g(*grams))).collect();
    (!words.is_empty()).then(|| words.join(", "))
}

/// The tax that a docket's amounts are without, where there is any: `VAT 5.5 %`.
fn tax_left_out(docket: &Docket, tax_name: &str) -> Option<String> {
    let mut rates: Vec<Decimal> = docket.lines.iter().map(|l| l.tax_percent).filter(|r| !r.is_zero()).collect();
    rates.sort_unstable();
    rates.dedup();
    let rates: Vec<String> = rates.iter().map(|r| format!("{r} %")).collect();
    (!rates.is_empty()).then(|| format!("{tax_name} {}", rates.join(", ")))
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

fn refused_lots(docket: &Docket) -> Vec<String> {
    let lots = docket.lines.iter().filter(|l| l.refused_g > Grams::ZERO).map(|l| l.lot.to_string());
    lots.collect::<std::collections::BTreeSet<_>>().into_iter().collect()
}

/// What was ordered and did not go out.
fn shortages(docket: &Docket) -> Vec<String> {
    let short = docket.ordered.iter().filter(|o| o.short_g > Grams::ZERO && docket.status != DocketStatus::Void);
    short
        .map(|o| match o.packs.zip(packs_of(o.short_g, o)) {
            Some((ordered, short)) => {
                format!("{}: {short} short of {}", o.product_name, count(ordered.into(), "pack"))
            }
            None => format!("{}: {} kg short of {} kg", o.product_name, kg(o.short_g), kg(o.grams_g)),
        })
        .collect()
}

/// The hand-over. What is refused at the door is typed beside its line.
fn hand_over(docket: &Docket) -> Sheet {
    let mut fields = vec![
        Field::new("taken_by", "Taken by, or left at", Input::Text),
        Field::new("temperature_c", "Temperature at the door, °C", Input::Number).optional(),
        Field::new("crates_out", "Crates left there", Input::Whole).optional().half(),
        Field::new("crates_back", "Crates brought back", Input::Whole).optional().half(),
    ];
    for line in &docket.lines {
        let name = |field: &str| format!("refused/{}/{field}", line.line);
        let label = format!("Refused at the door of {}, {}, kg", line.product_name, line.lot);
        fields.extend([
            Field::hidden_whole(name("line"), line.line),
            Field::new(name("grams_g"), label, Input::Kilograms).optional().beside(),
        ]);
    }
    Sheet::new(format!("/dockets/{}/delivery", docket.docket), "Handed over", fields)
}

async fn docket_page(
    app: &App,
    who: &Authenticated,
    code: &DocketCode,
    refused: Option<Sheet>,
) -> Result<DocketPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let docket = tx.docket(code).await?;
        let head = Layout::new(&farm, who, "/orders");
        let to_driver = if docket.status == DocketStatus::Dispatched {
            vec![window(&tx.customer(&docket.customer).await?), tx.order(&docket.order).await?.note]
        } else {
            Vec::new()
        };
        let invoices = if head.may("GET", "/invoices/{invoice}") && docket.status == DocketStatus::Delivered {
            Some(tx.invoices_of(code).await?)
        } else {
            None
        };
        Ok(DocketPage {
            invoices,
            to_driver: to_driver.into_iter().filter(|said| !said.is_empty()).collect(),
            day: full_day(docket.delivery_day),
            word: farm.word("docket").to_owned(),
            status: match (&docket.status, &docket.delivery) {
                (DocketStatus::Void, _) => "Taken back; its number is not used again.".into(),
                (DocketStatus::Delivered, Some(d)) if docket.lines.iter().all(|l| l.refused_g == l.grams_g) => {
                    format!("Refused at the door {} ({}).", full_time(d.delivered_at, zone), d.taken_by)
                }
                (DocketStatus::Delivered, Some(d)) => {
                    format!("Handed over {} to {}.", full_time(d.delivered_at, zone), d.taken_by)
                }
                (DocketStatus::Delivered, None) => "Fetched by the customer.".into(),
                (DocketStatus::Dispatched, _) => {
                    format!("Out for delivery since {}.", full_time(docket.dispatched_at, zone))
                }
            },
            lines: docket.lines.iter().map(paper_line).collect(),
            grams: g(docket.lines.iter().map(|l| l.grams_g).sum()),
            less: docket.lines.iter().any(|l| l.kept_g < l.grams_g),
            kept: g(docket.lines.iter().map(|l| l.kept_g).sum()),
            shortages: shortages(&docket),
            warnings: sent_warm(&docket, zone),
            hand_over: if docket.status == DocketStatus::Dispatched && head.may("POST", "/dockets/{docket}/delivery") {
                Some(refused.clone().unwrap_or_else(|| hand_over(&docket)))
            } else {
                refused.clone()
            },
            refused: if head.may("GET", "/lots/{lot}/move") { refused_lots(&docket) } else { Vec::new() },
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
) -> Result<Html<DocketPage>, Problem> {
    Ok(Html(docket_page(&app, &who, &code, None).await?))
}

pub(super) async fn post_delivery(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<DocketCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    app.refresh_before_read(&who).await?;
    let docket = read_tx!(app, who, |tx| tx.docket(&code).await)?;
    let act = async |new: NewDelivery| create_tx!(app, who, &form.once, |tx| tx.deliver(&code, &new).await);
    let done = hand_over(&docket).submit(&form, act).await;
    let again = async |refused| docket_page(&app, &who, &code, Some(refused)).await;
    Ok(answer(done, |_| format!("/dockets/{code}"), again).await)
}

/// What stands on a docket with lots that were in a warm spell not settled when they went out.
fn sent_warm(docket: &Docket, zone: Tz) -> Vec<String> {
    docket
        .lines
        .iter()
        .filter_map(|l| l.warm_spell.as_ref().map(|w| (l, w)))
        .map(|(l, w)| {
            format!(
                "Lot {} was in a warm spell (from {}) that was not settled when {} sent it out. The local food-safety rules and your own food-safety plan decide what may be done with it.",
                l.lot,
                full_time(w.began_at, zone),
                w.authorised_by
            )
        })
        .collect()
}

/// The docket as it prints. Set away from the threads that answer requests.
pub(crate) async fn docket_pdf(farm: Farm, docket: Docket) -> Result<Vec<u8>, Problem> {
    let zone = zone_of(&farm);
    let word = farm.word("docket");
    let short = shortages(&docket);
    let tax = tax_left_out(&docket, &farm.tax_name);
    let less = docket.lines.iter().any(|l| l.kept_g < l.grams_g);
    let kept =
        less.then(|| paper::Kept { grams: docket.lines.iter().map(|l| l.kept_g).sum(), net: docket.net.to_string() });
    let sheet = paper::Docket {
        warnings: sent_warm(&docket, zone),
        short,
        tax,
        kept,
        word: word.chars().take(1).flat_map(char::to_uppercase).chain(word.chars().skip(1)).collect(),
        docket: docket.docket.to_string(),
        order: docket.order.to_string(),
        reference: docket.reference,
        customer: docket.customer_name,
        address: docket.address,
        delivery_day: docket.delivery_day.format("%a %-d %b %Y").to_string(),
        sent_at: docket.dispatched_at.with_timezone(&zone).format("%-d %b %Y %H:%M").to_string(),
        void: docket.status == DocketStatus::Void,
        grams: docket.lines.iter().map(|l| l.grams_g).sum(),
        lines: docket
            .lines
            .into_iter()
            .map(|l| paper::Line {
                came_back: came_back(&l),
                product: l.product_name,
                grade: l.grade.to_string(),
                packs: l.packs,
                lot: l.lot.to_string(),
                harvested: l.harvest_day.format("%-d %b %Y").to_string(),
                best_before: l.best_before.map(|d| d.format("%-d %b %Y").to_string()),
                grams: l.grams_g,
                price: as_money(l.price, docket.net.scale()),
                unit: l.unit.to_string(),
                amount: l.amount.to_string(),
            })
            .collect(),
        net: docket.sent_net.to_string(),
        currency: docket.currency,
        delivery: docket.delivery.map(|d| paper::HandedOver {
            taken_by: d.taken_by,
            at: d.delivered_at.with_timezone(&zone).format("%-d %b %Y %H:%M").to_string(),
            temperature: d.temperature_c.map(super::degrees),
            crates_out: d.crates_out,
            crates_back: d.crates_back,
        }),
        caution: KITCHEN_CAUTION.to_owned(),
        farm_address: farm.letterhead(),
        farm: farm.name,
    };
    set(move || sheet.pdf()).await
}
