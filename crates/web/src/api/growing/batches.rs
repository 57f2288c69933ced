//! Batches of blocks.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::text::BatchCode;
use gillbook_store::growing::batches::{Batch, BatchLoss, BatchMove, NewBatch, NewBatchLoss, NewBatchMove};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    body::{Asked, Code, Create, PageAsked},
    once,
    problem::{Problem, Problems},
    read,
    reply::{Answered, Listed},
    who::Who,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_batches, post_batches))
        .routes(routes!(get_batch))
        .routes(routes!(get_batch_moves, post_batch_moves))
        .routes(routes!(get_batch_losses, post_batch_losses))
}

/// Batches, by code.
#[utoipa::path(get, path = "/api/batches", tag = "batches", params(PageAsked), responses((status = 200, description = "Batches", body = Listed<Batch>), Problems))]
async fn get_batches(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<Batch>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.batches(&page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.batch.to_string()))
}

/// Writes down a batch.
#[utoipa::path(post, path = "/api/batches", tag = "batches", request_body = NewBatch, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Written down", body = Batch), Problems))]
async fn post_batches(State(app): State<App>, who: Who, new: Create<NewBatch>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.add_batch(&new.value).await)?))
}

/// One batch.
#[utoipa::path(get, path = "/api/batches/{batch}", tag = "batches", params(("batch" = BatchCode, Path, description = "The batch's code")), responses((status = 200, description = "One batch", body = Batch), Problems))]
async fn get_batch(State(app): State<App>, who: Who, Code(batch): Code<BatchCode>) -> Result<Json<Batch>, Problem> {
    Ok(Json(read!(app, who, |tx| tx.batch(&batch).await)?))
}

/// Where a batch's blocks went, oldest first.
#[utoipa::path(get, path = "/api/batches/{batch}/moves", tag = "batches", params(("batch" = BatchCode, Path, description = "The batch's code")), responses((status = 200, description = "Moves", body = Listed<BatchMove>), Problems))]
async fn get_batch_moves(
    State(app): State<App>,
    who: Who,
    Code(batch): Code<BatchCode>,
) -> Result<Listed<BatchMove>, Problem> {
    Ok(Listed::whole(read!(app, who, |tx| tx.batch_moves(&batch).await)?))
}

/// Moves, sells or finishes blocks.
#[utoipa::path(post, path = "/api/batches/{batch}/moves", tag = "batches", request_body = NewBatchMove, params(("batch" = BatchCode, Path, description = "The batch's code"), ("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Written down", body = BatchMove), Problems))]
async fn post_batch_moves(
    State(app): State<App>,
    who: Who,
    Code(batch): Code<BatchCode>,
    new: Create<NewBatchMove>,
) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.move_blocks(&batch, &new.value).await)?))
}

/// Blocks of a batch that were lost, oldest first.
#[utoipa::path(get, path = "/api/batches/{batch}/losses", tag = "batches", params(("batch" = BatchCode, Path, description = "The batch's code")), responses((status = 200, description = "Losses", body = Listed<BatchLoss>), Problems))]
async fn get_batch_losses(
    State(app): State<App>,
    who: Who,
    Code(batch): Code<BatchCode>,
) -> Result<Listed<BatchLoss>, Problem> {
    Ok(Listed::whole(read!(app, who, |tx| tx.batch_losses(&batch).await)?))
}

/// Writes down lost blocks.
#[utoipa::path(post, path = "/api/batches/{batch}/losses", tag = "batches", request_body = NewBatchLoss, params(("batch" = BatchCode, Path, description = "The batch's code"), ("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Written down", body = BatchLoss), Problems))]
async fn post_batch_losses(
    State(app): State<App>,
    who: Who,
    Code(batch): Code<BatchCode>,
    new: Create<NewBatchLoss>,
) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.lose_blocks(&batch, &new.value).await)?))
}
