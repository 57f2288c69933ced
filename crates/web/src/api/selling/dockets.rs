//! Dockets.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::{
    refusal::{Refusal, RefusalKind},
    selling::{
        delivery::{NewDelivery, NewReturn},
        dispatch::NewDocket,
        docket::{Docket, DocketStatus},
        invoice::Party,
    },
    text::DocketCode,
    units::calendar::Day,
};
use gillbook_documents::ubl;
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{DocketPath, IdempotencyKeyHeader},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, PaginationQuery, PathParam, Query},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, Document, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_dockets, post_dockets))
        .routes(routes!(get_docket))
        .routes(routes!(get_docket_pdf))
        .routes(routes!(get_docket_ubl))
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
    let (farm, docket) = read_tx!(app, who, |tx| Ok((tx.farm().await?, tx.docket(&docket).await?)))?;
    let name = format!("{}.pdf", docket.docket);
    Ok(Document { kind: "application/pdf", name, bytes: crate::pages::docket_pdf(farm, docket).await? })
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
    let (farm, zone, docket) =
        read_tx!(app, who, |tx| Ok((tx.farm().await?, tx.farm_settings().await?.zone, tx.docket(&docket).await?)))?;
    if docket.status == DocketStatus::Void {
        let detail = format!("Docket {} was taken back. Nothing went out with it.", docket.docket);
        return Err(Refusal::new(RefusalKind::Closed, detail).into());
    }
    let party = Party { address: farm.letterhead(), name: farm.name, tax_number: farm.tax_number };
    let name = format!("{}.xml", docket.docket);
    Ok(Document { kind: "application/xml", name, bytes: ubl::despatch_advice(&docket, &party, zone) })
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
