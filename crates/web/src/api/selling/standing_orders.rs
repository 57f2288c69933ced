//! Standing orders, and days on which nothing is delivered.

use axum::{
    extract::State,
    http::{StatusCode, Uri},
};
use gillbook_core::{
    selling::standing_order::{ClosedDay, NewStandingOrder, Pause, StandingOrder, StandingOrderChange},
    text::StandingOrderCode,
    units::calendar::Day,
};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{ClosedDayPath, IdempotencyKeyHeader, IfMatchHeader, StandingOrderPath},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, IfMatch, JsonBody, PaginationQuery, PathParam, Query},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse, Versioned},
    write_tx,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_standing_orders, post_standing_orders))
        .routes(routes!(get_standing_order, patch_standing_order))
        .routes(routes!(post_pauses, delete_pauses))
        .routes(routes!(get_closed_days, post_closed_days))
        .routes(routes!(delete_closed_day))
}

/// Standing orders, with the days of the next two weeks and the orders that were made for them.
#[utoipa::path(
    get, path = "/api/standing-orders", tag = "selling",
    params(PaginationQuery),
    responses((status = 200, description = "Standing orders", body = ListResponse<StandingOrder>), Problems),
)]
async fn get_standing_orders(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(page): Query<PaginationQuery>,
) -> Result<ListResponse<StandingOrder>, Problem> {
    let page = page.page()?;
    let rows = read_tx!(app, who, |tx| tx.standing_orders(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.standing_order.to_string()))
}

/// Writes down a standing order, and makes the orders of the next two weeks. Later ones are made as their days come near.
#[utoipa::path(
    post, path = "/api/standing-orders", tag = "selling",
    request_body = NewStandingOrder,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = StandingOrder), Problems),
)]
async fn post_standing_orders(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewStandingOrder>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.place_standing_order(&new.value).await)?))
}

/// One standing order.
#[utoipa::path(
    get, path = "/api/standing-orders/{standing_order}", tag = "selling",
    params(StandingOrderPath),
    responses((status = 200, description = "One standing order", body = StandingOrder), Problems),
)]
async fn get_standing_order(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<StandingOrderCode>,
) -> Result<Versioned<StandingOrder>, Problem> {
    Ok(Versioned(read_tx!(app, who, |tx| tx.standing_order(&code).await)?))
}

/// Changes a standing order, or ends it by its last day. Orders of today and later change with it, but for those that somebody has changed or
/// set lots aside for.
#[utoipa::path(
    patch, path = "/api/standing-orders/{standing_order}", tag = "selling",
    request_body = StandingOrderChange,
    params(StandingOrderPath, IfMatchHeader),
    responses((status = 200, description = "Changed", body = StandingOrder), Problems),
)]
async fn patch_standing_order(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<StandingOrderCode>,
    IfMatch(read): IfMatch,
    JsonBody(change): JsonBody<StandingOrderChange>,
) -> Result<Versioned<StandingOrder>, Problem> {
    Ok(Versioned(write_tx!(app, who, |tx| tx.change_standing_order(&code, &change, read).await)?))
}

/// Lets a standing order rest for some days. Orders of those days that follow it are called off.
#[utoipa::path(
    post, path = "/api/standing-orders/{standing_order}/pauses", tag = "selling",
    request_body = Pause,
    params(StandingOrderPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Rests", body = StandingOrder), Problems),
)]
async fn post_pauses(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<StandingOrderCode>,
    new: IdempotentJson<Pause>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.pause_standing_order(&code, &new.value).await)?))
}

/// Takes back all pauses that are not over. Orders that were called off for them are confirmed again.
#[utoipa::path(
    delete, path = "/api/standing-orders/{standing_order}/pauses", tag = "selling",
    params(StandingOrderPath),
    responses((status = 200, description = "Goes on", body = StandingOrder), Problems),
)]
async fn delete_pauses(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<StandingOrderCode>,
) -> Result<Versioned<StandingOrder>, Problem> {
    Ok(Versioned(write_tx!(app, who, |tx| tx.resume_standing_order(&code).await)?))
}

/// Which closed days.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct ClosedDaysQuery {
    /// From this day on.
    from: Option<Day>,
}

/// Days on which nothing is delivered, by day.
#[utoipa::path(
    get, path = "/api/closed-days", tag = "selling",
    params(ClosedDaysQuery, PaginationQuery),
    responses((status = 200, description = "Closed days", body = ListResponse<ClosedDay>), Problems),
)]
async fn get_closed_days(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<ClosedDaysQuery>,
    Query(page): Query<PaginationQuery>,
) -> Result<ListResponse<ClosedDay>, Problem> {
    let page = page.page()?;
    let rows = read_tx!(app, who, |tx| tx.closed_days(asked.from.map(|d| d.0), &page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.day.0.to_string()))
}

/// Writes down a day on which nothing is delivered. Orders that follow standing orders are moved or called off, as each says.
#[utoipa::path(
    post, path = "/api/closed-days", tag = "selling",
    request_body = ClosedDay,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = ClosedDay), Problems),
)]
async fn post_closed_days(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<ClosedDay>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_closed_day(&new.value).await)?))
}

/// Takes a closed day back. Orders that follow standing orders come back with it.
#[utoipa::path(
    delete, path = "/api/closed-days/{day}", tag = "selling",
    params(ClosedDayPath),
    responses((status = 204, description = "Taken back"), Problems),
)]
async fn delete_closed_day(
    State(app): State<App>,
    who: Authenticated,
    PathParam(day): PathParam<Day>,
) -> Result<StatusCode, Problem> {
    write_tx!(app, who, |tx| tx.remove_closed_day(day.0).await)?;
    Ok(StatusCode::NO_CONTENT)
}
