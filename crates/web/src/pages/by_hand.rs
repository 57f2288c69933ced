//! By hand: what does the thermometer say, and can the probe be believed?

use std::collections::BTreeMap;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Redirect, Response},
};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use gillbook_core::{
    SignedWith,
    kinds::{CheckTopic, PlaceKind, ProbeCheckKind},
    refusal::Refusal,
    text::{PlaceCode, Text},
    units::calendar::{Instant, Span},
};
use gillbook_store::{
    Pagination,
    cold::{
        house_checks::NewSpotReading,
        probe_checks::{NewProbeCheck, ProbeCalibration},
    },
};
use serde::Deserialize;
use uuid::Uuid;

use super::{Html, Layout, rerender_form, typed::decimal, zone_of};
use crate::{App, auth::Authenticated, create_tx, extract::KeyedForm, problem::Problem, read_tx};

/// How far back what was read is shown.
const SHOWN: TimeDelta = TimeDelta::days(14);

#[derive(Template)]
#[template(path = "by_hand.html")]
pub(super) struct ByHand {
    head: Layout,
    places: Vec<(String, String)>,
    probes: Vec<ProbeRow>,
    spots: Vec<SpotRow>,
    /// Whether this is a shared phone, on which no probe is corrected.
    shared_phone: bool,
    /// What was typed and could not be taken, to be mended.
    reading: ReadingForm,
    check: CheckForm,
    /// Checks of thermometers in the checks book, which a check of a probe may tick off: code and words, those due first.
    ticks: Vec<(String, String)>,
    chosen_tick: String,
    key: Uuid,
    wrong: Option<String>,
}

struct ProbeRow {
    probe: String,
    place: String,
    standing: String,
    doubtful: bool,
}

struct SpotRow {
    when: String,
    place: String,
    c: String,
    /// Whether it is above the limit in force now.
    above: bool,
    by: String,
    note: String,
}

/// How far off a probe was at each of its last checks, with the correction of that time, so that a drift is seen.
fn drift(standing: &ProbeCalibration, zone: Tz) -> String {
    let Some(last) = standing.checks.last() else { return "never checked".into() };
    let off = |c: f64| super::minus(&format!("{c:+.1}"));
    let earlier: Vec<String> = standing.checks.iter().rev().take(4).rev().map(|c| off(c.corrected_off_c)).collect();
    let checked = format!("{}\u{a0}°C off, {}", earlier.join(", "), super::full_time(last.checked_at, zone));
    if last.offset_c.is_some() { format!("{checked}, corrected since") } else { checked }
}

/// The page, with what was typed before and what is wrong with it.
async fn by_hand_page(
    app: &App,
    who: &Authenticated,
    (reading, check): (ReadingForm, CheckForm),
    wrong: Option<String>,
) -> Result<ByHand, Problem> {
    let all = Pagination { after: None, limit: 500 };
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let span = Span { from: tx.now() - SHOWN, until: tx.now() + TimeDelta::minutes(5) };
        let mut stores = tx.places(&all).await?;
        stores.retain(|p| p.kind.holds_stock());
        // The fridge first: it is what a thermometer is held into most.
        stores.sort_by_key(|p| p.kind != PlaceKind::Fridge);
        let mut spots = Vec::new();
        let mut limits = BTreeMap::new();
        for store in &stores {
            spots.extend(tx.spot_readings(&store.place, span).await?);
            if let Some(warm_c) = tx.warm_limit(&store.place).await? {
                limits.insert(store.place.clone(), warm_c);
            }
        }
        spots.sort_by_key(|s| std::cmp::Reverse(s.at));
        let mut probes = Vec::new();
        for probe in tx.probes(&all).await? {
            let standing = tx.probe_calibration(&probe.probe).await?;
            probes.push(ProbeRow {
                standing: drift(&standing, zone),
                doubtful: standing.doubtful_since.is_some(),
                place: probe.place.to_string(),
                probe: probe.probe,
            });
        }
        let book = tx.house_checks().await?;
        let thermometers = || book.iter().filter(|c| c.topic == CheckTopic::Thermometer);
        let chosen_tick = match &check.also_done {
            Some(chosen) => chosen.clone(),
            None => thermometers().find(|c| c.due).map_or_else(String::new, |c| c.check.to_string()),
        };
        Ok(ByHand {
            ticks: thermometers()
                .map(|c| (c.check.to_string(), if c.due { format!("{}, due", c.name) } else { c.name.clone() }))
                .collect(),
            chosen_tick,
            shared_phone: who.actor.with == SignedWith::SharedPhone,
            head: Layout::new(&farm, who, "/fridge"),
            places: stores.into_iter().map(|p| (p.place.to_string(), p.name)).collect(),
            probes,
            spots: spots
                .into_iter()
                .map(|s| SpotRow {
                    when: super::full_time(s.at, zone),
                    place: s.place.to_string(),
                    c: super::degrees(s.c),
                    above: limits.get(&s.place).is_some_and(|limit| s.c > *limit),
                    by: s.done_by,
                    note: s.note,
                })
                .collect(),
            reading: reading.clone(),
            check: check.clone(),
            key: super::new_key(),
            wrong: wrong.clone(),
        })
    })
}

pub(super) async fn get_by_hand(State(app): State<App>, who: Authenticated) -> Result<Html<ByHand>, Problem> {
    Ok(Html(by_hand_page(&app, &who, Default::default(), None).await?))
}

/// Degrees as a thumb types them: with a point or a comma, and nothing for `if_empty`.
fn degrees(text: &str, pointer: &str, if_empty: Option<f64>) -> Result<f64, Refusal> {
    let remedy = "Type degrees, such as 3.4.";
    decimal(text, pointer, remedy)?
        .or(if_empty)
        .filter(|c| (-40.0..=60.0).contains(c))
        .ok_or_else(|| Refusal::field(pointer, format!("“{}” is not a temperature of a store. {remedy}", text.trim())))
}

#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct ReadingForm {
    place: String,
    c: String,
    #[serde(default)]
    note: String,
}

impl ReadingForm {
    fn reading(&self) -> Result<(PlaceCode, NewSpotReading), Refusal> {
        let place = self.place.parse().map_err(|_| Refusal::field("/place", "Choose where it was read."))?;
        let note = Text::new(&self.note).map_err(|e| Refusal::field("/note", e))?;
        Ok((place, NewSpotReading { c: degrees(&self.c, "/c", None)?, at: None, note, by: None }))
    }
}

pub(super) async fn post_reading(
    State(app): State<App>,
    who: Authenticated,
    KeyedForm { form, once, .. }: KeyedForm<ReadingForm>,
) -> Response {
    let done = async {
        let (place, new) = form.reading()?;
        create_tx!(app, who, &once, |tx| tx.add_spot_reading(&place, &new).await)
    }
    .await;
    back(&app, &who, (form, CheckForm::default()), done.map(drop)).await
}

#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct CheckForm {
    probe: String,
    kind: String,
    read_c: String,
    #[serde(default)]
    reference_c: String,
    correct: Option<String>,
    also_done: Option<String>,
}

impl CheckForm {
    /// The check as it was typed: what the probe read is what the pages showed.
    fn check(&self, now: DateTime<Utc>) -> Result<NewProbeCheck, Refusal> {
        let kind: ProbeCheckKind =
            self.kind.parse().map_err(|_| Refusal::field("/kind", "Tap what the probe was held against."))?;
        let ice = (kind == ProbeCheckKind::IcePoint).then_some(0.0);
        Ok(NewProbeCheck {
            kind,
            reference_c: degrees(&self.reference_c, "/reference_c", ice)?,
            read_c: degrees(&self.read_c, "/read_c", None)?,
            also_done: match self.also_done.as_deref().unwrap_or_default() {
                "" => None,
                code => Some(code.parse().map_err(|e| Refusal::field("/also_done", e))?),
            },
            correct_from: self.correct.as_ref().map(|_| Instant(now)),
            checked_at: None,
            note: Text::default(),
            by: None,
        })
    }
}

pub(super) async fn post_check(
    State(app): State<App>,
    who: Authenticated,
    KeyedForm { form, once, .. }: KeyedForm<CheckForm>,
) -> Response {
    let done = async {
        let shown = form.check(app.now())?;
        create_tx!(app, who, &once, |tx| {
            // Pages show readings corrected, and a check is of the raw ones.
            let offset_c = tx.probe_calibration(&form.probe).await?.offset_c;
            tx.add_probe_check(&form.probe, &NewProbeCheck { read_c: shown.read_c - offset_c, ..shown.clone() }).await
        })
    }
    .await;
    back(&app, &who, (ReadingForm::default(), form), done.map(drop)).await
}

async fn back(app: &App, who: &Authenticated, typed: (ReadingForm, CheckForm), done: Result<(), Problem>) -> Response {
    match done {
        Ok(()) => Redirect::to("/fridge/by-hand").into_response(),
        Err(problem) => rerender_form(by_hand_page(app, who, typed, Some(problem.on_form().to_owned())).await, problem),
    }
}
