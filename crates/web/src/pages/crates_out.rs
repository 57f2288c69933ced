//! Crates of the farm that stand at customers'.

use axum::extract::State;
use gillbook_store::selling::deliveries::CratesOut;

use super::{
    Html, Layout,
    act::{ActPage, first},
    count, date, minus, zone_of,
};
use crate::{App, auth::Authenticated, problem::Problem, read_tx};

pub(super) async fn get_crates_out(State(app): State<App>, who: Authenticated) -> Result<Html<ActPage>, Problem> {
    let page: Result<ActPage, Problem> = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let rows = tx.crates_out().await?;
        let out: i64 = rows.iter().map(|row| row.crates.max(0)).sum();
        let page = ActPage::new(Layout::new(&farm, &who, "/orders"), "Crates at customers", ("/orders", "All orders"))
            .or_nothing("No crate of yours is at a customer's.");
        let page = if rows.is_empty() { page } else { page.about(format!("{} out there", count(out, "crate"))) };
        Ok(rows.into_iter().fold(page, |page, row| {
            let CratesOut { customer, customer_name, crates, last_delivery_at } = row;
            let last = date(last_delivery_at.with_timezone(&zone).date_naive());
            let shown = format!("{customer_name}: {}, last delivery {last}", minus(&crates.to_string()));
            page.link(format!("/customers/{customer}"), shown)
        }))
    });
    first(page)
}
