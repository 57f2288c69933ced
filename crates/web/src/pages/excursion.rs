//! One excursion: what happened, what was inside, what is done and what becomes of the food, who countersigned it.

use std::{borrow::Cow, collections::BTreeMap};

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Redirect, Response},
};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    kinds::{ExcursionKind, FoodOutcome, PlaceKind, SpellStanding},
    ledger::{trace::TraceFrom, warm_spell::WARM_SPELL},
    refusal::Refusal,
    text::{LotCode, Text},
};
use gillbook_store::{
    Pagination,
    ledger::{
        countersign::{NewSignOff, SignOffWanted},
        excursion_actions::{ActionTaken, NewActedLot, NewAction},
        spells::{Excursion, ExcursionWithLots, ExposedLot},
    },
};
use serde::{
    Deserialize, Deserializer,
    de::{Error as _, IgnoredAny},
};
use uuid::Uuid;

use super::{Html, Layout, full_time, kg, rerender_form, trace::address, zone_of};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam},
    problem::Problem,
    read_tx,
};

#[derive(Template)]
#[template(path = "excursion.html")]
pub(super) struct ExcursionPage {
    head: Layout,
    id: Uuid,
    place: String,
    what: String,
    lasted: String,
    when: String,
    figures: Vec<(&'static str, String)>,
    undecided: bool,
    /// What is to be said where it was withdrawn.
    withdrawn: Option<String>,
    caution: Option<&'static str>,
    /// Where the goods are traced that were in it when it began.
    trace: String,
    lots: Vec<LotRow>,
    actions: Vec<ActionRow>,
    stores: Vec<(String, String)>,
    /// How many lots the form offers.
    offered: usize,
    signed: Vec<String>,
    /// Countersigned, and nothing came to light since that is not decided.
    closed: bool,
    sign_off: SignOffWanted,
    phrases: &'static [&'static str],
    foods: Vec<(&'static str, &'static str)>,
    /// What was tapped and typed and could not be taken, to be mended.
    typed: ActionForm,
    key: Uuid,
    wrong: Option<String>,
}

struct LotRow {
    lot: String,
    then: String,
    now: String,
    life: String,
    marks: Vec<&'static str>,
    caution: Option<Cow<'static, str>>,
    /// Whether the form offers it: it is in stock.
    offered: bool,
    ticked: bool,
    /// Kilograms that can be set apart.
    apart: Option<String>,
    apart_ticked: bool,
}

struct ActionRow {
    done: String,
    food: String,
    lots: Vec<(String, String)>,
    short: Vec<String>,
    by: String,
    reversed: bool,
}

/// What a withdrawn one says of itself, and whether somebody has still to say what becomes of food that was inside.
fn withdrawn(e: &Excursion) -> String {
    let mut text = "Later readings, or a corrected limit or probe, put it within the limit.".to_owned();
    if !e.actions.is_empty() {
        text += " What was written down about it is kept.";
    }
    if e.wants_action {
        text += " There was food inside when it was recorded as too warm: write down what becomes of it.";
    }
    text
}

/// What it was, and whether it still counts.
pub(super) fn what(e: &Excursion) -> String {
    e.kind.said().to_owned() + if e.withdrawn_at.is_some() { ", withdrawn" } else { "" }
}

/// How long it lasted, as people say it.
pub(super) fn lasted(e: &Excursion, now: DateTime<Utc>) -> String {
    let minutes = (e.ended_at.unwrap_or(now) - e.began_at).num_minutes();
    if minutes < 120 { format!("{minutes} min") } else { format!("{} h {:02} min", minutes / 60, minutes % 60) }
}

/// From when to when.
pub(super) fn when(e: &Excursion, zone: Tz) -> String {
    match e.ended_at {
        Some(until) => format!("{} to {}", full_time(e.began_at, zone), full_time(until, zone)),
        None => format!("since {}", full_time(e.began_at, zone)),
    }
}

fn phrases(kind: ExcursionKind) -> &'static [&'static str] {
    match kind {
        ExcursionKind::TooWarm => &["Shut the door", "Defrosted it", "Called for repair", "Turned thermostat down"],
        ExcursionKind::TooCold => &["Turned thermostat up", "Called for repair"],
        ExcursionKind::NoData => &["Network was down", "Battery changed", "Read by hand meanwhile", "Probe replaced"],
        ExcursionKind::ProbeFault => &["Plugged it in again", "Probe replaced", "Read by hand meanwhile"],
    }
}

const FOODS: &[(&str, &str)] = &[
    ("none_there", "nothing inside"),
    ("kept", "kept in stock"),
    ("held", "put on hold"),
    ("moved", "moved to another store"),
    ("wasted", "wasted"),
];

pub(super) fn food_word(food: FoodOutcome) -> &'static str {
    FOODS.iter().find(|(word, _)| *word == food.as_str()).map_or("", |(_, text)| text)
}

fn figures(e: &Excursion) -> Vec<(&'static str, String)> {
    let c = |c: Option<f64>| c.map(super::celsius);
    [("Air went to", c(e.air_c)), ("Food estimated at", c(e.product_c)), ("Probe", e.probe.clone())]
        .into_iter()
        .filter_map(|(label, value)| value.map(|v| (label, v)))
        .collect()
}

async fn excursion_page(
    app: &App,
    who: &Authenticated,
    id: Uuid,
    typed: ActionForm,
    wrong: Option<String>,
) -> Result<ExcursionPage, Problem> {
    app.refresh_before_read(who).await?;
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let there = tx.excursion(id).await?;
        let sign_off = there.sign_off_wanted(tx.actor());
        let ExcursionWithLots { excursion: e, lots, .. } = there;
        let place = tx.place(&e.place).await?;
        let places = tx.places(&Pagination { after: None, limit: 500 }).await?;
        let stores =
            places.into_iter().filter(|p| p.place != e.place && p.kind.holds_stock() && p.kind != PlaceKind::Stall);
        let empty = lots.is_empty();
        Ok(ExcursionPage {
            head: Layout::new(&farm, who, "/fridge"),
            id,
            place: place.name,
            what: what(&e),
            lasted: lasted(&e, tx.now()),
            when: when(&e, zone),
            trace: address("/trace", &TraceFrom::Place(e.place.clone(), e.began_at)),
            figures: figures(&e),
            undecided: e.undecided,
            withdrawn: e.withdrawn_at.map(|_| withdrawn(&e)),
            caution: (e.kind == ExcursionKind::TooWarm && e.standing != Some(SpellStanding::Settled) && !empty)
                .then_some(WARM_SPELL),
            offered: lots.iter().filter(|l| l.stock_g > Grams::ZERO).count(),
            lots: lots.iter().map(|l| lot_row(l, &typed)).collect(),
            actions: e.actions.iter().map(|a| action_row(a, zone)).collect(),
            stores: stores.map(|p| (p.place.to_string(), p.name)).collect(),
            closed: e.is_closed(),
            signed: e.sign_offs.iter().map(|s| format!("{}, {}", s.signed_by, full_time(s.signed_at, zone))).collect(),
            sign_off,
            phrases: phrases(e.kind),
            // By the book something was inside, or nothing was.
            foods: FOODS.iter().copied().filter(|(word, _)| (*word == "none_there") == empty).collect(),
            typed: typed.clone(),
            key: super::new_key(),
            wrong: wrong.clone(),
        })
    })
}

fn lot_row(l: &ExposedLot, typed: &ActionForm) -> LotRow {
    let marks = [(l.made_since, "packed or counted since"), (l.on_hold, "on hold"), (!l.decided, "not decided")];
    let ticked = |prefix: &str| typed.more_fields.contains_key(&format!("{prefix}{}", l.lot));
    LotRow {
        lot: l.lot.to_string(),
        then: if l.made_since { "–".into() } else { kg(l.grams_g) },
        now: kg(l.stock_g),
        life: l.life_days.map_or_else(|| "–".into(), |d| format!("{d:.1} d")),
        marks: marks.into_iter().filter_map(|(is, mark)| is.then_some(mark)).collect(),
        caution: l.caution.clone(),
        offered: l.stock_g > Grams::ZERO,
        ticked: if typed.shown > 0 { ticked(LOT) } else { !l.decided },
        apart: l.can_set_apart.then(|| kg(l.there_g)),
        apart_ticked: ticked(APART),
    }
}

fn action_row(a: &ActionTaken, zone: Tz) -> ActionRow {
    let to = a.to_place.as_ref().map_or_else(String::new, |p| format!(": {p}"));
    let food = format!("{}{to}. {}", food_word(a.food), a.food_note);
    ActionRow {
        done: a.done.clone(),
        food: food.trim().to_owned(),
        lots: a
            .lots
            .iter()
            .map(|l| {
                let lot = l.set_apart.as_ref().unwrap_or(&l.lot);
                let of = if l.set_apart.is_some() {
                    format!("{} kg, set apart from {}", kg(l.grams_g), l.lot)
                } else {
                    format!("{} kg", kg(l.grams_g))
                };
                (lot.to_string(), of)
            })
            .collect(),
        short: a.orders_short.iter().map(ToString::to_string).collect(),
        by: format!("{}, {}", a.done_by, full_time(a.done_at, zone)),
        reversed: a.reversed,
    }
}

pub(super) async fn get_excursion(
    State(app): State<App>,
    who: Authenticated,
    PathParam(id): PathParam<Uuid>,
) -> Result<Html<ExcursionPage>, Problem> {
    Ok(Html(excursion_page(&app, &who, id, ActionForm::default(), None).await?))
}

#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct ActionForm {
    #[serde(default)]
    done: String,
    #[serde(default)]
    more: String,
    #[serde(default)]
    food: String,
    #[serde(default)]
    to_place: String,
    /// How many lots the form offered.
    #[serde(default, deserialize_with = "number")]
    shown: usize,
    /// What was ticked: `lot-` and `apart-` with a lot's code.
    #[serde(flatten)]
    more_fields: BTreeMap<String, String>,
}

/// What the names of the boxes begin with that tick a lot, and that set its part apart.
const LOT: &str = "lot-";
const APART: &str = "apart-";

/// A number of a form whose other fields are gathered, where every value is text.
fn number<'de, D: Deserializer<'de>>(text: D) -> Result<usize, D::Error> {
    String::deserialize(text)?.parse().map_err(D::Error::custom)
}

impl ActionForm {
    fn action(&self) -> Result<NewAction, Problem> {
        let done: Vec<&str> = [self.done.trim(), self.more.trim()].into_iter().filter(|t| !t.is_empty()).collect();
        let done = Text::new(&done.join(". ")).map_err(|_| Refusal::field("/done", "Tap or write what was done."))?;
        let food: FoodOutcome =
            self.food.parse().map_err(|_| Refusal::field("/food", "Tap what becomes of the food."))?;
        let to_place = match (food, self.to_place.parse()) {
            (FoodOutcome::Moved, place) => {
                Some(place.map_err(|_| Refusal::field("/to_place", "Choose the store that it goes to."))?)
            }
            _ => None,
        };
        let lots = self.lots(food == FoodOutcome::Held)?;
        Ok(NewAction { done, food, lots, to_place, food_note: Text::default(), done_at: None, by: None })
    }

    /// The lots that were ticked; nothing where none was offered.
    fn lots(&self, held: bool) -> Result<Option<Vec<NewActedLot>>, Problem> {
        if self.shown == 0 {
            return Ok(None);
        }
        let ticked: Vec<NewActedLot> = self
            .more_fields
            .keys()
            .filter_map(|field| field.strip_prefix(LOT)?.parse().ok())
            .map(|lot: LotCode| NewActedLot {
                set_apart: held && self.more_fields.contains_key(&format!("{APART}{lot}")),
                lot,
                grams_g: None,
            })
            .collect();
        if ticked.is_empty() {
            return Err(Refusal::field("/lots", "Tick the lots that it is about.").into());
        }
        Ok(Some(ticked))
    }
}

pub(super) async fn post_action(
    State(app): State<App>,
    who: Authenticated,
    PathParam(id): PathParam<Uuid>,
    KeyedForm { form, once, .. }: KeyedForm<ActionForm>,
) -> Response {
    let done = async {
        let new = form.action()?;
        create_tx!(app, who, &once, |tx| tx.add_action(id, &new).await)
    }
    .await;
    match done {
        Ok(_) => Redirect::to(&format!("/excursions/{id}")).into_response(),
        Err(problem) => {
            rerender_form(excursion_page(&app, &who, id, form, Some(problem.on_form().to_owned())).await, problem)
        }
    }
}

pub(super) async fn post_sign_off(
    State(app): State<App>,
    who: Authenticated,
    PathParam(id): PathParam<Uuid>,
    KeyedForm { once, .. }: KeyedForm<IgnoredAny>,
) -> Response {
    match create_tx!(app, who, &once, |tx| tx.sign_off(id, &NewSignOff::default()).await) {
        Ok(_) => Redirect::to("/fridge").into_response(),
        Err(problem) => rerender_form(
            excursion_page(&app, &who, id, ActionForm::default(), Some(problem.on_form().to_owned())).await,
            problem,
        ),
    }
}
