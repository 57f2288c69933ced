//! Orders, and what is set aside for them.

use axum::{extract::State, http::Uri};
use gillbook_core::{
    kinds::OrderStatus,
    selling::{
        order::{NewOrder, Order, OrderChange},
        set_aside::NewSetAside,
    },
    text::OrderCode,
    units::calendar::Day,
};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{IdempotencyKeyHeader, IfMatchHeader, OrderPath},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, IfMatch, JsonBody, PaginationQuery, PathParam, Query},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse, Versioned},
    write_tx,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_orders, post_orders))
        .routes(routes!(get_order, patch_order))
        .routes(routes!(put_set_aside, delete_set_aside))
}

/// Which orders.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct OrdersQuery {
    /// From this delivery day.
    from: Option<Day>,
    /// To this delivery day.
    until: Option<Day>,
    /// That stand so.
    #[param(inline)]
    status: Option<OrderStatus>,
}

/// Orders, by delivery day.
#[utoipa::path(
    get, path = "/api/orders", tag = "selling",
    params(OrdersQuery, PaginationQuery),
    responses((status = 200, description = "Orders", body = ListResponse<Order>), Problems),
)]
async fn get_orders(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<OrdersQuery>,
    Query(page): Query<PaginationQuery>,
) -> Result<ListResponse<Order>, Problem> {
    app.refresh_before_read(&who).await?;
    let page = page.page()?;
    let (from, until) = (asked.from.map(|d| d.0), asked.until.map(|d| d.0));
    let rows = read_tx!(app, who, |tx| tx.orders(from, until, asked.status, &page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.order.to_string()))
}

/// Writes down an order.
#[utoipa::path(
    post, path = "/api/orders", tag = "selling",
    request_body = NewOrder,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = Order), Problems),
)]
async fn post_orders(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewOrder>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.place_order(&new.value).await)?))
}

/// One order.
#[utoipa::path(
    get, path = "/api/orders/{order}", tag = "selling",
    params(OrderPath),
    responses((status = 200, description = "One order", body = Order), Problems),
)]
async fn get_order(
    State(app): State<App>,
    who: Authenticated,
    PathParam(order): PathParam<OrderCode>,
) -> Result<Versioned<Order>, Problem> {
    app.refresh_before_read(&who).await?;
    let found = read_tx!(app, who, |tx| tx.order(&order).await)?;
    Ok(Versioned(found))
}

/// Changes an order that has not gone out.
#[utoipa::path(
    patch, path = "/api/orders/{order}", tag = "selling",
    request_body = OrderChange,
    params(OrderPath, IfMatchHeader),
    responses((status = 200, description = "Changed", body = Order), Problems),
)]
async fn patch_order(
    State(app): State<App>,
    who: Authenticated,
    PathParam(order): PathParam<OrderCode>,
    IfMatch(read): IfMatch,
    JsonBody(change): JsonBody<OrderChange>,
) -> Result<Versioned<Order>, Problem> {
    let changed = write_tx!(app, who, |tx| tx.change_order(&order, &change, read).await)?;
    Ok(Versioned(changed))
}

/// Sets lots aside for an order, in place of what was set aside before: first-expiring-first, or as chosen with a reason.
#[utoipa::path(
    put, path = "/api/orders/{order}/set-aside", tag = "selling",
    request_body = NewSetAside,
    params(OrderPath),
    responses((status = 200, description = "Set aside; what is short is said by line", body = Order), Problems),
)]
async fn put_set_aside(
    State(app): State<App>,
    who: Authenticated,
    PathParam(order): PathParam<OrderCode>,
    JsonBody(new): JsonBody<NewSetAside>,
) -> Result<Versioned<Order>, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Versioned(write_tx!(app, who, |tx| tx.set_aside(&order, &new).await)?))
}

/// Releases what is set aside for an order.
#[utoipa::path(
    delete, path = "/api/orders/{order}/set-aside", tag = "selling",
    params(OrderPath),
    responses((status = 200, description = "Released", body = Order), Problems),
)]
async fn delete_set_aside(
    State(app): State<App>,
    who: Authenticated,
    PathParam(order): PathParam<OrderCode>,
) -> Result<Versioned<Order>, Problem> {
    Ok(Versioned(write_tx!(app, who, |tx| tx.release(&order).await)?))
}
