//! Stock, movements, acts, stock counts.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::{
    kinds::ActKind,
    ledger::{
        counting::{NewStockCount, StockCount},
        entry::{Act, NewMovement, NewReversal},
    },
    text::{LotCode, PlaceCode},
    units::calendar::Instant,
};
use gillbook_store::ledger::entries::StockRow;
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use crate::{
    App,
    access::ensure_may_reverse,
    api::params::{ActPath, IdempotencyKeyHeader},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, PaginationQuery, PathParam, Query},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse},
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_stock))
        .routes(routes!(get_movements, post_movements))
        .routes(routes!(get_act))
        .routes(routes!(post_act_reversal))
        .routes(routes!(get_stock_counts, post_stock_counts))
}

/// Which stock.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct StockQuery {
    /// As it was at an instant; now unless said. What is set aside is known only for now.
    at: Option<Instant>,
    /// Only of one place.
    place: Option<PlaceCode>,
}

/// Which acts.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct ActsQuery {
    /// Of one kind.
    #[param(inline)]
    kind: Option<ActKind>,
    /// That moved one lot.
    lot: Option<LotCode>,
}

/// Stock by lot and place: free and set aside.
#[utoipa::path(
    get, path = "/api/stock", tag = "stock",
    params(StockQuery),
    responses((status = 200, description = "Stock", body = ListResponse<StockRow>), Problems),
)]
async fn get_stock(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<StockQuery>,
) -> Result<ListResponse<StockRow>, Problem> {
    app.refresh_before_read(&who).await?;
    let rows = read_tx!(app, who, |tx| tx.stock(asked.at.map(|i| i.0), asked.place.as_ref()).await)?;
    Ok(ListResponse::whole(rows))
}

/// Acts with their movements, in the order that they were written down.
#[utoipa::path(
    get, path = "/api/movements", tag = "stock",
    params(ActsQuery, PaginationQuery),
    responses((status = 200, description = "Acts", body = ListResponse<Act>), Problems),
)]
async fn get_movements(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<ActsQuery>,
    Query(page): Query<PaginationQuery>,
) -> Result<ListResponse<Act>, Problem> {
    let page = page.page()?;
    let rows = read_tx!(app, who, |tx| tx.acts(asked.kind, asked.lot.as_ref(), &page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.act_id.to_string()))
}

/// Moves grams: a transfer, waste, a gift, a test, trim, home.
#[utoipa::path(
    post, path = "/api/movements", tag = "stock",
    request_body = NewMovement,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Moved", body = Act), Problems),
)]
async fn post_movements(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewMovement>,
) -> Result<Created, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.move_grams(&new.value).await)?))
}

/// One act with its movements.
#[utoipa::path(
    get, path = "/api/acts/{act}", tag = "stock",
    params(ActPath),
    responses((status = 200, description = "One act", body = Act), Problems),
)]
async fn get_act(
    State(app): State<App>,
    who: Authenticated,
    PathParam(act): PathParam<Uuid>,
) -> Result<Json<Act>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.act(act).await)?))
}

/// Takes an act back, whole, once, and only while what it moved is still there.
#[utoipa::path(
    post, path = "/api/acts/{act}/reversal", tag = "stock",
    request_body = NewReversal,
    params(ActPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Taken back", body = Act), Problems),
)]
async fn post_act_reversal(
    State(app): State<App>,
    who: Authenticated,
    PathParam(act): PathParam<Uuid>,
    new: IdempotentJson<NewReversal>,
) -> Result<Created, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Created(create_tx!(app, who, &new.once, |tx| {
        ensure_may_reverse(&who, tx.act(act).await?.kind)?;
        tx.reverse(act, &new.value).await
    })?))
}

/// Stock counts, in the order that they were written down.
#[utoipa::path(
    get, path = "/api/stock-counts", tag = "stock",
    params(PaginationQuery),
    responses((status = 200, description = "Stock counts", body = ListResponse<StockCount>), Problems),
)]
async fn get_stock_counts(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<StockCount>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.stock_counts(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.act.act_id.to_string()))
}

/// Counts lots at a place and books the differences.
#[utoipa::path(
    post, path = "/api/stock-counts", tag = "stock",
    request_body = NewStockCount,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Counted", body = StockCount), Problems),
)]
async fn post_stock_counts(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewStockCount>,
) -> Result<Created, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.count_stock(&new.value).await)?))
}
