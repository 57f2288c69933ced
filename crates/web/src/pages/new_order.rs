//! A new order: who wants what, and when?

use axum::{extract::State, response::Response};
use chrono::Days;
use gillbook_core::{selling::order::NewOrder, units::calendar::day_of};
use gillbook_store::Pagination;

use super::{
    Html, Layout,
    act::{ActPage, answer, first},
    sheet::{Field, FormFields, Input, Sheet},
    zone_of,
};
use crate::{App, auth::Authenticated, create_tx, extract::KeyedForm, problem::Problem, read_tx};

/// Lines that the page has room for.
const LINES: usize = 6;

async fn order_page(app: &App, who: &Authenticated) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let tomorrow = day_of(tx.now(), zone_of(&farm)) + Days::new(1);
        let all = Pagination { after: None, limit: 500 };
        let customers = tx.customers(&all).await?.into_iter().map(|c| (c.customer.to_string(), c.name));
        let products: Vec<(String, String)> = tx
            .products(&all)
            .await?
            .into_iter()
            .map(|p| {
                let sold = p.pack_g.map_or_else(|| "by weight".to_owned(), |g| format!("packs of {g} g"));
                (p.product.to_string(), format!("{}, {sold}", p.name))
            })
            .collect();
        let mut fields = vec![
            Field::new("customer", "Customer", Input::Choice).of(customers),
            Field::new("delivery_day", "Delivery day", Input::Day).with(tomorrow.to_string()),
        ];
        for n in 0..LINES {
            let name = |field: &str| format!("lines/{n}/{field}");
            fields.extend([
                Field::new(name("product"), format!("Line {}, product", n + 1), Input::Choice)
                    .of(products.iter().cloned()),
                Field::new(name("grams_g"), format!("Line {}, kg", n + 1), Input::Kilograms).optional().half(),
                Field::new(name("packs"), format!("Line {}, packs", n + 1), Input::Whole).optional().half(),
            ]);
        }
        fields.push(Field::new("note", "Note", Input::Text).optional());
        Ok(ActPage {
            head: Layout::new(&farm, who, "/orders"),
            title: "New order".into(),
            about: String::new(),
            sheets: vec![(String::new(), Sheet::new("/orders", "Save the order", fields))],
            nothing: "",
            back: ("/orders".into(), "All orders".into()),
        })
    })
}

pub(super) async fn get_new_order(State(app): State<App>, who: Authenticated) -> Result<Html<ActPage>, Problem> {
    first(order_page(&app, &who).await)
}

pub(super) async fn post_order(
    State(app): State<App>,
    who: Authenticated,
    filled: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let Some((_, sheet)) = order_page(&app, &who).await?.sheets.pop() else { return Err(Problem::broken()) };
    let done = sheet
        .submit(&filled, async |new: NewOrder| create_tx!(app, who, &filled.once, |tx| tx.place_order(&new).await))
        .await;
    let again = async |refused| Ok(order_page(&app, &who).await?.with_refused(Some(refused)));
    let on = |order: &serde_json::Value| order["order"].as_str().map_or("/orders".into(), |o| format!("/orders/{o}"));
    Ok(answer(done, on, again).await)
}
