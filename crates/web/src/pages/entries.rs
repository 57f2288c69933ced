//! What was entered for a lot, and how an entry is taken back.

use axum::{extract::State, response::Response};
use gillbook_core::{
    kinds::ActKind,
    ledger::entry::{Act, NewReversal},
    text::LotCode,
};
use gillbook_store::Pagination;
use uuid::Uuid;

use super::{
    Html, Layout,
    act::{ActPage, first},
    exact_kg, full_time,
    sheet::{Field, FormFields, Input, Sheet},
    zone_of,
};
use crate::{
    App,
    access::ensure_may_reverse,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam, Query},
    problem::Problem,
    read_tx,
};

/// Entries on one page, the newest of them first.
const MAX_ROWS: i64 = 200;

/// What an entry is, in a line that begins with a capital.
fn said(kind: ActKind) -> String {
    let said = kind.said().trim_start_matches("a ").trim_start_matches("an ").trim_start_matches("the ");
    let mut letters = said.chars();
    letters.next().map(|c| c.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

/// The entry after which the list goes on.
#[derive(Debug, Clone, Default, serde::Deserialize)]
pub(super) struct AfterQuery {
    after: Option<Uuid>,
}

pub(super) async fn get_entries(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
    Query(query): Query<AfterQuery>,
) -> Result<Html<ActPage>, Problem> {
    let page = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        tx.lot(&code).await?;
        let asked = Pagination { after: query.after.map(|id| id.to_string()), limit: MAX_ROWS };
        let acts = tx.acts(None, Some(&code), &asked).await?;
        let back = format!("/lots/{code}");
        let page =
            ActPage::new(Layout::new(&farm, &who, "/stock"), format!("Entries of {code}"), (&back, "Back to the lot"))
                .or_nothing("Nothing more was entered for it.");
        let more =
            (i64::try_from(acts.len()).is_ok_and(|n| n == MAX_ROWS)).then(|| acts.last().map(|a| a.act_id)).flatten();
        let page = acts.into_iter().rev().fold(page, |page, act| {
            let undone = if act.reversed_by.is_some() { ", taken back" } else { "" };
            let words = format!(
                "{}, {} by {}{undone}",
                said(act.kind),
                full_time(act.happened_at, zone_of(&farm)),
                act.done_by
            );
            page.link(format!("/acts/{}", act.act_id), words)
        });
        Ok(match more {
            Some(last) => page.link(format!("/lots/{code}/entries?after={last}"), "More"),
            None => page,
        })
    })?;
    Ok(Html(page))
}

/// Where an entry is looked at from: its lot, or the day's page.
fn back_of(act: &Act) -> (String, &'static str) {
    act.legs.first().map_or_else(|| ("/".to_owned(), "Today"), |leg| (format!("/lots/{}", leg.lot), "Back to the lot"))
}

async fn act_page(app: &App, who: &Authenticated, id: Uuid) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let act = tx.act(id).await?;
        let (back, words) = back_of(&act);
        let mut page = ActPage::new(Layout::new(&farm, who, "/stock"), said(act.kind), (&back, words))
            .detail("Happened", full_time(act.happened_at, zone))
            .detail("Written down", format!("{} by {}", full_time(act.recorded_at, zone), act.entered_by))
            .detail("Done by", act.done_by.clone());
        if !act.reason.is_empty() {
            page = page.detail("Why", act.reason.clone());
        }
        if let Some(document) = &act.document {
            page = page.detail("Belongs to", document.clone());
        }
        for leg in &act.legs {
            let moved = format!("{} kg, {} to {}", exact_kg(leg.grams_g), leg.from_place, leg.to_place);
            page = page.detail(leg.lot.to_string(), moved);
        }
        if let Some(undone) = act.reversed_by {
            return Ok(page.link(format!("/acts/{undone}"), "It was taken back"));
        }
        if ensure_may_reverse(who, act.kind).is_err() || !act.kind.is_reversible() {
            return Ok(page);
        }
        let why = vec![Field::new("reason", "Why", Input::Text)];
        Ok(page.sheet(
            "Take it back: all that it moved goes back",
            Sheet::new(format!("/acts/{id}/reversal"), "Take it back", why),
        ))
    })
}

pub(super) async fn get_act(
    State(app): State<App>,
    who: Authenticated,
    PathParam(id): PathParam<Uuid>,
) -> Result<Html<ActPage>, Problem> {
    first(act_page(&app, &who, id).await)
}

pub(super) async fn post_reversal(
    State(app): State<App>,
    who: Authenticated,
    PathParam(id): PathParam<Uuid>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    app.refresh_before_read(&who).await?;
    let act = async |new: NewReversal| {
        create_tx!(app, who, &form.once, |tx| {
            ensure_may_reverse(&who, tx.act(id).await?.kind)?;
            tx.reverse(id, &new).await
        })
    };
    act_page(&app, &who, id).await?.take("/reversal", &form, act, |_| format!("/acts/{id}")).await
}
