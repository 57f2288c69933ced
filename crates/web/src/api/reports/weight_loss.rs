//! How much water fresh goods lose.

use axum::extract::State;
use gillbook_core::ledger::loss_watch::{NewRelearning, Relearning};
use gillbook_store::reports::weight_loss::WeightLoss;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::IdempotencyKeyHeader,
    auth::Authenticated,
    create_tx,
    extract::IdempotentJson,
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(get_weight_loss)).routes(routes!(post_relearning))
}

/// How much water fresh goods lose a day, by strain and packaging, as stock counts have taught it, and where more is missing than that. Before
/// the first count of a kind it is the published rate with a wide range.
#[utoipa::path(
    get, path = "/api/reports/weight-loss", tag = "reports",
    responses((status = 200, description = "Weight loss", body = ListResponse<WeightLoss>), Problems),
)]
async fn get_weight_loss(State(app): State<App>, who: Authenticated) -> Result<ListResponse<WeightLoss>, Problem> {
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.weight_loss().await)?))
}

/// Says that goods of a strain and packaging lose water otherwise since a day. What was counted before it teaches nothing any more, and a
/// warning that stands is settled by it.
#[utoipa::path(
    post, path = "/api/weight-loss/relearnings", tag = "reports",
    request_body = NewRelearning,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = Relearning), Problems),
)]
async fn post_relearning(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewRelearning>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.relearn_loss(&new.value).await)?))
}
