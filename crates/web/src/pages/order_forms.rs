//! An order taken, changed, promised, called off: who wants what, and when?

use std::collections::{BTreeMap, BTreeSet};

use axum::{extract::State, response::Response};
use chrono::Days;
use gillbook_core::{
    Grams,
    kinds::OrderStatus,
    refusal::Refusal,
    selling::{
        order::{NewOrder, Order, OrderChange, OrderLine},
        product::Product,
        usual::usual_lines,
    },
    text::{CustomerCode, OrderCode, ProductCode},
    units::calendar::{Day, day_of},
};
use gillbook_store::{Result as StoreResult, Tx};
use serde::Deserialize;
use serde_json::Value;

use super::{
    ALL, Html, Layout,
    act::{ActPage, first},
    availability::{DayAvailability, day_availability},
    exact_kg, full_day,
    sheet::{Field, FormFields, Input, Sheet},
    zone_of,
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam, Query},
    problem::Problem,
    read_tx,
};

/// The customer whose order is taken.
#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct CustomerQuery {
    pub customer: Option<CustomerCode>,
    /// The day that it is for.
    pub delivery_day: Option<Day>,
}

/// What a row of an order is filled in with.
pub(super) struct Row {
    /// Its name on the page.
    pub name: String,
    pub product: ProductCode,
    pub grams_g: Grams,
    pub packs: Option<i32>,
}

/// The rows that are filled in, then one for each other product, those first that were ordered before: tapped and typed, never looked for in
/// a list.
pub(super) fn line_fields(products: &[Product], filled: &[Row], known: &BTreeSet<ProductCode>) -> Vec<Field> {
    let of_row = |row: &Row| {
        let product = products.iter().find(|p| p.product == row.product)?;
        Some(line_field(&row.name, product, Some((row.grams_g, row.packs))))
    };
    let is_filled = |p: &Product| filled.iter().any(|row| row.product == p.product);
    let mut others: Vec<&Product> = products.iter().filter(|p| !is_filled(p)).collect();
    others.sort_by_key(|p| !known.contains(&p.product));
    let others = others.into_iter().map(|p| line_field(p.product.as_str(), p, None));
    filled.iter().filter_map(of_row).chain(others).flatten().collect()
}

fn line_field(row: &str, product: &Product, now: Option<(Grams, Option<i32>)>) -> [Field; 2] {
    let name = |field: &str| format!("lines/{row}/{field}");
    let amount = match product.pack_g {
        Some(g) => Field::new(name("packs"), format!("{}, packs of {g} g", product.name), Input::Whole)
            .with(now.and_then(|(_, packs)| packs).map_or_else(String::new, |packs| packs.to_string())),
        None => Field::new(name("grams_g"), format!("{}, kg", product.name), Input::Kilograms)
            .with(now.map_or_else(String::new, |(grams, _)| exact_kg(grams))),
    };
    [Field::hidden(name("product"), product.product.to_string()), amount.beside()]
}

/// Asks who it is for: a link for each customer to the form at an address.
pub(super) async fn choose_customer(tx: &mut Tx, page: ActPage, form: &str) -> StoreResult<ActPage> {
    let page = page.about("Who is it for?").or_nothing("There is no customer yet.");
    let customers = tx.customers(&ALL).await?;
    Ok(customers.into_iter().fold(page, |page, c| {
        page.link(format!("{form}?customer={}", c.customer), format!("{} ({})", c.name, c.customer))
    }))
}

/// The lines of a form with what a customer usually takes filled in, and what is said of that.
pub(super) async fn usual_fields(tx: &mut Tx, customer: &CustomerCode) -> StoreResult<(Vec<Field>, &'static str)> {
    let past = tx.past_lines(customer).await?;
    let products = tx.products(&ALL).await?;
    let usual: Vec<Row> = usual_lines(&past)
        .into_values()
        .map(|l| Row { name: l.product.to_string(), product: l.product, grams_g: l.grams_g, packs: l.packs })
        .collect();
    let known = past.into_iter().map(|line| line.product).collect();
    let about = if usual.is_empty() { "" } else { "What they usually take is filled in." };
    Ok((line_fields(&products, &usual, &known), about))
}

/// The fields of lines with what is left of each product on the day beside them.
fn with_left(mut lines: Vec<Field>, left: &BTreeMap<ProductCode, String>) -> Vec<Field> {
    // A line is the product and the amount behind it.
    for pair in lines.chunks_mut(2) {
        if let [product, amount] = pair {
            let found = left.iter().find(|(code, _)| code.as_str() == product.value);
            amount.hint = found.map_or_else(|| "none left".to_owned(), |(_, left)| left.clone());
        }
    }
    lines
}

/// The form of an order. What is left on the day is said where it is seen first.
async fn new_order_page(
    app: &App,
    who: &Authenticated,
    query: &CustomerQuery,
    asked: Option<DayAvailability>,
) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let tomorrow = day_of(tx.now(), zone_of(&farm)) + Days::new(1);
        let page = ActPage::new(Layout::new(&farm, who, "/orders"), "New order", ("/orders", "All orders"));
        let Some(code) = &query.customer else { return choose_customer(tx, page, "/orders/new").await };
        let customer = tx.customer(code).await?;
        let (lines, about) = usual_fields(tx, code).await?;
        let day = asked.as_ref().map_or(tomorrow, |asked| asked.day);
        let mut fields = vec![
            Field::hidden("customer", code.to_string()),
            Field::new("delivery_day", "Delivery day", Input::Day).with(day.to_string()),
        ];
        fields.extend(match &asked {
            Some(asked) if !asked.left.is_empty() => with_left(lines, &asked.left),
            _ => lines,
        });
        fields.push(Field::new("draft", "A draft: not promised yet", Input::Tick));
        fields.push(Field::new("reference", "Their order number", Input::Text).optional());
        fields.push(Field::new("note", "Note", Input::Text).optional());
        let action = format!("/orders?customer={code}");
        let mut page = ActPage { title: customer.name, ..page };
        let mut sentences = vec![about.to_owned()];
        if let Some(asked) = &asked {
            sentences.extend(asked.about.iter().cloned());
            page.choices.clone_from(&asked.others);
        }
        sentences.retain(|sentence| !sentence.is_empty());
        Ok(page
            .about(sentences.join(" "))
            .sheet("", Sheet::new(action, "Save the order", fields))
            .link("/orders/new", "Another customer"))
    })
}

pub(super) async fn get_new_order(
    State(app): State<App>,
    who: Authenticated,
    Query(query): Query<CustomerQuery>,
) -> Result<Html<ActPage>, Problem> {
    let asked = match &query.customer {
        Some(customer) => Some(day_availability(&app, &who, customer, query.delivery_day).await?),
        None => None,
    };
    first(new_order_page(&app, &who, &query, asked).await)
}

pub(super) async fn post_order(
    State(app): State<App>,
    who: Authenticated,
    Query(query): Query<CustomerQuery>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let Some(customer) = &query.customer else {
        return Err(Refusal::field("customer", "Choose whose order it is.").into());
    };
    let on = |order: &Value| order["order"].as_str().map_or("/orders".into(), |o| format!("/orders/{o}"));
    let act = async |new: NewOrder| create_tx!(app, who, &form.once, |tx| tx.place_order(&new).await);
    new_order_page(&app, &who, &query, None).await?.take(&format!("customer={customer}"), &form, act, on).await
}

/// What can still be done with an order: each of its own, so that a new note releases nothing that is set aside.
fn change_sheets(order: &Order, products: &[Product]) -> Vec<(&'static str, Sheet)> {
    let path = |act: &str| format!("/orders/{}/{act}", order.order);
    let version = || Field::version(order.version);
    let mut sheets = Vec::new();
    if order.status == OrderStatus::Draft {
        let fields = vec![version(), Field::hidden("status", "confirmed")];
        sheets.push(("Promise it", Sheet::new(path("confirm"), "Promise it", fields)));
    }
    let fields = vec![
        version(),
        Field::new("delivery_day", "Delivery day", Input::Day).with(order.delivery_day.to_string()),
        Field::new("reference", "Their order number", Input::Text).or_blank().with(order.reference.clone()),
        Field::new("note", "Note", Input::Text).or_blank().with(order.note.clone()),
    ];
    sheets.push(("Another day, order number or note", Sheet::new(path("day"), "Save day, number and note", fields)));
    // By the line and not by the product, which an order may have twice.
    let now = |l: &OrderLine| Row {
        name: format!("line-{}", l.line),
        product: l.product.clone(),
        grams_g: l.grams_g,
        packs: l.packs,
    };
    let filled: Vec<Row> = order.lines.iter().map(now).collect();
    let mut fields = vec![version()];
    fields.extend(line_fields(products, &filled, &BTreeSet::new()));
    sheets.push(("Other lines: what is set aside is released", Sheet::new(path("lines"), "Save the lines", fields)));
    let fields = vec![version(), Field::hidden("status", "cancelled")];
    sheets.push(("Call it off: what is set aside is released", Sheet::new(path("cancel"), "Call it off", fields)));
    sheets
}

async fn change_page(app: &App, who: &Authenticated, code: &OrderCode) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let order = tx.order(code).await?;
        let back = format!("/orders/{code}");
        let only = order.standing_order.as_ref().map_or_else(String::new, |standing| {
            format!(" It is of standing order {standing}: what is changed here is changed for this day only.")
        });
        let page =
            ActPage::new(Layout::new(&farm, who, "/orders"), order.customer_name.clone(), (&back, "Back to the order"))
                .about(format!("Order {code} for {}.{only}", full_day(order.delivery_day)))
                .or_nothing("It has gone out or was called off, and is not changed any more.");
        if !matches!(order.status, OrderStatus::Draft | OrderStatus::Confirmed) {
            return Ok(page);
        }
        let products = tx.products(&ALL).await?;
        Ok(change_sheets(&order, &products).into_iter().fold(page, |page, (heading, sheet)| page.sheet(heading, sheet)))
    })
}

pub(super) async fn get_change(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
) -> Result<Html<ActPage>, Problem> {
    first(change_page(&app, &who, &code).await)
}

async fn changed(
    app: &App,
    who: &Authenticated,
    code: &OrderCode,
    form: &KeyedForm<FormFields>,
    action: &str,
) -> Result<Response, Problem> {
    let version = Sheet::version_read(form)?;
    let act = async |change: OrderChange| {
        create_tx!(app, who, &form.once, |tx| tx.change_order(code, &change, version).await)
    };
    change_page(app, who, code).await?.take(action, form, act, |_| format!("/orders/{code}")).await
}

pub(super) async fn post_confirm(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    changed(&app, &who, &code, &form, "/confirm").await
}

pub(super) async fn post_day(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    changed(&app, &who, &code, &form, "/day").await
}

pub(super) async fn post_lines(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    changed(&app, &who, &code, &form, "/lines").await
}

pub(super) async fn post_cancel(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    changed(&app, &who, &code, &form, "/cancel").await
}
