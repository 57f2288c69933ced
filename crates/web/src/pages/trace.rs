//! Where did it come from, who has it, and what is still here? From anything that a person may have in hand.

use askama::Template;
use axum::{
    extract::State,
    http::StatusCode,
    response::{IntoResponse, Response},
};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use gillbook_core::{
    kinds::{RecallKind, TraceKind},
    ledger::trace::{Trace, TraceFrom},
    refusal::Refusal,
    selling::recall::has_gone_to_people,
    units::calendar::Instant,
};
use gillbook_store::farm::farms::Farm;
use serde::Deserialize;

use super::{
    Html, Layout, exact_kg, full_day, full_time,
    sheet::{Field, Input, Sheet, moment},
    traced::{Shown, Traced},
    zone_of,
};
use crate::{
    App,
    auth::Authenticated,
    extract::{Query, capital},
    problem::Problem,
    read_tx,
};

/// Batches and lots that are shown one by one; the whole stands in the CSV.
const MAX_SHOWN: usize = 60;

/// What the page is asked for, as a link or a form names it.
#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct TraceParams {
    pub starts_from: Option<TraceKind>,
    #[serde(default)]
    pub code: String,
    /// Of a place: the day and time of the farm's clock, or an instant with its offset.
    #[serde(default)]
    pub at: String,
}

impl TraceParams {
    /// What it names; nothing where nothing is typed yet.
    fn start(&self, zone: Tz) -> Result<Option<TraceFrom>, Problem> {
        let code = self.code.trim();
        if code.is_empty() {
            return Ok(None);
        }
        let kind = self.starts_from.unwrap_or(TraceKind::Lot);
        let at = self.at.trim();
        // The form has its time filled in or not whatever is traced.
        let at = if at.is_empty() || kind != TraceKind::Place {
            None
        } else {
            let at = moment(at, zone).unwrap_or_else(|| at.to_owned());
            let wrong = |_| Refusal::field("/at", "Write the day and the time as 2026-05-04T07:30.");
            Some(at.parse::<Instant>().map_err(wrong)?)
        };
        Ok(Some(TraceFrom::named(kind, code, at.map(|at| at.0))?))
    }
}

/// The address of a page or an answer about what is traced.
pub(super) fn address(path: &str, from: &TraceFrom) -> String {
    let pairs = [
        Some(("starts_from", from.kind().to_string())),
        Some(("code", from.code().to_owned())),
        from.at().map(|at| ("at", at.to_rfc3339())),
    ];
    let query = serde_urlencoded::to_string(pairs.into_iter().flatten().collect::<Vec<_>>()).unwrap_or_default();
    format!("{path}?{query}")
}

struct BatchRow {
    batch: String,
    about: String,
}

/// What was found.
struct Found {
    /// What was traced: "Batch B1".
    title: String,
    /// Address of its CSV.
    csv: String,
    traced: Traced,
    came_from: Vec<BatchRow>,
    came_from_more: usize,
    lots: Vec<String>,
    lots_more: usize,
    /// Lots that these were packed from: trouble of a pack may be theirs.
    made_of: Vec<String>,
    /// Whether it is several lots, of which one may be meant.
    is_several: bool,
    /// To begin a recall or a rehearsal.
    sheet: Option<Sheet>,
}

#[derive(Template)]
#[template(path = "trace.html")]
pub(super) struct TracePage {
    head: Layout,
    /// The fields of the form that asks.
    kinds: Vec<(TraceKind, String, bool)>,
    code: String,
    at: String,
    wrong: Option<String>,
    found: Option<Found>,
}

/// What a kind is called, in the farm's words.
pub(super) fn kind_words(kind: TraceKind, farm: &Farm) -> String {
    match kind {
        TraceKind::Lot => "Lot".into(),
        TraceKind::Batch => "Batch".into(),
        TraceKind::Cook => "Sterilising run".into(),
        TraceKind::Docket => capital(farm.word("docket")),
        TraceKind::Customer => "Customer".into(),
        TraceKind::Strain => "Strain".into(),
        TraceKind::Place => "Place at a time".into(),
    }
}

/// What was traced, in words: `Place F1 at …`.
pub(super) fn start_words(kind: TraceKind, code: &str, at: Option<DateTime<Utc>>, farm: &Farm) -> String {
    match (kind, at) {
        (TraceKind::Place, Some(at)) => format!("Place {code} at {}", full_time(at, zone_of(farm))),
        _ => format!("{} {code}", kind_words(kind, farm)),
    }
}

/// The form that begins a recall of what is traced.
fn recall_sheet(from: &TraceFrom) -> Sheet {
    let kinds = [(RecallKind::Rehearsal, "A practice"), (RecallKind::Recall, "A recall in earnest")];
    let kinds = kinds.map(|(kind, words)| (kind.to_string(), words.to_owned()));
    let fields = vec![
        Field::hidden("starts_from", from.kind().to_string()),
        Field::hidden("code", from.code()),
        Field::hidden("at", from.at().map(|at| at.to_rfc3339()).unwrap_or_default()).optional(),
        Field::new("kind", "What is it?", Input::Touch).of(kinds),
        Field::new("reason", "Why", Input::Text).hint("of a recall, customers read it in their letter"),
        Field::new(
            "hold",
            "Hold what is here in a practice too, and free what is set aside of it (a recall always does)",
            Input::Tick,
        ),
    ];
    Sheet::new(address("/recalls", from), "Start", fields)
}

fn came_from(trace: &Trace) -> (Vec<BatchRow>, usize) {
    let mut batches: Vec<_> = trace.came_from.iter().collect();
    batches.sort_by(|a, b| (b.made_on, &a.batch).cmp(&(a.made_on, &b.batch)));
    let of: Vec<BatchRow> = batches
        .chunk_by(|a, b| a.batch == b.batch)
        .map(|rows| {
            let first = rows[0];
            let grams = rows.iter().map(|row| row.grams_g).sum();
            let cook = first.cook.as_ref().map(|cook| format!(", sterilising run {cook}")).unwrap_or_default();
            let spawn = format!("{} {}", first.spawn_supplier, first.spawn_lot);
            let spawn = if spawn.trim().is_empty() { String::new() } else { format!(", spawn {}", spawn.trim()) };
            let about = format!(
                "{} kg, made {}, recipe {}{cook}{spawn}",
                exact_kg(grams),
                full_day(first.made_on),
                first.recipe
            );
            BatchRow { batch: first.batch.to_string(), about }
        })
        .collect();
    let more = of.len().saturating_sub(MAX_SHOWN);
    (of.into_iter().take(MAX_SHOWN).collect(), more)
}

fn found(from: &TraceFrom, trace: &Trace, traced: Traced, farm: &Farm, head: &Layout) -> Found {
    let (came_from, came_from_more) = came_from(trace);
    let all: Vec<String> = trace.lots.iter().chain(&trace.made_into_lots).map(ToString::to_string).collect();
    Found {
        title: start_words(from.kind(), from.code(), from.at(), farm),
        csv: address("/api/trace/csv", from),
        traced,
        came_from,
        came_from_more,
        made_of: trace.made_of_lots.iter().take(MAX_SHOWN).map(ToString::to_string).collect(),
        is_several: trace.lots.len() > 1,
        lots_more: all.len().saturating_sub(MAX_SHOWN),
        sheet: (!all.is_empty() && head.may("POST", "/recalls")).then(|| recall_sheet(from)),
        lots: all.into_iter().take(MAX_SHOWN).collect(),
    }
}

/// The page with what was asked for; a start that cannot be is told beside the form.
pub(super) async fn trace_page(
    app: &App,
    who: &Authenticated,
    asked: &TraceParams,
) -> Result<(TracePage, StatusCode), Problem> {
    let farm = read_tx!(app, who, |tx| tx.farm().await)?;
    let head = Layout::new(&farm, who, "/stock");
    let is_chosen = |kind: TraceKind| kind == asked.starts_from.unwrap_or(TraceKind::Lot);
    let mut page = TracePage {
        kinds: TraceKind::ALL.iter().map(|kind| (*kind, kind_words(*kind, &farm), is_chosen(*kind))).collect(),
        code: asked.code.clone(),
        at: asked.at.clone(),
        wrong: None,
        found: None,
        head,
    };
    let traced = async {
        let Some(from) = asked.start(zone_of(&farm))? else { return Ok(None) };
        let (trace, holders) = read_tx!(app, who, |tx| {
            let trace = tx.trace(&from).await?;
            let holders = tx.holders_of(&trace, &[]).await?;
            Ok((trace, holders))
        })?;
        Ok::<_, Problem>(Some((from, trace, holders)))
    };
    match traced.await {
        Ok(None) => Ok((page, StatusCode::OK)),
        Ok(Some((from, trace, holders))) => {
            let given = trace.not_sold.iter().filter(|row| has_gone_to_people(row.became)).collect();
            let shown = Shown { holders: &holders, given, here: &trace.here, account: &trace.account };
            let traced = Traced::of(&shown, &farm);
            page.found = Some(found(&from, &trace, traced, &farm, &page.head));
            Ok((page, StatusCode::OK))
        }
        Err(problem) if problem.status().is_client_error() => {
            page.wrong = Some(problem.on_form().to_owned());
            Ok((page, problem.status()))
        }
        Err(problem) => Err(problem),
    }
}

pub(super) async fn get_trace(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<TraceParams>,
) -> Result<Response, Problem> {
    let (page, status) = trace_page(&app, &who, &asked).await?;
    Ok((status, Html(page)).into_response())
}

impl TracePage {
    /// The form that begins a recall of what the page shows.
    pub(super) fn sheet(&self) -> Option<Sheet> {
        self.found.as_ref().and_then(|found| found.sheet.clone())
    }

    /// The page again, with a form that was refused.
    pub(super) fn with_refused(mut self, refused: Sheet) -> Self {
        if let Some(found) = &mut self.found {
            found.sheet = Some(refused);
        }
        self
    }
}
