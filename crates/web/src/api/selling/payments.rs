//! Payments.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::{
    selling::payment::{NewPayment, NewPaymentReversal, Payment},
    text::PaymentCode,
};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::invoices::OfCustomerQuery;
use crate::{
    App,
    api::params::{IdempotencyKeyHeader, PaymentPath},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, PaginationQuery, PathParam, Query},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_payments, post_payments))
        .routes(routes!(get_payment))
        .routes(routes!(post_payment_reversal))
}

/// Payments, newest first.
#[utoipa::path(
    get, path = "/api/payments", tag = "selling",
    params(OfCustomerQuery, PaginationQuery),
    responses((status = 200, description = "Payments", body = ListResponse<Payment>), Problems),
)]
async fn get_payments(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<OfCustomerQuery>,
    Query(page): Query<PaginationQuery>,
) -> Result<ListResponse<Payment>, Problem> {
    let page = page.page()?;
    let rows = read_tx!(app, who, |tx| tx.payments(asked.customer.as_ref(), &page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.payment.to_string()))
}

/// Enters a payment. Without `shares` it settles what was due first; what is over is kept as the customer's credit. With an amount of nothing
/// credit alone is used.
#[utoipa::path(
    post, path = "/api/payments", tag = "selling",
    request_body = NewPayment,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Entered", body = Payment), Problems),
)]
async fn post_payments(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewPayment>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.enter_payment(&new.value).await)?))
}

/// One payment.
#[utoipa::path(
    get, path = "/api/payments/{payment}", tag = "selling",
    params(PaymentPath),
    responses((status = 200, description = "One payment", body = Payment), Problems),
)]
async fn get_payment(
    State(app): State<App>,
    who: Authenticated,
    PathParam(payment): PathParam<PaymentCode>,
) -> Result<Json<Payment>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.payment(&payment).await)?))
}

/// Takes a payment back: what it settled is open again.
#[utoipa::path(
    post, path = "/api/payments/{payment}/reversal", tag = "selling",
    request_body = NewPaymentReversal,
    params(PaymentPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Taken back", body = Payment), Problems),
)]
async fn post_payment_reversal(
    State(app): State<App>,
    who: Authenticated,
    PathParam(payment): PathParam<PaymentCode>,
    new: IdempotentJson<NewPaymentReversal>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.reverse_payment(&payment, &new.value).await)?))
}
