//! Lots, packings, traces.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::{
    ledger::packing::{NewOpening, NewPacking, Packing},
    refusal::Refusal,
    text::{BatchCode, CookCode, CustomerCode, DocketCode, LotCode, PlaceCode},
    units::calendar::Instant,
};
use gillbook_store::ledger::{
    holds::HeldLot,
    lots::{Lot, NewLotEvent},
    trace::{Trace, TraceFrom},
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
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_lots))
        .routes(routes!(get_lot))
        .routes(routes!(get_lot_trace))
        .routes(routes!(get_trace))
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

/// What a trace starts from: exactly one of these, or a place and an instant.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct TraceQuery {
    /// A batch.
    batch: Option<BatchCode>,
    /// A cook.
    cook: Option<CookCode>,
    /// A docket.
    docket: Option<DocketCode>,
    /// A customer.
    customer: Option<CustomerCode>,
    /// A place, with `at`.
    place: Option<PlaceCode>,
    /// An instant, with `place`.
    at: Option<Instant>,
}

impl TraceQuery {
    fn from(self) -> Result<TraceFrom, Problem> {
        match self {
            Self { batch: Some(b), cook: None, docket: None, customer: None, place: None, at: None } => {
                Ok(TraceFrom::Batch(b))
            }
            Self { batch: None, cook: Some(c), docket: None, customer: None, place: None, at: None } => {
                Ok(TraceFrom::Cook(c))
            }
            Self { batch: None, cook: None, docket: Some(d), customer: None, place: None, at: None } => {
                Ok(TraceFrom::Docket(d))
            }
            Self { batch: None, cook: None, docket: None, customer: Some(c), place: None, at: None } => {
                Ok(TraceFrom::Customer(c))
            }
            Self { batch: None, cook: None, docket: None, customer: None, place: Some(p), at: Some(t) } => {
                Ok(TraceFrom::Place(p, t.0))
            }
            _ => Err(Refusal::field(
                "batch",
                "Name one thing: a batch, a cook, a docket, a customer, or a place with at.",
            )
            .into()),
        }
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
    Ok(Json(read_tx!(app, who, |tx| tx.trace_lot(&lot).await)?))
}

/// Everything that a batch, a cook, a docket, a customer, or a place at an instant touched.
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
