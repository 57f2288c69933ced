//! The temperature record: for the verifier, as a page, as PDF and as CSV.

use std::collections::BTreeSet;

use askama::Template;
use axum::extract::State;
use chrono::{DateTime, Datelike, Days, DurationRound, Months, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use gillbook_core::{kinds::PlaceKind, text::PlaceCode, units::calendar::day_of};
use gillbook_documents::record as paper;
use gillbook_store::{Pagination, reports::record::TemperatureRecord};
use serde::Deserialize;

use super::{Html, Layout, record_sheet::sheet_of, zone_of};
use crate::{App, api::RecordQuery, auth::Authenticated, documents::set, extract::Query, problem::Problem, read_tx};

/// The record of a place over the days that were asked for.
pub(crate) async fn record_of(
    app: &App,
    who: &Authenticated,
    place: &PlaceCode,
    asked: &RecordQuery,
) -> Result<TemperatureRecord, Problem> {
    app.refresh_before_read(who).await?;
    read_tx!(app, who, |tx| {
        let zone = zone_of(&tx.farm().await?);
        let (from, until) = asked.days(day_of(tx.now(), zone));
        tx.temperature_record(place, from, until).await
    })
}

/// The hours as CSV, in the farm's own time with its offset from UTC.
pub(crate) fn record_csv(record: &TemperatureRecord) -> Result<Vec<u8>, Problem> {
    let zone: Tz = record.zone.parse().unwrap_or(Tz::UTC);
    let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let heads = [
        "hour",
        "min_c",
        "mean_c",
        "max_c",
        "product_max_c",
        "known_s",
        "above_limit_s",
        "readings",
        "faults",
        "excursions",
    ];
    let one = |c: Option<f64>| c.map_or_else(String::new, |c| format!("{c:.2}"));
    let has_limit = !record.limits.is_empty();
    let written = csv.write_record(heads).and_then(|()| {
        record.hours.iter().try_for_each(|h| {
            csv.write_record([
                h.hour.with_timezone(&zone).to_rfc3339(),
                one(h.min_c),
                one(h.mean_c),
                one(h.max_c),
                one(h.product_max_c),
                format!("{:.0}", h.known_s),
                if has_limit && h.known_s > 0.0 { format!("{:.0}", h.above_s) } else { String::new() },
                h.readings.to_string(),
                h.faults.to_string(),
                excursions_of(record, h.hour),
            ])
        })
    });
    written.map_err(|_| Problem::broken())?;
    csv.into_inner().map_err(|_| Problem::broken())
}

/// The kinds of the excursions that an hour is in, for the CSV.
fn excursions_of(record: &TemperatureRecord, hour: DateTime<Utc>) -> String {
    let end = hour.duration_trunc(TimeDelta::hours(1)).unwrap_or(hour) + TimeDelta::hours(1);
    let kinds: BTreeSet<&str> = record
        .excursions
        .iter()
        .map(|x| &x.excursion)
        .filter(|e| e.withdrawn_at.is_none() && e.began_at < end && e.ended_at.is_none_or(|ended| ended > hour))
        .map(|e| e.kind.as_str())
        .collect();
    kinds.into_iter().collect::<Vec<_>>().join(" ")
}

/// The record as it prints. Set away from the threads that answer requests.
pub(crate) async fn record_pdf(record: TemperatureRecord) -> Result<Vec<u8>, Problem> {
    set(move || sheet_of(&record).pdf()).await
}

#[derive(Template)]
#[template(path = "record.html")]
pub(super) struct RecordPage {
    head: Layout,
    sheet: paper::Record,
    place: PlaceCode,
    from: String,
    until: String,
    months: Vec<Month>,
}

/// A month to be shown at a touch.
struct Month {
    label: String,
    from: String,
    until: String,
}

impl Month {
    /// The month so many months before the one that today is in, as far as it has gone.
    fn before(today: NaiveDate, months: u32) -> Option<Self> {
        let from = today.with_day(1)?.checked_sub_months(Months::new(months))?;
        let until = from.checked_add_months(Months::new(1))?.checked_sub_days(Days::new(1))?.min(today);
        Some(Self { label: from.format("%B %Y").to_string(), from: from.to_string(), until: until.to_string() })
    }
}

#[derive(Debug, Deserialize)]
pub(super) struct RecordPageQuery {
    place: Option<PlaceCode>,
    from: Option<gillbook_core::units::calendar::Day>,
    until: Option<gillbook_core::units::calendar::Day>,
}

pub(super) async fn get_record(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<RecordPageQuery>,
) -> Result<Html<RecordPage>, Problem> {
    let (head, place) = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let places = tx.places(&Pagination { after: None, limit: 500 }).await?;
        let fridge = places.into_iter().find(|p| p.kind == PlaceKind::Fridge).map(|p| p.place);
        Ok((Layout::new(&farm, &who, "/fridge"), asked.place.clone().or(fridge)))
    })?;
    let place = place.ok_or_else(Problem::not_found_page)?;
    let record = record_of(&app, &who, &place, &RecordQuery { from: asked.from, until: asked.until }).await?;
    let zone: Tz = record.zone.parse().unwrap_or(Tz::UTC);
    let today = day_of(app.now(), zone);
    Ok(Html(RecordPage {
        months: (0..4).filter_map(|months| Month::before(today, months)).collect(),
        head,
        sheet: sheet_of(&record),
        from: record.from.to_string(),
        until: record.until.to_string(),
        place,
    }))
}
