//! Orders, making up, dockets.

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Redirect, Response},
};
use chrono::TimeDelta;
use gillbook_core::{
    Grams, SignedWith,
    kinds::{OrderStatus, PlaceKind},
    ledger::warm_spell::WarmSpell,
    selling::{
        availability::FARTHEST,
        customer::Customer,
        docket::{Docket, DocketLine},
        order::{Order, OrderLine},
        set_aside::{NewSetAside, SetAside},
    },
    text::OrderCode,
    units::{calendar::day_of, clock::ClockTime},
};
use gillbook_store::{
    Error as StoreError, Pagination,
    reports::availability::work_out_promise,
    selling::shortage::{LineReadiness, Shortage},
};
use uuid::Uuid;

use super::{
    Html, Layout,
    availability::{NOT_NOW, PromiseWords, promise_words},
    count,
    docket_sheet::{came_back, shortages},
    full_day, in_a_row, kg, rerender_form, weekday, zone_of,
};
use crate::{App, auth::Authenticated, extract::PathParam, problem::Problem, read_tx, said::Outcome, write_tx};

#[derive(Template)]
#[template(path = "orders.html")]
pub(super) struct Orders {
    head: Layout,
    days: Vec<OrderDay>,
    next: Option<(String, String)>,
    /// The packing list of the first day that has something to pack.
    packing_list: String,
}

struct OrderDay {
    day: String,
    overdue: bool,
    orders: Vec<OrderRow>,
}

struct OrderRow {
    code: String,
    customer: String,
    ordered: String,
    aside: String,
    short: bool,
    warm: bool,
    /// Made of a standing order.
    standing: bool,
    status: &'static str,
}

fn ordered(order: &Order) -> Grams {
    order.lines.iter().map(|l| l.grams_g).sum()
}

fn is_open(order: &Order) -> bool {
    matches!(order.status, OrderStatus::Draft | OrderStatus::Confirmed)
}

/// Where an order stands, as a grower says it.
pub(super) const fn status_word(status: OrderStatus) -> &'static str {
    match status {
        OrderStatus::Draft => "draft",
        OrderStatus::Confirmed => "confirmed",
        OrderStatus::Dispatched => "out for delivery",
        OrderStatus::Delivered => "delivered",
        OrderStatus::Cancelled => "cancelled",
    }
}

fn aside(order: &Order) -> Grams {
    order.lines.iter().flat_map(|l| &l.set_aside).map(|s| s.grams_g).sum()
}

pub(super) async fn get_orders(State(app): State<App>, who: Authenticated) -> Result<Html<Orders>, Problem> {
    app.refresh_before_read(&who).await?;
    let view = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let head = Layout::new(&farm, &who, "/orders");
        let today = day_of(tx.now(), zone_of(&farm));
        let orders = tx.orders_to_see(today - TimeDelta::days(1), today + TimeDelta::days(7)).await?;
        let next = orders
            .iter()
            .find(|o| o.status == OrderStatus::Confirmed && head.may("POST", "/orders/{order}/set-aside"))
            .map(|o| (o.order.to_string(), format!("{}, {}", o.customer_name, full_day(o.delivery_day))));
        let mut days: Vec<OrderDay> = Vec::new();
        // What a pause or an end called off is seen with the standing order.
        let is_shown = |o: &&Order| o.status != OrderStatus::Cancelled || o.standing_order.is_none();
        for o in orders.iter().filter(is_shown) {
            let day = full_day(o.delivery_day);
            if days.last().is_none_or(|d| d.day != day) {
                days.push(OrderDay { day, overdue: false, orders: Vec::new() });
            }
            let open = is_open(o);
            if let Some(d) = days.last_mut() {
                d.overdue |= o.delivery_day < today && (open || o.status == OrderStatus::Dispatched);
                d.orders.push(OrderRow {
                    code: o.order.to_string(),
                    customer: o.customer_name.clone(),
                    ordered: kg(ordered(o)),
                    aside: if open { kg(aside(o)) } else { String::new() },
                    short: open && aside(o) < ordered(o),
                    warm: o.lines.iter().flat_map(|l| &l.set_aside).any(|s| s.warm_spell.is_some()),
                    standing: o.standing_order.is_some(),
                    status: status_word(o.status),
                });
            }
        }
        let to_pack = orders.iter().find(|o| o.status == OrderStatus::Confirmed && o.delivery_day >= today);
        let packing_list = format!("/packing-list?day={}", to_pack.map_or(today, |o| o.delivery_day));
        Ok(Orders { head, days, next, packing_list })
    })?;
    Ok(Html(view))
}

#[derive(Template)]
#[template(path = "order.html")]
pub(super) struct OrderPage {
    head: Layout,
    order: Order,
    day: String,
    word: String,
    lines: Vec<MakeUpLine>,
    vans: Vec<String>,
    dockets: Vec<Sent>,
    open: bool,
    status: &'static str,
    /// What is short of the order, in kilograms.
    short_kg: String,
    /// What its promise rests on; nothing once all of it is set aside.
    promise: PromiseWords,
    /// When the customer takes deliveries.
    window: String,
    anything: bool,
    /// Lots that are not ticked off, where some are.
    not_packed: usize,
    /// Whether sending it out takes an own sign-in, and this is a shared phone.
    signs_in: bool,
    key: Uuid,
    wrong: Option<String>,
}

/// A docket of the order, and what became of its lots.
struct Sent {
    docket: String,
    lines: Vec<SentLine>,
    /// What was ordered and did not go out, and why.
    shortages: Vec<String>,
}

struct SentLine {
    lot: String,
    sent: String,
    /// What was refused and what came back, in words.
    came_back: String,
    kept: String,
}

fn sent(docket: &Docket) -> Sent {
    let line = |l: &DocketLine| SentLine {
        lot: l.lot.to_string(),
        sent: kg(l.grams_g),
        came_back: came_back(l).unwrap_or_default(),
        kept: kg(l.kept_g),
    };
    Sent {
        docket: docket.docket.to_string(),
        lines: docket.lines.iter().map(line).collect(),
        shortages: shortages(docket),
    }
}

impl OrderPage {
    fn more_is_free(&self) -> bool {
        self.lines.iter().any(|l| l.more_is_free)
    }
}

struct MakeUpLine {
    name: String,
    ordered: String,
    short: String,
    why: String,
    aside: Vec<TakenLot>,
    /// Whether the customer's list has no price for it.
    unpriced: bool,
    /// Whether more of what is short could be set aside.
    more_is_free: bool,
}

/// A lot to be taken, with the warm spell that it was in.
struct TakenLot {
    lot: String,
    place: String,
    kg: String,
    packed: bool,
    warm: Option<WarmSpell>,
}

pub(super) async fn order_page(
    app: &App,
    who: &Authenticated,
    code: &OrderCode,
    wrong: Option<String>,
) -> Result<OrderPage, Problem> {
    let (page, zone, facts) = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let order = tx.order(code).await?;
        let customer = tx.customer(&order.customer).await?;
        let places = tx.places(&Pagination { after: None, limit: 500 }).await?;
        let mut dockets = Vec::new();
        for docket in tx.dockets_of(code).await? {
            dockets.push(sent(&tx.docket(&docket).await?));
        }
        let open = is_open(&order);
        let ready = if open { tx.line_readiness(&order).await? } else { Vec::new() };
        let head = Layout::new(&farm, who, "/orders");
        let facts = if open && order.lines.iter().any(|l| l.short_g > Grams::ZERO) {
            Some(tx.promise_facts(Some(&order.customer), &order.products()).await?)
        } else {
            None
        };
        let page = OrderPage {
            head,
            promise: PromiseWords::default(),
            window: window(&customer),
            status: status_word(order.status),
            day: full_day(order.delivery_day),
            word: farm.word("docket").to_owned(),
            lines: order.lines.iter().enumerate().map(|(n, l)| make_up_line(&order, l, ready.get(n))).collect(),
            vans: places.iter().filter(|p| p.kind == PlaceKind::Van).map(|p| p.place.to_string()).collect(),
            dockets,
            open,
            short_kg: kg(order.lines.iter().map(|l| l.short_g).sum()),
            anything: aside(&order) > Grams::ZERO,
            not_packed: not_packed(&order),
            signs_in: who.actor.with == SignedWith::SharedPhone
                && order.lines.iter().flat_map(|l| &l.set_aside).any(|s| s.warm_spell.is_some()),
            key: super::new_key(),
            wrong: wrong.clone(),
            order,
        };
        Ok((page, zone_of(&farm), facts))
    })?;
    let Some(facts) = facts else { return Ok(page) };
    let promise = if page.order.delivery_day > facts.today + FARTHEST {
        PromiseWords::of("It is too far ahead to tell what there will be.")
    } else {
        match work_out_promise(facts, page.order.clone()).await {
            Ok(promise) => promise_words(&promise, zone),
            Err(StoreError::Busy) => PromiseWords::of(NOT_NOW),
            Err(error) => return Err(error.into()),
        }
    };
    Ok(OrderPage { promise, ..page })
}

/// Lots that are not ticked off as packed; none where nothing of the order is.
fn not_packed(order: &Order) -> usize {
    let lots = || order.lines.iter().flat_map(|l| &l.set_aside);
    let packed = lots().filter(|s| s.packed_at.is_some()).count();
    if packed == 0 { 0 } else { lots().count() - packed }
}

fn make_up_line(order: &Order, l: &OrderLine, ready: Option<&LineReadiness>) -> MakeUpLine {
    let why = ready.and_then(|ready| ready.shortage.as_ref());
    let taken = |s: &SetAside| TakenLot {
        lot: s.lot.to_string(),
        place: s.place.to_string(),
        kg: kg(s.grams_g),
        packed: s.packed_at.is_some(),
        warm: s.warm_spell.clone(),
    };
    MakeUpLine {
        name: l.packs.map_or_else(|| l.name.clone(), |n| format!("{} × {n}", l.name)),
        ordered: kg(l.grams_g),
        short: kg(l.short_g),
        more_is_free: matches!(why, Some(Shortage::Free { .. })),
        why: why.map_or_else(String::new, |why| why_short(why, &order.customer_name)),
        unpriced: ready.is_some_and(|ready| !ready.has_price),
        aside: l.set_aside.iter().map(taken).collect(),
    }
}

/// When a customer takes deliveries, in words.
pub(super) fn window(customer: &Customer) -> String {
    let days: Vec<&str> = customer.delivery_days.iter().copied().map(weekday).collect();
    let window = window_words(customer.deliver_from, customer.deliver_until);
    match in_a_row(&days) {
        days if days.is_empty() => window,
        days => format!("They take deliveries on {days}. {window}").trim_end().to_owned(),
    }
}

/// When deliveries are taken, in words; nothing where they are at any time.
pub(super) fn window_words(from: ClockTime, until: ClockTime) -> String {
    match (from.0, until.0) {
        (Some(_), Some(_)) => format!("They take deliveries from {from} to {until}."),
        (Some(_), None) => format!("They take deliveries from {from} on."),
        (None, Some(_)) => format!("They take deliveries until {until}."),
        (None, None) => String::new(),
    }
}

/// Why a line is short, in words.
fn why_short(why: &Shortage, customer: &str) -> String {
    match why {
        Shortage::NothingFree { least_grade } => format!("Short: none of grade {least_grade} or better is free"),
        Shortage::TooOld { least_days: 0, last_day } => {
            format!("Short: nothing fresh enough, the last free lot ends on {}", full_day(*last_day))
        }
        Shortage::TooOld { least_days, last_day } => format!(
            "Short: nothing fresh enough. {customer} wants {} left at delivery, the last free lot ends on {}",
            count(i64::from(*least_days), "day"),
            full_day(*last_day)
        ),
        Shortage::Free { grams_g } => format!("Not set aside yet: {} kg are free", kg(*grams_g)),
        Shortage::Packed { grams_g } => format!(
            "Short: {} kg more are free of a lot that is packed. Undo its tick on the packing list to weigh it again",
            kg(*grams_g)
        ),
    }
}

pub(super) async fn get_order(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
) -> Result<Html<OrderPage>, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Html(order_page(&app, &who, &code, None).await?))
}

pub(super) async fn post_set_aside(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
) -> Response {
    let done = write_tx!(app, who, |tx| tx.set_aside(&code, &NewSetAside::default()).await);
    match done {
        Ok(order) => {
            let mut answer = Redirect::to(&format!("/orders/{code}")).into_response();
            let is_short = order.lines.iter().any(|l| l.short_g > Grams::ZERO);
            match aside(&order) {
                Grams::ZERO => drop(answer.extensions_mut().insert(Outcome::NothingSetAside)),
                _ if is_short => drop(answer.extensions_mut().insert(Outcome::SetAsideShort)),
                _ => {}
            }
            answer
        }
        Err(problem) => rerender_form(order_page(&app, &who, &code, Some(problem.on_form().to_owned())).await, problem),
    }
}
