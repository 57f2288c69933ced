//! The cold side: excursions and what was done, checks of probes and of the house, spot readings, the record, who is told.

use std::convert::Infallible;

use axum::{
    Json,
    extract::State,
    http::{HeaderMap, StatusCode},
    response::sse::{Event, KeepAlive, Sse},
};
use chrono::{NaiveDate, TimeDelta};
use futures::Stream;
use gillbook_core::{
    text::{HouseCheckCode, PlaceCode},
    units::calendar::{Day, Instant, Span},
};
use gillbook_store::{
    cold::{
        house_checks::{CheckDone, HouseCheck, NewCheckDone, NewHouseCheck, NewSpotReading, SpotReading},
        notices::{NewNoticeTo, NoticeRecipient},
        probe_checks::{NewProbeCheck, ProbeCalibration},
    },
    ledger::{
        countersign::NewSignOff,
        excursion_actions::NewAction,
        spells::{Excursion, ExcursionWithLots},
    },
    reports::record::TemperatureRecord,
};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use crate::{
    App,
    api::params::{CheckPath, ExcursionPath, IdempotencyKeyHeader, NoticeToPath, PlacePath, ProbePath},
    auth::{Authenticated, secret},
    create_tx,
    extract::{IdempotentJson, PathParam, Query},
    live::events,
    pages,
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, Document, ListResponse},
    write_tx,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_excursions))
        .routes(routes!(get_excursion))
        .routes(routes!(post_actions))
        .routes(routes!(post_sign_off))
        .routes(routes!(get_probe_checks, post_probe_checks))
        .routes(routes!(get_spot_readings, post_spot_readings))
        .routes(routes!(get_checks, post_checks))
        .routes(routes!(post_check_done))
        .routes(routes!(get_checks_done))
        .routes(routes!(get_record))
        .routes(routes!(get_record_pdf))
        .routes(routes!(get_record_csv))
        .routes(routes!(get_notices, post_notices))
        .routes(routes!(delete_notice))
        .routes(routes!(get_events))
}

/// A span of time.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct SpanQuery {
    /// Its beginning; 31 days before its end unless said.
    from: Option<Instant>,
    /// Its end; now unless said.
    until: Option<Instant>,
}

impl SpanQuery {
    fn span(&self, app: &App) -> Span {
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

/// Days of a record, both included.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub(crate) struct RecordQuery {
    /// First day; 29 days before the last unless said.
    pub from: Option<Day>,
    /// Last day; today unless said.
    pub until: Option<Day>,
}

impl RecordQuery {
    /// The days, given today.
    pub(crate) fn days(&self, today: NaiveDate) -> (NaiveDate, NaiveDate) {
        let until = self.until.map_or(today, |d| d.0);
        (self.from.map_or(until - TimeDelta::days(29), |d| d.0), until)
    }
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

/// The temperature record of whole days of the farm: warm and cold spells first, with what was done, the lots inside and who signed; then the
/// figures by day and hour.
///
/// Where the farm's day begins within an hour of UTC the hours at the ends of the record are parts of hours. A day in which nothing is known
/// has a coverage of 0 and no mean; its `above_s` of 0 means nothing then. An hour with one lone reading has a lowest and a highest, no mean,
/// and 0 seconds known.
#[utoipa::path(
    get, path = "/api/places/{place}/temperature-record", tag = "cold",
    params(PlacePath, RecordQuery),
    responses((status = 200, description = "The record", body = TemperatureRecord), Problems),
)]
async fn get_record(
    State(app): State<App>,
    who: Authenticated,
    PathParam(place): PathParam<PlaceCode>,
    Query(asked): Query<RecordQuery>,
) -> Result<Json<TemperatureRecord>, Problem> {
    Ok(Json(pages::record_of(&app, &who, &place, &asked).await?))
}

/// The temperature record as it prints.
#[utoipa::path(
    get, path = "/api/places/{place}/temperature-record/pdf", tag = "cold",
    params(PlacePath, RecordQuery),
    responses(
        (status = 200, description = "The record as PDF", body = Vec<u8>, content_type = "application/pdf"),
        Problems,
    ),
)]
async fn get_record_pdf(
    State(app): State<App>,
    who: Authenticated,
    PathParam(place): PathParam<PlaceCode>,
    Query(asked): Query<RecordQuery>,
) -> Result<Document, Problem> {
    let record = pages::record_of(&app, &who, &place, &asked).await?;
    let name = format!("temperature-{place}-{}-{}.pdf", record.from, record.until);
    Ok(Document { kind: "application/pdf", name, bytes: pages::record_pdf(record).await? })
}

/// The hours of the temperature record as CSV (RFC 4180), in the farm's own time with its offset from UTC. A cell is empty where nothing is
/// known, and in `above_limit_s` also where no limit is set. The last column names the excursions that the hour is in.
#[utoipa::path(
    get, path = "/api/places/{place}/temperature-record/csv", tag = "cold",
    params(PlacePath, RecordQuery),
    responses(
        (status = 200, description = "The hours as CSV", body = String, content_type = "text/csv"),
        Problems,
    ),
)]
async fn get_record_csv(
    State(app): State<App>,
    who: Authenticated,
    PathParam(place): PathParam<PlaceCode>,
    Query(asked): Query<RecordQuery>,
) -> Result<Document, Problem> {
    let record = pages::record_of(&app, &who, &place, &asked).await?;
    let name = format!("temperature-{place}-{}-{}.csv", record.from, record.until);
    Ok(Document { kind: "text/csv; charset=utf-8", name, bytes: pages::record_csv(&record)? })
}

/// Who is told of what.
#[utoipa::path(
    get, path = "/api/notices", tag = "cold",
    responses((status = 200, description = "Receivers", body = ListResponse<NoticeRecipient>), Problems),
)]
async fn get_notices(State(app): State<App>, who: Authenticated) -> Result<ListResponse<NoticeRecipient>, Problem> {
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.recipients().await)?))
}

/// Adds somebody who is told: by e-mail, or by a webhook signed after the Standard Webhooks specification.
#[utoipa::path(
    post, path = "/api/notices", tag = "cold",
    request_body = NewNoticeTo,
    params(IdempotencyKeyHeader),
    responses(
        (status = 201, description = "Added; a webhook's secret is shown this once", body = NoticeRecipient),
        Problems,
    ),
)]
async fn post_notices(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewNoticeTo>,
) -> Result<(StatusCode, Json<NoticeRecipient>), Problem> {
    let added = write_tx!(app, who, |tx| {
        // The key is reserved and its answer never kept, so that the secret is not stored twice.
        tx.reserve_key(&new.once).await?;
        tx.add_notice_to(&new.value).await
    })?;
    Ok((StatusCode::CREATED, Json(added)))
}

/// Tells somebody nothing more.
#[utoipa::path(
    delete, path = "/api/notices/{notice_to}", tag = "cold",
    params(NoticeToPath),
    responses((status = 204, description = "Removed"), Problems),
)]
async fn delete_notice(
    State(app): State<App>,
    who: Authenticated,
    PathParam(id): PathParam<Uuid>,
) -> Result<StatusCode, Problem> {
    write_tx!(app, who, |tx| tx.remove_notice_to(id).await)?;
    Ok(StatusCode::NO_CONTENT)
}

/// The live stream: an event `judged`, with the place's code, whenever a store was judged anew; an event `missed` when some could not be told.
#[utoipa::path(
    get, path = "/api/events", tag = "cold",
    responses(
        (status = 200, description = "Server-sent events", body = String, content_type = "text/event-stream"),
        Problems,
    ),
)]
async fn get_events(
    State(app): State<App>,
    who: Authenticated,
    headers: HeaderMap,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let secret = secret(&headers).ok_or_else(Problem::not_signed_in)?;
    Ok(Sse::new(events(app, who.actor.farm, secret)?).keep_alive(KeepAlive::default()))
}
