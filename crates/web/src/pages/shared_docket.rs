//! A docket as its customer reads it, without signing in, at an address that only they know: as it went out, and what became of it at the door
//! and after.

use askama::Template;
use axum::extract::State;
use gillbook_core::{
    refusal::{Refusal, RefusalKind},
    selling::docket::{Docket, DocketLine, DocketStatus, KITCHEN_CAUTION},
};
use gillbook_documents::signature;
use gillbook_store::selling::shared_dockets::SharedDocket;

use super::{
    Html, Layout, count,
    docket_sheet::{DocketPaper, at_the_door, came_back, despatch_advice, door_details, sent_warm, shortages},
    exact_kg, full_day, full_time, zone_of,
};
use crate::{
    App,
    auth::Authenticated,
    extract::{PathParam, capital},
    problem::Problem,
    read_tx,
    respond::Document,
};

#[derive(Template)]
#[template(path = "shared_docket.html")]
pub(super) struct SharedDocketPage {
    head: Layout,
    secret: String,
    docket: Docket,
    word: String,
    day: String,
    status: String,
    lines: Vec<Line>,
    /// What they kept, where that is less than what went out.
    kept: String,
    shortages: Vec<String>,
    warnings: Vec<String>,
    storage_line: String,
    /// What was measured and counted at the door.
    at_door: String,
    crates_there: Option<i64>,
    /// Who signed for it, as an SVG image.
    signature: String,
    has_ubl: bool,
    /// Where the farm is and its telephone.
    contact: String,
}

struct Line {
    product: String,
    lot: String,
    harvested: String,
    best_before: String,
    kg: String,
    amount: String,
    came_back: String,
}

fn line(l: &DocketLine) -> Line {
    let packs = l.packs.map_or_else(String::new, |n| format!(", {}", count(n, "pack")));
    Line {
        product: format!("{}, grade {}{packs}", l.product_name, l.grade),
        lot: l.lot.to_string(),
        harvested: l.harvest_day.format("%-d %b %Y").to_string(),
        best_before: l.best_before.map_or_else(|| "—".into(), |d| d.format("%-d %b %Y").to_string()),
        kg: exact_kg(l.grams_g),
        amount: l.amount.to_string(),
        came_back: came_back(l).unwrap_or_default(),
    }
}

/// The docket that an address opens, and who reads it.
async fn opened(app: &App, secret: &str) -> Result<(Authenticated, SharedDocket), Problem> {
    let shared = app.store.shared_docket(secret, app.now()).await?.ok_or_else(|| {
        let gone = "There is no docket at this address any more. Ask the farm that gave it to you.";
        Refusal::new(RefusalKind::NotFound, gone)
    })?;
    Ok((shared.session.clone().into(), shared))
}

pub(super) async fn get_shared_docket(
    State(app): State<App>,
    PathParam(secret): PathParam<String>,
) -> Result<Html<SharedDocketPage>, Problem> {
    let (who, shared) = opened(&app, &secret).await?;
    let (paper, crates_there) = read_tx!(app, who, |tx| {
        let paper = DocketPaper::read(tx, &shared.docket).await?;
        let crates_there = tx.crates_at(&paper.docket.customer, tx.now()).await?;
        Ok((paper, crates_there))
    })?;
    let DocketPaper { farm, docket, signature, .. } = paper;
    let zone = zone_of(&farm);
    let status = match (docket.status, &docket.delivery) {
        (DocketStatus::Void, _) => "Taken back: nothing went out with it.".into(),
        (DocketStatus::Dispatched, _) => format!("On its way since {}.", full_time(docket.dispatched_at, zone)),
        (DocketStatus::Delivered, Some(d)) => {
            format!("{}, {}.", at_the_door(&docket, d), full_time(d.delivered_at, zone))
        }
        (DocketStatus::Delivered, None) => format!("Fetched {}.", full_time(docket.dispatched_at, zone)),
    };
    let telephone = Some(format!("Tel. {}", farm.telephone)).filter(|_| !farm.telephone.is_empty());
    let contact: Vec<String> =
        [farm.name.clone()].into_iter().chain(farm.letterhead().lines().map(str::to_owned)).chain(telephone).collect();
    Ok(Html(SharedDocketPage {
        head: Layout::of_customer(&farm, KITCHEN_CAUTION),
        word: capital(farm.word("docket")),
        day: full_day(docket.delivery_day),
        status,
        lines: docket.lines.iter().map(line).collect(),
        kept: match (docket.kept_less(), docket.with_prices) {
            (None, _) => String::new(),
            (Some(kept), true) => format!("{} kg, {} {}", exact_kg(kept), docket.net, docket.currency),
            (Some(kept), false) => format!("{} kg", exact_kg(kept)),
        },
        shortages: shortages(&docket),
        warnings: sent_warm(&docket, zone),
        storage_line: farm.storage_line,
        at_door: docket.delivery.as_ref().map(door_details).unwrap_or_default(),
        crates_there: Some(crates_there).filter(|crates| *crates > 0),
        signature: signature.as_ref().map(signature::svg).unwrap_or_default(),
        has_ubl: docket.ensure_went_out().is_ok(),
        contact: contact.join(", "),
        secret,
        docket,
    }))
}

pub(super) async fn get_shared_pdf(
    State(app): State<App>,
    PathParam(secret): PathParam<String>,
) -> Result<Document, Problem> {
    let (who, shared) = opened(&app, &secret).await?;
    let sheet = read_tx!(app, who, |tx| DocketPaper::read(tx, &shared.docket).await)?;
    Ok(Document { kind: "application/pdf", name: sheet.name(), bytes: sheet.pdf().await? })
}

pub(super) async fn get_shared_ubl(
    State(app): State<App>,
    PathParam(secret): PathParam<String>,
) -> Result<Document, Problem> {
    let (who, shared) = opened(&app, &secret).await?;
    despatch_advice(&app, &who, &shared.docket).await
}
