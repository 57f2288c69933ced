//! Batches: where are the blocks, and what became of them?

use axum::{extract::State, response::Response};
use chrono_tz::Tz;
use gillbook_core::{authority::SignedWith, ledger::trace::TraceFrom, text::BatchCode, units::calendar::day_of};
use gillbook_store::{
    Result as StoreResult, Tx,
    growing::batches::{Batch, BatchHold, NewBatch, NewBatchLoss, NewBatchMove},
    ledger::{batch_holds::NewBatchRelease, lots::NewLotEvent},
};
use serde::Deserialize;
use serde_json::Value;

use super::{
    ALL, Html, Layout,
    act::{ActPage, first},
    count, full_day, full_time, kg,
    lot::hold_line,
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

/// The batch that a new one is to be like.
#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct LikeQuery {
    like: Option<BatchCode>,
}

async fn new_batch_page(app: &App, who: &Authenticated, query: &LikeQuery) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let today = day_of(tx.now(), zone_of(&farm));
        let like = match &query.like {
            Some(code) => Some(tx.batch(code).await?),
            None => None,
        };
        let strains: Vec<_> =
            tx.strains(&ALL).await?.into_iter().map(|s| (s.strain.to_string(), s.name.clone())).collect();
        let recipes: Vec<_> =
            tx.recipes(&ALL).await?.into_iter().map(|r| (r.recipe.to_string(), r.name.to_string())).collect();
        let of = |word: fn(&Batch) -> String| like.as_ref().map_or_else(String::new, word);
        let code = like.as_ref().map_or_else(String::new, |b| format!("{}-{}", b.strain, today.format("%y%m%d")));
        let origins = [("made", "Made here"), ("bought", "Bought in")];
        let fields = vec![
            Field::new("batch", "Code, as on the bags", Input::Text).with(code),
            Field::new("strain", "Strain", Input::Choice)
                .hint(if strains.is_empty() { "Add a strain first, under Settings." } else { "" })
                .with(of(|b| b.strain.to_string()))
                .of(strains),
            Field::new("recipe", "Recipe", Input::Choice)
                .hint(if recipes.is_empty() { "Add a recipe first, under Settings." } else { "" })
                .with(of(|b| b.recipe.to_string()))
                .of(recipes),
            Field::new("blocks", "Blocks", Input::Whole).with(of(|b| b.blocks.to_string())),
            Field::new("made_on", "Made on", Input::Day).with(today.to_string()),
            Field::new("origin", "Where they come from", Input::Touch)
                .with(like.as_ref().map_or_else(|| "made".to_owned(), |b| b.origin.to_string()))
                .of(origins.map(|(origin, words)| (origin.to_owned(), words.to_owned()))),
            Field::new("cook", "Sterilising run, if any", Input::Text).optional(),
            Field::new("spawn_supplier", "Spawn from", Input::Text).with(of(|b| b.spawn_supplier.clone())).optional(),
            Field::new("spawn_lot", "Spawn lot", Input::Text).optional(),
        ];
        let about = like.as_ref().map_or_else(String::new, |b| format!("Like {}.", b.batch));
        Ok(ActPage::new(Layout::new(&farm, who, "/blocks"), "New batch", ("/blocks", "All blocks"))
            .about(about)
            .sheet("", Sheet::new("/batches", "Save the batch", fields)))
    })
}

pub(super) async fn get_new_batch(
    State(app): State<App>,
    who: Authenticated,
    Query(query): Query<LikeQuery>,
) -> Result<Html<ActPage>, Problem> {
    first(new_batch_page(&app, &who, &query).await)
}

pub(super) async fn post_batch(
    State(app): State<App>,
    who: Authenticated,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let on = |batch: &Value| batch["batch"].as_str().map_or("/blocks".into(), |b| format!("/batches/{b}"));
    let act = async |new: NewBatch| create_tx!(app, who, &form.once, |tx| tx.add_batch(&new).await);
    new_batch_page(&app, &who, &LikeQuery::default()).await?.take("/batches", &form, act, on).await
}

/// What is done with blocks: moved to a room, sold or finished, lost.
fn sheets(batch: &Batch, rooms: Vec<(String, String)>) -> Vec<(String, Sheet)> {
    let blocks = || Field::new("blocks", "Blocks", Input::Whole).with(batch.standing.to_string());
    let moved = vec![
        Field::hidden("kind", "moved"),
        Field::new("room", "To", Input::Touch).of(rooms),
        blocks(),
        Field::new("note", "Note", Input::Text).optional(),
    ];
    // Of one on hold no block is sold.
    let ends = [("finished", "Finished, cleared out"), ("sold", "Sold as blocks")];
    let ends = ends.into_iter().take(if batch.hold.is_some() { 1 } else { 2 });
    let ended = vec![
        Field::new("kind", "What becomes of them", Input::Touch)
            .of(ends.map(|(kind, words)| (kind.to_owned(), words.to_owned()))),
        blocks(),
        Field::new("note", "Note", Input::Text).optional(),
    ];
    let lost = vec![
        Field::new("blocks", "Blocks lost", Input::Whole),
        Field::new("reason", "Why, such as green mould", Input::Text),
    ];
    let path = |act: &str| format!("/batches/{}/{act}", batch.batch);
    vec![
        ("Move to a room".into(), Sheet::new(path("move"), "Move them", moved)),
        ("Lost".into(), Sheet::new(path("loss"), "Save the loss", lost)),
        ("Finished or sold".into(), Sheet::new(path("end"), "Clear them out", ended)),
    ]
}

/// Lots that are listed on the page of a batch on hold.
const MAX_HERE: usize = 20;

/// That a batch is on hold, in words before what else is said of it.
fn held_words(hold: &BatchHold, zone: Tz) -> String {
    let reason = hold.reason.trim_end_matches('.');
    format!(
        "On hold since {} ({}): {reason}. What is weighed of it goes on hold as well. ",
        full_time(hold.since, zone),
        hold.done_by
    )
}

/// The form that puts a batch on hold.
fn hold_sheet(batch: &Batch) -> Sheet {
    let why = Field::new("reason", "What was found, such as green mould on two blocks", Input::Text)
        .hint("Its lots go on hold with it, and orders lose what was set aside of them.");
    Sheet::new(format!("/batches/{}/hold", batch.batch), "Put on hold", vec![why])
}

/// What is known of a batch on hold: why, what of it is here and who has some, and how it is released.
async fn on_hold(
    page: ActPage,
    tx: &mut Tx,
    batch: &Batch,
    hold: &BatchHold,
    with: SignedWith,
) -> StoreResult<ActPage> {
    let mut page = page;
    let trace = tx.trace(&TraceFrom::Batch(batch.batch.clone())).await?;
    for here in trace.here.iter().take(MAX_HERE) {
        let is_held = if here.on_hold { "" } else { ", not on hold" };
        page = page.detail(here.lot.to_string(), format!("{} kg in {}{is_held}", kg(here.grams_g), here.place));
    }
    if trace.here.len() > MAX_HERE {
        page = page.detail("More lots", (trace.here.len() - MAX_HERE).to_string());
    }
    page =
        page.detail("With customers", format!("{} kg. The trace says who has it.", kg(trace.account.with_customers_g)));
    if let Some(recall) = &hold.recall {
        page = page.link(format!("/recalls/{recall}"), format!("Recall {recall}"));
    }
    if let Some(recall) = tx.recall_of_batch(&batch.batch).await? {
        return Ok(page.detail("Release", format!("When recall {recall} has ended.")));
    }
    let left = tx.lots_on_hold_of(batch).await?;
    let mut fields = vec![Field::new("reason", "Why it is released", Input::Text)];
    if left > 0 {
        let words = format!("Release its lots too ({left} in stock), but for those that something else holds");
        fields.push(Field::new("release_lots", words, Input::Tick));
    }
    Ok(releasing(page, batch, with, fields))
}

/// What a batch that was released has left on hold.
async fn with_lots_left(page: ActPage, tx: &mut Tx, batch: &Batch, with: SignedWith) -> StoreResult<ActPage> {
    let left = tx.lots_on_hold_of(batch).await?;
    if left == 0 || tx.recall_of_batch(&batch.batch).await?.is_some() {
        return Ok(page);
    }
    let page = page.detail("On hold still", format!("{} in stock, held with this batch.", count(left, "lot")));
    let fields = vec![
        Field::new("reason", "Why the lots are released", Input::Text),
        Field::new("release_lots", "All of them, but for those that something else holds", Input::Tick).with("true"),
    ];
    Ok(releasing(page, batch, with, fields))
}

/// The form of a release, or why there is none.
fn releasing(page: ActPage, batch: &Batch, with: SignedWith, fields: Vec<Field>) -> ActPage {
    if !page.head.may("POST", "/batches/{batch}/release") {
        return page.detail("Release", "Only the owner can.");
    }
    if with == SignedWith::SharedPhone {
        let own = "It takes your own sign-in. Sign in yourself, on your own phone or after signing out here.";
        return page.detail("Release", own);
    }
    let heading = if batch.hold.is_some() { "Release it" } else { "Release its lots" };
    page.sheet(heading, Sheet::new(format!("/batches/{}/release", batch.batch), "Release", fields))
}

async fn batch_page(app: &App, who: &Authenticated, code: &BatchCode) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let batch = tx.batch(code).await?;
        let rooms = tx.rooms(&ALL).await?.into_iter().map(|r| (r.room.to_string(), format!("{} ({})", r.name, r.room)));
        let room = batch.room.as_ref().map_or_else(String::new, |room| format!(", last moved to {room}"));
        let lost = if batch.lost > 0 { format!(", {} lost", batch.lost) } else { String::new() };
        let about = format!(
            "{} on {}, {} made {}{lost}. {} left{room}.",
            batch.strain,
            batch.recipe,
            count(i64::from(batch.blocks), "block"),
            full_day(batch.made_on),
            batch.standing
        );
        let head = Layout::new(&farm, who, "/blocks");
        let back = if head.may("GET", "/blocks") { ("/blocks", "All blocks") } else { ("/weigh", "Weigh") };
        let held = batch.hold.as_ref().map(|hold| held_words(hold, zone_of(&farm))).unwrap_or_default();
        let mut page = ActPage::new(head, format!("Batch {}", batch.batch), back)
            .about(format!("{held}{about}"))
            .link(format!("/batches/new?like={}", batch.batch), "Make a batch like it")
            .link(format!("/trace?starts_from=batch&code={}", batch.batch), "Trace or recall it")
            .link("/weigh", "Weigh");
        if batch.standing > 0 {
            page.sheets = sheets(&batch, rooms.collect());
        }
        if let Some(hold) = &batch.hold {
            page = on_hold(page, tx, &batch, hold, who.actor.with).await?;
        } else {
            page = with_lots_left(page, tx, &batch, who.actor.with).await?;
            // After what is lost: who finds mould comes for either.
            page.sheets.insert(page.sheets.len().min(2), ("Put it on hold".into(), hold_sheet(&batch)));
        }
        for event in tx.batch_hold_history(code).await? {
            page = page.detail("Holds", hold_line(&event, zone_of(&farm)));
        }
        Ok(page)
    })
}

pub(super) async fn get_batch(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<BatchCode>,
) -> Result<Html<ActPage>, Problem> {
    first(batch_page(&app, &who, &code).await)
}

async fn blocks_moved(
    app: &App,
    who: &Authenticated,
    code: &BatchCode,
    form: &KeyedForm<FormFields>,
    action: &str,
) -> Result<Response, Problem> {
    let act = async |new: NewBatchMove| create_tx!(app, who, &form.once, |tx| tx.move_blocks(code, &new).await);
    batch_page(app, who, code).await?.take(action, form, act, |_| format!("/batches/{code}")).await
}

pub(super) async fn post_move(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<BatchCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    blocks_moved(&app, &who, &code, &form, "/move").await
}

pub(super) async fn post_end(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<BatchCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    blocks_moved(&app, &who, &code, &form, "/end").await
}

pub(super) async fn post_hold(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<BatchCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewLotEvent| create_tx!(app, who, &form.once, |tx| tx.hold_batch(&code, &new).await);
    batch_page(&app, &who, &code).await?.take("/hold", &form, act, |_| format!("/batches/{code}")).await
}

pub(super) async fn post_release(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<BatchCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewBatchRelease| create_tx!(app, who, &form.once, |tx| tx.release_batch(&code, &new).await);
    batch_page(&app, &who, &code).await?.take("/release", &form, act, |_| format!("/batches/{code}")).await
}

pub(super) async fn post_loss(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<BatchCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewBatchLoss| create_tx!(app, who, &form.once, |tx| tx.lose_blocks(&code, &new).await);
    batch_page(&app, &who, &code).await?.take("/loss", &form, act, |_| format!("/batches/{code}")).await
}
