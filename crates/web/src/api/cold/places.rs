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
    body::{Asked, Body, Code, Create, IfMatch, PageAsked},
    once,
    problem::{Problem, Problems},
    read,
    reply::{Answered, Listed, Versioned},
    who::Who,
    write,
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
#[serde(deny_unknown_fields)]
struct TemperatureAsked {
    /// Its beginning; a day ago unless said.
    from: Option<Instant>,
    /// Its end; now unless said.
    until: Option<Instant>,
    /// Minutes between points of the series, 5 unless said. The figures are exact whatever it is.
    #[param(minimum = 1, maximum = 1440)]
    step_minutes: Option<i64>,
}

/// Places, by code.
#[utoipa::path(get, path = "/api/places", tag = "places", params(PageAsked), responses((status = 200, description = "Places", body = Listed<Place>), Problems))]
async fn get_places(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<Place>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.places(&page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.place.to_string()))
}

/// Adds a fridge, shelf, van or stall.
#[utoipa::path(post, path = "/api/places", tag = "places", request_body = NewPlace, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Added", body = Place), Problems))]
async fn post_places(State(app): State<App>, who: Who, new: Create<NewPlace>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.add_place(&new.value).await)?))
}

/// One place, with its limit in force.
#[utoipa::path(get, path = "/api/places/{place}", tag = "places", params(("place" = PlaceCode, Path, description = "The place's code")), responses((status = 200, description = "One place, with its limit in force", body = Place), Problems))]
async fn get_place(
    State(app): State<App>,
    who: Who,
    Code(place): Code<PlaceCode>,
) -> Result<Versioned<Place>, Problem> {
    let found = read!(app, who, |tx| tx.place(&place).await)?;
    let version = found.version;
    Ok(Versioned(found, version))
}

/// Changes a place. A new limit is a new version.
#[utoipa::path(patch, path = "/api/places/{place}", tag = "places", request_body = PlaceChange, params(("place" = PlaceCode, Path, description = "The place's code"), ("If-Match" = Option<String>, Header, description = "The ETag that was read")), responses((status = 200, description = "Changed", body = Place), Problems))]
async fn patch_place(
    State(app): State<App>,
    who: Who,
    Code(place): Code<PlaceCode>,
    IfMatch(read): IfMatch,
    Body(change): Body<PlaceChange>,
) -> Result<Versioned<Place>, Problem> {
    let changed = write!(app, who, |tx| tx.change_place(&place, &change, read).await)?;
    let version = changed.version;
    Ok(Versioned(changed, version))
}

/// What a place's air was: the series, gaps, exposure.
#[utoipa::path(get, path = "/api/places/{place}/temperature", tag = "places", params(("place" = PlaceCode, Path, description = "The place's code"), TemperatureAsked), responses((status = 200, description = "The air", body = Temperature), Problems))]
async fn get_temperature(
    State(app): State<App>,
    who: Who,
    Code(place): Code<PlaceCode>,
    Asked(asked): Asked<TemperatureAsked>,
) -> Result<Json<Temperature>, Problem> {
    let step = asked.step_minutes.unwrap_or(5);
    if !(1..=1440).contains(&step) {
        return Err(Refusal::field("step_minutes", "A step is 1 to 1440 minutes.").into());
    }
    let until = asked.until.map_or_else(|| app.now(), |i| i.0);
    let from = asked.from.map_or(until - TimeDelta::days(1), |i| i.0);
    app.judge_first(&who).await?;
    Ok(Json(read!(app, who, |tx| tx.temperature(&place, Span { from, until }, TimeDelta::minutes(step)).await)?))
}

/// Probes, by name.
#[utoipa::path(get, path = "/api/probes", tag = "places", params(PageAsked), responses((status = 200, description = "Probes", body = Listed<Probe>), Problems))]
async fn get_probes(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<Probe>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.probes(&page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.probe.clone()))
}

/// Adds a probe.
#[utoipa::path(post, path = "/api/probes", tag = "places", request_body = NewProbe, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Added", body = Probe), Problems))]
async fn post_probes(State(app): State<App>, who: Who, new: Create<NewProbe>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.add_probe(&new.value).await)?))
}
