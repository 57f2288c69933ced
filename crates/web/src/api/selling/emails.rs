//! Dockets and invoices that are sent by e-mail.

use axum::{extract::State, http::HeaderMap};
use gillbook_core::{
    selling::email::{Email, NewEmail},
    text::{DocketCode, InvoiceCode},
};
use gillbook_store::selling::emails::EmailOf;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{DocketPath, IdempotencyKeyHeader, InvoicePath},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, PathParam},
    pages,
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_invoice_emails, post_invoice_emails))
        .routes(routes!(get_docket_emails, post_docket_emails))
}

/// The last 50 e-mails with an invoice or credit note, newest first.
#[utoipa::path(
    get, path = "/api/invoices/{invoice}/emails", tag = "selling",
    params(InvoicePath),
    responses((status = 200, description = "E-mails", body = ListResponse<Email>), Problems),
)]
async fn get_invoice_emails(
    State(app): State<App>,
    who: Authenticated,
    PathParam(invoice): PathParam<InvoiceCode>,
) -> Result<ListResponse<Email>, Problem> {
    let rows = read_tx!(app, who, |tx| {
        tx.invoice(&invoice).await?;
        tx.emails_of(EmailOf::Invoice(&invoice)).await
    })?;
    Ok(ListResponse::whole(rows))
}

/// Sends an invoice or credit note by e-mail: as PDF, and as UBL where it has one. It is sent as soon as the mail server takes it, and tried again
/// for about two days.
#[utoipa::path(
    post, path = "/api/invoices/{invoice}/emails", tag = "selling",
    request_body = NewEmail,
    params(InvoicePath, IdempotencyKeyHeader),
    responses((status = 201, description = "Put down to be sent", body = Email), Problems),
)]
async fn post_invoice_emails(
    State(app): State<App>,
    who: Authenticated,
    PathParam(invoice): PathParam<InvoiceCode>,
    new: IdempotentJson<NewEmail>,
) -> Result<Created, Problem> {
    if let Some(first) = read_tx!(app, who, |tx| tx.first_answer(&new.once).await)? {
        return Ok(Created(first));
    }
    let draft = pages::invoice_draft(&app, &who, &invoice, &new.value).await?;
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.send_email(EmailOf::Invoice(&invoice), &draft).await)?))
}

/// The last 50 e-mails with a docket, newest first.
#[utoipa::path(
    get, path = "/api/dockets/{docket}/emails", tag = "selling",
    params(DocketPath),
    responses((status = 200, description = "E-mails", body = ListResponse<Email>), Problems),
)]
async fn get_docket_emails(
    State(app): State<App>,
    who: Authenticated,
    PathParam(docket): PathParam<DocketCode>,
) -> Result<ListResponse<Email>, Problem> {
    let rows = read_tx!(app, who, |tx| {
        tx.docket(&docket).await?;
        tx.emails_of(EmailOf::Docket(&docket)).await
    })?;
    Ok(ListResponse::whole(rows))
}

/// Sends a docket by e-mail: as PDF and as UBL, with the address at which the customer reads it. One that was taken back is not sent.
#[utoipa::path(
    post, path = "/api/dockets/{docket}/emails", tag = "selling",
    request_body = NewEmail,
    params(DocketPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Put down to be sent", body = Email), Problems),
)]
async fn post_docket_emails(
    State(app): State<App>,
    who: Authenticated,
    PathParam(docket): PathParam<DocketCode>,
    headers: HeaderMap,
    new: IdempotentJson<NewEmail>,
) -> Result<Created, Problem> {
    if let Some(first) = read_tx!(app, who, |tx| tx.first_answer(&new.once).await)? {
        return Ok(Created(first));
    }
    let draft = pages::docket_draft(&app, &who, &docket, &pages::home_of(&app, &headers), &new.value).await?;
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.send_email(EmailOf::Docket(&docket), &draft).await)?))
}
