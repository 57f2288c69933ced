//! Move a lot, take grams out of it, finish it: what became of these grams?

use axum::{extract::State, response::Response};
use gillbook_core::{Grams, ledger::entry::NewMovement, text::LotCode};
use gillbook_store::{
    Pagination,
    ledger::lots::{Lot, NewLotEvent},
};

use super::{
    Html, Layout,
    act::{ActPage, answer, first},
    exact_kg, kg,
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

/// Where the lot is: the place in the body, and with what is free there in words.
fn stores(lot: &Lot) -> Vec<(String, String)> {
    lot.places
        .iter()
        .filter(|p| p.kind.holds_stock())
        .map(|p| (p.place.to_string(), format!("{}, {} kg free", p.place, exact_kg(p.grams_g - p.set_aside_g))))
        .collect()
}

/// From where and how much: filled in where the lot is in one place only.
fn source(lot: &Lot) -> [Field; 2] {
    let stores = stores(lot);
    let mut there = lot.places.iter().filter(|p| p.kind.holds_stock());
    let only = there.next().filter(|_| there.next().is_none());
    let free = only.map(|p| (p.grams_g - p.set_aside_g).max(Grams::ZERO));
    [
        Field::new("from_place", "From", Input::Touch)
            .with(only.map_or_else(String::new, |p| p.place.to_string()))
            .of(stores),
        Field::new("grams_g", "How much, kg", Input::Kilograms).with(free.map_or_else(String::new, exact_kg)),
    ]
}

fn transfer(lot: &Lot, to: &[(String, String)]) -> Sheet {
    let [from, grams] = source(lot);
    let fields = vec![
        Field::hidden("kind", "transfer"),
        Field::hidden("lot", lot.lot.to_string()),
        from,
        grams,
        Field::new("to_place", "To", Input::Choice).of(to.iter().cloned()),
    ];
    Sheet::new(format!("/lots/{}/transfer", lot.lot), "Move it", fields)
}

fn take_out(lot: &Lot) -> Sheet {
    let [from, grams] = source(lot);
    let fields = vec![
        Field::hidden("lot", lot.lot.to_string()),
        Field::new("kind", "What becomes of it", Input::Touch)
            .of(OUT.map(|(kind, words)| (kind.to_owned(), words.to_owned()))),
        from,
        grams,
        Field::new("reason", "Why", Input::Text),
    ];
    Sheet::new(format!("/lots/{}/take-out", lot.lot), "Take it out", fields)
}

fn finish(lot: &Lot) -> Sheet {
    let fields = vec![Field::new("reason", "Why", Input::Text).with("Crate is empty")];
    Sheet::new(format!("/lots/{}/finish", lot.lot), "Finish it", fields)
}

/// The lot's forms, and what they are about.
struct Moves {
    page: ActPage,
    transfer: Sheet,
    take_out: Sheet,
    finish: Sheet,
}

async fn moves(app: &App, who: &Authenticated, code: &LotCode) -> Result<Moves, Problem> {
    app.refresh_before_read(who).await?;
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let lot = tx.lot(code).await?;
        let places = tx.places(&Pagination { after: None, limit: 500 }).await?;
        let to: Vec<(String, String)> = places
            .iter()
            .filter(|p| p.kind.holds_stock())
            .map(|p| (p.place.to_string(), format!("{} ({})", p.name, p.place)))
            .collect();
        let (transfer, take_out, finish) = (transfer(&lot, &to), take_out(&lot), finish(&lot));
        let in_stock: Grams = lot.places.iter().filter(|p| p.kind.holds_stock()).map(|p| p.grams_g).sum();
        let sheets = if in_stock > Grams::ZERO {
            vec![
                ("Take it out of stock", take_out.clone()),
                ("Move it", transfer.clone()),
                ("Finish it", finish.clone()),
            ]
        } else {
            Vec::new()
        };
        let hold = if lot.on_hold { ", on hold" } else { "" };
        Ok(Moves {
            page: ActPage {
                head: Layout::new(&farm, who, "/stock"),
                title: lot.lot.to_string(),
                about: format!("{}, grade {}: {} kg in stock{hold}.", lot.strain, lot.grade, kg(in_stock)),
                sheets,
                nothing: "Nothing of it is in stock.",
                back: (format!("/lots/{}", lot.lot), "Back to the lot".into()),
            },
            transfer,
            take_out,
            finish,
        })
    })
}

pub(super) async fn get_moves(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
) -> Result<Html<ActPage>, Problem> {
    first(moves(&app, &who, &code).await.map(|m| m.page))
}

async fn moved(
    app: &App,
    who: &Authenticated,
    code: &LotCode,
    filled: &KeyedForm<FormFields>,
    sheet: impl FnOnce(Moves) -> Sheet,
) -> Result<Response, Problem> {
    let sheet = sheet(moves(app, who, code).await?);
    let done = sheet
        .submit(&filled.form, async |new: NewMovement| {
            create_tx!(app, who, &filled.once, |tx| tx.move_grams(&new).await)
        })
        .await;
    Ok(back(app, who, code, done).await)
}

async fn back(
    app: &App,
    who: &Authenticated,
    code: &LotCode,
    done: Result<gillbook_store::idempotency::StoredResponse, (Sheet, Problem)>,
) -> Response {
    let again = async |refused| Ok(moves(app, who, code).await?.page.with_refused(Some(refused)));
    answer(done, |_| format!("/lots/{code}"), again).await
}

pub(super) async fn post_transfer(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
    filled: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    moved(&app, &who, &code, &filled, |m| m.transfer).await
}

pub(super) async fn post_take_out(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
    filled: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    moved(&app, &who, &code, &filled, |m| m.take_out).await
}

pub(super) async fn post_finish(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
    filled: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let sheet = moves(&app, &who, &code).await?.finish;
    let done = sheet
        .submit(&filled.form, async |new: NewLotEvent| {
            create_tx!(app, who, &filled.once, |tx| tx.finish_lot(&code, &new).await)
        })
        .await;
    Ok(back(&app, &who, &code, done).await)
}
