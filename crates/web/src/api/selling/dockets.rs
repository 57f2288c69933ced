//! Dockets.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::{text::DocketCode, units::calendar::Day};
use gillbook_store::selling::{
    deliveries::{NewDelivery, NewReturn},
    dockets::{Docket, NewDocket},
};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    body::{Asked, Code, Create, PageAsked},
    once,
    problem::{Problem, Problems},
    read,
    reply::{Answered, Document, Listed},
    who::Who,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_dockets, post_dockets))
        .routes(routes!(get_docket))
        .routes(routes!(get_docket_pdf))
        .routes(routes!(post_delivery))
        .routes(routes!(post_returns))
}

/// Which dockets.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct DocketsAsked {
    /// Of one delivery day.
    day: Option<Day>,
    /// The most rows, 100 unless said.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<i64>,
    /// The last key of the page before.
    #[param(max_length = 100)]
    after: Option<String>,
}

/// Dockets, by number.
#[utoipa::path(get, path = "/api/dockets", tag = "selling", params(DocketsAsked), responses((status = 200, description = "Dockets", body = Listed<Docket>), Problems))]
async fn get_dockets(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<DocketsAsked>,
) -> Result<Listed<Docket>, Problem> {
    let page = PageAsked { limit: asked.limit, after: asked.after }.page()?;
    let rows = read!(app, who, |tx| tx.dockets(asked.day.map(|d| d.0), &page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.docket.to_string()))
}

/// Sends an order out with what is set aside for it.
#[utoipa::path(post, path = "/api/dockets", tag = "selling", request_body = NewDocket, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Sent out", body = Docket), Problems))]
async fn post_dockets(State(app): State<App>, who: Who, new: Create<NewDocket>) -> Result<Answered, Problem> {
    app.judge_first(&who).await?;
    Ok(Answered(once!(app, who, &new.once, |tx| tx.dispatch(&new.value).await)?))
}

/// One docket.
#[utoipa::path(get, path = "/api/dockets/{docket}", tag = "selling", params(("docket" = DocketCode, Path, description = "The docket's code")), responses((status = 200, description = "One docket", body = Docket), Problems))]
async fn get_docket(State(app): State<App>, who: Who, Code(docket): Code<DocketCode>) -> Result<Json<Docket>, Problem> {
    Ok(Json(read!(app, who, |tx| tx.docket(&docket).await)?))
}

/// The docket as it prints.
#[utoipa::path(get, path = "/api/dockets/{docket}/pdf", tag = "selling", params(("docket" = DocketCode, Path, description = "The docket's code")), responses((status = 200, description = "The docket", body = Vec<u8>, content_type = "application/pdf"), Problems))]
async fn get_docket_pdf(State(app): State<App>, who: Who, Code(docket): Code<DocketCode>) -> Result<Document, Problem> {
    let (farm, docket) = read!(app, who, |tx| Ok((tx.farm().await?, tx.docket(&docket).await?)))?;
    let name = format!("{}.pdf", docket.docket);
    Ok(Document { kind: "application/pdf", name, bytes: crate::pages::docket_pdf(farm, docket).await? })
}

/// Writes down that a docket was handed over.
#[utoipa::path(post, path = "/api/dockets/{docket}/delivery", tag = "selling", request_body = NewDelivery, params(("docket" = DocketCode, Path, description = "The docket's code"), ("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Written down", body = Docket), Problems))]
async fn post_delivery(
    State(app): State<App>,
    who: Who,
    Code(docket): Code<DocketCode>,
    new: Create<NewDelivery>,
) -> Result<Answered, Problem> {
    app.judge_first(&who).await?;
    Ok(Answered(once!(app, who, &new.once, |tx| tx.deliver(&docket, &new.value).await)?))
}

/// Writes down what came back. It goes to waste.
#[utoipa::path(post, path = "/api/dockets/{docket}/returns", tag = "selling", request_body = NewReturn, params(("docket" = DocketCode, Path, description = "The docket's code"), ("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Written down", body = Docket), Problems))]
async fn post_returns(
    State(app): State<App>,
    who: Who,
    Code(docket): Code<DocketCode>,
    new: Create<NewReturn>,
) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.take_return(&docket, &new.value).await)?))
}
