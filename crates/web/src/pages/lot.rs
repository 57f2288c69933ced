//! One lot with everything that it touched: what does a verifier ask for, and whom do I call?

use askama::Template;
use axum::{extract::State, response::Response};
use chrono_tz::Tz;
use gillbook_core::{
    SignedWith,
    cold::shelf_life::LifeLeft,
    kinds::{ActKind, Basis, LotEventKind, PlaceKind},
    ledger::trace::{Downstream, Location, NotSold, Trace, TraceFrom},
    text::LotCode,
};
use gillbook_store::ledger::{
    holds::HoldEvent,
    lots::{Lot, LotAt, NewLotEvent},
};

use super::{
    Html, Layout,
    act::answer,
    docket_sheet::came_back_words,
    full_day, full_time, g, kg,
    sheet::{Field, FormFields, Input, Sheet},
    zone_of,
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam},
    problem::Problem,
    read_tx,
};

#[derive(Template)]
#[template(path = "lot.html")]
pub(super) struct LotPage {
    head: Layout,
    lot: Lot,
    trace: Trace,
    about: String,
    /// Why it is on hold, since when, by whom.
    hold: Option<String>,
    /// Whether this is a shared phone, which releases nothing.
    shared_phone: bool,
    /// To hold it, or to release it.
    sheet: Sheet,
    /// What was refused, whatever the lot has become meanwhile.
    refused: Option<Sheet>,
    stock: Vec<InStock>,
    came_from: Vec<CameFromRow>,
    was_in: Vec<(String, String, String)>,
    /// What went out as this lot, and as lots that were made from it.
    went_to: [Vec<WentToRow>; 2],
    /// What was not sold, likewise.
    not_sold: [Vec<NotSoldRow>; 2],
    /// What was made of it, and of what was made of it.
    repacked: Vec<RepackedRow>,
    /// Every hold and release.
    holds: Vec<String>,
}

/// Grams that became another lot.
struct RepackedRow {
    lot: LotCode,
    grams: String,
    /// The lot that they were, where it is not this one.
    of: Option<LotCode>,
}

struct InStock {
    place: String,
    kg: String,
    life: String,
    /// What hours without a temperature were counted at.
    assumed: Option<String>,
}

struct CameFromRow {
    batch: String,
    flush: i32,
    grams: String,
    basis: String,
    cook: String,
    spawn: String,
}

struct WentToRow {
    lot: LotCode,
    name: String,
    docket: Option<String>,
    at: String,
    grams: String,
    /// What was refused and what came back of it.
    came_back: Option<String>,
}

struct NotSoldRow {
    lot: LotCode,
    what: &'static str,
    place: String,
    at: String,
    grams: String,
    reason: String,
}

/// Days of shelf life left with their range. Less than nothing is nothing.
fn life_left(l: &LifeLeft) -> String {
    let left = |d: f64| d.max(0.0);
    if l.days_left_high <= 0.0 {
        return "used up".into();
    }
    format!("{:.1} d ({:.1}–{:.1})", left(l.days_left), left(l.days_left_low), l.days_left_high)
}

/// Shelf life left of a lot at a place; of the grams that fared best too, where that is more than a day longer.
pub(super) fn life_of(at: &LotAt) -> String {
    match (&at.life, &at.life_at_best) {
        (Some(worst), Some(best)) => format!("{}, some of it up to {}", life_left(worst), life_left(best)),
        (Some(life), None) => life_left(life),
        (None, _) => String::new(),
    }
}

const fn what_became(row: &NotSold) -> &'static str {
    match (row.act, row.became) {
        (ActKind::Return, PlaceKind::Test) => "came back, tested",
        (ActKind::Return, _) => "came back, wasted",
        (ActKind::MarketClose, PlaceKind::Water) => "water loss at the stall",
        (_, PlaceKind::Waste) => "wasted",
        (_, PlaceKind::Gift) => "given away",
        (_, PlaceKind::Test) => "samples",
        (ActKind::Weighing, PlaceKind::Trim) => "trimmed at the scale",
        (_, PlaceKind::Trim) => "trimmed off",
        (ActKind::Finish, PlaceKind::Water) => "left when finished",
        (ActKind::Count, PlaceKind::Water) => "count loss",
        (ActKind::Packing, PlaceKind::Water) => "water, drying",
        (_, PlaceKind::Water) => "water loss",
        _ => "home use",
    }
}

/// What this lot is made of, by batch and flush: of a lot that was made of others, what went into it and not all that they had.
fn came_from(lot: &Lot, trace: &Trace) -> Vec<CameFromRow> {
    lot.made_of
        .iter()
        .map(|m| {
            let of_batch = trace.came_from.iter().find(|c| c.batch == m.batch);
            CameFromRow {
                batch: m.batch.to_string(),
                flush: m.flush,
                grams: g(m.grams_g),
                basis: if m.basis == Basis::Measured { "weighed apart".into() } else { "shared out".into() },
                cook: of_batch.and_then(|c| c.cook.as_ref()).map_or_else(|| "—".into(), ToString::to_string),
                spawn: of_batch.map_or_else(String::new, |c| format!("{} {}", c.spawn_supplier, c.spawn_lot)),
            }
        })
        .collect()
}

fn was_in(w: &Location, zone: Tz) -> (String, String, String) {
    let (when, now) = match w.until {
        Some(until) => (format!("{} to {}", full_time(w.since, zone), full_time(until, zone)), String::new()),
        None => (format!("since {}", full_time(w.since, zone)), format!("{}\u{a0}g now", g(w.grams_g))),
    };
    (w.place.to_string(), when, now)
}

fn went_to(w: &Downstream, zone: Tz) -> WentToRow {
    WentToRow {
        lot: w.lot.clone(),
        name: w.name.clone(),
        docket: w.docket.as_ref().map(ToString::to_string),
        at: full_time(w.sent_at, zone),
        grams: g(w.grams_g),
        came_back: came_back_words((w.refused_g, &w.refused_because), (w.returned_g, &w.returned_because)),
    }
}

fn not_sold(n: &NotSold, zone: Tz) -> NotSoldRow {
    NotSoldRow {
        lot: n.lot.clone(),
        what: what_became(n),
        place: n.place.to_string(),
        at: full_time(n.happened_at, zone),
        grams: g(n.grams_g),
        reason: n.reason.clone(),
    }
}

/// A hold or a release, in words.
pub(super) fn hold_line(e: &HoldEvent, zone: Tz) -> String {
    let what = if e.kind == LotEventKind::Hold { "Put on hold" } else { "Released" };
    format!("{what} {} by {}: {}", full_time(e.happened_at, zone), e.done_by, e.reason)
}

/// Rows of this lot, and rows of lots that were made from it.
fn partition_own<T>(rows: impl Iterator<Item = T>, is_own: impl Fn(&T) -> bool) -> [Vec<T>; 2] {
    let (own, others) = rows.partition(is_own);
    [own, others]
}

async fn lot_page(app: &App, who: &Authenticated, code: &LotCode, refused: Option<Sheet>) -> Result<LotPage, Problem> {
    app.refresh_before_read(who).await?;
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let lot = tx.lot(code).await?;
        let trace = tx.trace(&TraceFrom::Lot(code.clone())).await?;
        Ok(LotPage {
            head: Layout::new(&farm, who, "/stock"),
            hold: lot.hold.as_ref().map(|h| {
                format!(
                    "On hold since {} ({}): {}.",
                    full_time(h.since, zone),
                    h.done_by,
                    h.reason.trim_end_matches('.')
                )
            }),
            shared_phone: who.actor.with == SignedWith::SharedPhone,
            refused: refused.clone(),
            sheet: if lot.on_hold { release_sheet(code) } else { hold_sheet(code) },
            about: format!(
                "{}, grade {}, {} {}, harvested {}{}.",
                lot.strain,
                lot.grade,
                lot.packaging,
                lot.form,
                full_day(lot.harvest_day),
                lot.best_before.map(|d| format!(", best before {}", full_day(d))).unwrap_or_default()
            ),
            stock: lot
                .places
                .iter()
                .filter(|p| p.kind.holds_stock())
                .map(|p| InStock {
                    place: p.place.to_string(),
                    kg: kg(p.grams_g),
                    life: life_of(p),
                    assumed: p.life.filter(|l| l.known_share < 0.995).and_then(|l| {
                        let known = l.known_share * 100.0;
                        l.assumed_c
                            .map(|c| format!("Readings for {known:.0} % of the time; the rest counted at {c:.0} °C."))
                    }),
                })
                .collect(),
            repacked: trace
                .made
                .iter()
                .filter(|m| m.from_lot == *code || trace.made_into_lots.contains(&m.from_lot))
                .map(|m| RepackedRow {
                    lot: m.into_lot.clone(),
                    grams: g(m.grams_g),
                    of: (m.from_lot != *code).then(|| m.from_lot.clone()),
                })
                .collect(),
            came_from: came_from(&lot, &trace),
            was_in: trace.was_in.iter().map(|w| was_in(w, zone)).collect(),
            went_to: partition_own(trace.went_to.iter().map(|w| went_to(w, zone)), |w| w.lot == *code),
            not_sold: partition_own(trace.not_sold.iter().map(|n| not_sold(n, zone)), |n| n.lot == *code),
            holds: tx.hold_history(code).await?.iter().map(|e| hold_line(e, zone)).collect(),
            lot,
            trace,
        })
    })
}

pub(super) async fn get_lot(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
) -> Result<Html<LotPage>, Problem> {
    Ok(Html(lot_page(&app, &who, &code, None).await?))
}

fn hold_sheet(code: &LotCode) -> Sheet {
    let why = Field::new("reason", "Why it is held, with every lot made of it", Input::Text);
    Sheet::new(format!("/lots/{code}/hold"), "Put on hold", vec![why])
}

fn release_sheet(code: &LotCode) -> Sheet {
    let why = Field::new("reason", "Why it is released", Input::Text);
    Sheet::new(format!("/lots/{code}/release"), "Release", vec![why])
}

pub(super) async fn post_hold(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
    filled: KeyedForm<FormFields>,
) -> Response {
    let done = hold_sheet(&code)
        .submit(&filled, async |new: NewLotEvent| {
            create_tx!(app, who, &filled.once, |tx| tx.hold_lot(&code, &new).await)
        })
        .await;
    answer(done, |_| format!("/lots/{code}"), async |refused| lot_page(&app, &who, &code, Some(refused)).await).await
}

pub(super) async fn post_release(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<LotCode>,
    filled: KeyedForm<FormFields>,
) -> Response {
    let done = release_sheet(&code)
        .submit(&filled, async |new: NewLotEvent| {
            create_tx!(app, who, &filled.once, |tx| tx.release_lot(&code, &new).await)
        })
        .await;
    answer(done, |_| format!("/lots/{code}"), async |refused| lot_page(&app, &who, &code, Some(refused)).await).await
}
