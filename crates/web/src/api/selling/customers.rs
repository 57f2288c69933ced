//! Customers.

use axum::{extract::State, http::Uri};
use gillbook_core::{
    selling::customer::{Customer, CustomerChange, NewCustomer},
    text::CustomerCode,
};
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
    OpenApiRouter::new().routes(routes!(get_customers, post_customers)).routes(routes!(get_customer, patch_customer))
}

/// Customers, by code.
#[utoipa::path(get, path = "/api/customers", tag = "selling", params(PageAsked), responses((status = 200, description = "Customers", body = Listed<Customer>), Problems))]
async fn get_customers(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<Customer>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.customers(&page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.customer.to_string()))
}

/// Adds a customer.
#[utoipa::path(post, path = "/api/customers", tag = "selling", request_body = NewCustomer, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Added", body = Customer), Problems))]
async fn post_customers(State(app): State<App>, who: Who, new: Create<NewCustomer>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.add_customer(&new.value).await)?))
}

/// One customer.
#[utoipa::path(get, path = "/api/customers/{customer}", tag = "selling", params(("customer" = CustomerCode, Path, description = "The customer's code")), responses((status = 200, description = "One customer", body = Customer), Problems))]
async fn get_customer(
    State(app): State<App>,
    who: Who,
    Code(customer): Code<CustomerCode>,
) -> Result<Versioned<Customer>, Problem> {
    let found = read!(app, who, |tx| tx.customer(&customer).await)?;
    let version = found.version;
    Ok(Versioned(found, version))
}

/// Changes a customer.
#[utoipa::path(patch, path = "/api/customers/{customer}", tag = "selling", request_body = CustomerChange, params(("customer" = CustomerCode, Path, description = "The customer's code"), ("If-Match" = Option<String>, Header, description = "The ETag that was read")), responses((status = 200, description = "Changed", body = Customer), Problems))]
async fn patch_customer(
    State(app): State<App>,
    who: Who,
    Code(customer): Code<CustomerCode>,
    IfMatch(read): IfMatch,
    Body(change): Body<CustomerChange>,
) -> Result<Versioned<Customer>, Problem> {
    let changed = write!(app, who, |tx| tx.change_customer(&customer, &change, read).await)?;
    let version = changed.version;
    Ok(Versioned(changed, version))
}
