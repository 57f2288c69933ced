//! What customers owe, what is to be invoiced to them, and statements.

use axum::{Json, extract::State};
use gillbook_core::{
    selling::{
        billable::BillableLine,
        receivables::{Receivable, Statement},
    },
    text::CustomerCode,
    units::calendar::Day,
};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::CustomerPath,
    auth::Authenticated,
    extract::{PathParam, Query},
    pages,
    problem::{Problem, Problems},
    read_tx,
    respond::{Document, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_receivables))
        .routes(routes!(get_to_invoice))
        .routes(routes!(get_statement))
        .routes(routes!(get_statement_pdf))
}

/// Which days of an account.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct StatementQuery {
    /// First day; the first of the last day's year unless said.
    from: Option<Day>,
    /// Last day; today unless said.
    until: Option<Day>,
}

/// What each customer owes, most overdue first. Customers of whom nothing is open, to their credit or to be invoiced are left out.
#[utoipa::path(
    get, path = "/api/receivables", tag = "selling",
    responses((status = 200, description = "What customers owe", body = ListResponse<Receivable>), Problems),
)]
async fn get_receivables(State(app): State<App>, who: Authenticated) -> Result<ListResponse<Receivable>, Problem> {
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.receivables().await)?))
}

/// Docket lines of which a customer has more than is on invoices, or less: what to invoice, and what to credit.
#[utoipa::path(
    get, path = "/api/customers/{customer}/to-invoice", tag = "selling",
    params(CustomerPath),
    responses((status = 200, description = "Docket lines", body = ListResponse<BillableLine>), Problems),
)]
async fn get_to_invoice(
    State(app): State<App>,
    who: Authenticated,
    PathParam(customer): PathParam<CustomerCode>,
) -> Result<ListResponse<BillableLine>, Problem> {
    let lines = read_tx!(app, who, |tx| {
        let customer = tx.customer(&customer).await?;
        tx.to_invoice(&customer.customer).await
    })?;
    Ok(ListResponse::whole(lines))
}

/// A customer's account over some days, at most two years: invoices, credit notes and payments with the debt after each. What is
/// open, its age and the credit are those of today, whatever the days.
#[utoipa::path(
    get, path = "/api/customers/{customer}/statement", tag = "selling",
    params(CustomerPath, StatementQuery),
    responses((status = 200, description = "The statement", body = Statement), Problems),
)]
async fn get_statement(
    State(app): State<App>,
    who: Authenticated,
    PathParam(customer): PathParam<CustomerCode>,
    Query(asked): Query<StatementQuery>,
) -> Result<Json<Statement>, Problem> {
    let (from, until) = (asked.from.map(|d| d.0), asked.until.map(|d| d.0));
    Ok(Json(read_tx!(app, who, |tx| tx.statement(&customer, from, until).await)?))
}

/// The statement as it prints.
#[utoipa::path(
    get, path = "/api/customers/{customer}/statement/pdf", tag = "selling",
    params(CustomerPath, StatementQuery),
    responses(
        (status = 200, description = "The statement", body = Vec<u8>, content_type = "application/pdf"),
        Problems,
    ),
)]
async fn get_statement_pdf(
    State(app): State<App>,
    who: Authenticated,
    PathParam(customer): PathParam<CustomerCode>,
    Query(asked): Query<StatementQuery>,
) -> Result<Document, Problem> {
    let (from, until) = (asked.from.map(|d| d.0), asked.until.map(|d| d.0));
    let (farm, customer, statement, today) = read_tx!(app, who, |tx| {
        let statement = tx.statement(&customer, from, until).await?;
        Ok((tx.farm().await?, tx.customer(&customer).await?, statement, tx.farm_day().await?))
    })?;
    let name = format!("statement-{}-{}.pdf", statement.customer, statement.until);
    let bytes = pages::statement_pdf(farm, customer, statement, today).await?;
    Ok(Document { kind: "application/pdf", name, bytes })
}
