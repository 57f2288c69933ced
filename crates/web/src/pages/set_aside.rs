//! Lots set aside for an order by hand, in place of the oldest date first.

use axum::{extract::State, response::Response};
use gillbook_core::{
    Grams,
    selling::{
        order::{Order, OrderLine},
        product::Product,
        set_aside::NewSetAside,
    },
    text::OrderCode,
};
use gillbook_store::ledger::entries::StockRow;

use super::{
    ALL, Html, Layout,
    act::{ActPage, first},
    exact_kg,
    resource::Nothing,
    sheet::{Field, FormFields, Input, Sheet},
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam},
    problem::Problem,
    read_tx,
};

/// A row for each lot that a line can be filled with, filled in with what is set aside of it now.
fn rows(order: &Order, products: &[Product], stock: &[StockRow]) -> Vec<Field> {
    let mut fields = Vec::new();
    for line in &order.lines {
        let Some(product) = products.iter().find(|p| p.product == line.product) else { continue };
        let will_do = |row: &&StockRow| {
            row.place_kind.sells()
                && !row.on_hold
                && product.strains.contains(&row.strain)
                && left_for(line, row) > Grams::ZERO
        };
        for row in stock.iter().filter(will_do) {
            let name = |field: &str| format!("chosen/{}@{}@{}/{field}", line.line, row.lot, row.place);
            let label =
                format!("{} of {} from {}: up to {} kg", line.name, row.lot, row.place, exact_kg(left_for(line, row)));
            let now = aside(line, row);
            fields.extend([
                Field::hidden_whole(name("line"), line.line),
                Field::hidden(name("lot"), row.lot.to_string()),
                Field::hidden(name("place"), row.place.to_string()),
                Field::new(name("grams_g"), label, Input::Kilograms).beside().with(if now > Grams::ZERO {
                    exact_kg(now)
                } else {
                    String::new()
                }),
            ]);
        }
    }
    fields
}

/// Grams of a lot that are set aside for a line now.
fn aside(line: &OrderLine, row: &StockRow) -> Grams {
    line.set_aside.iter().filter(|s| s.lot == row.lot && s.place == row.place).map(|s| s.grams_g).sum()
}

/// Grams of a lot that a line can have: what is free, and what it has.
fn left_for(line: &OrderLine, row: &StockRow) -> Grams {
    row.free_g + aside(line, row)
}

async fn choice_page(app: &App, who: &Authenticated, code: &OrderCode) -> Result<ActPage, Problem> {
    app.refresh_before_read(who).await?;
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let order = tx.order(code).await?;
        let (products, stock) = (tx.products(&ALL).await?, tx.stock(None, None).await?);
        let back = format!("/orders/{code}");
        let page =
            ActPage::new(Layout::new(&farm, who, "/orders"), order.customer_name.clone(), (&back, "Back to the order"))
                .about(format!("Order {code}: choose the lots yourself, and say why."))
                .or_nothing("No lot in the fridge will do for it.");
        let mut fields = rows(&order, &products, &stock);
        if fields.is_empty() {
            return Ok(page);
        }
        fields.push(Field::new("reason", "Why these", Input::Text));
        let page = page.sheet("", Sheet::new(format!("/orders/{code}/set-aside/chosen"), "Set these aside", fields));
        let is_any = order.lines.iter().any(|line| !line.set_aside.is_empty());
        let release = Sheet::new(format!("/orders/{code}/set-aside/release"), "Release it", Vec::new());
        Ok(if is_any { page.sheet("Release all that is set aside for it", release) } else { page })
    })
}

pub(super) async fn get_choice(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
) -> Result<Html<ActPage>, Problem> {
    first(choice_page(&app, &who, &code).await)
}

pub(super) async fn post_chosen(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewSetAside| create_tx!(app, who, &form.once, |tx| tx.set_aside(&code, &new).await);
    choice_page(&app, &who, &code).await?.take("/chosen", &form, act, |_| format!("/orders/{code}")).await
}

pub(super) async fn post_release(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |_: Nothing| create_tx!(app, who, &form.once, |tx| tx.release(&code).await);
    choice_page(&app, &who, &code).await?.take("/release", &form, act, |_| format!("/orders/{code}")).await
}
