//! Market days.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::{
    selling::{
        market::{MarketClose, MarketDay, NewMarketDay},
        tally::{NewTallyReversal, NewTallySale, TallySale},
    },
    text::MarketDayCode,
};
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use crate::{
    App,
    api::params::{IdempotencyKeyHeader, MarketDayPath, TallySalePath},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, JsonBody, PaginationQuery, PathParam, Query},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse},
    write_tx,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_market_days, post_market_days))
        .routes(routes!(get_market_day, patch_market_day))
        .routes(routes!(get_tally_sales, post_tally_sales))
        .routes(routes!(get_tally_sale))
        .routes(routes!(post_tally_sale_reversal))
}

/// Market days, by day.
#[utoipa::path(
    get, path = "/api/market-days", tag = "selling",
    params(PaginationQuery),
    responses((status = 200, description = "Market days", body = ListResponse<MarketDay>), Problems),
)]
async fn get_market_days(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<MarketDay>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.market_days(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.market_day.to_string()))
}

/// Takes goods to a stall.
#[utoipa::path(
    post, path = "/api/market-days", tag = "selling",
    request_body = NewMarketDay,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Begun", body = MarketDay), Problems),
)]
async fn post_market_days(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewMarketDay>,
) -> Result<Created, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.open_market_day(&new.value).await)?))
}

/// One market day.
#[utoipa::path(
    get, path = "/api/market-days/{market_day}", tag = "selling",
    params(MarketDayPath),
    responses((status = 200, description = "One market day", body = MarketDay), Problems),
)]
async fn get_market_day(
    State(app): State<App>,
    who: Authenticated,
    PathParam(market_day): PathParam<MarketDayCode>,
) -> Result<Json<MarketDay>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.market_day(&market_day).await)?))
}

/// Reckons a market day: brought back, wasted, tasted; the rest was sold. Once only.
#[utoipa::path(
    patch, path = "/api/market-days/{market_day}", tag = "selling",
    request_body = MarketClose,
    params(MarketDayPath),
    responses((status = 200, description = "Cashed up", body = MarketDay), Problems),
)]
async fn patch_market_day(
    State(app): State<App>,
    who: Authenticated,
    PathParam(market_day): PathParam<MarketDayCode>,
    JsonBody(new): JsonBody<MarketClose>,
) -> Result<Json<MarketDay>, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Json(write_tx!(app, who, |tx| tx.close_market_day(&market_day, &new).await)?))
}

/// The sales of a market day as they were tallied, newest first, with those that were taken back.
#[utoipa::path(
    get, path = "/api/market-days/{market_day}/sales", tag = "selling",
    params(MarketDayPath, PaginationQuery),
    responses((status = 200, description = "Sales", body = ListResponse<TallySale>), Problems),
)]
async fn get_tally_sales(
    State(app): State<App>,
    who: Authenticated,
    PathParam(market_day): PathParam<MarketDayCode>,
    uri: Uri,
    Query(page): Query<PaginationQuery>,
) -> Result<ListResponse<TallySale>, Problem> {
    let page = page.page()?;
    let rows = read_tx!(app, who, |tx| {
        tx.market_day(&market_day).await?;
        tx.tally_sales(&market_day, &page).await
    })?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.id.to_string()))
}

/// Tallies a sale at a stall, until its day is cashed up. It moves no goods and books no money: the close of the day does, and this says what
/// should be in the box then, and at which prices goods were sold.
#[utoipa::path(
    post, path = "/api/market-days/{market_day}/sales", tag = "selling",
    request_body = NewTallySale,
    params(MarketDayPath, IdempotencyKeyHeader),
    responses((status = 201, description = "Tallied", body = TallySale), Problems),
)]
async fn post_tally_sales(
    State(app): State<App>,
    who: Authenticated,
    PathParam(market_day): PathParam<MarketDayCode>,
    new: IdempotentJson<NewTallySale>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.enter_tally_sale(&market_day, &new.value).await)?))
}

/// One sale of a market day.
#[utoipa::path(
    get, path = "/api/tally-sales/{sale}", tag = "selling",
    params(TallySalePath),
    responses((status = 200, description = "One sale", body = TallySale), Problems),
)]
async fn get_tally_sale(
    State(app): State<App>,
    who: Authenticated,
    PathParam(sale): PathParam<Uuid>,
) -> Result<Json<TallySale>, Problem> {
    Ok(Json(read_tx!(app, who, |tx| tx.tally_sale(sale).await)?))
}

/// Takes a sale back, until its market day is cashed up.
#[utoipa::path(
    post, path = "/api/tally-sales/{sale}/reversal", tag = "selling",
    request_body = NewTallyReversal,
    params(TallySalePath, IdempotencyKeyHeader),
    responses((status = 201, description = "Taken back", body = TallySale), Problems),
)]
async fn post_tally_sale_reversal(
    State(app): State<App>,
    who: Authenticated,
    PathParam(sale): PathParam<Uuid>,
    new: IdempotentJson<NewTallyReversal>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.reverse_tally_sale(sale, &new.value).await)?))
}
