//! What can still be promised.

use axum::{
    Json,
    extract::State,
    http::header,
    response::{IntoResponse, Response},
};
use gillbook_core::{
    selling::{availability::Availability, promise::OrderPromise},
    text::{CustomerCode, OrderCode},
    units::calendar::Day,
};
use gillbook_store::reports::availability::work_out_promise;
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
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

/// What can still be promised on the coming days, by product: of what is in stock, and with the harvest that is expected.
///
/// Dispatch is simulated over every order that has not gone out, lots taken as setting aside takes them. What is told could be promised in
/// full without any order getting less; each product is told of alone. A harvest counts from the day after it is picked, between the quartiles
/// of what flushes of the strain gave in the last year. Of the first 500 products by code.
/// For anybody, no days are wanted left. Prices are those of the day's beginning, and are told to who may read them.
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
    let (_, availability) = pages::availability(&app, &who, asked.customer.as_ref(), (asked.from, asked.until)).await?;
    Ok(Json(availability))
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
    let (farm, availability) =
        pages::availability(&app, &who, asked.customer.as_ref(), (asked.from, asked.until)).await?;
    let text = pages::availability_text(&farm, &availability, app.now());
    Ok(([(header::CONTENT_TYPE, "text/plain; charset=utf-8")], text).into_response())
}

/// Whether an order that has not gone out can be filled without any other getting less, and what that rests on.
///
/// Of days farther ahead than availability is told of no harvest is expected.
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
        let facts = tx.promise_facts(Some(&order.customer), &order.products()).await?;
        Ok((order, facts))
    })?;
    Ok(Json(work_out_promise(facts, order).await?))
}
