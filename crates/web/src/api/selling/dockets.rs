//! Dockets.

use axum::{
    Json,
    extract::State,
    http::{StatusCode, Uri},
};
use gillbook_core::{
    refusal::{Refusal, RefusalKind},
    selling::{
        delivery::{NewDelivery, NewReturn},
        dispatch::NewDocket,
        docket::Docket,
    },
    text::DocketCode,
    units::calendar::Day,
};
use gillbook_documents::signature;
use gillbook_store::selling::deliveries::CratesOut;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{DocketPath, IdempotencyKeyHeader},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, PaginationQuery, PathParam, Query},
    pages::{self, DocketPaper, ReceiptPaper},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, Document, ListResponse},
    write_tx,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_dockets, post_dockets))
        .routes(routes!(get_docket))
        .routes(routes!(get_docket_pdf))
        .routes(routes!(get_docket_ubl))
        .routes(routes!(get_signature))
        .routes(routes!(get_receipt))
        .routes(routes!(get_link))
        .routes(routes!(delete_docket_links))
        .routes(routes!(get_crates_out))
        .routes(routes!(post_delivery))
        .routes(routes!(post_returns))
}

/// Which dockets.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct DocketsQuery {
    /// Of one delivery day.
    day: Option<Day>,
}

/// Dockets, by number.
#[utoipa::path(
    get, path = "/api/dockets", tag = "selling",
    params(DocketsQuery, PaginationQuery),
    responses((status = 200, description = "Dockets", body = ListResponse<Docket>), Problems),
)]
async fn get_dockets(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<DocketsQuery>,
    Query(page): Query<PaginationQuery>,
) -> Result<ListResponse<Docket>, Problem> {
    let page = page.page()?;
    let rows = read_tx!(app, who, |tx| tx.dockets(asked.day.map(|d| d.0), &page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.docket.to_string()))
}

/// Sends an order out with what is set aside for it.
#[utoipa::path(
    post, path = "/api/dockets", tag = "selling",
    request_body = NewDocket,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Sent out", body = Docket), Problems),
)]
async fn post_dockets(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewDocket>,
) -> Result<Created, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.dispatch(&new.value).await)?))
}

/// One docket.
#[utoipa::path(
    get, path = "/api/dockets/{docket}", tag = "selling",
    params(DocketPath),
    responses((status = 200, description = "One docket", body = Docket), Problems),
)]
async fn get_docket(
    State(app): State<App>,
    who: Authenticated,
    PathParam(docket): PathParam<DocketCode>,
) -> Result<Json<Docket>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.docket(&docket).await)?))
}

/// The docket as it prints.
#[utoipa::path(
    get, path = "/api/dockets/{docket}/pdf", tag = "selling",
    params(DocketPath),
    responses(
        (status = 200, description = "The docket", body = Vec<u8>, content_type = "application/pdf"),
        Problems,
    ),
)]
async fn get_docket_pdf(
    State(app): State<App>,
    who: Authenticated,
    PathParam(docket): PathParam<DocketCode>,
) -> Result<Document, Problem> {
    let sheet = read_tx!(app, who, |tx| DocketPaper::read(tx, &docket).await)?;
    Ok(Document { kind: "application/pdf", name: sheet.name(), bytes: sheet.pdf().await? })
}

/// The name that was signed for a docket with a finger.
#[utoipa::path(
    get, path = "/api/dockets/{docket}/signature", tag = "selling",
    params(DocketPath),
    responses(
        (status = 200, description = "The signature", body = String, content_type = "image/svg+xml"),
        Problems,
    ),
)]
async fn get_signature(
    State(app): State<App>,
    who: Authenticated,
    PathParam(docket): PathParam<DocketCode>,
) -> Result<Document, Problem> {
    let signature = read_tx!(app, who, |tx| tx.signature(&docket).await)?;
    let name = format!("{docket}-signature.svg");
    Ok(Document { kind: "image/svg+xml", name, bytes: signature::svg(&signature).into_bytes() })
}

/// The receipt of what was paid at the door for a docket.
#[utoipa::path(
    get, path = "/api/dockets/{docket}/receipt", tag = "selling",
    params(DocketPath),
    responses(
        (status = 200, description = "The receipt", body = Vec<u8>, content_type = "application/pdf"),
        Problems,
    ),
)]
async fn get_receipt(
    State(app): State<App>,
    who: Authenticated,
    PathParam(docket): PathParam<DocketCode>,
) -> Result<Document, Problem> {
    let sheet = read_tx!(app, who, |tx| ReceiptPaper::read(tx, &docket).await)?;
    Ok(Document { kind: "application/pdf", name: sheet.name(), bytes: sheet.pdf().await? })
}

/// Where a customer reads a docket without signing in.
#[derive(Serialize, ToSchema)]
struct DocketLink {
    /// The path behind the address of this service. Whoever has it reads this docket, as it stands then, and nothing else, for 400 days from
    /// the delivery day or until `DELETE /api/docket-links`.
    path: String,
}

/// The address at which a docket's customer reads it without signing in.
#[utoipa::path(
    get, path = "/api/dockets/{docket}/link", tag = "selling",
    params(DocketPath),
    responses((status = 200, description = "The address", body = DocketLink), Problems),
)]
async fn get_link(
    State(app): State<App>,
    who: Authenticated,
    PathParam(docket): PathParam<DocketCode>,
) -> Result<Json<DocketLink>, Problem> {
    let secret = read_tx!(app, who, |tx| {
        let docket = tx.docket(&docket).await?;
        tx.docket_link(&docket).await
    })?;
    let secret = secret.ok_or_else(|| {
        let late = format!("Docket {docket} is too old to be opened by its customer. Send the PDF instead.");
        Refusal::new(RefusalKind::Closed, late)
    })?;
    Ok(Json(DocketLink { path: format!("/shared/{secret}") }))
}

/// Takes back every address at which customers read dockets. The next ones that are given out are others.
#[utoipa::path(
    delete, path = "/api/docket-links", tag = "selling",
    responses((status = 204, description = "None opens any more"), Problems),
)]
async fn delete_docket_links(State(app): State<App>, who: Authenticated) -> Result<StatusCode, Problem> {
    write_tx!(app, who, |tx| tx.renew_docket_links().await)?;
    Ok(StatusCode::NO_CONTENT)
}

/// Crates of the farm that stand at customers', most first.
#[utoipa::path(
    get, path = "/api/crates-out", tag = "selling",
    responses((status = 200, description = "Customers with crates of the farm", body = ListResponse<CratesOut>), Problems),
)]
async fn get_crates_out(State(app): State<App>, who: Authenticated) -> Result<ListResponse<CratesOut>, Problem> {
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.crates_out().await)?))
}

/// The docket as UBL 2.1 despatch advice, for the customer's own stock book: lots, harvest and best-before days, grades, packs or kilograms
/// with the weight in grams, and what was ordered and is short. Without prices.
#[utoipa::path(
    get, path = "/api/dockets/{docket}/ubl", tag = "selling",
    params(DocketPath),
    responses(
        (status = 200, description = "The despatch advice", body = String, content_type = "application/xml"),
        Problems,
    ),
)]
async fn get_docket_ubl(
    State(app): State<App>,
    who: Authenticated,
    PathParam(docket): PathParam<DocketCode>,
) -> Result<Document, Problem> {
    pages::despatch_advice(&app, &who, &docket).await
}

/// Writes down that a docket was handed over.
#[utoipa::path(
    post, path = "/api/dockets/{docket}/delivery", tag = "selling",
    request_body = NewDelivery,
    params(DocketPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = Docket), Problems),
)]
async fn post_delivery(
    State(app): State<App>,
    who: Authenticated,
    PathParam(docket): PathParam<DocketCode>,
    new: IdempotentJson<NewDelivery>,
) -> Result<Created, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.deliver(&docket, &new.value).await)?))
}

/// Writes down what came back. It goes to waste.
#[utoipa::path(
    post, path = "/api/dockets/{docket}/returns", tag = "selling",
    request_body = NewReturn,
    params(DocketPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = Docket), Problems),
)]
async fn post_returns(
    State(app): State<App>,
    who: Authenticated,
    PathParam(docket): PathParam<DocketCode>,
    new: IdempotentJson<NewReturn>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.take_return(&docket, &new.value).await)?))
}
