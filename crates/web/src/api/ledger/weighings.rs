//! Weighings.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::ledger::{
    entry::{Act, NewReversal},
    weighing::{NewWeighing, Weighing},
};
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use crate::{
    App,
    api::params::{IdempotencyKeyHeader, WeighingPath},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, PaginationQuery, PathParam, Query},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_weighings, post_weighings))
        .routes(routes!(get_weighing))
        .routes(routes!(post_weighing_reversal))
}

/// Weighings, in the order that they were written down.
#[utoipa::path(
    get, path = "/api/weighings", tag = "weighing",
    params(PaginationQuery),
    responses((status = 200, description = "Weighings", body = ListResponse<Weighing>), Problems),
)]
async fn get_weighings(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<Weighing>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.weighings(false, &page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.id.to_string()))
}

/// Keeps a weighing, and puts it into the lot of the day.
#[utoipa::path(
    post, path = "/api/weighings", tag = "weighing",
    request_body = NewWeighing,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Kept", body = Weighing), Problems),
)]
async fn post_weighings(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewWeighing>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.weigh(&new.value).await)?))
}

/// One weighing.
#[utoipa::path(
    get, path = "/api/weighings/{weighing}", tag = "weighing",
    params(WeighingPath),
    responses((status = 200, description = "One weighing", body = Weighing), Problems),
)]
async fn get_weighing(
    State(app): State<App>,
    who: Authenticated,
    PathParam(weighing): PathParam<Uuid>,
) -> Result<Json<Weighing>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.weighing(weighing).await)?))
}

/// Takes a weighing back.
#[utoipa::path(
    post, path = "/api/weighings/{weighing}/reversal", tag = "weighing",
    request_body = NewReversal,
    params(WeighingPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Taken back", body = Act), Problems),
)]
async fn post_weighing_reversal(
    State(app): State<App>,
    who: Authenticated,
    PathParam(weighing): PathParam<Uuid>,
    new: IdempotentJson<NewReversal>,
) -> Result<Created, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Created(create_tx!(app, who, &new.once, |tx| {
        tx.weighing(weighing).await?;
        tx.reverse(weighing, &new.value).await
    })?))
}
