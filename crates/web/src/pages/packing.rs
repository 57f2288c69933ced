//! Lots made of lots, and lots that were there when the book was opened.

use axum::{extract::State, response::Response};
use gillbook_core::{
    Grams,
    ledger::packing::{NewOpening, NewPacking},
    text::LotCode,
    units::calendar::day_of,
};
use gillbook_store::farm::farms::Farm;

use super::{
    ALL, Html, Layout,
    act::{ActPage, first},
    exact_kg,
    resource::{PACKAGING, choice},
    sheet::{Field, FormFields, Input, Sheet},
    zone_of,
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam},
    problem::Problem,
    read_tx,
};

/// Kinds of packs that one packing makes, at most, on the page.
const MADE: usize = 3;

const FORMS: [(&str, &str); 2] = [("fresh", "Fresh"), ("dried", "Dried")];

fn grades(farm: &Farm) -> Vec<(String, String)> {
    farm.grades.iter().map(|g| choice(&g.grade, &g.name)).collect()
}

async fn packing_page(app: &App, who: &Authenticated, code: &LotCode) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let lot = tx.lot(code).await?;
        let stock: Vec<_> = tx.stock(None, None).await?.into_iter().filter(|row| row.lot == *code).collect();
        let made_of_it = tx.products(&ALL).await?.into_iter().filter(|p| p.strains.contains(&lot.strain));
        let products: Vec<_> = made_of_it.map(|p| choice(&p.product, &p.name)).collect();
        let back = format!("/lots/{code}");
        let page = ActPage::new(Layout::new(&farm, who, "/stock"), format!("Pack {code}"), (&back, "Back to the lot"))
            .about("Pack, regrade or dry it. What goes in is what comes out, with trim and water.")
            .or_nothing("Nothing of it is in stock.");
        let Some(most) = stock.iter().max_by_key(|row| row.free_g) else { return Ok(page) };
        let places = stock.iter().map(|row| {
            (row.place.to_string(), format!("{}, {} kg free", row.place, exact_kg(row.free_g.max(Grams::ZERO))))
        });
        let mut fields = vec![
            Field::new("place", "Where", Input::Touch).with(most.place.to_string()).of(places.clone()),
            Field::hidden(format!("lots_in/{code}/lot"), code.to_string()),
            Field::new(format!("lots_in/{code}/grams_g"), "Goes in, kg", Input::Kilograms)
                .with(exact_kg(most.free_g.max(Grams::ZERO))),
        ];
        for n in 0..MADE {
            let name = |field: &str| format!("lots_out/{n}/{field}");
            fields.extend([
                Field::new(name("grams_g"), format!("{}. comes out, kg", n + 1), Input::Kilograms).half(),
                Field::new(name("grade"), "Grade", Input::Choice).of(grades(&farm)).half(),
                Field::new(name("packaging"), "Packed in", Input::Choice).of_words(&PACKAGING).half(),
                Field::new(name("form"), "Fresh or dried", Input::Choice).of_words(&FORMS).optional().half(),
                Field::new(name("product"), "Packed as, for its best-before date", Input::Choice)
                    .of(products.iter().cloned())
                    .optional(),
            ]);
        }
        fields.extend([
            Field::new("trim_g", "Cut off, kg", Input::Kilograms).optional().half(),
            Field::new("water_g", "Lost as water, kg", Input::Kilograms).optional().half(),
        ]);
        Ok(page.sheet("", Sheet::new(format!("/lots/{code}/pack"), "Save the packing", fields)))
    })
}

pub(super) async fn get_packing(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
) -> Result<Html<ActPage>, Problem> {
    first(packing_page(&app, &who, &code).await)
}

pub(super) async fn post_packing(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewPacking| create_tx!(app, who, &form.once, |tx| tx.pack(&new).await);
    packing_page(&app, &who, &code).await?.take("/pack", &form, act, |_| format!("/lots/{code}")).await
}

async fn opening_page(app: &App, who: &Authenticated) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let strains = tx.strains(&ALL).await?.into_iter().map(|s| choice(&s.strain, &s.name));
        let stores = tx.places(&ALL).await?.into_iter().filter(|p| p.kind.sells()).map(|p| choice(&p.place, &p.name));
        let today = day_of(tx.now(), zone_of(&farm));
        let fields = vec![
            Field::new("strain", "Strain", Input::Choice).of(strains),
            Field::new("grade", "Grade", Input::Touch).of(grades(&farm)),
            Field::new("packaging", "Packed in", Input::Touch).of_words(&PACKAGING).with("open"),
            Field::new("form", "Fresh or dried", Input::Touch).of_words(&FORMS).with("fresh"),
            Field::new("harvest_day", "Picked on", Input::Day).with(today.to_string()),
            Field::new("place", "Where it is", Input::Touch).of(stores),
            Field::new("grams_g", "How much, kg", Input::Kilograms),
        ];
        Ok(ActPage::new(Layout::new(&farm, who, "/stock"), "Stock you already have", ("/stock", "All stock"))
            .sheet("", Sheet::new("/lots", "Save the lot", fields)))
    })
}

pub(super) async fn get_opening(State(app): State<App>, who: Authenticated) -> Result<Html<ActPage>, Problem> {
    first(opening_page(&app, &who).await)
}

pub(super) async fn post_opening(
    State(app): State<App>,
    who: Authenticated,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewOpening| create_tx!(app, who, &form.once, |tx| tx.enter_opening(&new).await);
    opening_page(&app, &who).await?.take("/lots", &form, act, |_| "/stock".to_owned()).await
}
