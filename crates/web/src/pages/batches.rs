//! Batches: where are the blocks, and what became of them?

use axum::{extract::State, response::Response};
use chrono_tz::Tz;
use gillbook_core::{text::BatchCode, units::calendar::day_of};
use gillbook_store::{
    growing::batches::{Batch, NewBatch, NewBatchLoss, NewBatchMove},
    ledger::batch_holds::{NewBatchHold, NewBatchRelease},
};
use serde::Deserialize;
use serde_json::Value;

use super::{
    ALL, Html, Layout,
    act::{ActPage, first},
    count, full_day, full_time,
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
    let ends = [("finished", "Finished, cleared out"), ("sold", "Sold as blocks")];
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

/// Says of a batch that it is on hold, and offers to release it; of another, to put it on hold.
fn on_hold(page: ActPage, batch: &Batch, zone: Tz) -> ActPage {
    let path = |act: &str| format!("/batches/{}/{act}", batch.batch);
    let Some(hold) = &batch.hold else {
        let why = Field::new("reason", "What was found, such as green mould on two blocks", Input::Text);
        let heading = "Mould, or anything else wrong";
        return page.sheet(heading, Sheet::new(path("hold"), "Hold the batch and every lot of it", vec![why]));
    };
    let page =
        page.detail("On hold", format!("since {} ({}): {}.", full_time(hold.since, zone), hold.done_by, hold.reason));
    let page = match &hold.recall {
        Some(recall) => page.link(format!("/recalls/{recall}"), format!("Recall {recall}")),
        None => page,
    };
    if !page.head.may("POST", "/batches/{batch}/release") {
        return page.detail("", "Only the owner can release it.");
    }
    let fields = vec![
        Field::new("reason", "Why it is released", Input::Text),
        Field::new("release_lots", "Release the lots, too, that are on hold for this alone", Input::Tick),
    ];
    page.sheet("Release it", Sheet::new(path("release"), "Release", fields))
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
        let mut page = ActPage::new(
            Layout::new(&farm, who, "/blocks"),
            format!("Batch {}", batch.batch),
            ("/blocks", "All blocks"),
        )
        .about(about)
        .or_nothing("No blocks of it are left.")
        .link(format!("/batches/new?like={}", batch.batch), "Make a batch like it")
        .link(format!("/trace?starts_from=batch&code={}", batch.batch), "Trace or recall it")
        .link("/weigh", "Weigh");
        if batch.standing > 0 {
            page.sheets = sheets(&batch, rooms.collect());
        }
        Ok(on_hold(page, &batch, zone_of(&farm)))
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
    let act = async |new: NewBatchHold| create_tx!(app, who, &form.once, |tx| tx.hold_batch(&code, &new).await);
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
