//! Orders, making up, dockets.

use askama::Template;
use axum::{
    extract::State,
    http::Uri,
    response::{IntoResponse, Redirect, Response},
};
use chrono::TimeDelta;
use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    calendar::day_of,
    refusal::Refusal,
    text::{DocketCode, Line, OrderCode, PlaceCode},
    words::{OrderStatus, PlaceKind},
};
use gillbook_documents::docket as paper;
use gillbook_store::{
    Page as Rows, SignedWith,
    deliveries::NewDelivery,
    dockets::{Docket, DocketStatus, NewDocket},
    farm::Farm,
    orders::Order,
    readings::CAUTION,
    set_aside::NewSetAside,
    warm_spells::WarmSpell,
};
use rust_decimal::Decimal;
use serde::Deserialize;
use uuid::Uuid;

use super::{Head, Page, again, day_and_clock, kg, long_day, once_of_form, short_day, zone_of};
use crate::{
    App,
    body::{Code, Filled},
    documents::set,
    once,
    problem::Problem,
    read,
    who::Who,
    write,
};

#[derive(Template)]
#[template(path = "orders.html")]
pub(super) struct Orders {
    head: Head,
    days: Vec<OrderDay>,
    next: Option<(String, String)>,
}

struct OrderDay {
    day: String,
    orders: Vec<OrderRow>,
}

struct OrderRow {
    code: String,
    customer: String,
    asked: String,
    aside: String,
    short: bool,
    warm: bool,
    status: &'static str,
}

fn asked(order: &Order) -> Grams {
    order.lines.iter().map(|l| l.grams_g).sum()
}

fn aside(order: &Order) -> Grams {
    order.lines.iter().flat_map(|l| &l.set_aside).map(|s| s.grams_g).sum()
}

pub(super) async fn get_orders(State(app): State<App>, who: Who) -> Result<Page<Orders>, Problem> {
    app.judge_first(&who).await?;
    let view = read!(app, who, |tx| {
        let farm = tx.farm().await?;
        let today = day_of(tx.now(), zone_of(&farm));
        let (from, until) = (today - TimeDelta::days(1), today + TimeDelta::days(7));
        let orders = tx.orders(Some(from), Some(until), None, &Rows { after: None, limit: 500 }).await?;
        let next = orders
            .iter()
            .find(|o| o.status == OrderStatus::Confirmed)
            .map(|o| (o.order.to_string(), format!("{}, {}", o.customer_name, short_day(o.delivery_day))));
        let mut days: Vec<OrderDay> = Vec::new();
        for o in &orders {
            let day = long_day(o.delivery_day);
            if days.last().is_none_or(|d| d.day != day) {
                days.push(OrderDay { day, orders: Vec::new() });
            }
            let open = matches!(o.status, OrderStatus::Draft | OrderStatus::Confirmed);
            if let Some(d) = days.last_mut() {
                d.orders.push(OrderRow {
                    code: o.order.to_string(),
                    customer: o.customer_name.clone(),
                    asked: kg(asked(o)),
                    aside: if open { kg(aside(o)) } else { String::new() },
                    short: open && aside(o) < asked(o),
                    warm: o.lines.iter().flat_map(|l| &l.set_aside).any(|s| s.warm_spell.is_some()),
                    status: o.status.as_str(),
                });
            }
        }
        Ok(Orders { head: Head::new(&farm, &who, "/orders"), days, next })
    })?;
    Ok(Page(view))
}

#[derive(Template)]
#[template(path = "order.html")]
pub(super) struct OrderPage {
    head: Head,
    order: Order,
    day: String,
    word: String,
    lines: Vec<MakeUpLine>,
    vans: Vec<String>,
    dockets: Vec<String>,
    open: bool,
    anything: bool,
    short: bool,
    /// Whether sending it out takes an own sign-in, and this is a shared phone.
    signs_in: bool,
    key: Uuid,
    wrong: Option<String>,
}

struct MakeUpLine {
    name: String,
    asked: String,
    short: String,
    aside: Vec<TakenLot>,
}

/// A lot to be taken, with the warm spell that it was in.
struct TakenLot {
    lot: String,
    place: String,
    kg: String,
    warm: Option<WarmSpell>,
}

async fn order_page(app: &App, who: &Who, code: &OrderCode, wrong: Option<String>) -> Result<OrderPage, Problem> {
    read!(app, who, |tx| {
        let farm = tx.farm().await?;
        let order = tx.order(code).await?;
        let places = tx.places(&Rows { after: None, limit: 500 }).await?;
        let dockets = tx.dockets_of(code).await?;
        Ok(OrderPage {
            head: Head::new(&farm, who, "/orders"),
            day: long_day(order.delivery_day),
            word: farm.word("docket").to_owned(),
            lines: order
                .lines
                .iter()
                .map(|l| MakeUpLine {
                    name: l.packs.map_or_else(|| l.name.clone(), |n| format!("{} × {n}", l.name)),
                    asked: kg(l.grams_g),
                    short: kg(l.short_g),
                    aside: l
                        .set_aside
                        .iter()
                        .map(|s| TakenLot {
                            lot: s.lot.to_string(),
                            place: s.place.to_string(),
                            kg: kg(s.grams_g),
                            warm: s.warm_spell.clone(),
                        })
                        .collect(),
                })
                .collect(),
            vans: places.iter().filter(|p| p.kind == PlaceKind::Van).map(|p| p.place.to_string()).collect(),
            dockets: dockets.iter().map(ToString::to_string).collect(),
            open: matches!(order.status, OrderStatus::Draft | OrderStatus::Confirmed),
            anything: aside(&order) > Grams::ZERO,
            short: order.lines.iter().any(|l| l.short_g > Grams::ZERO),
            signs_in: who.signed.with == SignedWith::SharedPhone
                && order.lines.iter().flat_map(|l| &l.set_aside).any(|s| s.warm_spell.is_some()),
            key: Uuid::new_v4(),
            wrong: wrong.clone(),
            order,
        })
    })
}

pub(super) async fn get_order(
    State(app): State<App>,
    who: Who,
    Code(code): Code<OrderCode>,
) -> Result<Page<OrderPage>, Problem> {
    app.judge_first(&who).await?;
    Ok(Page(order_page(&app, &who, &code, None).await?))
}

pub(super) async fn post_set_aside(State(app): State<App>, who: Who, Code(code): Code<OrderCode>) -> Response {
    let done = write!(app, who, |tx| tx.set_aside(&code, &NewSetAside::default()).await);
    match done {
        Ok(_) => Redirect::to(&format!("/orders/{code}")).into_response(),
        Err(problem) => again(order_page(&app, &who, &code, Some(problem.detail().to_owned())).await, problem),
    }
}

#[derive(Debug, Deserialize)]
pub(super) struct DispatchForm {
    key: Uuid,
    van: Option<String>,
}

pub(super) async fn post_dispatch(
    State(app): State<App>,
    who: Who,
    Code(code): Code<OrderCode>,
    uri: Uri,
    Filled(form): Filled<DispatchForm>,
) -> Response {
    let van = form.van.filter(|v| !v.is_empty()).and_then(|v| v.parse::<PlaceCode>().ok());
    let once = once_of_form(form.key, &uri, van.as_ref().map_or("", PlaceCode::as_str));
    if let Err(problem) = app.judge_first(&who).await {
        return problem.into_response();
    }
    // The page says which lines are short beside the button, so pressing it says so.
    let new = NewDocket { id: None, order: code.clone(), van, short: true, dispatched_at: None, by: None };
    match once!(app, who, &once, |tx| tx.dispatch(&new).await) {
        Ok(answer) => {
            let docket = serde_json::from_str::<serde_json::Value>(&answer.body)
                .ok()
                .and_then(|d| d["docket"].as_str().map(str::to_owned));
            Redirect::to(&docket.map_or_else(|| "/orders".into(), |d| format!("/dockets/{d}"))).into_response()
        }
        Err(problem) => again(order_page(&app, &who, &code, Some(problem.detail().to_owned())).await, problem),
    }
}

#[derive(Template)]
#[template(path = "docket.html")]
pub(super) struct DocketPage {
    head: Head,
    docket: Docket,
    day: String,
    word: String,
    status: String,
    grams: i64,
    warnings: Vec<String>,
    to_hand_over: bool,
    key: Uuid,
    wrong: Option<String>,
}

async fn docket_page(app: &App, who: &Who, code: &DocketCode, wrong: Option<String>) -> Result<DocketPage, Problem> {
    read!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let docket = tx.docket(code).await?;
        Ok(DocketPage {
            head: Head::new(&farm, who, "/orders"),
            day: long_day(docket.delivery_day),
            word: farm.word("docket").to_owned(),
            status: match (&docket.status, &docket.delivery) {
                (DocketStatus::Void, _) => "Taken back; its number is not used again.".into(),
                (DocketStatus::Delivered, Some(d)) => {
                    format!("Handed over {} to {}.", day_and_clock(d.delivered_at, zone), d.taken_by)
                }
                (DocketStatus::Delivered, None) => "Fetched by the customer.".into(),
                (DocketStatus::Dispatched, _) => {
                    format!("On its way since {}.", day_and_clock(docket.dispatched_at, zone))
                }
            },
            grams: docket.lines.iter().map(|l| l.grams_g.0).sum(),
            warnings: sent_warm(&docket, zone),
            to_hand_over: docket.status == DocketStatus::Dispatched,
            key: Uuid::new_v4(),
            wrong: wrong.clone(),
            docket,
        })
    })
}

pub(super) async fn get_docket(
    State(app): State<App>,
    who: Who,
    Code(code): Code<DocketCode>,
) -> Result<Page<DocketPage>, Problem> {
    Ok(Page(docket_page(&app, &who, &code, None).await?))
}

#[derive(Debug, Deserialize)]
pub(super) struct DeliveryForm {
    key: Uuid,
    taken_by: String,
    #[serde(default)]
    temperature_c: String,
    #[serde(default)]
    crates_out: String,
    #[serde(default)]
    crates_back: String,
}

impl DeliveryForm {
    fn delivery(&self) -> Result<NewDelivery, Problem> {
        let temperature = self.temperature_c.trim().replace(',', ".");
        let wrong = |pointer: &str, detail: &str| Problem::from(Refusal::field(pointer, detail));
        let crates = |text: &str, pointer: &str| match text.trim() {
            "" => Ok(0),
            n => n.parse::<i32>().map_err(|_| wrong(pointer, "Crates are a whole number.")),
        };
        Ok(NewDelivery {
            id: None,
            taken_by: Line::new(&self.taken_by).map_err(|e| wrong("/taken_by", &format!("Who took it? {e}")))?,
            temperature_c: if temperature.is_empty() {
                None
            } else {
                Some(
                    temperature
                        .parse()
                        .map_err(|_| wrong("/temperature_c", "A temperature is a number, such as 3.5."))?,
                )
            },
            crates_out: crates(&self.crates_out, "/crates_out")?,
            crates_back: crates(&self.crates_back, "/crates_back")?,
            refused: Vec::new(),
            delivered_at: None,
            by: None,
        })
    }
}

pub(super) async fn post_delivery(
    State(app): State<App>,
    who: Who,
    Code(code): Code<DocketCode>,
    uri: Uri,
    Filled(form): Filled<DeliveryForm>,
) -> Response {
    let once = once_of_form(form.key, &uri, &form.taken_by);
    let done = async {
        let new = form.delivery()?;
        once!(app, who, &once, |tx| tx.deliver(&code, &new).await)
    }
    .await;
    match done {
        Ok(_) => Redirect::to(&format!("/dockets/{code}")).into_response(),
        Err(problem) => again(docket_page(&app, &who, &code, Some(problem.detail().to_owned())).await, problem),
    }
}

/// What stands on a docket with lots that were in a warm spell not settled when they went out.
fn sent_warm(docket: &Docket, zone: Tz) -> Vec<String> {
    docket
        .lines
        .iter()
        .filter_map(|l| l.warm_spell.as_ref().map(|w| (l, w)))
        .map(|(l, w)| {
            format!(
                "Lot {} was in a warm spell in {} (since {}) that was not settled when {} sent it out. The local food-safety rules and your own food-safety plan decide what may be done with it.",
                l.lot,
                w.place,
                day_and_clock(w.began_at, zone),
                w.authorised_by
            )
        })
        .collect()
}

/// A price with at least the decimals of the currency: 14.50, not 14.5.
fn as_money(mut price: Decimal, decimals: u32) -> String {
    price = price.normalize();
    if price.scale() < decimals {
        price.rescale(decimals);
    }
    price.to_string()
}

/// The docket as it prints. Set away from the threads that answer requests.
pub(crate) async fn docket_pdf(farm: Farm, docket: Docket) -> Result<Vec<u8>, Problem> {
    let zone = zone_of(&farm);
    let word = farm.word("docket");
    let sheet = paper::Docket {
        warnings: sent_warm(&docket, zone),
        word: word.chars().take(1).flat_map(char::to_uppercase).chain(word.chars().skip(1)).collect(),
        docket: docket.docket.to_string(),
        order: docket.order.to_string(),
        customer: docket.customer_name,
        address: docket.address,
        delivery_day: docket.delivery_day.format("%a %-d %b %Y").to_string(),
        sent_at: day_and_clock(docket.dispatched_at, zone),
        void: docket.status == DocketStatus::Void,
        grams: docket.lines.iter().map(|l| l.grams_g).sum(),
        lines: docket
            .lines
            .into_iter()
            .map(|l| paper::Line {
                product: l.product_name,
                lot: l.lot.to_string(),
                harvested: l.harvest_day.format("%-d %b").to_string(),
                best_before: l.best_before.map(|d| d.format("%-d %b").to_string()),
                grams: l.grams_g,
                price: as_money(l.price, docket.net.scale()),
                unit: l.unit.to_string(),
                amount: l.amount.to_string(),
            })
            .collect(),
        net: docket.net.to_string(),
        currency: docket.currency,
        delivery: docket.delivery.map(|d| paper::HandedOver {
            taken_by: d.taken_by,
            at: day_and_clock(d.delivered_at, zone),
            temperature: d.temperature_c.map(|c| format!("{c:.1}")),
            crates_out: d.crates_out,
            crates_back: d.crates_back,
        }),
        caution: CAUTION.to_owned(),
        farm: farm.name,
        farm_address: farm.address,
    };
    set(move || sheet.pdf()).await
}
