//! The journal, for the books.

use axum::extract::State;
use chrono::{Datelike, NaiveDate};
use gillbook_core::{
    selling::{journal::JournalLine, sales_summary::ProductSales},
    units::calendar::Day,
};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    auth::Authenticated,
    extract::Query,
    pages,
    problem::{Problem, Problems},
    read_tx,
    respond::{Document, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_journal))
        .routes(routes!(get_journal_csv))
        .routes(routes!(get_sales))
        .routes(routes!(get_sales_csv))
}

/// Which days of the books.
#[derive(Debug, Clone, Copy, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct BooksQuery {
    /// First day; the first of the last day's month unless said.
    from: Option<Day>,
    /// Last day; today unless said.
    until: Option<Day>,
}

impl BooksQuery {
    fn days(self, today: NaiveDate) -> (NaiveDate, NaiveDate) {
        let until = self.until.map_or(today, |day| day.0);
        (self.from.map_or_else(|| until.with_day(1).unwrap_or(until), |day| day.0), until)
    }
}

async fn journal_of(
    app: &App,
    who: &Authenticated,
    asked: BooksQuery,
) -> Result<(NaiveDate, NaiveDate, String, Vec<JournalLine>), Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let (from, until) = asked.days(tx.farm_day().await?);
        Ok((from, until, farm.currency, tx.journal(from, until).await?))
    })
}

/// The journal of some days, at most a year: what was handed over and came back, what stalls took, invoices, credit notes and payments, as
/// debits (above zero) and credits (below). Each document of a day adds up to nothing, and so does the whole.
///
/// Revenue is earned when goods are handed over. Until they are invoiced it stands against `delivered_not_invoiced`; the invoice moves it to
/// `receivables` and adds the tax. What was sold follows from the book as it stands: a hand-over that is taken back is not in it any more. A payment
/// that is taken back is booked again, the other way round, on that day. What a stall took is paid at once, and its tax is known then; the fee is taken to be paid out of it.
#[utoipa::path(
    get, path = "/api/reports/journal", tag = "reports",
    params(BooksQuery),
    responses((status = 200, description = "The journal", body = ListResponse<JournalLine>), Problems),
)]
async fn get_journal(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<BooksQuery>,
) -> Result<ListResponse<JournalLine>, Problem> {
    Ok(ListResponse::whole(journal_of(&app, &who, asked).await?.3))
}

/// The same as CSV (RFC 4180).
#[utoipa::path(
    get, path = "/api/reports/journal/csv", tag = "reports",
    params(BooksQuery),
    responses(
        (status = 200, description = "The journal as CSV", body = String, content_type = "text/csv"),
        Problems,
    ),
)]
async fn get_journal_csv(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<BooksQuery>,
) -> Result<Document, Problem> {
    let (from, until, currency, lines) = journal_of(&app, &who, asked).await?;
    let name = format!("journal-{from}-{until}.csv");
    Ok(Document { kind: "text/csv; charset=utf-8", name, bytes: pages::journal_csv(&lines, &currency)? })
}

async fn sales_of(
    app: &App,
    who: &Authenticated,
    asked: BooksQuery,
) -> Result<(NaiveDate, NaiveDate, String, Vec<ProductSales>), Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let (from, until) = asked.days(tx.farm_day().await?);
        Ok((from, until, farm.currency, tx.sales_summary(from, until).await?))
    })
}

/// What was sold of some days, at most a year, by customer, product and tax rate: handed over, fetched and sold at stalls, less what came back,
/// without tax. The sums are the revenue of the journal's sales of those days, to the cent.
#[utoipa::path(
    get, path = "/api/reports/sales", tag = "reports",
    params(BooksQuery),
    responses((status = 200, description = "Sales", body = ListResponse<ProductSales>), Problems),
)]
async fn get_sales(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<BooksQuery>,
) -> Result<ListResponse<ProductSales>, Problem> {
    Ok(ListResponse::whole(sales_of(&app, &who, asked).await?.3))
}

/// The same as CSV (RFC 4180).
#[utoipa::path(
    get, path = "/api/reports/sales/csv", tag = "reports",
    params(BooksQuery),
    responses(
        (status = 200, description = "Sales as CSV", body = String, content_type = "text/csv"),
        Problems,
    ),
)]
async fn get_sales_csv(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<BooksQuery>,
) -> Result<Document, Problem> {
    let (from, until, currency, rows) = sales_of(&app, &who, asked).await?;
    let name = format!("sales-{from}-{until}.csv");
    Ok(Document { kind: "text/csv; charset=utf-8", name, bytes: pages::product_sales_csv(&rows, &currency)? })
}
