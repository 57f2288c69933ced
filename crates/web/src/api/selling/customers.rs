//! Customers.

use axum::{extract::State, http::Uri};
use gillbook_core::{
    selling::customer::{Customer, CustomerChange, NewCustomer},
    text::CustomerCode,
};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{CustomerPath, IdempotencyKeyHeader, IfMatchHeader},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, IfMatch, JsonBody, PaginationQuery, PathParam, Query},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse, Versioned},
    write_tx,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(get_customers, post_customers)).routes(routes!(get_customer, patch_customer))
}

/// Customers, by code.
#[utoipa::path(
    get, path = "/api/customers", tag = "selling",
    params(PaginationQuery),
    responses((status = 200, description = "Customers", body = ListResponse<Customer>), Problems),
)]
async fn get_customers(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<Customer>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.customers(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.customer.to_string()))
}

/// Adds a customer.
#[utoipa::path(
    post, path = "/api/customers", tag = "selling",
    request_body = NewCustomer,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Added", body = Customer), Problems),
)]
async fn post_customers(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewCustomer>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_customer(&new.value).await)?))
}

/// One customer.
#[utoipa::path(
    get, path = "/api/customers/{customer}", tag = "selling",
    params(CustomerPath),
    responses((status = 200, description = "One customer", body = Customer), Problems),
)]
async fn get_customer(
    State(app): State<App>,
    who: Authenticated,
    PathParam(customer): PathParam<CustomerCode>,
) -> Result<Versioned<Customer>, Problem> {
    let found = read_tx!(app, who, |tx| tx.customer(&customer).await)?;
    Ok(Versioned(found))
}

/// Changes a customer.
#[utoipa::path(
    patch, path = "/api/customers/{customer}", tag = "selling",
    request_body = CustomerChange,
    params(CustomerPath, IfMatchHeader),
    responses((status = 200, description = "Changed", body = Customer), Problems),
)]
async fn patch_customer(
    State(app): State<App>,
    who: Authenticated,
    PathParam(customer): PathParam<CustomerCode>,
    IfMatch(read): IfMatch,
    JsonBody(change): JsonBody<CustomerChange>,
) -> Result<Versioned<Customer>, Problem> {
    let changed = write_tx!(app, who, |tx| tx.change_customer(&customer, &change, read).await)?;
    Ok(Versioned(changed))
}
