//! Who is told: of a warm spell, of a silent or a doubtful probe, and who if nobody sees to it.

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Redirect, Response},
};
use chrono::{NaiveTime, Timelike};
use gillbook_core::{kinds::Channel, refusal::Refusal, text::Text};
use gillbook_store::cold::notices::{NewNoticeRecipient, NoticeRecipient};
use serde::Deserialize;
use uuid::Uuid;

use super::{Html, Layout, count, rerender_form};
use crate::{
    App,
    auth::Authenticated,
    extract::{KeyedForm, PathParam},
    problem::Problem,
    read_tx, write_tx,
};

#[derive(Template)]
#[template(path = "notices.html")]
pub(super) struct Notices {
    head: Layout,
    told: Vec<ToldRow>,
    /// The signing secret of a webhook that was just added: shown this once.
    secret: Option<String>,
    /// What was typed and could not be taken, to be mended.
    typed: ToldForm,
    key: Uuid,
    wrong: Option<String>,
}

struct ToldRow {
    id: Uuid,
    address: String,
    after: String,
    quiet: String,
}

fn clock(minute: i32) -> String {
    format!("{:02}:{:02}", minute / 60, minute % 60)
}

fn told_row(to: NoticeRecipient) -> ToldRow {
    ToldRow {
        id: to.notice_recipient,
        address: to.address,
        after: if to.after_minutes == 0 {
            "at once".into()
        } else {
            format!("after {}", count(to.after_minutes.into(), "minute"))
        },
        quiet: to
            .quiet_from
            .zip(to.quiet_until)
            .map_or_else(String::new, |(from, until)| format!("{} to {} only warm spells", clock(from), clock(until))),
    }
}

async fn notices_page(
    app: &App,
    who: &Authenticated,
    secret: Option<String>,
    wrong: Option<(ToldForm, String)>,
) -> Result<Notices, Problem> {
    let (typed, wrong) = wrong.map_or_else(Default::default, |(typed, detail)| (typed, Some(detail)));
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        Ok(Notices {
            head: Layout::new(&farm, who, "/fridge"),
            told: tx.recipients().await?.into_iter().map(told_row).collect(),
            secret: secret.clone(),
            typed: typed.clone(),
            key: super::new_key(),
            wrong: wrong.clone(),
        })
    })
}

pub(super) async fn get_notices(State(app): State<App>, who: Authenticated) -> Result<Html<Notices>, Problem> {
    Ok(Html(notices_page(&app, &who, None, None).await?))
}

#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct ToldForm {
    address: String,
    #[serde(default)]
    after_minutes: String,
    #[serde(default)]
    quiet_from: String,
    #[serde(default)]
    quiet_until: String,
}

/// A time of day as a browser sends it, as minutes after midnight.
fn minute(text: &str, pointer: &str) -> Result<Option<i32>, Refusal> {
    if text.trim().is_empty() {
        return Ok(None);
    }
    let time = NaiveTime::parse_from_str(text.trim(), "%H:%M")
        .map_err(|_| Refusal::field(pointer, "Give a time of day, such as 22:00."))?;
    Ok(Some((time.num_seconds_from_midnight() / 60).cast_signed()))
}

impl ToldForm {
    fn told(&self) -> Result<NewNoticeRecipient, Refusal> {
        let address = self.address.trim();
        let after = self.after_minutes.trim();
        Ok(NewNoticeRecipient {
            way: if address.contains("://") { Channel::Webhook } else { Channel::Email },
            address: Text::new(address).map_err(|e| Refusal::field("/address", e))?,
            after_minutes: if after.is_empty() { Ok(0) } else { after.parse() }
                .ok()
                .filter(|m| (0..=1440).contains(m))
                .ok_or_else(|| Refusal::field("/after_minutes", "Give whole minutes, 0 to 1440."))?,
            quiet_from: minute(&self.quiet_from, "/quiet_from")?,
            quiet_until: minute(&self.quiet_until, "/quiet_until")?,
        })
    }
}

pub(super) async fn post_notice(
    State(app): State<App>,
    who: Authenticated,
    KeyedForm { form, once, .. }: KeyedForm<ToldForm>,
) -> Response {
    let done = async {
        let new = form.told()?;
        write_tx!(app, who, |tx| {
            // The key is reserved and its answer never kept, so that the secret is not stored twice.
            tx.reserve_key(&once).await?;
            Ok(tx.add_notice_recipient(&new).await?.secret)
        })
    }
    .await;
    match done {
        Ok(None) => Redirect::to("/notices").into_response(),
        Ok(secret) => match notices_page(&app, &who, secret, None).await {
            Ok(view) => Html(view).into_response(),
            Err(problem) => problem.into_response(),
        },
        Err(problem) => {
            rerender_form(notices_page(&app, &who, None, Some((form, problem.on_form().to_owned()))).await, problem)
        }
    }
}

pub(super) async fn post_removal(
    State(app): State<App>,
    who: Authenticated,
    PathParam(id): PathParam<Uuid>,
) -> Response {
    match write_tx!(app, who, |tx| tx.remove_notice_recipient(id).await) {
        Ok(()) => Redirect::to("/notices").into_response(),
        Err(problem) => problem.into_response(),
    }
}
