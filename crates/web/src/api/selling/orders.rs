//! Orders, and what is set aside for them.

use axum::{extract::State, http::Uri};
use gillbook_core::{
    selling::{
        order::{NewOrder, OrderChange},
        set_aside::NewSetAside,
    },
    text::OrderCode,
    units::calendar::Day,
    words::OrderStatus,
};
use gillbook_store::selling::orders::Order;
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    body::{Asked, Body, Code, Create, IfMatch, PageAsked},
    once,
    problem::{Problem, Problems},
    read,
    reply::{Answered, Listed, Versioned},
    who::Who,
    write,
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
#[serde(deny_unknown_fields)]
struct OrdersAsked {
    /// From this delivery day.
    from: Option<Day>,
    /// To this delivery day.
    until: Option<Day>,
    /// That stand so.
    #[param(inline)]
    status: Option<OrderStatus>,
    /// The most rows, 100 unless said.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<i64>,
    /// The last key of the page before.
    #[param(max_length = 100)]
    after: Option<String>,
}

fn versioned(order: Order) -> Versioned<Order> {
    let version = order.version;
    Versioned(order, version)
}

/// Orders, by delivery day.
#[utoipa::path(get, path = "/api/orders", tag = "selling", params(OrdersAsked), responses((status = 200, description = "Orders", body = Listed<Order>), Problems))]
async fn get_orders(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<OrdersAsked>,
) -> Result<Listed<Order>, Problem> {
    app.judge_first(&who).await?;
    let page = PageAsked { limit: asked.limit, after: asked.after }.page()?;
    let (from, until) = (asked.from.map(|d| d.0), asked.until.map(|d| d.0));
    let rows = read!(app, who, |tx| tx.orders(from, until, asked.status, &page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.order.to_string()))
}

/// Writes down an order.
#[utoipa::path(post, path = "/api/orders", tag = "selling", request_body = NewOrder, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Written down", body = Order), Problems))]
async fn post_orders(State(app): State<App>, who: Who, new: Create<NewOrder>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.place_order(&new.value).await)?))
}

/// One order.
#[utoipa::path(get, path = "/api/orders/{order}", tag = "selling", params(("order" = OrderCode, Path, description = "The order's code")), responses((status = 200, description = "One order", body = Order), Problems))]
async fn get_order(
    State(app): State<App>,
    who: Who,
    Code(order): Code<OrderCode>,
) -> Result<Versioned<Order>, Problem> {
    app.judge_first(&who).await?;
    let found = read!(app, who, |tx| tx.order(&order).await)?;
    let version = found.version;
    Ok(Versioned(found, version))
}

/// Changes an order that has not gone out.
#[utoipa::path(patch, path = "/api/orders/{order}", tag = "selling", request_body = OrderChange, params(("order" = OrderCode, Path, description = "The order's code"), ("If-Match" = Option<String>, Header, description = "The ETag that was read")), responses((status = 200, description = "Changed", body = Order), Problems))]
async fn patch_order(
    State(app): State<App>,
    who: Who,
    Code(order): Code<OrderCode>,
    IfMatch(read): IfMatch,
    Body(change): Body<OrderChange>,
) -> Result<Versioned<Order>, Problem> {
    let changed = write!(app, who, |tx| tx.change_order(&order, &change, read).await)?;
    let version = changed.version;
    Ok(Versioned(changed, version))
}

/// Sets lots aside for an order, in place of what was set aside before: first-expiring-first, or as chosen with a reason.
#[utoipa::path(put, path = "/api/orders/{order}/set-aside", tag = "selling", request_body = NewSetAside, params(("order" = OrderCode, Path, description = "The order's code")), responses((status = 200, description = "Set aside; what is short is said by line", body = Order), Problems))]
async fn put_set_aside(
    State(app): State<App>,
    who: Who,
    Code(order): Code<OrderCode>,
    Body(new): Body<NewSetAside>,
) -> Result<Versioned<Order>, Problem> {
    app.judge_first(&who).await?;
    Ok(versioned(write!(app, who, |tx| tx.set_aside(&order, &new).await)?))
}

/// Releases what is set aside for an order.
#[utoipa::path(delete, path = "/api/orders/{order}/set-aside", tag = "selling", params(("order" = OrderCode, Path, description = "The order's code")), responses((status = 200, description = "Released", body = Order), Problems))]
async fn delete_set_aside(
    State(app): State<App>,
    who: Who,
    Code(order): Code<OrderCode>,
) -> Result<Versioned<Order>, Problem> {
    Ok(versioned(write!(app, who, |tx| tx.release(&order).await)?))
}
