//! Weighings.

use axum::{Json, extract::State, http::Uri};
use gillbook_core::ledger::{
    entry::{Act, NewReversal},
    weighing::{NewWeighing, Weighing},
};
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use crate::{
    App,
    body::{Asked, Code, Create, PageAsked},
    once,
    problem::{Problem, Problems},
    read,
    reply::{Answered, Listed},
    who::Who,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_weighings, post_weighings))
        .routes(routes!(get_weighing))
        .routes(routes!(post_weighing_reversal))
}

/// Weighings, in the order that they were written down.
#[utoipa::path(get, path = "/api/weighings", tag = "weighing", params(PageAsked), responses((status = 200, description = "Weighings", body = Listed<Weighing>), Problems))]
async fn get_weighings(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<Weighing>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.weighings(false, &page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.id.to_string()))
}

/// Keeps a weighing, and puts it into the lot of the day.
#[utoipa::path(post, path = "/api/weighings", tag = "weighing", request_body = NewWeighing, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Kept", body = Weighing), Problems))]
async fn post_weighings(State(app): State<App>, who: Who, new: Create<NewWeighing>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.weigh(&new.value).await)?))
}

/// One weighing.
#[utoipa::path(get, path = "/api/weighings/{weighing}", tag = "weighing", params(("weighing" = Uuid, Path, description = "The weighing's id")), responses((status = 200, description = "One weighing", body = Weighing), Problems))]
async fn get_weighing(State(app): State<App>, who: Who, Code(weighing): Code<Uuid>) -> Result<Json<Weighing>, Problem> {
    Ok(Json(read!(app, who, |tx| tx.weighing(weighing).await)?))
}

/// Takes a weighing back.
#[utoipa::path(post, path = "/api/weighings/{weighing}/reversal", tag = "weighing", request_body = NewReversal, params(("weighing" = Uuid, Path, description = "The weighing's id"), ("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Taken back", body = Act), Problems))]
async fn post_weighing_reversal(
    State(app): State<App>,
    who: Who,
    Code(weighing): Code<Uuid>,
    new: Create<NewReversal>,
) -> Result<Answered, Problem> {
    app.judge_first(&who).await?;
    Ok(Answered(once!(app, who, &new.once, |tx| {
        tx.weighing(weighing).await?;
        tx.reverse(weighing, &new.value).await
    })?))
}
