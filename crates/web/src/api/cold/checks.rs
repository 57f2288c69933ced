//! Checks of probes, readings by hand and the checks book.

use super::excursions::SpanQuery;
use crate::{
    App,
    api::params::{CheckPath, IdempotencyKeyHeader, PlacePath, ProbePath},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, PathParam, Query},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse},
};
use axum::{Json, extract::State};
use gillbook_core::text::{HouseCheckCode, PlaceCode};
use gillbook_store::cold::{
    house_checks::{CheckDone, HouseCheck, NewCheckDone, NewHouseCheck, NewSpotReading, SpotReading},
    probe_checks::{NewProbeCheck, ProbeCalibration},
};
use utoipa_axum::{router::OpenApiRouter, routes};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_probe_checks, post_probe_checks))
        .routes(routes!(get_spot_readings, post_spot_readings))
        .routes(routes!(get_checks, post_checks))
        .routes(routes!(post_check_done))
        .routes(routes!(get_checks_done))
}

/// A probe's checks, and whether it is doubtful.
#[utoipa::path(
    get, path = "/api/probes/{probe}/checks", tag = "cold",
    params(ProbePath),
    responses((status = 200, description = "Its checks", body = ProbeCalibration), Problems),
)]
async fn get_probe_checks(
    State(app): State<App>,
    who: Authenticated,
    PathParam(probe): PathParam<String>,
) -> Result<Json<ProbeCalibration>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.probe_calibration(&probe).await)?))
}

/// Writes down a check of a probe; one that corrects sets an offset.
#[utoipa::path(
    post, path = "/api/probes/{probe}/checks", tag = "cold",
    request_body = NewProbeCheck,
    params(ProbePath, IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = ProbeCalibration), Problems),
)]
async fn post_probe_checks(
    State(app): State<App>,
    who: Authenticated,
    PathParam(probe): PathParam<String>,
    new: IdempotentJson<NewProbeCheck>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_probe_check(&probe, &new.value).await)?))
}

/// Temperatures read by hand, oldest first.
#[utoipa::path(
    get, path = "/api/places/{place}/spot-readings", tag = "cold",
    params(PlacePath, SpanQuery),
    responses((status = 200, description = "Spot readings", body = ListResponse<SpotReading>), Problems),
)]
async fn get_spot_readings(
    State(app): State<App>,
    who: Authenticated,
    PathParam(place): PathParam<PlaceCode>,
    Query(asked): Query<SpanQuery>,
) -> Result<ListResponse<SpotReading>, Problem> {
    let span = asked.span(&app);
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.spot_readings(&place, span).await)?))
}

/// Writes down a temperature read by hand: a point, never coverage.
#[utoipa::path(
    post, path = "/api/places/{place}/spot-readings", tag = "cold",
    request_body = NewSpotReading,
    params(PlacePath, IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = SpotReading), Problems),
)]
async fn post_spot_readings(
    State(app): State<App>,
    who: Authenticated,
    PathParam(place): PathParam<PlaceCode>,
    new: IdempotentJson<NewSpotReading>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_spot_reading(&place, &new.value).await)?))
}

/// The checks book: recurring checks, those due first.
#[utoipa::path(
    get, path = "/api/checks", tag = "cold",
    responses((status = 200, description = "Recurring checks", body = ListResponse<HouseCheck>), Problems),
)]
async fn get_checks(State(app): State<App>, who: Authenticated) -> Result<ListResponse<HouseCheck>, Problem> {
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.house_checks().await)?))
}

/// Adds a recurring check.
#[utoipa::path(
    post, path = "/api/checks", tag = "cold",
    request_body = NewHouseCheck,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Added", body = HouseCheck), Problems),
)]
async fn post_checks(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewHouseCheck>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_house_check(&new.value).await)?))
}

/// Writes down that a check was done.
#[utoipa::path(
    post, path = "/api/checks/{check}/done", tag = "cold",
    request_body = NewCheckDone,
    params(CheckPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = HouseCheck), Problems),
)]
async fn post_check_done(
    State(app): State<App>,
    who: Authenticated,
    PathParam(check): PathParam<HouseCheckCode>,
    new: IdempotentJson<NewCheckDone>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.check_done(&check, &new.value).await)?))
}

/// Checks that were done in a span, oldest first.
#[utoipa::path(
    get, path = "/api/checks-done", tag = "cold",
    params(SpanQuery),
    responses((status = 200, description = "Checks done", body = ListResponse<CheckDone>), Problems),
)]
async fn get_checks_done(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<SpanQuery>,
) -> Result<ListResponse<CheckDone>, Problem> {
    let span = asked.span(&app);
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.checks_done(span).await)?))
}
