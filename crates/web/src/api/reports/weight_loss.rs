//! How much water fresh goods lose.

use axum::extract::State;
use gillbook_core::ledger::loss_watch::{LossAnswer, NewLossAnswer};
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
    OpenApiRouter::new().routes(routes!(get_weight_loss)).routes(routes!(post_loss_answer))
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

/// Says what became of goods that are missing, which settles the warnings of their strain and packaging; or since when they lose water
/// differently, from when on the counts teach it anew.
#[utoipa::path(
    post, path = "/api/weight-loss/answers", tag = "reports",
    request_body = NewLossAnswer,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = LossAnswer), Problems),
)]
async fn post_loss_answer(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewLossAnswer>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.answer_loss(&new.value).await)?))
}
