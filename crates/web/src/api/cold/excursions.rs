//! Excursions, and what was done about them.

use axum::{Json, extract::State};
use chrono::TimeDelta;
use gillbook_core::{
    text::PlaceCode,
    units::calendar::{Instant, Span},
};
use gillbook_store::ledger::{
    countersign::NewSignOff,
    excursion_actions::NewAction,
    spells::{Excursion, ExcursionWithLots},
};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use crate::{
    App,
    api::params::{ExcursionPath, IdempotencyKeyHeader},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, PathParam, Query},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_excursions))
        .routes(routes!(get_excursion))
        .routes(routes!(post_actions))
        .routes(routes!(post_sign_off))
}

/// A span of time.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub(super) struct SpanQuery {
    /// Its beginning; 31 days before its end unless said.
    from: Option<Instant>,
    /// Its end; now unless said.
    until: Option<Instant>,
}

impl SpanQuery {
    pub(super) fn span(&self, app: &App) -> Span {
        let until = self.until.map_or_else(|| app.now() + TimeDelta::minutes(1), |i| i.0);
        Span { from: self.from.map_or(until - TimeDelta::days(31), |i| i.0), until }
    }
}

/// Of which place and span.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct ExcursionsQuery {
    /// Of this place only.
    place: Option<PlaceCode>,
    /// Its beginning; 31 days before its end unless said.
    from: Option<Instant>,
    /// Its end; now unless said.
    until: Option<Instant>,
}

/// Excursions that touch a span, oldest first: too warm, too cold, no data, probe fault.
///
/// A warm or cold spell counts once its limit has been passed for longer than the grace time, and goes on through gaps in the readings while
/// the estimated food temperature after the gap is still beyond the limit: the time of the gap counts, because nothing says that it was
/// harmless. After a gap warm spells are judged on the warmer, cold spells on the colder of the food before it and the first air after it.
/// "No data" is a gap longer than the silence time, from the last known instant to the next one. A lone reading between two gaps makes no
/// time known, so that two silences with one reading between them are one "no data".
#[utoipa::path(
    get, path = "/api/excursions", tag = "cold",
    params(ExcursionsQuery),
    responses((status = 200, description = "Excursions", body = ListResponse<Excursion>), Problems),
)]
async fn get_excursions(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<ExcursionsQuery>,
) -> Result<ListResponse<Excursion>, Problem> {
    app.refresh_before_read(&who).await?;
    let span = SpanQuery { from: asked.from, until: asked.until }.span(&app);
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.excursions(asked.place.as_ref(), span).await)?))
}

/// One excursion: what was done, and the lots that were there with what it took of their life.
#[utoipa::path(
    get, path = "/api/excursions/{excursion}", tag = "cold",
    params(ExcursionPath),
    responses((status = 200, description = "One excursion", body = ExcursionWithLots), Problems),
)]
async fn get_excursion(
    State(app): State<App>,
    who: Authenticated,
    PathParam(id): PathParam<Uuid>,
) -> Result<Json<ExcursionWithLots>, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Json(read_tx!(app, who, |tx| tx.excursion(id).await)?))
}

/// Writes down what was done about an excursion, and does it to the lots that it names: holds, wastes or moves them in the same
/// transaction. What was set aside of them is released.
#[utoipa::path(
    post, path = "/api/excursions/{excursion}/actions", tag = "cold",
    request_body = NewAction,
    params(ExcursionPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = ExcursionWithLots), Problems),
)]
async fn post_actions(
    State(app): State<App>,
    who: Authenticated,
    PathParam(id): PathParam<Uuid>,
    new: IdempotentJson<NewAction>,
) -> Result<Created, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_action(id, &new.value).await)?))
}

/// Countersigns an excursion: by the person who is signed in, and who did not deal with it.
#[utoipa::path(
    post, path = "/api/excursions/{excursion}/sign-off", tag = "cold",
    request_body = NewSignOff,
    params(ExcursionPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Signed off", body = ExcursionWithLots), Problems),
)]
async fn post_sign_off(
    State(app): State<App>,
    who: Authenticated,
    PathParam(id): PathParam<Uuid>,
    new: IdempotentJson<NewSignOff>,
) -> Result<Created, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.sign_off(id, &new.value).await)?))
}
