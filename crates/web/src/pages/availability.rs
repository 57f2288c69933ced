//! What we have: what can still be promised for a day, for anybody or for a customer, and as a text to send.

use std::collections::BTreeMap;

use askama::Template;
use axum::extract::State;
use chrono::{DateTime, Datelike, Days, NaiveDate, Utc};
use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    kinds::{NoDelivery, PromiseBasis},
    selling::{
        availability::{Availability, AvailableDay, AvailableProduct, FARTHEST, Obtainable, USUAL_SPAN, days_to_tell},
        pricing::ListPrice,
        promise::{OrderPromise, PromisedLine, Substitute},
    },
    text::{CustomerCode, ProductCode, StrainCode},
    units::calendar::Day,
};
use gillbook_store::{farm::farms::Farm, reports::availability::work_out_availability};
use percent_encoding::{NON_ALPHANUMERIC, utf8_percent_encode};
use serde::Deserialize;

use super::{ALL, Html, Layout, full_day, full_time, kg, long_day, price, round_kg, short_day, weekday, zone_of};
use crate::{App, access::sees_prices, auth::Authenticated, extract::Query, problem::Problem, read_tx};

/// What is said in place of figures that too many ask for: the page itself is wanted all the same.
pub(super) const NOT_NOW: &str = "What can be promised is not worked out just now. Open the page again in a moment.";

/// For whom and for which day.
#[derive(Debug, Default, Deserialize)]
pub(super) struct PageQuery {
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
    /// Why nothing is delivered on the day.
    no_delivery: Option<String>,
    order_by: Option<String>,
    rows: Vec<Row>,
    /// What is to be said of the prices.
    tax_line: Option<String>,
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
    prices: Vec<String>,
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

/// What a unit costs, by how much is ordered.
fn prices_of(p: &AvailableProduct, farm: &Farm) -> Vec<String> {
    let from = |price: &ListPrice| match price.from_g {
        Grams::ZERO => String::new(),
        from_g => format!(" from {} kg", round_kg(from_g)),
    };
    p.prices.iter().map(|p| format!("{} a {}{}", price(p.amount, farm), p.unit, from(p))).collect()
}

/// Whether tax is in any of the prices.
fn has_tax(days: &[AvailableDay]) -> bool {
    days.iter().flat_map(|day| &day.products).flat_map(|p| &p.prices).any(|p| p.tax_included)
}

fn tax_line(farm: &Farm) -> String {
    format!("Prices have {} in them.", farm.tax_name)
}

/// An amount as it is sent: what is free now, or about what there will be also with a poor harvest.
fn sent_amount(of: Obtainable, pack_g: Option<i32>) -> String {
    let unit = unit(pack_g);
    if of.low_g > of.in_stock_g || of.low_g == Grams::ZERO {
        let (word, grams) = if of.low_g > Grams::ZERO { ("about", of.low_g) } else { ("perhaps", of.high_g) };
        // Nobody knows a harvest to ten grams.
        let roughly = pack_g.map_or(Grams(grams.0 / 100 * 100), |_| grams);
        return format!("{word} {} {unit}", figure(roughly, pack_g));
    }
    format!("{} {unit}", figure(of.in_stock_g, pack_g))
}

/// Why nothing is delivered on a day, to who takes the order.
fn no_delivery_words(why: NoDelivery, day: NaiveDate) -> String {
    match why {
        NoDelivery::FarmClosed => format!("The farm is closed on {}.", full_day(day)),
        NoDelivery::NotTheirDay => format!("They take no deliveries on a {}.", weekday(day.weekday().into())),
    }
}

/// The lines of a day as they are sent.
fn lines_of(day: &AvailableDay, farm: &Farm, now: DateTime<Utc>) -> Vec<String> {
    let line = |p: &AvailableProduct| {
        let of = format!("{}: {}", p.name, sent_amount(p.obtainable, p.pack_g));
        [vec![of], prices_of(p, farm)].concat().join(", ")
    };
    match day.no_delivery {
        Some(NoDelivery::FarmClosed) => return vec!["We are closed.".into()],
        Some(NoDelivery::NotTheirDay) => return vec!["No delivery to you on this day.".into()],
        None => {}
    }
    if day.order_by.is_some_and(|by| by < now) {
        return vec!["Too late to order for this day.".into()];
    }
    if day.products.is_empty() {
        return vec!["Nothing is left.".into()];
    }
    let by =
        day.order_by.map(|by| format!("Order by {}.", by.with_timezone(&zone_of(farm)).format("%a %-d %b, %H:%M")));
    day.products.iter().map(line).chain(by).collect()
}

/// What can be promised, as a text to send.
pub(crate) fn availability_text(farm: &Farm, availability: &Availability, now: DateTime<Utc>) -> String {
    let mut lines = vec![farm.name.clone()];
    for day in &availability.days {
        lines.push(String::new());
        lines.push(long_day(day.day));
        lines.extend(lines_of(day, farm, now));
    }
    lines.push(String::new());
    if availability.days.len() > 1 {
        lines.push("Each day is told of alone: the amounts do not add up.".into());
    }
    if availability.days.iter().any(|day| day.products.len() > 1) {
        lines.push("Products of the same mushrooms share what there is.".into());
    }
    if has_tax(&availability.days) {
        lines.push(tax_line(farm));
    }
    lines.push("\"About\" is what we expect to pick. While it lasts.".into());
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
    let days = today.iter_days().take_while(|d| *d <= today + USUAL_SPAN).filter(|d| *d != day);
    days.map(|d| (address(path, customer, day_name, d), short_day(d))).collect()
}

/// The address of an e-mail that is written with a text.
pub(super) fn mail_to(email: &str, subject: &str, text: &str) -> Option<String> {
    let encoded = |text: &str| utf8_percent_encode(text, NON_ALPHANUMERIC).to_string();
    // Line breaks of a mail are CR LF (RFC 6068 §5).
    let body = encoded(&text.replace('\n', "\r\n"));
    (!email.is_empty()).then(|| format!("mailto:{}?subject={}&body={body}", encoded(email), encoded(subject)))
}

fn unforeseen(strains: impl IntoIterator<Item = StrainCode>) -> String {
    strains.into_iter().map(|s| s.to_string()).collect::<Vec<_>>().join(", ")
}

/// What can still be promised on days, with prices for who may see them; the coming week unless said. And the farm, of the same instant.
pub(crate) async fn availability(
    app: &App,
    who: &Authenticated,
    customer: Option<&CustomerCode>,
    (from, until): (Option<Day>, Option<Day>),
) -> Result<(Farm, Availability), Problem> {
    app.refresh_before_read(who).await?;
    let (farm, facts) = read_tx!(app, who, |tx| Ok((tx.farm().await?, tx.promise_facts(customer, &[]).await?)))?;
    let days = days_to_tell(facts.today, from, until)?;
    let availability = work_out_availability(facts, days).await?;
    Ok((farm, if sees_prices(who.standing) { availability } else { availability.without_prices() }))
}

pub(super) async fn get_availability(
    State(app): State<App>,
    who: Authenticated,
    Query(query): Query<PageQuery>,
) -> Result<Html<AvailabilityPage>, Problem> {
    let (today, customers) = read_tx!(app, who, |tx| Ok((tx.farm_day().await?, tx.customers(&ALL).await?)))?;
    let asked = query.day.unwrap_or(Day(today + Days::new(1)));
    let (farm, mut availability) =
        availability(&app, &who, query.customer.as_ref(), (Some(asked), Some(asked))).await?;
    let text = availability_text(&farm, &availability, app.now());
    let head = Layout::new(&farm, &who, "/orders");
    let customer = query.customer.as_ref().and_then(|code| customers.iter().find(|c| c.customer == *code));
    let told = availability.days.pop();
    let row = |p: &AvailableProduct| Row {
        name: p.name.clone(),
        prices: prices_of(p, &farm),
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
        no_delivery: told.as_ref().and_then(|d| d.no_delivery).map(|why| no_delivery_words(why, asked.0)),
        order_by: told
            .as_ref()
            .filter(|d| d.no_delivery.is_none())
            .and_then(|d| d.order_by)
            .map(|by| full_time(by, zone_of(&farm))),
        tax_line: told.as_ref().filter(|d| has_tax(std::slice::from_ref(d))).map(|_| tax_line(&farm)),
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
pub(super) struct DayAvailability {
    pub day: NaiveDate,
    /// What is left of each product.
    pub left: BTreeMap<ProductCode, String>,
    /// What speaks against the day, a sentence each.
    pub about: Vec<String>,
    /// The same form for other days.
    pub others: Vec<(String, String)>,
}

/// What there is for a customer on a day; tomorrow unless said. An order can be taken also for a day of which nothing can be told.
pub(super) async fn day_availability(
    app: &App,
    who: &Authenticated,
    customer: &CustomerCode,
    day: Option<Day>,
) -> Result<DayAvailability, Problem> {
    let (today, zone) = read_tx!(app, who, |tx| Ok((tx.farm_day().await?, tx.farm_settings().await?.zone)))?;
    let asked = day.unwrap_or(Day(today + Days::new(1)));
    let others = other_days("/orders/new", Some(customer), "delivery_day", asked.0, today);
    let mut told = DayAvailability { day: asked.0, left: BTreeMap::new(), about: Vec::new(), others };
    if !(today..=today + FARTHEST).contains(&asked.0) {
        return Ok(told);
    }
    let availability = match availability(app, who, Some(customer), (Some(asked), Some(asked))).await {
        Ok((_, availability)) => availability,
        Err(problem) if problem.is_busy() => {
            told.about.push(NOT_NOW.to_owned());
            return Ok(told);
        }
        Err(problem) => return Err(problem),
    };
    told.about.push(format!("What is left is for {}.", short_day(asked.0)));
    for day in availability.days {
        told.about.extend(day.no_delivery.map(|why| no_delivery_words(why, day.day)));
        if let Some(by) = day.order_by.filter(|by| *by < app.now()) {
            told.about.push(format!("Orders for {} were due by {}.", full_day(day.day), full_time(by, zone)));
        }
        told.left.extend(day.products.into_iter().map(|p| (p.product.clone(), left(p.obtainable, p.pack_g))));
    }
    Ok(told)
}

/// What is said of an order's promise.
#[derive(Default)]
pub(super) struct PromiseWords {
    /// What it rests on, a sentence each, the weakest line first.
    pub sentences: Vec<String>,
    /// Whether it may not be kept.
    pub is_risky: bool,
}

impl PromiseWords {
    pub(super) fn of(sentence: &str) -> Self {
        Self { sentences: vec![sentence.to_owned()], is_risky: false }
    }
}

pub(super) fn promise_words(promise: &OrderPromise, zone: Tz) -> PromiseWords {
    let mut sentences = Vec::new();
    sentences.extend(promise.no_delivery.map(|why| no_delivery_words(why, promise.delivery_day)));
    if let Some(by) = promise.order_by.filter(|_| promise.late) {
        sentences.push(format!("It came in late: orders for this day were due by {}.", full_time(by, zone)));
    }
    if promise.basis == PromiseBasis::InStock {
        sentences.push("All of it is free now, after all other orders.".into());
    }
    let mut lines: Vec<&PromisedLine> = promise.lines.iter().collect();
    lines.sort_by_key(|l| std::cmp::Reverse(l.basis));
    sentences.extend(lines.into_iter().filter_map(line_words));
    if promise.basis != PromiseBasis::InStock && !promise.no_forecast.is_empty() {
        let strains = unforeseen(promise.no_forecast.iter().cloned());
        sentences.push(format!("Some flushes of {strains} are not counted: too few like them have been picked."));
    }
    PromiseWords { sentences, is_risky: promise.no_delivery.is_some() || promise.basis >= PromiseBasis::GoodHarvest }
}

fn line_words(l: &PromisedLine) -> Option<String> {
    let (of, name, unit) = (l.obtainable, &l.name, unit(l.pack_g));
    let shown = |grams: Grams| figure(grams, l.pack_g);
    let asked = shown(l.grams_g);
    Some(match l.basis {
        PromiseBasis::InStock => return None,
        PromiseBasis::Expected => {
            format!(
                "{name}: {} of {asked} {unit} free now, the rest with the harvest that is expected.",
                shown(of.in_stock_g)
            )
        }
        PromiseBasis::GoodHarvest => {
            format!("{name}: {asked} {unit} only with a good harvest, {} {unit} with a poor one.", shown(of.low_g))
        }
        PromiseBasis::Short => {
            let offer = |s: &Substitute| format!("{} ({} kg)", s.name, kg(s.grams_g));
            let offers: Vec<String> = l.substitutes.iter().map(offer).collect();
            let offers =
                if offers.is_empty() { String::new() } else { format!(" Instead we can do {}.", offers.join(", ")) };
            format!("{name}: we can do only {} of {asked} {unit}.{offers}", range(of, l.pack_g))
        }
    })
}
