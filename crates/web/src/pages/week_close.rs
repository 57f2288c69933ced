//! Close a week: is it all in?

use axum::{extract::State, response::Response};
use gillbook_core::units::calendar::IsoWeek;
use gillbook_store::reports::week::{NewWeekClose, WeekStage};

use super::{
    Html, Layout,
    act::{ActPage, first},
    kg,
    sheet::{FormFields, Sheet},
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    extract::{KeyedForm, PathWeek},
    problem::Problem,
    read_tx,
};

async fn close_page(app: &App, who: &Authenticated, code: IsoWeek) -> Result<ActPage, Problem> {
    app.refresh_before_read(who).await?;
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let week = tx.week(code).await?;
        let total = &week.now.total;
        let about = format!(
            "{} kg when it began, {} kg picked, {} kg sold, {} kg wasted, {} kg unexplained, {} kg when it ended.",
            kg(total.opening_g),
            kg(total.harvested_g),
            kg(total.sold_g),
            kg(total.wasted_g),
            kg(total.unexplained_g),
            kg(total.closing_g)
        );
        let back = format!("/week?week={code}");
        let page =
            ActPage::new(Layout::new(&farm, who, "/week"), format!("Close week {code}"), (&back, "Back to the week"))
                .about(about);
        Ok(match week.stage {
            WeekStage::Ended => page.sheet(
                "Its figures stay as they are now. What is entered for it later is shown beside them.",
                Sheet::new(format!("/weeks/{code}/close"), "Close the week", Vec::new()),
            ),
            WeekStage::Closed => page.or_nothing("It is closed."),
            WeekStage::NotBegun | WeekStage::Open => page.or_nothing("It is not over yet."),
        })
    })
}

pub(super) async fn get_close(
    State(app): State<App>,
    who: Authenticated,
    PathWeek(week): PathWeek,
) -> Result<Html<ActPage>, Problem> {
    first(close_page(&app, &who, week).await)
}

pub(super) async fn post_close(
    State(app): State<App>,
    who: Authenticated,
    PathWeek(week): PathWeek,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewWeekClose| create_tx!(app, who, &form.once, |tx| tx.close_week(week, &new).await);
    close_page(&app, &who, week).await?.take("/close", &form, act, |_| format!("/week?week={week}")).await
}
