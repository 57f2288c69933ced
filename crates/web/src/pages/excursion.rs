//! One excursion: what happened, what was done, what became of the food, who signed it off.

use askama::Template;
use axum::{
    extract::State,
    http::Uri,
    response::{IntoResponse, Redirect, Response},
};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use gillbook_core::{
    refusal::Refusal,
    text::Text,
    words::{ExcursionKind, FoodOutcome},
};
use gillbook_store::excursions::{Excursion, ExcursionWithLots, NewAction, NewSignOff};
use serde::Deserialize;
use uuid::Uuid;

use super::{Head, Page, again, day_and_clock, kg, once_of_form, zone_of};
use crate::{
    App,
    body::{Code, Filled},
    once,
    problem::Problem,
    read,
    who::Who,
};

#[derive(Template)]
#[template(path = "excursion.html")]
pub(super) struct ExcursionPage {
    head: Head,
    id: Uuid,
    place: String,
    what: &'static str,
    lasted: String,
    when: String,
    figures: Vec<(&'static str, String)>,
    undecided: bool,
    withdrawn: bool,
    lots: Vec<LotRow>,
    actions: Vec<(String, String, String)>,
    signed: Option<String>,
    sign_off: SignOffWanted,
    phrases: &'static [&'static str],
    foods: &'static [(&'static str, &'static str)],
    /// What was tapped and typed and could not be taken, to be mended.
    typed: ActionForm,
    key: Uuid,
    wrong: Option<String>,
}

/// Whether a second sign-off is wanted now, and whether the one who looks may give it.
enum SignOffWanted {
    NotYet,
    ByYou,
    ByAnother,
}

impl SignOffWanted {
    fn of(e: &Excursion, looks: &str) -> Self {
        if e.signed_off.is_some() || e.ended_at.is_none() || e.actions.is_empty() {
            Self::NotYet
        } else if e.actions.iter().all(|a| a.done_by == looks) {
            Self::ByAnother
        } else {
            Self::ByYou
        }
    }
}

struct LotRow {
    lot: String,
    kg: String,
    life: String,
    caution: Option<&'static str>,
}

/// What an excursion is called.
pub(super) fn what(kind: ExcursionKind) -> &'static str {
    match kind {
        ExcursionKind::TooWarm => "Too warm",
        ExcursionKind::TooCold => "Too cold",
        ExcursionKind::NoData => "No data",
        ExcursionKind::ProbeFault => "Probe fault",
    }
}

/// How long it lasted, as people say it.
pub(super) fn lasted(e: &Excursion, now: DateTime<Utc>) -> String {
    let minutes = (e.ended_at.unwrap_or(now) - e.began_at).num_minutes();
    if minutes < 120 { format!("{minutes} min") } else { format!("{} h {:02} min", minutes / 60, minutes % 60) }
}

/// From when to when.
pub(super) fn when(e: &Excursion, zone: Tz) -> String {
    match e.ended_at {
        Some(until) => format!("{} to {}", day_and_clock(e.began_at, zone), day_and_clock(until, zone)),
        None => format!("since {}", day_and_clock(e.began_at, zone)),
    }
}

fn phrases(kind: ExcursionKind) -> &'static [&'static str] {
    match kind {
        ExcursionKind::TooWarm => {
            &["Shut the door", "Let the frost off", "Called for repair", "Moved what was inside", "Turned it colder"]
        }
        ExcursionKind::TooCold => &["Turned it warmer", "Moved what was inside", "Called for repair"],
        ExcursionKind::NoData => &["Network was down", "Battery changed", "Read by hand meanwhile", "Probe replaced"],
        ExcursionKind::ProbeFault => &["Plugged it in again", "Probe replaced", "Read by hand meanwhile"],
    }
}

const FOODS: &[(&str, &str)] = &[
    ("none_there", "none was there"),
    ("kept", "kept"),
    ("moved", "moved to another store"),
    ("held", "put on hold"),
    ("wasted", "wasted"),
];

fn food_word(food: FoodOutcome) -> &'static str {
    FOODS.iter().find(|(word, _)| *word == food.as_str()).map_or("", |(_, text)| text)
}

fn figures(e: &Excursion) -> Vec<(&'static str, String)> {
    let c = |c: Option<f64>| c.map(|c| format!("{c:.1} °C"));
    let beyond = format!("{:.0} degree-minutes", e.beyond_degree_minutes);
    let spell = matches!(e.kind, ExcursionKind::TooWarm | ExcursionKind::TooCold);
    [
        ("Air went to", c(e.air_c)),
        ("Food is reckoned at", c(e.product_c)),
        ("Food beyond the limit", spell.then_some(beyond)),
        ("Probe", e.probe.clone()),
    ]
    .into_iter()
    .filter_map(|(label, value)| value.map(|v| (label, v)))
    .collect()
}

async fn excursion_page(
    app: &App,
    who: &Who,
    id: Uuid,
    typed: ActionForm,
    wrong: Option<String>,
) -> Result<ExcursionPage, Problem> {
    app.judge_first(who).await?;
    read!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let ExcursionWithLots { excursion: e, lots, .. } = tx.excursion(id).await?;
        let place = tx.place(&e.place).await?;
        Ok(ExcursionPage {
            head: Head::new(&farm, who, "/fridge"),
            id,
            place: place.name,
            what: what(e.kind),
            lasted: lasted(&e, tx.now()),
            when: when(&e, zone),
            figures: figures(&e),
            undecided: e.undecided,
            withdrawn: e.withdrawn_at.is_some(),
            lots: lots
                .into_iter()
                .map(|l| LotRow {
                    lot: l.lot.to_string(),
                    kg: kg(l.grams_g),
                    life: l.life_days.map_or_else(|| "–".into(), |d| format!("{d:.1} d")),
                    caution: l.caution,
                })
                .collect(),
            actions: e
                .actions
                .iter()
                .map(|a| {
                    let food = format!("{} {}", food_word(a.food), a.food_note);
                    (
                        a.done.clone(),
                        food.trim().to_owned(),
                        format!("{}, {}", a.done_by, day_and_clock(a.done_at, zone)),
                    )
                })
                .collect(),
            signed: e.signed_off.as_ref().map(|s| format!("{}, {}", s.signed_by, day_and_clock(s.signed_at, zone))),
            sign_off: SignOffWanted::of(&e, &tx.signed().name),
            phrases: phrases(e.kind),
            foods: FOODS,
            typed: typed.clone(),
            key: Uuid::new_v4(),
            wrong: wrong.clone(),
        })
    })
}

pub(super) async fn get_excursion(
    State(app): State<App>,
    who: Who,
    Code(id): Code<Uuid>,
) -> Result<Page<ExcursionPage>, Problem> {
    Ok(Page(excursion_page(&app, &who, id, ActionForm::default(), None).await?))
}

#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct ActionForm {
    key: Uuid,
    #[serde(default)]
    done: String,
    #[serde(default)]
    more: String,
    #[serde(default)]
    food: String,
}

impl ActionForm {
    fn action(&self) -> Result<NewAction, Problem> {
        let done: Vec<&str> = [self.done.trim(), self.more.trim()].into_iter().filter(|t| !t.is_empty()).collect();
        let done = Text::new(&done.join(". ")).map_err(|_| Refusal::field("/done", "Tap or write what was done."))?;
        let food = self.food.parse().map_err(|_| Refusal::field("/food", "Tap what became of the food."))?;
        Ok(NewAction { done, food, food_note: Text::default(), done_at: None, by: None })
    }
}

pub(super) async fn post_action(
    State(app): State<App>,
    who: Who,
    Code(id): Code<Uuid>,
    uri: Uri,
    Filled(form): Filled<ActionForm>,
) -> Response {
    let once = once_of_form(form.key, &uri, &format!("{} {} {}", form.done, form.more, form.food));
    let done = async {
        let new = form.action()?;
        once!(app, who, &once, |tx| tx.add_action(id, &new).await)
    }
    .await;
    match done {
        Ok(_) => Redirect::to(&format!("/excursions/{id}")).into_response(),
        Err(problem) => again(excursion_page(&app, &who, id, form, Some(problem.detail().to_owned())).await, problem),
    }
}

#[derive(Debug, Deserialize)]
pub(super) struct SignForm {
    key: Uuid,
}

pub(super) async fn post_sign_off(
    State(app): State<App>,
    who: Who,
    Code(id): Code<Uuid>,
    uri: Uri,
    Filled(form): Filled<SignForm>,
) -> Response {
    let once = once_of_form(form.key, &uri, "");
    match once!(app, who, &once, |tx| tx.sign_off(id, &NewSignOff::default()).await) {
        Ok(_) => Redirect::to("/fridge").into_response(),
        Err(problem) => again(
            excursion_page(&app, &who, id, ActionForm::default(), Some(problem.detail().to_owned())).await,
            problem,
        ),
    }
}
