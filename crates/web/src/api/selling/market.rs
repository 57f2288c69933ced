//! Market days.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::{
    selling::market::{MarketClose, MarketDay, NewMarketDay},
    text::MarketDayCode,
};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    body::{Asked, Body, Code, Create, PageAsked},
    once,
    problem::{Problem, Problems},
    read,
    reply::{Answered, Listed},
    who::Who,
    write,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_market_days, post_market_days))
        .routes(routes!(get_market_day, patch_market_day))
}

/// Market days, by day.
#[utoipa::path(get, path = "/api/market-days", tag = "selling", params(PageAsked), responses((status = 200, description = "Market days", body = Listed<MarketDay>), Problems))]
async fn get_market_days(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<MarketDay>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.market_days(&page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.market_day.to_string()))
}

/// Takes goods to a stall.
#[utoipa::path(post, path = "/api/market-days", tag = "selling", request_body = NewMarketDay, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Begun", body = MarketDay), Problems))]
async fn post_market_days(State(app): State<App>, who: Who, new: Create<NewMarketDay>) -> Result<Answered, Problem> {
    app.judge_first(&who).await?;
    Ok(Answered(once!(app, who, &new.once, |tx| tx.open_market_day(&new.value).await)?))
}

/// One market day.
#[utoipa::path(get, path = "/api/market-days/{market_day}", tag = "selling", params(("market_day" = MarketDayCode, Path, description = "The market day's code")), responses((status = 200, description = "One market day", body = MarketDay), Problems))]
async fn get_market_day(
    State(app): State<App>,
    who: Who,
    Code(market_day): Code<MarketDayCode>,
) -> Result<Json<MarketDay>, Problem> {
    Ok(Json(read!(app, who, |tx| tx.market_day(&market_day).await)?))
}

/// Reckons a market day: brought back, wasted, tasted; the rest was sold. Once only.
#[utoipa::path(patch, path = "/api/market-days/{market_day}", tag = "selling", request_body = MarketClose, params(("market_day" = MarketDayCode, Path, description = "The market day's code")), responses((status = 200, description = "Cashed up", body = MarketDay), Problems))]
async fn patch_market_day(
    State(app): State<App>,
    who: Who,
    Code(market_day): Code<MarketDayCode>,
    Body(new): Body<MarketClose>,
) -> Result<Json<MarketDay>, Problem> {
    app.judge_first(&who).await?;
    Ok(Json(write!(app, who, |tx| tx.close_market_day(&market_day, &new).await)?))
}
