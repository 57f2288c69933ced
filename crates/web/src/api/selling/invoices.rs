//! Invoices and credit notes.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::{
    refusal::{Refusal, RefusalKind},
    selling::{
        credit_note::NewCreditNote,
        invoice::{Invoice, NewInvoice},
        invoice_run::{InvoiceRun, NewInvoiceRun},
    },
    text::{CustomerCode, InvoiceCode},
};
use gillbook_documents::ubl;
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{IdempotencyKeyHeader, InvoicePath},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, PaginationQuery, PathParam, Query},
    pages,
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, Document, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_invoices, post_invoices))
        .routes(routes!(get_invoice))
        .routes(routes!(get_invoice_pdf))
        .routes(routes!(get_invoice_ubl))
        .routes(routes!(post_invoice_runs))
        .routes(routes!(post_credit_notes))
}

/// Whose documents.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub(super) struct OfCustomerQuery {
    /// Of one customer.
    pub customer: Option<CustomerCode>,
}

/// Invoices and credit notes, newest first.
#[utoipa::path(
    get, path = "/api/invoices", tag = "selling",
    params(OfCustomerQuery, PaginationQuery),
    responses((status = 200, description = "Invoices and credit notes", body = ListResponse<Invoice>), Problems),
)]
async fn get_invoices(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<OfCustomerQuery>,
    Query(page): Query<PaginationQuery>,
) -> Result<ListResponse<Invoice>, Problem> {
    let page = page.page()?;
    let rows = read_tx!(app, who, |tx| tx.invoices(asked.customer.as_ref(), &page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.invoice.to_string()))
}

/// Issues an invoice: of each docket that it names all that the customer has and no invoice has taken. It is never changed afterwards; a
/// credit note puts it right.
#[utoipa::path(
    post, path = "/api/invoices", tag = "selling",
    request_body = NewInvoice,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Issued", body = Invoice), Problems),
)]
async fn post_invoices(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewInvoice>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.issue_invoice(&new.value).await)?))
}

/// Invoices everybody: what each customer had until a day and no invoice has taken, one invoice a customer (several where more than a hundred
/// dockets wait). All are issued, or none.
#[utoipa::path(
    post, path = "/api/invoice-runs", tag = "selling",
    request_body = NewInvoiceRun,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Issued", body = InvoiceRun), Problems),
)]
async fn post_invoice_runs(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewInvoiceRun>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.run_invoices(&new.value).await)?))
}

/// One invoice or credit note.
#[utoipa::path(
    get, path = "/api/invoices/{invoice}", tag = "selling",
    params(InvoicePath),
    responses((status = 200, description = "One invoice or credit note", body = Invoice), Problems),
)]
async fn get_invoice(
    State(app): State<App>,
    who: Authenticated,
    PathParam(invoice): PathParam<InvoiceCode>,
) -> Result<Json<Invoice>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.invoice(&invoice).await)?))
}

/// The invoice or credit note as it prints.
#[utoipa::path(
    get, path = "/api/invoices/{invoice}/pdf", tag = "selling",
    params(InvoicePath),
    responses(
        (status = 200, description = "The document", body = Vec<u8>, content_type = "application/pdf"),
        Problems,
    ),
)]
async fn get_invoice_pdf(
    State(app): State<App>,
    who: Authenticated,
    PathParam(invoice): PathParam<InvoiceCode>,
) -> Result<Document, Problem> {
    let invoice = read_tx!(app, who, |tx| tx.invoice(&invoice).await)?;
    let name = format!("{}.pdf", invoice.invoice);
    Ok(Document { kind: "application/pdf", name, bytes: pages::invoice_pdf(invoice).await? })
}

/// The invoice or credit note as UBL 2.1, for the customer's own books. Its sums are those of EN 16931; a document whose tax was worked out by
/// another rule, or whose currency has other than two decimals, has no UBL.
#[utoipa::path(
    get, path = "/api/invoices/{invoice}/ubl", tag = "selling",
    params(InvoicePath),
    responses(
        (status = 200, description = "The document", body = String, content_type = "application/xml"),
        Problems,
    ),
)]
async fn get_invoice_ubl(
    State(app): State<App>,
    who: Authenticated,
    PathParam(invoice): PathParam<InvoiceCode>,
) -> Result<Document, Problem> {
    let invoice = read_tx!(app, who, |tx| tx.invoice(&invoice).await)?;
    let name = format!("{}.xml", invoice.invoice);
    let bytes = ubl::invoice(&invoice)
        .map_err(|why| Refusal::new(RefusalKind::NotFound, format!("There is no UBL of {}. {why}", invoice.invoice)))?;
    Ok(Document { kind: "application/xml", name, bytes })
}

/// Issues a credit note, which takes goods or an amount off lines of an invoice. Goods that it takes off can be invoiced again, where the
/// customer still has them.
#[utoipa::path(
    post, path = "/api/credit-notes", tag = "selling",
    request_body = NewCreditNote,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Issued", body = Invoice), Problems),
)]
async fn post_credit_notes(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewCreditNote>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.issue_credit_note(&new.value).await)?))
}
