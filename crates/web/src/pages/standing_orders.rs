//! Standing orders: who takes what on which days, and which orders were made of it?

use std::collections::BTreeSet;

use axum::{extract::State, response::Response};
use chrono::{Days, NaiveDate};
use gillbook_core::{
    Grams,
    kinds::{ClosedDayPolicy, OrderStatus, Weekday},
    refusal::Refusal,
    selling::{
        order::NewOrderLine,
        product::Product,
        standing_order::{NewStandingOrder, Pause, StandingDay, StandingOrder, StandingOrderChange, StandingOrderLine},
    },
    text::StandingOrderCode,
    units::recurrence::Recurrence,
};
use gillbook_store::{Pagination, Result as StoreResult, Tx, farm::farms::Farm};
use serde_json::Value;

use super::{
    ALL, Html, Layout, WEEKDAYS,
    act::{ActPage, first},
    date, exact_kg, full_day, in_a_row,
    order_forms::{CustomerQuery, Row, choose_customer, line_fields, usual_fields},
    orders::status_word,
    resource::{Nothing, Resource},
    sheet::{Field, FormFields, Input, Sheet},
    weekday,
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam, Query},
    problem::Problem,
    read_tx,
};

/// The list of them, which is looked through like any other.
pub(super) struct StandingOrders;

impl Resource for StandingOrders {
    const PATH: &'static str = "/standing-orders";
    const TITLE: &'static str = "Standing orders";
    const ADD: &'static str = "New standing order";
    const CODE: &'static str = "standing_order";
    const SETTLED: &'static [&'static str] = &[];
    type Item = StandingOrder;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<StandingOrder>> {
        tx.standing_orders(page).await
    }

    fn code(standing: &StandingOrder) -> String {
        standing.standing_order.to_string()
    }

    fn line(s: &StandingOrder) -> (String, String) {
        let days = days_in_words(&s.rule);
        let is_coming = |next: &&StandingDay| next.status != Some(OrderStatus::Cancelled);
        let next = match s.next.iter().find(is_coming) {
            Some(next) => format!("next on {}", full_day(next.delivery_day)),
            None => s.until.map_or_else(
                || "nothing in the next two weeks".to_owned(),
                |until| format!("last day {}", full_day(until)),
            ),
        };
        (s.customer_name.clone(), format!("{days}; {next}"))
    }

    async fn fields(_: &mut Tx, _: &Farm) -> StoreResult<Vec<Field>> {
        Ok(Vec::new())
    }
}

const CLOSED_DAYS: [(&str, &str); 3] =
    [("skip", "Leave it out"), ("day_before", "The open day before"), ("day_after", "The open day after")];

/// The days of a rule, as a grower says them.
fn days_in_words(rule: &Recurrence) -> String {
    let Some((days, weeks)) = rule.as_weekly() else { return format!("by the rule {rule}") };
    let names: Vec<&str> = days.into_iter().map(weekday).collect();
    let names = in_a_row(&names);
    match weeks {
        1 => format!("every {names}"),
        2 => format!("every second {names}"),
        weeks => format!("every {weeks} weeks on {names}"),
    }
}

/// How much of a product is wanted, in words.
fn wanted(line: &StandingOrderLine) -> String {
    match (line.grams_g, line.packs) {
        (Some(grams), _) => format!("{} kg", exact_kg(grams)),
        (None, Some(1)) => "1 pack".to_owned(),
        (None, packs) => format!("{} packs", packs.unwrap_or(0)),
    }
}

fn day_fields(standing: Option<&StandingOrder>) -> Vec<Field> {
    let weekly = standing.map(|s| s.rule.as_weekly());
    let (days, weeks) = match &weekly {
        Some(Some((days, weeks))) => (days.clone(), weeks.to_string()),
        Some(None) => (BTreeSet::new(), String::new()),
        None => (BTreeSet::new(), "1".to_owned()),
    };
    let days: Vec<&str> = days.into_iter().map(Weekday::as_str).collect();
    let closed = standing.map_or(ClosedDayPolicy::Skip, |s| s.on_closed_day);
    let fields = [
        Field::new("weekdays", "On which days", Input::Several).of_words(&WEEKDAYS).with(days.join("\n")),
        Field::new("every_weeks", "Every how many weeks", Input::Whole).with(weeks).hint("1 is every week"),
    ];
    // A rule that is none of weekdays stays unless weekdays are chosen.
    let is_kept = matches!(weekly, Some(None));
    let mut fields: Vec<Field> = fields.into_iter().map(|f| if is_kept { f.optional() } else { f }).collect();
    fields.push(
        Field::new("on_closed_day", "When we are closed that day", Input::Touch)
            .of_words(&CLOSED_DAYS)
            .with(closed.as_str()),
    );
    fields
}

async fn new_page(app: &App, who: &Authenticated, query: &CustomerQuery) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let tomorrow = tx.farm_day().await? + Days::new(1);
        let back = (StandingOrders::PATH, StandingOrders::TITLE);
        let page = ActPage::new(Layout::new(&farm, who, "/orders"), StandingOrders::ADD, back);
        let Some(code) = &query.customer else { return choose_customer(tx, page, "/standing-orders/new").await };
        let customer = tx.customer(code).await?;
        let (lines, about) = usual_fields(tx, code).await?;
        let mut fields = vec![Field::hidden("customer", code.to_string())];
        fields.extend(day_fields(None));
        fields.extend([
            Field::new("from", "From", Input::Day).with(tomorrow.to_string()).half(),
            Field::new("until", "Last day", Input::Day).hint("empty: until further notice").optional().half(),
        ]);
        fields.extend(lines);
        fields.push(Field::new("note", "Note", Input::Text).hint("stands on each order").optional());
        let action = format!("{}?customer={code}", StandingOrders::PATH);
        Ok(ActPage { title: customer.name, ..page }
            .about(about)
            .sheet("", Sheet::new(action, "Save the standing order", fields))
            .link("/standing-orders/new", "Another customer"))
    })
}

pub(super) async fn get_new(
    State(app): State<App>,
    who: Authenticated,
    Query(query): Query<CustomerQuery>,
) -> Result<Html<ActPage>, Problem> {
    first(new_page(&app, &who, &query).await)
}

pub(super) async fn post_new(
    State(app): State<App>,
    who: Authenticated,
    Query(query): Query<CustomerQuery>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let Some(customer) = &query.customer else {
        return Err(Refusal::field("customer", "Choose whose standing order it is.").into());
    };
    let on = |made: &Value| {
        made["standing_order"].as_str().map_or_else(|| StandingOrders::PATH.to_owned(), |code| address(&code))
    };
    let act = async |new: NewStandingOrder| create_tx!(app, who, &form.once, |tx| tx.place_standing_order(&new).await);
    new_page(&app, &who, &query).await?.take(&format!("customer={customer}"), &form, act, on).await
}

fn address(code: &impl std::fmt::Display) -> String {
    format!("{}/{code}", StandingOrders::PATH)
}

/// What can be changed of it: each of its own.
fn change_sheets(standing: &StandingOrder, products: &[Product], today: NaiveDate) -> Vec<(&'static str, Sheet)> {
    let path = |act: &str| format!("{}/{act}", address(&standing.standing_order));
    let version = || Field::version(standing.version);
    let mut fields = vec![version()];
    fields.extend(day_fields(Some(standing)));
    let days = Sheet::new(path("days"), "Save the days", fields);
    // A row is shown in grams where it has them, and what is packed by its packs.
    let row = |(n, l): (usize, &StandingOrderLine)| {
        let NewOrderLine { product, grams_g, packs } = l.wanted();
        Row { name: format!("line-{}", n + 1), product, grams_g: grams_g.unwrap_or(Grams::ZERO), packs }
    };
    let filled: Vec<Row> = standing.lines.iter().enumerate().map(row).collect();
    let mut fields = vec![version()];
    fields.extend(line_fields(products, &filled, &BTreeSet::new()));
    fields.push(Field::new("note", "Note", Input::Text).or_blank().with(standing.note.clone()));
    let lines = Sheet::new(path("lines"), "Save the amounts", fields);
    let fields = vec![
        Field::new("from", "From", Input::Day).half(),
        Field::new("until", "To", Input::Day).half(),
        Field::new("reason", "Why", Input::Text).hint("their holiday").optional(),
    ];
    let pause = Sheet::new(path("pause"), "Pause it", fields);
    let fields = vec![version(), Field::new("until", "Last day", Input::Day).with(today.to_string())];
    let end = Sheet::new(path("end"), "End it", fields);
    let mut sheets = vec![
        ("Change the days", days),
        ("How much, from now on", lines),
        ("A pause: orders of those days are called off, but for those changed for one day only", pause),
    ];
    if !standing.pauses.is_empty() {
        sheets.push((
            "No pause any more: orders of those days come back",
            Sheet::new(path("resume"), "Resume", Vec::new()),
        ));
    }
    if standing.until.is_some() {
        let fields = vec![version(), Field::hidden("until_further_notice", "true")];
        sheets.push(("No last day", Sheet::new(path("go-on"), "Until further notice", fields)));
    }
    sheets.push(("End it: orders after the last day are called off, but for those changed for one day only", end));
    sheets
}

/// One of the days to come.
fn with_day(page: ActPage, next: &StandingDay) -> ActPage {
    let day = full_day(next.delivery_day);
    let moved = match (next.delivery_day == next.day, next.not_their_day) {
        (true, false) => "",
        (false, false) => ", moved",
        (true, true) => ", not a day of theirs",
        (false, true) => ", moved, not a day of theirs",
    };
    match (&next.order, next.status) {
        (Some(order), Some(status)) => {
            let is_own = !next.follows && status == OrderStatus::Confirmed;
            let own = if is_own { ", changed for this day only" } else { "" };
            page.link(format!("/orders/{order}"), format!("{day}{moved}: order {order}, {}{own}", status_word(status)))
        }
        _ => page.detail("Still to be made", format!("{day}{moved}")),
    }
}

async fn one_page(app: &App, who: &Authenticated, code: &StandingOrderCode) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let today = tx.farm_day().await?;
        let standing = tx.standing_order(code).await?;
        let back = (StandingOrders::PATH, StandingOrders::TITLE);
        let mut page = ActPage::new(Layout::new(&farm, who, "/orders"), standing.customer_name.clone(), back)
            .about(format!("Standing order {code}, {}.", days_in_words(&standing.rule)))
            .detail("From", full_day(standing.from))
            .detail("Last day", standing.until.map_or_else(|| "until further notice".to_owned(), full_day));
        for line in &standing.lines {
            page = page.detail(line.name.clone(), wanted(line));
        }
        for pause in &standing.pauses {
            let why = if pause.reason.as_str().is_empty() { String::new() } else { format!(": {}", pause.reason) };
            page = page.detail("Paused", format!("{} to {}{why}", date(pause.from.0), date(pause.until.0)));
        }
        if !standing.note.is_empty() {
            page = page.detail("Note", standing.note.clone());
        }
        let closed = CLOSED_DAYS.iter().find(|(word, _)| *word == standing.on_closed_day.as_str());
        page = page.detail("When we are closed", closed.map_or("", |(_, words)| words));
        if let Some(why) = &standing.blocked_by {
            page = page.detail("No order can be made", why.clone());
        }
        page = standing.next.iter().fold(page, with_day).link("/closed-days", "Days when we are closed");
        if !page.head.may("POST", "/standing-orders/{standing_order}/lines") {
            return Ok(page);
        }
        let products = tx.products(&ALL).await?;
        let sheets = change_sheets(&standing, &products, today);
        Ok(sheets.into_iter().fold(page, |page, (heading, sheet)| page.sheet(heading, sheet)))
    })
}

pub(super) async fn get_one(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<StandingOrderCode>,
) -> Result<Html<ActPage>, Problem> {
    first(one_page(&app, &who, &code).await)
}

async fn changed(
    app: &App,
    who: &Authenticated,
    code: &StandingOrderCode,
    form: &KeyedForm<FormFields>,
    action: &str,
) -> Result<Response, Problem> {
    let version = Sheet::version_read(form)?;
    let act = async |change: StandingOrderChange| {
        create_tx!(app, who, &form.once, |tx| tx.change_standing_order(code, &change, version).await)
    };
    one_page(app, who, code).await?.take(action, form, act, |_| address(code)).await
}

pub(super) async fn post_days(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<StandingOrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    changed(&app, &who, &code, &form, "/days").await
}

pub(super) async fn post_lines(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<StandingOrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    changed(&app, &who, &code, &form, "/lines").await
}

pub(super) async fn post_end(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<StandingOrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    changed(&app, &who, &code, &form, "/end").await
}

pub(super) async fn post_go_on(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<StandingOrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    changed(&app, &who, &code, &form, "/go-on").await
}

pub(super) async fn post_pause(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<StandingOrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |pause: Pause| create_tx!(app, who, &form.once, |tx| tx.pause_standing_order(&code, &pause).await);
    one_page(&app, &who, &code).await?.take("/pause", &form, act, |_| address(&code)).await
}

pub(super) async fn post_resume(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<StandingOrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |_: Nothing| create_tx!(app, who, &form.once, |tx| tx.resume_standing_order(&code).await);
    one_page(&app, &who, &code).await?.take("/resume", &form, act, |_| address(&code)).await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_said_as_a_grower_says_them() {
        let said = |rule: &str| days_in_words(&rule.parse().unwrap());
        assert_eq!(said("FREQ=WEEKLY;BYDAY=TU"), "every Tuesday");
        assert_eq!(said("FREQ=WEEKLY;BYDAY=FR,MO,TU"), "every Monday, Tuesday and Friday");
        assert_eq!(said("FREQ=WEEKLY;INTERVAL=2;BYDAY=TU,FR"), "every second Tuesday and Friday");
        assert_eq!(said("FREQ=WEEKLY;INTERVAL=3;BYDAY=TU"), "every 3 weeks on Tuesday");
        assert_eq!(said("FREQ=MONTHLY;BYDAY=1MO"), "by the rule FREQ=MONTHLY;BYDAY=1MO");
    }
}
