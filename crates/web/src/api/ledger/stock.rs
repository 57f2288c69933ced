//! Stock, movements, acts, stock counts.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::{
    ledger::entry::{Act, NewMovement, NewReversal},
    text::{LotCode, PlaceCode},
    units::calendar::Instant,
    words::ActKind,
};
use gillbook_store::ledger::{
    counts::{NewStockCount, StockCount},
    entries::StockRow,
};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use crate::{
    App,
    body::{Asked, Code, Create, PageAsked},
    once,
    problem::{Problem, Problems},
    read,
    reply::{Answered, Listed},
    rules::expect_may_reverse,
    who::Who,
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
#[serde(deny_unknown_fields)]
struct StockAsked {
    /// As it was at an instant; now unless said. What is set aside is known only for now.
    at: Option<Instant>,
    /// Only of one place.
    place: Option<PlaceCode>,
}

/// Which acts.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct ActsAsked {
    /// Of one kind.
    #[param(inline)]
    kind: Option<ActKind>,
    /// That moved one lot.
    lot: Option<LotCode>,
    /// The most rows, 100 unless said.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<i64>,
    /// The last key of the page before.
    #[param(max_length = 100)]
    after: Option<String>,
}

/// Stock by lot and place: free and set aside.
#[utoipa::path(get, path = "/api/stock", tag = "stock", params(StockAsked), responses((status = 200, description = "Stock", body = Listed<StockRow>), Problems))]
async fn get_stock(
    State(app): State<App>,
    who: Who,
    Asked(asked): Asked<StockAsked>,
) -> Result<Listed<StockRow>, Problem> {
    app.judge_first(&who).await?;
    let rows = read!(app, who, |tx| tx.stock(asked.at.map(|i| i.0), asked.place.as_ref()).await)?;
    Ok(Listed::whole(rows))
}

/// Acts with their movements, in the order that they were written down.
#[utoipa::path(get, path = "/api/movements", tag = "stock", params(ActsAsked), responses((status = 200, description = "Acts", body = Listed<Act>), Problems))]
async fn get_movements(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<ActsAsked>,
) -> Result<Listed<Act>, Problem> {
    let page = PageAsked { limit: asked.limit, after: asked.after }.page()?;
    let rows = read!(app, who, |tx| tx.acts(asked.kind, asked.lot.as_ref(), &page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.act_id.to_string()))
}

/// Moves grams: a transfer, waste, a gift, a test, trim, home.
#[utoipa::path(post, path = "/api/movements", tag = "stock", request_body = NewMovement, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Moved", body = Act), Problems))]
async fn post_movements(State(app): State<App>, who: Who, new: Create<NewMovement>) -> Result<Answered, Problem> {
    app.judge_first(&who).await?;
    Ok(Answered(once!(app, who, &new.once, |tx| tx.move_grams(&new.value).await)?))
}

/// One act with its movements.
#[utoipa::path(get, path = "/api/acts/{act}", tag = "stock", params(("act" = Uuid, Path, description = "The act's id")), responses((status = 200, description = "One act", body = Act), Problems))]
async fn get_act(State(app): State<App>, who: Who, Code(act): Code<Uuid>) -> Result<Json<Act>, Problem> {
    Ok(Json(read!(app, who, |tx| tx.act(act).await)?))
}

/// Takes an act back, whole, once, and only while what it moved is still there.
#[utoipa::path(post, path = "/api/acts/{act}/reversal", tag = "stock", request_body = NewReversal, params(("act" = Uuid, Path, description = "The act's id"), ("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Taken back", body = Act), Problems))]
async fn post_act_reversal(
    State(app): State<App>,
    who: Who,
    Code(act): Code<Uuid>,
    new: Create<NewReversal>,
) -> Result<Answered, Problem> {
    app.judge_first(&who).await?;
    Ok(Answered(once!(app, who, &new.once, |tx| {
        expect_may_reverse(&who, tx.act(act).await?.kind)?;
        tx.reverse(act, &new.value).await
    })?))
}

/// Stock counts, in the order that they were written down.
#[utoipa::path(get, path = "/api/stock-counts", tag = "stock", params(PageAsked), responses((status = 200, description = "Stock counts", body = Listed<StockCount>), Problems))]
async fn get_stock_counts(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<StockCount>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.stock_counts(&page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.act.act_id.to_string()))
}

/// Counts lots at a place and books the differences.
#[utoipa::path(post, path = "/api/stock-counts", tag = "stock", request_body = NewStockCount, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Counted", body = StockCount), Problems))]
async fn post_stock_counts(State(app): State<App>, who: Who, new: Create<NewStockCount>) -> Result<Answered, Problem> {
    app.judge_first(&who).await?;
    Ok(Answered(once!(app, who, &new.once, |tx| tx.count_stock(&new.value).await)?))
}
