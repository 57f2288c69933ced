//! Stock: what must go first?

use std::collections::{BTreeMap, BTreeSet};

use askama::Template;
use axum::extract::State;
use chrono::{Days, NaiveDate};
use gillbook_core::{Grams, text::LotCode, units::calendar::day_of};
use gillbook_store::ledger::lot_state::LotState;

use super::{Html, Layout, count, full_day, kg, lot::life_of, zone_of};
use crate::{App, auth::Authenticated, problem::Problem, read_tx};

#[derive(Template)]
#[template(path = "stock.html")]
pub(super) struct Stock {
    head: Layout,
    total: String,
    aside: String,
    rows: Vec<Row>,
    /// Places with stock, to be counted.
    places: BTreeSet<String>,
}

struct Row {
    lot: String,
    on_hold: bool,
    warm: Option<String>,
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

pub(super) async fn get_stock(State(app): State<App>, who: Authenticated) -> Result<Html<Stock>, Problem> {
    app.refresh_before_read(&who).await?;
    let view = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let today = day_of(tx.now(), zone_of(&farm));
        let lots = tx.lots_in_stock().await?;
        let last_days: BTreeMap<LotCode, NaiveDate> = tx.last_days(&lots).await?;
        let mut rows: Vec<Row> =
            lots.iter().flat_map(|lot| rows_of(lot, last_days.get(&lot.lot).copied(), today)).collect();
        rows.sort_by(|a, b| a.order.cmp(&b.order));
        let stock = lots.iter().flat_map(|l| &l.places).filter(|p| p.kind.holds_stock());
        let (total, aside) = stock.fold((Grams::ZERO, Grams::ZERO), |(t, a), p| (t + p.grams_g, a + p.set_aside_g));
        let places = rows.iter().map(|row| row.place.clone()).collect();
        Ok(Stock { places, head: Layout::new(&farm, &who, "/stock"), total: kg(total), aside: kg(aside), rows })
    })?;
    Ok(Html(view))
}

fn rows_of(lot: &LotState, last_day: Option<NaiveDate>, today: NaiveDate) -> Vec<Row> {
    let last = last_day.unwrap_or(NaiveDate::MAX);
    let days = (last.min(lot.harvest_day + Days::new(21)) - lot.harvest_day).num_days().max(1);
    #[expect(clippy::cast_precision_loss, reason = "a few days")]
    let x = |n: i64| 2.0 + 136.0 * (n as f64 / days as f64).clamp(0.0, 1.0);
    lot.places
        .iter()
        .filter(|p| p.kind.holds_stock())
        .map(|p| Row {
            lot: lot.lot.to_string(),
            on_hold: lot.on_hold(),
            warm: lot.warm_spell.as_ref().map(|w| w.excursion_id.to_string()),
            place: p.place.to_string(),
            kg: kg(p.grams_g),
            aside: if p.set_aside_g > Grams::ZERO { kg(p.set_aside_g) } else { String::new() },
            marks: (0..=days).map(|n| format!("{:.0}", x(n))).collect(),
            today_x: format!("{:.0}", x((today - lot.harvest_day).num_days()).clamp(6.0, 134.0)),
            ruler_text: last_day.map_or_else(
                || format!("harvested {}", full_day(lot.harvest_day)),
                |d| {
                    format!(
                        "harvested {}, sell by {}, {}",
                        full_day(lot.harvest_day),
                        full_day(d),
                        from_today((d - today).num_days())
                    )
                },
            ),
            last_day: last_day.map_or_else(|| "dried".into(), full_day),
            life: life_of(p),
            order: (last, lot.lot.to_string()),
        })
        .collect()
}

/// How far off a day is, in words.
fn from_today(days: i64) -> String {
    match days {
        0 => "today".into(),
        1.. => format!("in {}", count(days, "day")),
        _ => format!("{} ago", count(-days, "day")),
    }
}
