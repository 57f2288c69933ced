//! Move a lot, take grams out of it, finish it: what became of these grams?

use axum::{extract::State, response::Response};
use gillbook_core::{
    Grams,
    kinds::PlaceKind,
    ledger::entry::NewMovement,
    text::{LotCode, PlaceCode},
};
use gillbook_store::ledger::lots::{Lot, NewLotEvent};

use super::{
    ALL, Html, Layout,
    act::{ActPage, first},
    exact_kg,
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

/// What grams that leave the stores by hand become: in the body, and in the grower's words.
const OUT: [(&str, &str); 5] =
    [("waste", "Waste"), ("gift", "Gift"), ("test", "Tasting or samples"), ("trim", "Trim"), ("home", "Home use")];

/// Grams of the lot in a store, and what of them can be moved.
struct InStore {
    place: PlaceCode,
    grams: Grams,
    free: Grams,
}

/// From where and how much: filled in where the lot is in one place only.
fn source(stores: &[InStore]) -> [Field; 2] {
    let words = |s: &InStore| (s.place.to_string(), format!("{}, {} kg free", s.place, exact_kg(s.free)));
    let only = stores.first().filter(|_| stores.len() == 1);
    [
        Field::new("from_place", "From", Input::Touch)
            .with(only.map_or_else(String::new, |s| s.place.to_string()))
            .of(stores.iter().map(words)),
        Field::new("grams_g", "How much, kg", Input::Kilograms)
            .with(only.filter(|s| s.free > Grams::ZERO).map_or_else(String::new, |s| exact_kg(s.free))),
    ]
}

fn transfer(lot: &Lot, stores: &[InStore], to: &[(String, String)]) -> Sheet {
    let [from, grams] = source(stores);
    let fields = vec![
        Field::hidden("kind", "transfer"),
        Field::hidden("lot", lot.lot.to_string()),
        from,
        grams,
        Field::new("to_place", "To", Input::Choice).of(to.iter().cloned()),
    ];
    Sheet::new(format!("/lots/{}/transfer", lot.lot), "Move it", fields)
}

fn take_out(lot: &Lot, stores: &[InStore]) -> Sheet {
    let [from, grams] = source(stores);
    // Of a lot on hold nothing is eaten.
    let out = OUT.into_iter().filter(|(kind, _)| !lot.on_hold || matches!(*kind, "waste" | "test"));
    let fields = vec![
        Field::hidden("lot", lot.lot.to_string()),
        Field::new("kind", "What becomes of it", Input::Touch)
            .of(out.map(|(kind, words)| (kind.to_owned(), words.to_owned()))),
        from,
        grams,
        Field::new("reason", "Why", Input::Text),
    ];
    Sheet::new(format!("/lots/{}/take-out", lot.lot), "Take it out", fields)
}

fn finish(lot: &Lot) -> Sheet {
    let fields = vec![Field::new("reason", "Why, such as: the crate is empty", Input::Text)];
    Sheet::new(format!("/lots/{}/finish", lot.lot), "Finish it", fields)
}

async fn moves(app: &App, who: &Authenticated, code: &LotCode) -> Result<ActPage, Problem> {
    app.refresh_before_read(who).await?;
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let lot = tx.lot(code).await?;
        let places = tx.places(&ALL).await?;
        let to: Vec<(String, String)> = places
            .iter()
            .filter(|p| matches!(p.kind, PlaceKind::Fridge | PlaceKind::Shelf | PlaceKind::Van))
            .map(|p| (p.place.to_string(), format!("{} ({})", p.name, p.place)))
            .collect();
        let stock = tx.stock(None, None).await?.into_iter().filter(|row| row.lot == *code);
        let stores: Vec<InStore> = stock
            .map(|row| InStore {
                free: if row.on_hold { row.grams_g - row.set_aside_g } else { row.free_g.max(Grams::ZERO) },
                grams: row.grams_g,
                place: row.place,
            })
            .collect();
        let in_stock: Grams = stores.iter().map(|s| s.grams).sum();
        let hold = if lot.on_hold { ", on hold" } else { "" };
        let back = format!("/lots/{}", lot.lot);
        let page = ActPage::new(Layout::new(&farm, who, "/stock"), lot.lot.to_string(), (&back, "Back to the lot"))
            .about(format!("{}, grade {}: {} kg in stock{hold}.", lot.strain, lot.grade, exact_kg(in_stock)))
            .or_nothing("Nothing of it is in stock.");
        if in_stock == Grams::ZERO {
            return Ok(page);
        }
        let page =
            page.sheet("Take it out of stock", take_out(&lot, &stores)).sheet("Move it", transfer(&lot, &stores, &to));
        if !page.head.may("POST", "/lots/{lot}/finish") {
            return Ok(page);
        }
        let left = format!("Finish it: {} kg are written off as lost weight", exact_kg(in_stock));
        Ok(page.sheet(left, finish(&lot)))
    })
}

pub(super) async fn get_moves(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
) -> Result<Html<ActPage>, Problem> {
    first(moves(&app, &who, &code).await)
}

async fn moved(
    app: &App,
    who: &Authenticated,
    code: &LotCode,
    form: &KeyedForm<FormFields>,
    action: &str,
) -> Result<Response, Problem> {
    let act = async |new: NewMovement| create_tx!(app, who, &form.once, |tx| tx.move_grams(&new).await);
    moves(app, who, code).await?.take(action, form, act, |_| format!("/lots/{code}")).await
}

pub(super) async fn post_transfer(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    moved(&app, &who, &code, &form, "/transfer").await
}

pub(super) async fn post_take_out(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    moved(&app, &who, &code, &form, "/take-out").await
}

pub(super) async fn post_finish(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewLotEvent| create_tx!(app, who, &form.once, |tx| tx.finish_lot(&code, &new).await);
    moves(&app, &who, &code).await?.take("/finish", &form, act, |_| format!("/lots/{code}")).await
}
