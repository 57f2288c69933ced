//! Checks: what is due, was it done?

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Redirect, Response},
};
use chrono::TimeDelta;
use gillbook_core::{
    kinds::CheckTopic,
    refusal::Refusal,
    text::{HouseCheckCode, Line, Text},
    units::calendar::Span,
};
use gillbook_store::cold::house_checks::{NewCheckDone, NewHouseCheck};
use serde::Deserialize;
use uuid::Uuid;

use super::{Html, Layout, full_day, full_time, rerender_form, zone_of};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathParam},
    problem::Problem,
    read_tx,
};

#[derive(Template)]
#[template(path = "checks.html")]
pub(super) struct Checks {
    head: Layout,
    due: Vec<CheckRow>,
    later: Vec<CheckRow>,
    done: Vec<DoneRow>,
    topics: &'static [CheckTopic],
    /// What was typed and could not be taken, to be mended.
    typed: CheckForm,
    key: Uuid,
    wrong: Option<String>,
}

struct CheckRow {
    code: String,
    name: String,
    when: String,
    /// The keys of its two forms: that it was done and all was well, and that there was a problem. A form of its own each, so that Enter in
    /// the one never sends the other.
    key: Uuid,
    problem_key: Uuid,
    /// What was typed as done about a problem and could not be taken.
    typed: Option<String>,
}

struct DoneRow {
    name: String,
    when: String,
    by: String,
    good: bool,
    what: String,
}

async fn checks_page(
    app: &App,
    who: &Authenticated,
    typed: CheckForm,
    done: Option<(HouseCheckCode, String)>,
    wrong: Option<String>,
) -> Result<Checks, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let all = tx.house_checks().await?;
        let fortnight = Span { from: tx.now() - TimeDelta::days(14), until: tx.now() + TimeDelta::minutes(5) };
        let mut past = tx.checks_done(fortnight).await?;
        past.reverse();
        let row = |c: &gillbook_store::cold::house_checks::HouseCheck| CheckRow {
            code: c.check.to_string(),
            name: c.name.clone(),
            key: super::new_key(),
            problem_key: super::new_key(),
            typed: done.as_ref().filter(|(check, _)| *check == c.check).map(|(_, what)| what.clone()),
            when: match c.last_done_at {
                Some(at) => format!("due {}, last done {}", full_day(c.due_on), full_time(at, zone)),
                None => format!("due {}, never done", full_day(c.due_on)),
            },
        };
        Ok(Checks {
            head: Layout::new(&farm, who, "/checks"),
            due: all.iter().filter(|c| c.due).map(row).collect(),
            later: all.iter().filter(|c| !c.due).map(row).collect(),
            done: past
                .into_iter()
                .map(|d| DoneRow {
                    name: d.name,
                    when: full_time(d.done_at, zone),
                    by: d.done_by,
                    good: d.good,
                    what: d.what_done,
                })
                .collect(),
            topics: CheckTopic::ALL,
            typed: typed.clone(),
            key: super::new_key(),
            wrong: wrong.clone(),
        })
    })
}

pub(super) async fn get_checks(State(app): State<App>, who: Authenticated) -> Result<Html<Checks>, Problem> {
    Ok(Html(checks_page(&app, &who, CheckForm::default(), None, None).await?))
}

#[derive(Debug, Deserialize)]
pub(super) struct DoneForm {
    result: String,
    #[serde(default)]
    what_done: String,
}

pub(super) async fn post_done(
    State(app): State<App>,
    who: Authenticated,
    PathParam(check): PathParam<HouseCheckCode>,
    KeyedForm { form, once, .. }: KeyedForm<DoneForm>,
) -> Response {
    let done = async {
        let what_done = Text::new(&form.what_done).map_err(|e| Refusal::field("/what_done", e))?;
        let good = match form.result.as_str() {
            "good" => true,
            "not_good" => false,
            _ => return Err(Refusal::field("/result", "Tap whether all was well.").into()),
        };
        let new = NewCheckDone { good, what_done, done_at: None, by: None };
        create_tx!(app, who, &once, |tx| tx.check_done(&check, &new).await)
    }
    .await;
    match done {
        Ok(_) => Redirect::to("/checks").into_response(),
        Err(problem) => rerender_form(
            checks_page(
                &app,
                &who,
                CheckForm::default(),
                Some((check, form.what_done)),
                Some(problem.on_form().to_owned()),
            )
            .await,
            problem,
        ),
    }
}

#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct CheckForm {
    name: String,
    topic: String,
    every_days: String,
}

impl CheckForm {
    fn check(&self, key: Uuid) -> Result<NewHouseCheck, Refusal> {
        let name = Line::new(&self.name).map_err(|e| Refusal::field("/name", e))?;
        // A code is one thing more to think up: the name's first letters do, told apart by the form's key.
        let letters: String =
            self.name.to_ascii_uppercase().chars().filter(char::is_ascii_alphanumeric).take(15).collect();
        let key = key.simple().to_string().to_ascii_uppercase();
        let code = if letters.is_empty() { key[..8].to_owned() } else { format!("{letters}-{}", &key[..4]) };
        let check = code.parse::<HouseCheckCode>().map_err(|e| Refusal::field("/name", e))?;
        let every_days = self
            .every_days
            .trim()
            .parse()
            .ok()
            .filter(|days| (1..=400).contains(days))
            .ok_or_else(|| Refusal::field("/every_days", "Give whole days, 1 to 400."))?;
        let topic = self.topic.parse().map_err(|_| Refusal::field("/topic", "Choose what it is about."))?;
        Ok(NewHouseCheck { check, name, topic, every_days })
    }
}

pub(super) async fn post_check(
    State(app): State<App>,
    who: Authenticated,
    KeyedForm { form, key, once, .. }: KeyedForm<CheckForm>,
) -> Response {
    let done = async {
        let new = form.check(key)?;
        create_tx!(app, who, &once, |tx| tx.add_house_check(&new).await)
    }
    .await;
    match done {
        Ok(_) => Redirect::to("/checks").into_response(),
        Err(problem) => {
            rerender_form(checks_page(&app, &who, form, None, Some(problem.on_form().to_owned())).await, problem)
        }
    }
}
