//! Count a place, lot by lot: is it all there?

use axum::{extract::State, response::Response};
use std::collections::BTreeMap;

use gillbook_core::{
    Grams,
    ledger::counting::NewStockCount,
    text::{LotCode, PlaceCode},
};

use serde_json::Value;

use super::{
    Html, Layout,
    act::{ActPage, answer, first},
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

/// The lots that were counted on a page that was opened before.
fn counted(typed: &FormFields) -> impl Iterator<Item = LotCode> {
    typed
        .iter()
        .filter(|(_, value)| !value.trim().is_empty())
        .filter_map(|(name, _)| name.strip_prefix("lots/")?.strip_suffix("/counted_g")?.parse().ok())
}

/// The page of a place's count. The reasons for more than the book has are asked for once a count was refused for want of them.
async fn count_page(app: &App, who: &Authenticated, code: &PlaceCode, typed: &FormFields) -> Result<ActPage, Problem> {
    app.refresh_before_read(who).await?;
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let place = tx.place(code).await?;
        let there = tx.stock(None, Some(code)).await?.into_iter().map(|row| (row.lot, (row.grams_g, row.on_hold)));
        let mut lots: BTreeMap<LotCode, (Grams, bool)> = there.collect();
        // What has left meanwhile was counted all the same.
        counted(typed).for_each(|lot| {
            lots.entry(lot).or_default();
        });
        // What was counted is held against what the page showed, not against what was moved while somebody counted.
        let opened = Field::new("counted_at", "", Input::Carried).with(tx.now().to_rfc3339()).optional();
        let mut fields = vec![Field::hidden("place", code.to_string()), opened];
        for (lot, (book, on_hold)) in &lots {
            let on_hold = if *on_hold { ", on hold" } else { "" };
            let name = |field: &str| format!("lots/{lot}/{field}");
            let label = format!("{lot}{on_hold}, the book has {} kg", exact_kg(*book));
            fields.extend([
                Field::hidden(name("lot"), lot.to_string()),
                Field::new(name("counted_g"), label, Input::Kilograms).offered(exact_kg(*book), "all there"),
                Field::new(name("found_reason"), format!("{lot}: why there is more"), Input::Text).optional(),
            ]);
        }
        let sheet = Sheet::new(format!("/places/{code}/count"), "Save the count", fields);
        let page =
            ActPage::new(Layout::new(&farm, who, "/stock"), format!("Count {}", place.name), ("/stock", "All stock"))
                .about("Weigh each lot and take the tare off. Touch “all there” where you only looked and the book is right: that says nothing of drying out. A lot that you leave empty counts as not looked at.")
                .or_nothing("The book has nothing there.");
        Ok(if lots.is_empty() { page } else { page.sheet("", sheet) })
    })
}

/// Leaves out the reasons that nobody has asked for.
fn without_idle_reasons(mut page: ActPage) -> ActPage {
    for (_, sheet) in &mut page.sheets {
        sheet.fields.retain(|f| !f.name.ends_with("/found_reason") || f.wrong.is_some() || !f.value.is_empty());
    }
    page
}

pub(super) async fn get_count(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<PlaceCode>,
) -> Result<Html<ActPage>, Problem> {
    first(count_page(&app, &who, &code, &Vec::new()).await.map(without_idle_reasons))
}

pub(super) async fn post_count(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<PlaceCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let page = count_page(&app, &who, &code, &form.form).await?;
    let act = async |new: NewStockCount| create_tx!(app, who, &form.once, |tx| tx.count_stock(&new).await);
    let done = page.sheet_for("/count")?.submit(&form, act).await;
    let again = async |refused| Ok(without_idle_reasons(page.with_refused(refused)));
    // While the crates still stand on the scale.
    let is_missing = |count: &Value| count["loss_warnings"].as_array().is_some_and(|warnings| !warnings.is_empty());
    Ok(answer(done, |count| if is_missing(count) { "/weight-loss" } else { "/stock" }.into(), again).await)
}
