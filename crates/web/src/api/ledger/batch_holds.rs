//! Batches on hold, with their lots.

use axum::extract::State;
use gillbook_core::text::BatchCode;
use gillbook_store::ledger::{
    batch_holds::{HeldBatch, NewBatchRelease, ReleasedBatch},
    lots::NewLotEvent,
};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{BatchPath, IdempotencyKeyHeader},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, PathParam},
    problem::{Problem, Problems},
    respond::Created,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(post_batch_hold)).routes(routes!(post_batch_release))
}

/// Holds a batch with every lot of it and all that was made of those: no block of it is sold, what is weighed of it is on hold as well, and
/// nothing of the lots leaves but to waste or a test until they are released. What was set aside of them is released.
#[utoipa::path(
    post, path = "/api/batches/{batch}/hold", tag = "batches",
    request_body = NewLotEvent,
    params(BatchPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Held", body = HeldBatch), Problems),
)]
async fn post_batch_hold(
    State(app): State<App>,
    who: Authenticated,
    PathParam(batch): PathParam<BatchCode>,
    new: IdempotentJson<NewLotEvent>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.hold_batch(&batch, &new.value).await)?))
}

/// Releases a batch, by the owner's own sign-in, and with it where that is asked for the lots that nothing else holds.
#[utoipa::path(
    post, path = "/api/batches/{batch}/release", tag = "batches",
    request_body = NewBatchRelease,
    params(BatchPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Released", body = ReleasedBatch), Problems),
)]
async fn post_batch_release(
    State(app): State<App>,
    who: Authenticated,
    PathParam(batch): PathParam<BatchCode>,
    new: IdempotentJson<NewBatchRelease>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.release_batch(&batch, &new.value).await)?))
}
