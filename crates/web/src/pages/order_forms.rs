//! An order taken, changed, promised, called off: who wants what, and when?

use std::collections::{BTreeMap, BTreeSet};

use axum::{extract::State, response::Response};
use chrono::Days;
use gillbook_core::{
    kinds::OrderStatus,
    refusal::Refusal,
    selling::{
        order::{NewOrder, OrderChange},
        product::Product,
        usual::{PastLine, usual_lines},
    },
    text::{CustomerCode, OrderCode, ProductCode},
    units::calendar::day_of,
};
use gillbook_store::selling::orders::{Order, OrderLine};
use serde::Deserialize;
use serde_json::Value;

use super::{
    ALL, Html, Layout,
    act::{ActPage, first},
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
    customer: Option<CustomerCode>,
}

/// A row for each product, those first that are filled in or were ordered before: tapped and typed, never looked for in a list.
fn line_fields(
    products: &[Product],
    filled: &BTreeMap<ProductCode, PastLine>,
    known: &BTreeSet<ProductCode>,
) -> Vec<Field> {
    let rank = |p: &&Product| (!filled.contains_key(&p.product), !known.contains(&p.product));
    let mut products: Vec<&Product> = products.iter().collect();
    products.sort_by_key(rank);
    let row = |p: &Product| {
        let name = |field: &str| format!("lines/{}/{field}", p.product);
        let line = filled.get(&p.product);
        let amount = match p.pack_g {
            Some(g) => Field::new(name("packs"), format!("{}, packs of {g} g", p.name), Input::Whole)
                .with(line.and_then(|l| l.packs).map_or_else(String::new, |packs| packs.to_string())),
            None => Field::new(name("grams_g"), format!("{}, kg", p.name), Input::Kilograms)
                .with(line.map_or_else(String::new, |l| exact_kg(l.grams_g))),
        };
        [Field::hidden(name("product"), p.product.to_string()), amount.beside()]
    };
    products.into_iter().flat_map(row).collect()
}

async fn new_order_page(app: &App, who: &Authenticated, query: &CustomerQuery) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let tomorrow = day_of(tx.now(), zone_of(&farm)) + Days::new(1);
        let page = ActPage::new(Layout::new(&farm, who, "/orders"), "New order", ("/orders", "All orders"));
        let Some(code) = &query.customer else {
            let customers = tx.customers(&ALL).await?;
            let page = page.about("Who is it for?").or_nothing("There is no customer yet.");
            return Ok(customers.into_iter().fold(page, |page, c| {
                page.link(format!("/orders/new?customer={}", c.customer), format!("{} ({})", c.name, c.customer))
            }));
        };
        let customer = tx.customer(code).await?;
        let past = tx.past_lines(code).await?;
        let products = tx.products(&ALL).await?;
        let usual = usual_lines(&past);
        let known = past.into_iter().map(|line| line.product).collect();
        let mut fields = vec![
            Field::hidden("customer", code.to_string()),
            Field::new("delivery_day", "Delivery day", Input::Day).with(tomorrow.to_string()),
        ];
        fields.extend(line_fields(&products, &usual, &known));
        fields.push(Field::new("draft", "A draft: not promised yet", Input::Tick));
        fields.push(Field::new("note", "Note", Input::Text).optional());
        let about = if usual.is_empty() { "" } else { "What they usually take is filled in." };
        let action = format!("/orders?customer={code}");
        Ok(ActPage { title: customer.name, ..page }
            .about(about)
            .sheet("", Sheet::new(action, "Save the order", fields))
            .link("/orders/new", "Another customer"))
    })
}

pub(super) async fn get_new_order(
    State(app): State<App>,
    who: Authenticated,
    Query(query): Query<CustomerQuery>,
) -> Result<Html<ActPage>, Problem> {
    first(new_order_page(&app, &who, &query).await)
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
    new_order_page(&app, &who, &query).await?.take(&format!("customer={customer}"), &form, act, on).await
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
        Field::new("note", "Note", Input::Text).or_blank().with(order.note.clone()),
    ];
    sheets.push(("Another day, another note", Sheet::new(path("day"), "Save the day and note", fields)));
    let now =
        |l: &OrderLine| PastLine { orders_ago: 0, product: l.product.clone(), grams_g: l.grams_g, packs: l.packs };
    let filled = order.lines.iter().map(|l| (l.product.clone(), now(l))).collect();
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
        let page =
            ActPage::new(Layout::new(&farm, who, "/orders"), order.customer_name.clone(), (&back, "Back to the order"))
                .about(format!("Order {code} for {}.", full_day(order.delivery_day)))
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
