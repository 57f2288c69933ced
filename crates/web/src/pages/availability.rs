//! What we have: what can still be promised for a day, for anybody or for a customer, and as a text to send.

use std::collections::BTreeMap;

use askama::Template;
use axum::extract::State;
use chrono::{Days, NaiveDate};
use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    kinds::{PriceUnit, PromiseBasis},
    selling::availability::{
        Availability, AvailableDay, AvailableProduct, MAX_DAYS, Obtainable, OrderPromise, PromisedLine, days_to_tell,
    },
    text::{CustomerCode, ProductCode, StrainCode},
    units::calendar::Day,
};
use gillbook_store::{farm::farms::Farm, reports::availability::work_out_availability};
use percent_encoding::{NON_ALPHANUMERIC, utf8_percent_encode};
use serde::Deserialize;

use super::{ALL, Html, Layout, full_day, full_time, kg, long_day, price, short_day, zone_of};
use crate::{App, access::sees_prices, auth::Authenticated, extract::Query, problem::Problem, read_tx};

/// For whom and for which day.
#[derive(Debug, Default, Deserialize)]
pub(super) struct AvailabilityQuery {
    customer: Option<CustomerCode>,
    day: Option<Day>,
}

#[derive(Template)]
#[template(path = "availability.html")]
pub(super) struct AvailabilityPage {
    head: Layout,
    day: String,
    /// Whom it is for, where it is for one.
    customer: Option<(String, String)>,
    closed: bool,
    order_by: Option<String>,
    rows: Vec<Row>,
    no_forecast: String,
    /// The other days: address and words.
    days: Vec<(String, String)>,
    customers: Vec<(String, String)>,
    text: String,
    /// The address that writes an e-mail to the customer with the text.
    mail: Option<String>,
    /// The form for an order of the customer on the day.
    order: Option<String>,
}

struct Row {
    name: String,
    price: String,
    unit: &'static str,
    in_stock: String,
    with_harvest: String,
}

/// An amount of a product: kilograms, or packs where it is sold in packs.
fn figure(grams: Grams, pack_g: Option<i32>) -> String {
    pack_g.map_or_else(|| kg(grams), |pack| (grams.0 / i64::from(pack.max(1))).to_string())
}

/// What there is with the harvest: the range, or one amount where it is none.
fn range(of: Obtainable, pack_g: Option<i32>) -> String {
    let (low, high) = (figure(of.low_g, pack_g), figure(of.high_g, pack_g));
    if low == high { low } else { format!("{low}–{high}") }
}

const fn unit(pack_g: Option<i32>) -> &'static str {
    if pack_g.is_some() { "packs" } else { "kg" }
}

/// What is left of a product, beside the field that orders it.
fn left(of: Obtainable, pack_g: Option<i32>) -> String {
    let (in_stock, unit) = (figure(of.in_stock_g, pack_g), unit(pack_g));
    if of.high_g == of.in_stock_g {
        return format!("{in_stock} {unit} left");
    }
    format!("{in_stock} {unit} left, {} with the harvest", range(of, pack_g))
}

fn price_of(p: &AvailableProduct, farm: &Farm) -> Option<String> {
    let unit = match p.unit? {
        PriceUnit::Kg => "a kg",
        PriceUnit::Pack => "a pack",
    };
    Some(format!("{} {unit}", price(p.price?, farm)))
}

/// The lines of a day as they are sent: what there will be also with a poor harvest, and what there may be.
fn lines_of(day: &AvailableDay, farm: &Farm) -> Vec<String> {
    let line = |p: &AvailableProduct| {
        let of = p.obtainable;
        let (perhaps, grams) = if of.low_g > Grams::ZERO { ("", of.low_g) } else { ("perhaps ", of.high_g) };
        let there = format!("{perhaps}{} {}", figure(grams, p.pack_g), unit(p.pack_g));
        let price = price_of(p, farm).map_or_else(String::new, |price| format!(", {price}"));
        format!("{}: {there}{price}", p.name)
    };
    match (day.closed, day.products.is_empty()) {
        (true, _) => vec!["We are closed.".into()],
        (_, true) => vec!["Nothing is left.".into()],
        _ => day.products.iter().map(line).collect(),
    }
}

/// What can be promised, as a text to send.
pub(crate) fn availability_text(farm: &Farm, availability: &Availability) -> String {
    let zone = zone_of(farm);
    let mut lines = vec![farm.name.clone()];
    for day in &availability.days {
        lines.push(String::new());
        lines.push(long_day(day.day));
        lines.extend(lines_of(day, farm));
        lines.extend(day.order_by.map(|by| format!("Order by {}.", full_time(by, zone))));
    }
    if availability.days.iter().any(|day| !day.products.is_empty()) {
        lines.push(String::new());
        lines.push("While it lasts.".into());
    }
    lines.join("\n").replace('\u{a0}', " ") + "\n"
}

fn address(path: &str, customer: Option<&CustomerCode>, day_name: &str, day: NaiveDate) -> String {
    let customer = customer.map_or_else(String::new, |c| format!("customer={c}&"));
    format!("{path}?{customer}{day_name}={day}")
}

/// Links to the same of the other days that can be told of.
fn other_days(
    path: &str,
    customer: Option<&CustomerCode>,
    day_name: &str,
    day: NaiveDate,
    today: NaiveDate,
) -> Vec<(String, String)> {
    let days = today.iter_days().take(usize::try_from(MAX_DAYS / 2).unwrap_or_default()).filter(|d| *d != day);
    days.map(|d| (address(path, customer, day_name, d), short_day(d))).collect()
}

/// The address of an e-mail that is written with a text.
fn mail_to(email: &str, subject: &str, text: &str) -> Option<String> {
    let encoded = |text: &str| utf8_percent_encode(text, NON_ALPHANUMERIC).to_string();
    // Line breaks of a mail are CR LF (RFC 6068 §5).
    let body = encoded(&text.replace('\n', "\r\n"));
    (!email.is_empty()).then(|| format!("mailto:{}?subject={}&body={body}", encoded(email), encoded(subject)))
}

fn unforeseen(strains: impl IntoIterator<Item = StrainCode>) -> String {
    strains.into_iter().map(|s| s.to_string()).collect::<Vec<_>>().join(", ")
}

pub(super) async fn get_availability(
    State(app): State<App>,
    who: Authenticated,
    Query(query): Query<AvailabilityQuery>,
) -> Result<Html<AvailabilityPage>, Problem> {
    app.refresh_before_read(&who).await?;
    let (farm, customers, facts) = read_tx!(app, who, |tx| {
        let facts = tx.promise_facts(query.customer.as_ref(), None).await?;
        Ok((tx.farm().await?, tx.customers(&ALL).await?, facts))
    })?;
    let today = facts.today;
    let asked = query.day.unwrap_or(Day(today + Days::new(1)));
    let days = days_to_tell(today, Some(asked), Some(asked))?;
    let mut availability = work_out_availability(facts, days).await?;
    if !sees_prices(who.standing) {
        availability = availability.without_prices();
    }
    let text = availability_text(&farm, &availability);
    let head = Layout::new(&farm, &who, "/orders");
    let customer = query.customer.as_ref().and_then(|code| customers.iter().find(|c| c.customer == *code));
    let told = availability.days.pop();
    let row = |p: &AvailableProduct| Row {
        name: p.name.clone(),
        price: price_of(p, &farm).unwrap_or_default(),
        unit: unit(p.pack_g),
        in_stock: figure(p.obtainable.in_stock_g, p.pack_g),
        with_harvest: if p.obtainable.high_g > p.obtainable.in_stock_g {
            range(p.obtainable, p.pack_g)
        } else {
            String::new()
        },
    };
    Ok(Html(AvailabilityPage {
        day: full_day(asked.0),
        closed: told.as_ref().is_some_and(|d| d.closed),
        order_by: told.as_ref().and_then(|d| d.order_by).map(|by| full_time(by, zone_of(&farm))),
        rows: told.iter().flat_map(|d| &d.products).map(row).collect(),
        no_forecast: unforeseen(availability.no_forecast),
        days: other_days("/availability", query.customer.as_ref(), "day", asked.0, today),
        mail: customer.and_then(|c| mail_to(&c.email, &format!("What we have, {}", farm.name), &text)),
        order: customer
            .filter(|_| head.may("GET", "/orders/new"))
            .map(|c| address("/orders/new", Some(&c.customer), "delivery_day", asked.0)),
        customer: customer.map(|c| (c.customer.to_string(), c.name.clone())),
        customers: customers
            .iter()
            .map(|c| (address("/availability", Some(&c.customer), "day", asked.0), c.name.clone()))
            .collect(),
        text,
        head,
    }))
}

/// What is said of the day that an order is taken for.
pub(super) struct DayAsked {
    pub day: NaiveDate,
    /// What is left of each product.
    pub left: BTreeMap<ProductCode, String>,
    /// What speaks against the day, a sentence each.
    pub about: Vec<String>,
    /// The same form for other days.
    pub others: Vec<(String, String)>,
}

/// What there is for a customer on a day; tomorrow unless said.
pub(super) async fn day_asked(
    app: &App,
    who: &Authenticated,
    customer: &CustomerCode,
    day: Option<Day>,
) -> Result<DayAsked, Problem> {
    app.refresh_before_read(who).await?;
    let facts = read_tx!(app, who, |tx| tx.promise_facts(Some(customer), None).await)?;
    let (today, zone, now) = (facts.today, facts.zone, facts.now);
    let asked = day.unwrap_or(Day(today + Days::new(1)));
    let others = other_days("/orders/new", Some(customer), "delivery_day", asked.0, today);
    // Of a day that nothing can be told of an order can be taken all the same.
    let Ok(days) = days_to_tell(today, Some(asked), Some(asked)) else {
        return Ok(DayAsked { day: asked.0, left: BTreeMap::new(), about: Vec::new(), others });
    };
    let mut told = work_out_availability(facts, days).await?;
    let mut about = vec![format!("What is left is for {}.", short_day(asked.0))];
    let mut left_of = BTreeMap::new();
    for day in told.days.drain(..) {
        if day.closed {
            about.push(format!("The farm is closed on {}.", full_day(day.day)));
        }
        if let Some(by) = day.order_by.filter(|by| *by < now) {
            about.push(format!("Orders for {} were due by {}.", full_day(day.day), full_time(by, zone)));
        }
        left_of.extend(day.products.into_iter().map(|p| (p.product.clone(), left(p.obtainable, p.pack_g))));
    }
    Ok(DayAsked { day: asked.0, left: left_of, about, others })
}

/// What an order's promise rests on, a sentence each, the weakest line first.
pub(super) fn promise_words(promise: &OrderPromise, zone: Tz) -> Vec<String> {
    let mut words = Vec::new();
    if promise.closed {
        words.push(format!("The farm is closed on {}.", full_day(promise.delivery_day)));
    }
    if let Some(by) = promise.order_by.filter(|_| promise.late) {
        words.push(format!("It came in late: orders for this day were due by {}.", full_time(by, zone)));
    }
    if promise.basis == PromiseBasis::InStock {
        words.push("All of it is in stock, beside what others are promised.".into());
        return words;
    }
    let mut lines: Vec<&PromisedLine> = promise.lines.iter().collect();
    lines.sort_by_key(|l| std::cmp::Reverse(l.basis));
    words.extend(lines.into_iter().filter_map(line_words));
    if !promise.no_forecast.is_empty() {
        let strains = unforeseen(promise.no_forecast.iter().cloned());
        words.push(format!("Too few flushes of {strains} are known to expect anything of its harvest."));
    }
    words
}

fn line_words(l: &PromisedLine) -> Option<String> {
    let (of, name, asked) = (l.obtainable, &l.name, kg(l.grams_g));
    Some(match l.basis {
        PromiseBasis::InStock => return None,
        PromiseBasis::Expected => {
            format!("{name}: {} of {asked} kg in stock, the rest with the harvest that is expected.", kg(of.in_stock_g))
        }
        PromiseBasis::GoodHarvest => {
            format!("{name}: {asked} kg only with a good harvest, {} kg with a poor one.", kg(of.low_g))
        }
        PromiseBasis::Short => {
            let instead: Vec<String> = l.instead.iter().map(|i| format!("{} ({} kg)", i.name, kg(i.grams_g))).collect();
            let instead = if instead.is_empty() {
                String::new()
            } else {
                format!(" Instead they could have {}.", instead.join(", "))
            };
            let had =
                if of.low_g == of.high_g { kg(of.low_g) } else { format!("{}–{}", kg(of.low_g), kg(of.high_g)) };
            format!("{name}: only {had} of {asked} kg can be had.{instead}")
        }
    })
}
