//! The books locked up to a day.

use axum::{extract::State, response::Response};
use chrono::Days;
use gillbook_core::selling::period_lock::NewPeriodLock;
use gillbook_store::Pagination;

use super::{
    Html, Layout,
    act::{ActPage, first},
    date, full_time,
    sheet::{Field, FormFields, Input, Sheet},
    zone_of,
};
use crate::{App, auth::Authenticated, create_tx, extract::KeyedForm, problem::Problem, read_tx};

const PATH: &str = "/period-locks";

/// How many of the past ones the page shows.
const SHOWN: i64 = 12;

async fn locks_page(app: &App, who: &Authenticated) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let today = tx.farm_day().await?;
        let locks = tx.period_locks(&Pagination { after: None, limit: SHOWN }).await?;
        let page = ActPage::new(Layout::new(&farm, who, "/money"), "Lock the books", ("/money", "Money"));
        let page = page.about(match locks.first() {
            Some(lock) => format!(
                "Locked up to {}. Nothing with a day up to then is invoiced, paid, sold or taken back any more.",
                date(lock.locked_until)
            ),
            None => "Not locked. Lock a month before you send its journal, and it stays as you send it.".into(),
        });
        let page = locks.into_iter().fold(page, |page, lock| {
            page.detail(
                format!("Up to {}", date(lock.locked_until)),
                format!("{}, {}", full_time(lock.locked_at, zone), lock.entered_by),
            )
        });
        if !page.head.may("POST", PATH) {
            return Ok(page);
        }
        let yesterday = today - Days::new(1);
        let fields = vec![
            Field::new("locked_until", "Lock up to and with", Input::Day)
                .hint(format!("{} at the latest; an earlier day unlocks what is behind it", date(yesterday))),
        ];
        Ok(page.sheet("", Sheet::new(PATH, "Lock the books", fields)))
    })
}

pub(super) async fn get_period_locks(State(app): State<App>, who: Authenticated) -> Result<Html<ActPage>, Problem> {
    first(locks_page(&app, &who).await)
}

pub(super) async fn post_period_lock(
    State(app): State<App>,
    who: Authenticated,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewPeriodLock| create_tx!(app, who, &form.once, |tx| tx.lock_period(&new).await);
    locks_page(&app, &who).await?.take(PATH, &form, act, |_| PATH.to_owned()).await
}
