//! Lots, packings, traces.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::{
    kinds::TraceKind,
    ledger::{
        packing::{NewOpening, NewPacking, Packing},
        trace::{Trace, TraceFrom},
    },
    refusal::Refusal,
    text::{LotCode, Text},
    units::calendar::Instant,
};
use gillbook_store::ledger::{
    holds::HeldLot,
    lots::{Lot, NewLotEvent},
};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{IdempotencyKeyHeader, LotPath},
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
        .routes(routes!(get_lots))
        .routes(routes!(get_lot))
        .routes(routes!(get_lot_trace))
        .routes(routes!(get_trace))
        .routes(routes!(get_trace_csv))
        .routes(routes!(post_lot_hold))
        .routes(routes!(post_lot_release))
        .routes(routes!(post_lot_finish))
        .routes(routes!(get_packings, post_packings))
        .routes(routes!(post_openings))
}

/// Which lots.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct LotsQuery {
    /// Only those with stock.
    in_stock: Option<bool>,
}

/// What a trace starts from.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct TraceQuery {
    /// What `code` is the code of.
    starts_from: TraceKind,
    /// The code.
    code: Text<1, 20>,
    /// Of a place: the instant at which the goods were in it.
    at: Option<Instant>,
}

impl TraceQuery {
    fn from(&self) -> Result<TraceFrom, Refusal> {
        TraceFrom::named(self.starts_from, self.code.as_str(), self.at.map(|at| at.0))
    }
}

/// Lots, by code.
#[utoipa::path(
    get, path = "/api/lots", tag = "lots",
    params(LotsQuery, PaginationQuery),
    responses((status = 200, description = "Lots", body = ListResponse<Lot>), Problems),
)]
async fn get_lots(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<LotsQuery>,
    Query(page): Query<PaginationQuery>,
) -> Result<ListResponse<Lot>, Problem> {
    app.refresh_before_read(&who).await?;
    let page = page.page()?;
    let rows = read_tx!(app, who, |tx| tx.lots(asked.in_stock.unwrap_or_default(), &page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.lot.to_string()))
}

/// One lot: what it is, what it is made of, where each gram is.
#[utoipa::path(
    get, path = "/api/lots/{lot}", tag = "lots",
    params(LotPath),
    responses(
        (status = 200, description = "One lot: what it is, what it is made of, where each gram is", body = Lot),
        Problems,
    ),
)]
async fn get_lot(
    State(app): State<App>,
    who: Authenticated,
    PathParam(lot): PathParam<LotCode>,
) -> Result<Json<Lot>, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Json(read_tx!(app, who, |tx| tx.lot(&lot).await)?))
}

/// Everything that a lot touched, back and forward.
#[utoipa::path(
    get, path = "/api/lots/{lot}/trace", tag = "lots",
    params(LotPath),
    responses(
        (status = 200, description = "Everything that a lot touched, back and forward", body = Trace),
        Problems,
    ),
)]
async fn get_lot_trace(
    State(app): State<App>,
    who: Authenticated,
    PathParam(lot): PathParam<LotCode>,
) -> Result<Json<Trace>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.trace(&TraceFrom::Lot(lot)).await)?))
}

/// Everything that a lot, a batch, a cook, a docket, a customer, a strain, or a place at an instant touched, whole.
#[utoipa::path(
    get, path = "/api/trace", tag = "lots",
    params(TraceQuery),
    responses((status = 200, description = "The trace", body = Trace), Problems),
)]
async fn get_trace(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<TraceQuery>,
) -> Result<Json<Trace>, Problem> {
    let from = asked.from()?;
    Ok(Json(read_tx!(app, who, |tx| tx.trace(&from).await)?))
}

/// The rows of a trace as CSV (RFC 4180): back, forward and what was not sold, whole.
#[utoipa::path(
    get, path = "/api/trace/csv", tag = "lots",
    params(TraceQuery),
    responses(
        (status = 200, description = "The trace as CSV", body = String, content_type = "text/csv"),
        Problems,
    ),
)]
async fn get_trace_csv(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<TraceQuery>,
) -> Result<Document, Problem> {
    let from = asked.from()?;
    let (farm, trace) = read_tx!(app, who, |tx| Ok((tx.farm().await?, tx.trace(&from).await?)))?;
    let name = format!("trace-{}-{}.csv", from.kind(), from.code());
    Ok(Document { kind: "text/csv; charset=utf-8", name, bytes: pages::trace_csv(&farm, &trace)? })
}

/// Holds a lot and every lot that was made of it: nothing of them leaves but to waste or a test until they are released. What was set
/// aside of them is released.
#[utoipa::path(
    post, path = "/api/lots/{lot}/hold", tag = "lots",
    request_body = NewLotEvent,
    params(LotPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Held", body = HeldLot), Problems),
)]
async fn post_lot_hold(
    State(app): State<App>,
    who: Authenticated,
    PathParam(lot): PathParam<LotCode>,
    new: IdempotentJson<NewLotEvent>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.hold_lot(&lot, &new.value).await)?))
}

/// Releases one lot from hold, by the owner's own sign-in.
#[utoipa::path(
    post, path = "/api/lots/{lot}/release", tag = "lots",
    request_body = NewLotEvent,
    params(LotPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Released", body = Lot), Problems),
)]
async fn post_lot_release(
    State(app): State<App>,
    who: Authenticated,
    PathParam(lot): PathParam<LotCode>,
    new: IdempotentJson<NewLotEvent>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.release_lot(&lot, &new.value).await)?))
}

/// Finishes a lot: what the book still has of it is weight lost.
#[utoipa::path(
    post, path = "/api/lots/{lot}/finish", tag = "lots",
    request_body = NewLotEvent,
    params(LotPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Finished", body = Lot), Problems),
)]
async fn post_lot_finish(
    State(app): State<App>,
    who: Authenticated,
    PathParam(lot): PathParam<LotCode>,
    new: IdempotentJson<NewLotEvent>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.finish_lot(&lot, &new.value).await)?))
}

/// Packings, in the order that they were written down.
#[utoipa::path(
    get, path = "/api/packings", tag = "lots",
    params(PaginationQuery),
    responses((status = 200, description = "Packings", body = ListResponse<Packing>), Problems),
)]
async fn get_packings(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<Packing>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.packings(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.act.act_id.to_string()))
}

/// Makes lots of lots: packing, regrading, drying. In = out + trim + water.
#[utoipa::path(
    post, path = "/api/packings", tag = "lots",
    request_body = NewPacking,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Made", body = Packing), Problems),
)]
async fn post_packings(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewPacking>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.pack(&new.value).await)?))
}

/// Enters a lot that was in stock when the book was opened.
#[utoipa::path(
    post, path = "/api/openings", tag = "lots",
    request_body = NewOpening,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Entered", body = Packing), Problems),
)]
async fn post_openings(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewOpening>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.enter_opening(&new.value).await)?))
}
