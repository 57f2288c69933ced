//! Places and probes.

use axum::{Json, extract::State, http::Uri};
use chrono::TimeDelta;
use gillbook_core::{
    refusal::Refusal,
    text::PlaceCode,
    units::calendar::{Instant, Span},
};
use gillbook_store::cold::{
    places::{NewPlace, NewProbe, Place, PlaceChange, Probe},
    temperature::Temperature,
};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{IdempotencyKeyHeader, IfMatchHeader, PlacePath},
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
        .routes(routes!(get_places, post_places))
        .routes(routes!(get_place, patch_place))
        .routes(routes!(get_temperature))
        .routes(routes!(get_probes, post_probes))
}

/// The span of a temperature series, and how it is thinned.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct TemperatureQuery {
    /// Its beginning; a day ago unless said.
    from: Option<Instant>,
    /// Its end; now unless said.
    until: Option<Instant>,
    /// Minutes between points of the series, 5 unless said. The figures are exact whatever it is.
    #[param(minimum = 1, maximum = 1440)]
    step_minutes: Option<i64>,
}

/// Places, by code.
#[utoipa::path(
    get, path = "/api/places", tag = "places",
    params(PaginationQuery),
    responses((status = 200, description = "Places", body = ListResponse<Place>), Problems),
)]
async fn get_places(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<Place>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.places(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.place.to_string()))
}

/// Adds a fridge, shelf, van or stall.
#[utoipa::path(
    post, path = "/api/places", tag = "places",
    request_body = NewPlace,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Added", body = Place), Problems),
)]
async fn post_places(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewPlace>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_place(&new.value).await)?))
}

/// One place, with its limit in force.
#[utoipa::path(
    get, path = "/api/places/{place}", tag = "places",
    params(PlacePath),
    responses((status = 200, description = "One place, with its limit in force", body = Place), Problems),
)]
async fn get_place(
    State(app): State<App>,
    who: Authenticated,
    PathParam(place): PathParam<PlaceCode>,
) -> Result<Versioned<Place>, Problem> {
    let found = read_tx!(app, who, |tx| tx.place(&place).await)?;
    Ok(Versioned(found))
}

/// Changes a place. A new limit is a new version.
#[utoipa::path(
    patch, path = "/api/places/{place}", tag = "places",
    request_body = PlaceChange,
    params(PlacePath, IfMatchHeader),
    responses((status = 200, description = "Changed", body = Place), Problems),
)]
async fn patch_place(
    State(app): State<App>,
    who: Authenticated,
    PathParam(place): PathParam<PlaceCode>,
    IfMatch(read): IfMatch,
    JsonBody(change): JsonBody<PlaceChange>,
) -> Result<Versioned<Place>, Problem> {
    let changed = write_tx!(app, who, |tx| tx.change_place(&place, &change, read).await)?;
    Ok(Versioned(changed))
}

/// What a place's air was: the series, gaps, exposure.
#[utoipa::path(
    get, path = "/api/places/{place}/temperature", tag = "places",
    params(PlacePath, TemperatureQuery),
    responses((status = 200, description = "The air", body = Temperature), Problems),
)]
async fn get_temperature(
    State(app): State<App>,
    who: Authenticated,
    PathParam(place): PathParam<PlaceCode>,
    Query(asked): Query<TemperatureQuery>,
) -> Result<Json<Temperature>, Problem> {
    let step = asked.step_minutes.unwrap_or(5);
    if !(1..=1440).contains(&step) {
        return Err(Refusal::field("step_minutes", "A step is 1 to 1440 minutes.").into());
    }
    let until = asked.until.map_or_else(|| app.now(), |i| i.0);
    let from = asked.from.map_or(until - TimeDelta::days(1), |i| i.0);
    app.refresh_before_read(&who).await?;
    Ok(Json(read_tx!(app, who, |tx| tx.temperature(&place, Span { from, until }, TimeDelta::minutes(step)).await)?))
}

/// Probes, by name.
#[utoipa::path(
    get, path = "/api/probes", tag = "places",
    params(PaginationQuery),
    responses((status = 200, description = "Probes", body = ListResponse<Probe>), Problems),
)]
async fn get_probes(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<Probe>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.probes(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.probe.clone()))
}

/// Adds a probe.
#[utoipa::path(
    post, path = "/api/probes", tag = "places",
    request_body = NewProbe,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Added", body = Probe), Problems),
)]
async fn post_probes(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewProbe>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_probe(&new.value).await)?))
}
