//! The temperature record: as data, as a document and as rows.

use crate::{
    App,
    api::params::PlacePath,
    auth::Authenticated,
    extract::{PathParam, Query},
    pages,
    problem::{Problem, Problems},
    respond::Document,
};
use axum::{Json, extract::State};
use chrono::{NaiveDate, TimeDelta};
use gillbook_core::{text::PlaceCode, units::calendar::Day};
use gillbook_store::reports::record::TemperatureRecord;
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(get_record)).routes(routes!(get_record_pdf)).routes(routes!(get_record_csv))
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
