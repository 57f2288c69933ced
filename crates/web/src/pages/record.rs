//! The temperature record: for the verifier, as a page, as PDF and as CSV.

use askama::Template;
use axum::extract::State;
use chrono_tz::Tz;
use gillbook_core::{calendar::day_of, text::PlaceCode, words::PlaceKind};
use gillbook_documents::record as paper;
use gillbook_store::{Page as Rows, record::TemperatureRecord};
use serde::Deserialize;

use super::{Head, Page, day_and_clock, excursion, short_day, zone_of};
use crate::{App, api::RecordAsked, body::Asked, documents::set, problem::Problem, read, who::Who};

/// The record of a place over the days that were asked for.
pub(crate) async fn record_of(
    app: &App,
    who: &Who,
    place: &PlaceCode,
    asked: &RecordAsked,
) -> Result<TemperatureRecord, Problem> {
    app.judge_first(who).await?;
    read!(app, who, |tx| {
        let zone = zone_of(&tx.farm().await?);
        let (from, until) = asked.days(day_of(tx.now(), zone));
        tx.temperature_record(place, from, until).await
    })
}

/// The hours as CSV.
pub(crate) fn record_csv(record: &TemperatureRecord) -> Result<Vec<u8>, Problem> {
    let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let heads = ["hour", "min_c", "mean_c", "max_c", "product_max_c", "known_s", "above_limit_s", "readings", "faults"];
    let one = |c: Option<f64>| c.map_or_else(String::new, |c| format!("{c:.2}"));
    let written = csv.write_record(heads).and_then(|()| {
        record.hours.iter().try_for_each(|h| {
            csv.write_record([
                h.hour.to_rfc3339(),
                one(h.min_c),
                one(h.mean_c),
                one(h.max_c),
                one(h.product_max_c),
                format!("{:.0}", h.known_s),
                format!("{:.0}", h.above_s),
                h.readings.to_string(),
                h.faults.to_string(),
            ])
        })
    });
    written.map_err(|_| Problem::broken())?;
    csv.into_inner().map_err(|_| Problem::broken())
}

fn one(c: Option<f64>) -> String {
    c.map_or_else(|| "–".into(), |c| format!("{c:.1}"))
}

fn sheet_of(r: &TemperatureRecord) -> paper::Record {
    let zone: Tz = r.zone.parse().unwrap_or(Tz::UTC);
    let e = &r.exposure;
    paper::Record {
        farm: r.farm.clone(),
        farm_address: r.farm_address.clone(),
        place: r.place_name.clone(),
        span: format!("{} to {}", r.from.format("%-d %b %Y"), r.until.format("%-d %b %Y")),
        zone: r.zone.clone(),
        summary: vec![
            ("Lowest, mean, highest".into(), format!("{} / {} / {} °C", one(e.min_c), one(e.mean_c), one(e.max_c))),
            ("Mean kinetic temperature".into(), format!("{} °C", one(e.mean_kinetic_c))),
            ("Known".into(), format!("{:.1} % of the time", e.coverage * 100.0)),
            (
                "Air above the limit".into(),
                format!("{:.0} min, {:.0} degree-minutes", e.above_s / 60.0, e.above_degree_minutes),
            ),
        ],
        limits: r
            .limits
            .iter()
            .map(|l| paper::Limit {
                name: l.name.to_string(),
                since: l.effective_from.map_or_else(String::new, |i| day_and_clock(i.0, zone)),
                figures: format!(
                    "warm above {} °C for more than {} min (air above {} °C), cold below {} °C",
                    l.warm_c,
                    l.grace_minutes,
                    l.air_c.unwrap_or(l.warm_c),
                    l.cold_c
                ),
                rule: l.rule_text.to_string(),
                example: l.example,
            })
            .collect(),
        plot: plot(r),
        days: r
            .days
            .iter()
            .map(|d| {
                let e = &d.exposure;
                vec![
                    short_day(d.day),
                    one(e.min_c),
                    one(e.mean_c),
                    one(e.max_c),
                    one(d.product_max_c),
                    format!("{:.0}", e.above_s / 60.0),
                    format!("{:.0} %", e.coverage * 100.0),
                ]
            })
            .collect(),
        excursions: r
            .excursions
            .iter()
            .map(|x| paper::Excursion {
                what: excursion::what(x.kind).to_owned()
                    + if x.withdrawn_at.is_some() { ", withdrawn by later readings" } else { "" },
                when: excursion::when(x, zone),
                lasted: excursion::lasted(x, r.printed_at),
                figures: match (x.air_c, x.product_c) {
                    (Some(air), Some(product)) => format!("air to {air:.1} °C, food reckoned at {product:.1} °C"),
                    _ => x.probe.clone().unwrap_or_default(),
                },
                undecided: x.undecided,
                actions: x
                    .actions
                    .iter()
                    .map(|a| {
                        format!(
                            "{} ({}, {}); food: {}",
                            a.done,
                            a.done_by,
                            day_and_clock(a.done_at, zone),
                            a.food.as_str().replace('_', " ")
                        )
                    })
                    .collect(),
                signed: x.signed_off.as_ref().map(|s| format!("{}, {}", s.signed_by, day_and_clock(s.signed_at, zone))),
            })
            .collect(),
        probes: probes(r, zone),
        spots: r
            .spot_readings
            .iter()
            .map(|s| vec![day_and_clock(s.at, zone), format!("{:.1} °C", s.c), s.done_by.clone(), s.note.clone()])
            .collect(),
        checks: r
            .checks
            .iter()
            .map(|c| {
                let result = if c.good { "well".to_owned() } else { format!("not well: {}", c.what_done) };
                vec![day_and_clock(c.done_at, zone), c.name.clone(), result, c.done_by.clone()]
            })
            .collect(),
        printed: format!("Printed by {}, {} ({})", r.printed_by, day_and_clock(r.printed_at, zone), r.zone),
        caution: r.caution.to_owned(),
    }
}

fn probes(r: &TemperatureRecord, zone: Tz) -> Vec<paper::Probe> {
    r.probes
        .iter()
        .map(|p| paper::Probe {
            probe: p.probe.clone(),
            doubtful: p.doubtful_since.map(|since| {
                if since.timestamp() == 0 {
                    "all its readings are doubtful".into()
                } else {
                    format!("doubtful since {}", day_and_clock(since, zone))
                }
            }),
            checks: p
                .checks
                .iter()
                .map(|c| {
                    let kind = c.kind.as_str().replace('_', " ");
                    let offset = c.offset_c.map(|o| format!(", corrected by {o:+.2} °C")).unwrap_or_default();
                    vec![
                        day_and_clock(c.checked_at, zone),
                        kind,
                        format!("off by {:+.2} °C{offset}", c.off_c),
                        c.done_by.clone(),
                    ]
                })
                .collect(),
        })
        .collect()
}

/// Hours as columns from coldest to warmest, in shares of the plot's width and height.
fn plot(r: &TemperatureRecord) -> paper::Plot {
    #[expect(clippy::cast_precision_loss, reason = "seconds of a year")]
    let seconds = |t: chrono::TimeDelta| t.num_seconds() as f64;
    let whole = seconds(r.ends - r.begins).max(1.0);
    let limit = r.limits.last().map(|l| l.warm_c);
    let most = r.exposure.max_c.unwrap_or(6.0).max(limit.unwrap_or(5.0)) + 1.0;
    let least = r.exposure.min_c.unwrap_or(0.0).min(0.0) - 1.0;
    let y = |c: f64| ((c - least) / (most - least)).clamp(0.0, 1.0);
    let step = if most - least > 16.0 { 5.0 } else { 2.0 };
    let first = (least / step).ceil() * step;
    paper::Plot {
        width: 3600.0 / whole,
        hours: r
            .hours
            .iter()
            .filter_map(|h| Some((seconds(h.hour - r.begins) / whole, y(h.min_c?), y(h.max_c?))))
            .collect(),
        limit: limit.map(|l| (y(l), format!("{l} °C"))),
        ticks: (0..20)
            .map(|i| first + step * f64::from(i))
            .take_while(|c| *c <= most)
            .map(|c| (y(c), format!("{c}")))
            .collect(),
        silences: r
            .silences()
            .map(|e| {
                let from = seconds(e.began_at.max(r.begins) - r.begins) / whole;
                (from, seconds(e.ended_at.unwrap_or(r.ends).min(r.ends) - r.begins) / whole - from)
            })
            .collect(),
        days: (0..=4)
            .map(|i| {
                let at = r.begins + (r.ends - r.begins) / 4 * i;
                (f64::from(i) / 4.0, short_day(day_of(at, r.zone.parse().unwrap_or(Tz::UTC))))
            })
            .collect(),
    }
}

/// The record as it prints. Set away from the threads that answer requests.
pub(crate) async fn record_pdf(record: TemperatureRecord) -> Result<Vec<u8>, Problem> {
    set(move || sheet_of(&record).pdf()).await
}

#[derive(Template)]
#[template(path = "record.html")]
pub(super) struct RecordPage {
    head: Head,
    sheet: paper::Record,
    place: PlaceCode,
    from: String,
    until: String,
}

#[derive(Debug, Deserialize)]
pub(super) struct RecordPageAsked {
    place: Option<PlaceCode>,
    from: Option<gillbook_core::calendar::Day>,
    until: Option<gillbook_core::calendar::Day>,
}

pub(super) async fn get_record(
    State(app): State<App>,
    who: Who,
    Asked(asked): Asked<RecordPageAsked>,
) -> Result<Page<RecordPage>, Problem> {
    let (head, place) = read!(app, who, |tx| {
        let farm = tx.farm().await?;
        let places = tx.places(&Rows { after: None, limit: 500 }).await?;
        let fridge = places.into_iter().find(|p| p.kind == PlaceKind::Fridge).map(|p| p.place);
        Ok((Head::new(&farm, &who, "/fridge"), asked.place.clone().or(fridge)))
    })?;
    let place = place.ok_or_else(Problem::not_found_page)?;
    let record = record_of(&app, &who, &place, &RecordAsked { from: asked.from, until: asked.until }).await?;
    Ok(Page(RecordPage {
        head,
        sheet: sheet_of(&record),
        from: record.from.to_string(),
        until: record.until.to_string(),
        place,
    }))
}
