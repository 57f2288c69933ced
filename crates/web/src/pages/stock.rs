//! Stock: what must go first? And one lot with everything that it touched.

use std::collections::BTreeMap;

use askama::Template;
use axum::extract::State;
use chrono::{Days, NaiveDate};
use gillbook_core::{Grams, calendar::day_of, text::LotCode};
use gillbook_store::{Page as Rows, lots::Lot, trace::Trace};

use super::{Head, Page, day_and_clock, kg, short_day, zone_of};
use crate::{App, body::Code, problem::Problem, read, who::Who};

#[derive(Template)]
#[template(path = "stock.html")]
pub(super) struct Stock {
    head: Head,
    total: String,
    aside: String,
    rows: Vec<Row>,
}

struct Row {
    lot: String,
    on_hold: bool,
    place: String,
    kg: String,
    aside: String,
    marks: Vec<String>,
    today_x: String,
    ruler_text: String,
    last_day: String,
    life: String,
    order: (NaiveDate, String),
}

pub(super) async fn get_stock(State(app): State<App>, who: Who) -> Result<Page<Stock>, Problem> {
    let view = read!(app, who, |tx| {
        let farm = tx.farm().await?;
        let today = day_of(tx.now(), zone_of(&farm));
        let lots = tx.lots(true, &Rows { after: None, limit: 500 }).await?;
        let last_days: BTreeMap<LotCode, NaiveDate> = tx.last_days(&lots).await?;
        let mut rows: Vec<Row> =
            lots.iter().flat_map(|lot| rows_of(lot, last_days.get(&lot.lot).copied(), today)).collect();
        rows.sort_by(|a, b| a.order.cmp(&b.order));
        let stock = lots.iter().flat_map(|l| &l.places).filter(|p| p.kind.holds_stock());
        let (total, aside) = stock.fold((Grams::ZERO, Grams::ZERO), |(t, a), p| (t + p.grams_g, a + p.set_aside_g));
        Ok(Stock { head: Head::new(&farm, &who, "/stock"), total: kg(total), aside: kg(aside), rows })
    })?;
    Ok(Page(view))
}

fn rows_of(lot: &Lot, last_day: Option<NaiveDate>, today: NaiveDate) -> Vec<Row> {
    let last = last_day.unwrap_or(NaiveDate::MAX);
    let days = (last.min(lot.harvest_day + Days::new(21)) - lot.harvest_day).num_days().max(1);
    #[expect(clippy::cast_precision_loss, reason = "a few days")]
    let x = |n: i64| 2.0 + 136.0 * (n as f64 / days as f64).clamp(0.0, 1.0);
    lot.places
        .iter()
        .filter(|p| p.kind.holds_stock())
        .map(|p| Row {
            lot: lot.lot.to_string(),
            on_hold: lot.on_hold,
            place: p.place.to_string(),
            kg: kg(p.grams_g),
            aside: if p.set_aside_g > Grams::ZERO { kg(p.set_aside_g) } else { String::new() },
            marks: (0..=days).map(|n| format!("{:.0}", x(n))).collect(),
            today_x: format!("{:.0}", x((today - lot.harvest_day).num_days()).clamp(6.0, 134.0)),
            ruler_text: last_day.map_or_else(
                || format!("harvested {}", short_day(lot.harvest_day)),
                |d| {
                    format!(
                        "harvested {}, last day {}, {} days from today",
                        short_day(lot.harvest_day),
                        short_day(d),
                        (d - today).num_days()
                    )
                },
            ),
            last_day: last_day.map_or_else(|| "dried".into(), short_day),
            life: p.life.map_or_else(String::new, |l| {
                format!("{:.1} d ({:.1}–{:.1})", l.days_left, l.days_left_low, l.days_left_high)
            }),
            order: (last, lot.lot.to_string()),
        })
        .collect()
}

#[derive(Template)]
#[template(path = "lot.html")]
pub(super) struct LotPage {
    head: Head,
    lot: Lot,
    trace: Trace,
    about: String,
    was_in: Vec<(String, String, i64)>,
    went_to: Vec<(String, String, String, i64)>,
}

pub(super) async fn get_lot(
    State(app): State<App>,
    who: Who,
    Code(code): Code<LotCode>,
) -> Result<Page<LotPage>, Problem> {
    let view = read!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let lot = tx.lot(&code).await?;
        let trace = tx.trace_lot(&code).await?;
        Ok(LotPage {
            head: Head::new(&farm, &who, "/stock"),
            about: format!(
                "{}, grade {}, {} {}, harvested {}{}.",
                lot.strain,
                lot.grade,
                lot.packaging,
                lot.form,
                short_day(lot.harvest_day),
                lot.best_before.map(|d| format!(", best before {}", short_day(d))).unwrap_or_default()
            ),
            was_in: trace
                .was_in
                .iter()
                .map(|w| (w.place.to_string(), day_and_clock(w.since, zone), w.grams_g.0))
                .collect(),
            went_to: trace
                .went_to
                .iter()
                .map(|w| {
                    let docket = w.docket.as_ref().map_or_else(|| "market".into(), ToString::to_string);
                    (w.name.clone(), docket, day_and_clock(w.sent_at, zone), w.grams_g.0)
                })
                .collect(),
            lot,
            trace,
        })
    })?;
    Ok(Page(view))
}
