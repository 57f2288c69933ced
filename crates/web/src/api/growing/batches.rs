//! Batches of blocks.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::text::BatchCode;
use gillbook_store::growing::batches::{Batch, BatchLoss, BatchMove, NewBatch, NewBatchLoss, NewBatchMove};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{BatchPath, IdempotencyKeyHeader},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, PaginationQuery, PathParam, Query},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_batches, post_batches))
        .routes(routes!(get_batch))
        .routes(routes!(get_batch_moves, post_batch_moves))
        .routes(routes!(get_batch_losses, post_batch_losses))
}

/// Batches, by code.
#[utoipa::path(
    get, path = "/api/batches", tag = "batches",
    params(PaginationQuery),
    responses((status = 200, description = "Batches", body = ListResponse<Batch>), Problems),
)]
async fn get_batches(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<Batch>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.batches(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.batch.to_string()))
}

/// Writes down a batch.
#[utoipa::path(
    post, path = "/api/batches", tag = "batches",
    request_body = NewBatch,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = Batch), Problems),
)]
async fn post_batches(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewBatch>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_batch(&new.value).await)?))
}

/// One batch.
#[utoipa::path(
    get, path = "/api/batches/{batch}", tag = "batches",
    params(BatchPath),
    responses((status = 200, description = "One batch", body = Batch), Problems),
)]
async fn get_batch(
    State(app): State<App>,
    who: Authenticated,
    PathParam(batch): PathParam<BatchCode>,
) -> Result<Json<Batch>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.batch(&batch).await)?))
}

/// Where a batch's blocks went, oldest first.
#[utoipa::path(
    get, path = "/api/batches/{batch}/moves", tag = "batches",
    params(BatchPath),
    responses((status = 200, description = "Moves", body = ListResponse<BatchMove>), Problems),
)]
async fn get_batch_moves(
    State(app): State<App>,
    who: Authenticated,
    PathParam(batch): PathParam<BatchCode>,
) -> Result<ListResponse<BatchMove>, Problem> {
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.batch_moves(&batch).await)?))
}

/// Moves, sells or finishes blocks.
#[utoipa::path(
    post, path = "/api/batches/{batch}/moves", tag = "batches",
    request_body = NewBatchMove,
    params(BatchPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = BatchMove), Problems),
)]
async fn post_batch_moves(
    State(app): State<App>,
    who: Authenticated,
    PathParam(batch): PathParam<BatchCode>,
    new: IdempotentJson<NewBatchMove>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.move_blocks(&batch, &new.value).await)?))
}

/// Blocks of a batch that were lost, oldest first.
#[utoipa::path(
    get, path = "/api/batches/{batch}/losses", tag = "batches",
    params(BatchPath),
    responses((status = 200, description = "Losses", body = ListResponse<BatchLoss>), Problems),
)]
async fn get_batch_losses(
    State(app): State<App>,
    who: Authenticated,
    PathParam(batch): PathParam<BatchCode>,
) -> Result<ListResponse<BatchLoss>, Problem> {
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.batch_losses(&batch).await)?))
}

/// Writes down lost blocks.
#[utoipa::path(
    post, path = "/api/batches/{batch}/losses", tag = "batches",
    request_body = NewBatchLoss,
    params(BatchPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = BatchLoss), Problems),
)]
async fn post_batch_losses(
    State(app): State<App>,
    who: Authenticated,
    PathParam(batch): PathParam<BatchCode>,
    new: IdempotentJson<NewBatchLoss>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.lose_blocks(&batch, &new.value).await)?))
}
