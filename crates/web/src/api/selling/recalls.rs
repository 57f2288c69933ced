//! Recalls and their rehearsals.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::{
    selling::recall::{NewRecall, NewRecallEnd, NewTold, Recall, RecallReport, Told},
    text::RecallCode,
};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{IdempotencyKeyHeader, RecallPath},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, PaginationQuery, PathParam, Query},
    pages,
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, Document, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_recalls, post_recall))
        .routes(routes!(get_recall))
        .routes(routes!(post_recall_told))
        .routes(routes!(post_recall_end))
        .routes(routes!(get_recall_letters))
}

/// Recalls and rehearsals, newest first.
#[utoipa::path(
    get, path = "/api/recalls", tag = "selling",
    params(PaginationQuery),
    responses((status = 200, description = "Recalls and rehearsals", body = ListResponse<Recall>), Problems),
)]
async fn get_recalls(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(page): Query<PaginationQuery>,
) -> Result<ListResponse<Recall>, Problem> {
    let page = page.page()?;
    let rows = read_tx!(app, who, |tx| tx.recalls(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |recall| recall.recall.to_string()))
}

/// Begins a recall or a rehearsal: finds the lots and who was sent what of them. A recall puts them and every lot made of them on hold and
/// releases what was set aside of them; a rehearsal does where `hold` says so.
#[utoipa::path(
    post, path = "/api/recalls", tag = "selling",
    request_body = NewRecall,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Begun", body = RecallReport), Problems),
)]
async fn post_recall(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewRecall>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.begin_recall(&new.value).await)?))
}

/// A recall with all that is to be known of it now: who was sent what and was told, what is still here, what became of every gram.
#[utoipa::path(
    get, path = "/api/recalls/{recall}", tag = "selling",
    params(RecallPath),
    responses((status = 200, description = "The recall", body = RecallReport), Problems),
)]
async fn get_recall(
    State(app): State<App>,
    who: Authenticated,
    PathParam(recall): PathParam<RecallCode>,
) -> Result<Json<RecallReport>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.recall(&recall).await)?))
}

/// Writes down that a customer was told.
#[utoipa::path(
    post, path = "/api/recalls/{recall}/told", tag = "selling",
    request_body = NewTold,
    params(RecallPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = Told), Problems),
)]
async fn post_recall_told(
    State(app): State<App>,
    who: Authenticated,
    PathParam(recall): PathParam<RecallCode>,
    new: IdempotentJson<NewTold>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.tell_of_recall(&recall, &new.value).await)?))
}

/// Ends a recall. What it put on hold is released where `release` says so, by the owner's own sign-in, as far as nobody held it again since.
#[utoipa::path(
    post, path = "/api/recalls/{recall}/end", tag = "selling",
    request_body = NewRecallEnd,
    params(RecallPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Ended", body = RecallReport), Problems),
)]
async fn post_recall_end(
    State(app): State<App>,
    who: Authenticated,
    PathParam(recall): PathParam<RecallCode>,
    new: IdempotentJson<NewRecallEnd>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.end_recall(&recall, &new.value).await)?))
}

/// A letter to each customer who was sent something of it, a sheet each.
#[utoipa::path(
    get, path = "/api/recalls/{recall}/letters", tag = "selling",
    params(RecallPath),
    responses(
        (status = 200, description = "The letters", body = Vec<u8>, content_type = "application/pdf"),
        Problems,
    ),
)]
async fn get_recall_letters(
    State(app): State<App>,
    who: Authenticated,
    PathParam(recall): PathParam<RecallCode>,
) -> Result<Document, Problem> {
    let (farm, report) = read_tx!(app, who, |tx| Ok((tx.farm().await?, tx.recall(&recall).await?)))?;
    let bytes = pages::recall_letters(&farm, &report).await?;
    Ok(Document { kind: "application/pdf", name: format!("{recall}-letters.pdf"), bytes })
}
