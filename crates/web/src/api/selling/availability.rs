//! What can still be promised.

use axum::{
    Json,
    extract::State,
    http::header,
    response::{IntoResponse, Response},
};
use gillbook_core::{
    selling::availability::{Availability, OrderPromise, days_to_tell},
    text::{CustomerCode, OrderCode},
    units::calendar::Day,
};
use gillbook_store::reports::availability::{work_out_availability, work_out_promise};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    access::sees_prices,
    api::params::OrderPath,
    auth::Authenticated,
    extract::{PathParam, Query},
    pages,
    problem::{Problem, Problems},
    read_tx,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_availability))
        .routes(routes!(get_availability_text))
        .routes(routes!(get_promise))
}

/// What is asked for.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct AvailabilityQuery {
    /// For this customer: with their prices, the days that they ask to be left, and by when they order.
    customer: Option<CustomerCode>,
    /// From this day; today unless said, and no earlier.
    from: Option<Day>,
    /// To this day; six days after the first unless said, thirteen days from today at most.
    until: Option<Day>,
}

async fn worked_out(app: &App, who: &Authenticated, asked: &AvailabilityQuery) -> Result<Availability, Problem> {
    app.refresh_before_read(who).await?;
    let facts = read_tx!(app, who, |tx| tx.promise_facts(asked.customer.as_ref(), None).await)?;
    let days = days_to_tell(facts.today, asked.from, asked.until)?;
    let availability = work_out_availability(facts, days).await?;
    Ok(if sees_prices(who.standing) { availability } else { availability.without_prices() })
}

/// What can still be promised on the coming days, by product: of what is in stock, and with the harvest that is expected.
///
/// Dispatch is simulated over every order that has not gone out, lots taken as setting aside takes them. What is told could be promised in
/// full without any order getting less; each product is told of alone. A harvest counts from the day after it is picked, between the quartiles
/// of what flushes of the strain gave in the last year. Prices are told to who may read them.
#[utoipa::path(
    get, path = "/api/availability", tag = "selling",
    params(AvailabilityQuery),
    responses((status = 200, description = "What can be promised", body = Availability), Problems),
)]
async fn get_availability(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<AvailabilityQuery>,
) -> Result<Json<Availability>, Problem> {
    Ok(Json(worked_out(&app, &who, &asked).await?))
}

/// The same as a text to send.
#[utoipa::path(
    get, path = "/api/availability/text", tag = "selling",
    params(AvailabilityQuery),
    responses((status = 200, description = "A text, UTF-8", body = String, content_type = "text/plain"), Problems),
)]
async fn get_availability_text(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<AvailabilityQuery>,
) -> Result<Response, Problem> {
    let availability = worked_out(&app, &who, &asked).await?;
    let farm = read_tx!(app, who, |tx| tx.farm().await)?;
    let text = pages::availability_text(&farm, &availability);
    Ok(([(header::CONTENT_TYPE, "text/plain; charset=utf-8")], text).into_response())
}

/// Whether an order that has not gone out can be filled beside all others, and what that rests on.
#[utoipa::path(
    get, path = "/api/orders/{order}/promise", tag = "selling",
    params(OrderPath),
    responses((status = 200, description = "What can be had of it", body = OrderPromise), Problems),
)]
async fn get_promise(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
) -> Result<Json<OrderPromise>, Problem> {
    app.refresh_before_read(&who).await?;
    let (order, facts) = read_tx!(app, who, |tx| {
        let order = tx.order(&code).await?;
        order.ensure_open()?;
        let facts = tx.promise_facts(Some(&order.customer), Some(&code)).await?;
        Ok((order, facts))
    })?;
    Ok(Json(work_out_promise(facts, order).await?))
}
