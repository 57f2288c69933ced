//! The calendar of deliveries and harvests (iCalendar, RFC 5545), at an address that only its reader knows.
//!
//! Calendar programs ask without a cookie and cannot send a token, so the secret stands in the address, and finds its farm as every token does.

use axum::{
    extract::State,
    http::header,
    response::{IntoResponse, Response},
};
use chrono::{DateTime, Days, NaiveDate, Utc};
use gillbook_core::{
    Grams,
    kinds::OrderStatus,
    refusal::{Refusal, RefusalKind},
    selling::order::{Order, OrderLine},
};
use gillbook_store::{farm::sessions::Principal, growing::batches::InFruit};
use icalendar::{Calendar, Component, Event, EventLike};

use super::{kg, orders::status_word};
use crate::{App, auth::Authenticated, extract::PathParam, problem::Problem, read_tx};

/// How long deliveries stay in the calendar.
const BACK: Days = Days::new(28);
/// How far ahead it shows orders: farther than standing orders make any.
const AHEAD: Days = Days::new(60);

/// What an order is called in a calendar.
fn delivery(order: &Order, now: DateTime<Utc>) -> Event {
    let ordered: Grams = order.lines.iter().map(|l| l.grams_g).sum();
    let line = |l: &OrderLine| match l.packs {
        Some(packs) => format!("{} × {packs}", l.name),
        None => format!("{} {} kg", l.name, kg(l.grams_g)),
    };
    let mut lines: Vec<String> = order.lines.iter().map(line).collect();
    lines.push(format!("Order {}, {}", order.order, status_word(order.status)));
    lines.extend(Some(order.note.clone()).filter(|note| !note.is_empty()));
    event(&format!("order-{}", order.order), order.delivery_day, now)
        .summary(&format!("{}, {} kg", order.customer_name, kg(ordered)))
        .description(&lines.join("\n"))
        .done()
}

/// A flush that is due.
fn harvest(batch: &InFruit, now: DateTime<Utc>) -> Option<Event> {
    let (flush, due_on) = batch.next_flush?;
    let summary = format!("Harvest of {}, {} flush {flush}", batch.strain_name, batch.batch);
    Some(event(&format!("harvest-{}-{flush}", batch.batch), due_on, now).summary(&summary).done())
}

fn event(id: &str, day: NaiveDate, now: DateTime<Utc>) -> Event {
    let mut event = Event::new();
    // Without an end it lasts the day (RFC 5545 §3.6.1); one that ends on the day on which it starts would last no time.
    event.uid(&format!("{id}@gillbook")).timestamp(now).starts(day);
    event
}

/// The calendar at an address that ends in the secret, with or without `.ics` behind it.
pub(super) async fn get_calendar(
    State(app): State<App>,
    PathParam(secret): PathParam<String>,
) -> Result<Response, Problem> {
    let secret = secret.strip_suffix(".ics").unwrap_or(&secret);
    let session = app.store.session(secret, app.now()).await?;
    let who: Authenticated = session
        .filter(|session| session.standing == Principal::Calendar)
        .ok_or_else(|| {
            let gone = "There is no calendar at this address. Ask the owner of the farm for a new one.";
            Refusal::new(RefusalKind::NotFound, gone)
        })?
        .into();
    let now = app.now();
    let (name, orders, batches) = read_tx!(app, who, |tx| {
        let today = tx.farm_day().await?;
        let page = gillbook_store::Pagination { after: None, limit: 2000 };
        let orders = tx.orders(Some(today - BACK), Some(today + AHEAD), None, &page).await?;
        Ok((tx.farm().await?.name, orders, tx.in_fruit().await?))
    })?;
    let mut calendar = Calendar::empty();
    calendar
        .append_property(("VERSION", "2.0"))
        .append_property(("PRODID", "-//Gillbook//Deliveries and harvests//EN"));
    calendar.name(&name);
    let is_shown = |order: &&Order| !matches!(order.status, OrderStatus::Draft | OrderStatus::Cancelled);
    calendar.extend(orders.iter().filter(is_shown).map(|order| delivery(order, now)));
    calendar.extend(batches.iter().filter_map(|batch| harvest(batch, now)));
    let headers =
        [(header::CONTENT_TYPE, "text/calendar; charset=utf-8"), (header::CACHE_CONTROL, "private, no-store")];
    Ok((headers, calendar.to_string()).into_response())
}
