//! Reports, and the closing of a week.

use axum::{Json, extract::State};
use gillbook_core::selling::order_to_cash::WeekOrderToCash;
use gillbook_store::reports::{
    allocation_plan::AllocationPlan,
    earnings::Earnings,
    risk::ShelfLife,
    week::{NewWeekClose, Week},
    week_money::WeekSale,
};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{IdempotencyKeyHeader, WeekPath},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, PathWeek},
    pages,
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, Document, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_week))
        .routes(routes!(get_week_sales))
        .routes(routes!(get_order_to_cash))
        .routes(routes!(get_week_sales_csv))
        .routes(routes!(post_week_close))
        .routes(routes!(get_shelf_life))
        .routes(routes!(get_allocation_plan))
        .routes(routes!(get_earnings))
}

/// The week reconciled, in grams and in money, as the book has it now and as it was closed.
#[utoipa::path(
    get, path = "/api/reports/weeks/{week}", tag = "reports",
    params(WeekPath),
    responses((status = 200, description = "The week", body = Week), Problems),
)]
async fn get_week(State(app): State<App>, who: Authenticated, PathWeek(week): PathWeek) -> Result<Json<Week>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.week(week).await)?))
}

/// The rows that the money of a week is the sum of: every handing over, return and stall's sale.
#[utoipa::path(
    get, path = "/api/reports/weeks/{week}/sales", tag = "reports",
    params(WeekPath),
    responses((status = 200, description = "The week's sales", body = ListResponse<WeekSale>), Problems),
)]
async fn get_week_sales(
    State(app): State<App>,
    who: Authenticated,
    PathWeek(week): PathWeek,
) -> Result<ListResponse<WeekSale>, Problem> {
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.week_sales(week).await)?))
}

/// The week from order to cash, by channel: what was ordered for it, sent, handed over, invoiced and paid, and what is owed at its end, with
/// the orders and documents that it is the sum of.
///
/// Goods count while they are ordered and sent in the week of their delivery day, and once they are handed over or came back in that of the
/// act; money counts in the week of its document. What customers owe is the journal's account `receivables`.
#[utoipa::path(
    get, path = "/api/reports/weeks/{week}/order-to-cash", tag = "reports",
    params(WeekPath),
    responses((status = 200, description = "The week from order to cash", body = WeekOrderToCash), Problems),
)]
async fn get_order_to_cash(
    State(app): State<App>,
    who: Authenticated,
    PathWeek(week): PathWeek,
) -> Result<Json<WeekOrderToCash>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.order_to_cash(week).await)?))
}

/// The same as CSV, with the farm's own clock times.
#[utoipa::path(
    get, path = "/api/reports/weeks/{week}/sales/csv", tag = "reports",
    params(WeekPath),
    responses(
        (status = 200, description = "The week's sales as CSV", body = String, content_type = "text/csv"),
        Problems,
    ),
)]
async fn get_week_sales_csv(
    State(app): State<App>,
    who: Authenticated,
    PathWeek(week): PathWeek,
) -> Result<Document, Problem> {
    let bytes = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        Ok(pages::sales_csv(&farm, &tx.week_sales(week).await?))
    })??;
    Ok(Document { kind: "text/csv; charset=utf-8", name: format!("sales-{week}.csv"), bytes })
}

/// Closes a week that is over.
#[utoipa::path(
    post, path = "/api/weeks/{week}/close", tag = "reports",
    request_body = NewWeekClose,
    params(WeekPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Closed", body = Week), Problems),
)]
async fn post_week_close(
    State(app): State<App>,
    who: Authenticated,
    PathWeek(week): PathWeek,
    new: IdempotentJson<NewWeekClose>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.close_week(week, &new.value).await)?))
}

/// What must be sold first: lots in fridges and on shelves of which some is as likely left on their last day as not, or more.
///
/// Dispatch is simulated in the order of delivery over every order that has not gone out, overdue ones as of today, and once for each of the
/// last eight weeks over what sold in it, lots taken as setting aside takes them. What is set aside is taken by its order. Without money for
/// who may not see prices.
#[utoipa::path(
    get, path = "/api/reports/shelf-life", tag = "reports",
    responses((status = 200, description = "Lots at risk", body = ShelfLife), Problems),
)]
async fn get_shelf_life(State(app): State<App>, who: Authenticated) -> Result<Json<ShelfLife>, Problem> {
    Ok(Json(pages::shelf_life(&app, &who).await?.1))
}

/// The orders of today and the next two days filled at once: least short, then least expected to be left over, then least of a better grade than was
/// asked for, beside what first-expiring-first comes to. Nothing is set aside by it; `PUT /api/orders/{order}/set-aside` takes what it proposes.
#[utoipa::path(
    get, path = "/api/reports/allocation-plan", tag = "reports",
    responses((status = 200, description = "The best plan that was found", body = AllocationPlan), Problems),
)]
async fn get_allocation_plan(State(app): State<App>, who: Authenticated) -> Result<Json<AllocationPlan>, Problem> {
    Ok(Json(pages::allocation_plan(&app, &who).await?.1))
}

/// What blocks earn, by batch and by customer.
#[utoipa::path(
    get, path = "/api/reports/earnings", tag = "reports",
    responses((status = 200, description = "Earnings", body = Earnings), Problems),
)]
async fn get_earnings(State(app): State<App>, who: Authenticated) -> Result<Json<Earnings>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.earnings().await)?))
}
