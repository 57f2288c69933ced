//! Who is told, and what happens as it happens.

use crate::{
    App,
    api::params::{IdempotencyKeyHeader, NoticeToPath},
    auth::{Authenticated, secret},
    extract::{IdempotentJson, PathParam},
    live::events,
    problem::{Problem, Problems},
    read_tx,
    respond::ListResponse,
    write_tx,
};
use axum::{
    Json,
    extract::State,
    http::{HeaderMap, StatusCode},
    response::sse::{Event, KeepAlive, Sse},
};
use futures::Stream;
use gillbook_store::cold::notices::{NewNoticeRecipient, NoticeRecipient};
use std::convert::Infallible;
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_notices, post_notices))
        .routes(routes!(delete_notice))
        .routes(routes!(get_events))
}

/// Who is told of what.
#[utoipa::path(
    get, path = "/api/notices", tag = "cold",
    responses((status = 200, description = "Receivers", body = ListResponse<NoticeRecipient>), Problems),
)]
async fn get_notices(State(app): State<App>, who: Authenticated) -> Result<ListResponse<NoticeRecipient>, Problem> {
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.recipients().await)?))
}

/// Adds somebody who is told: by e-mail, or by a webhook signed after the Standard Webhooks specification.
#[utoipa::path(
    post, path = "/api/notices", tag = "cold",
    request_body = NewNoticeRecipient,
    params(IdempotencyKeyHeader),
    responses(
        (status = 201, description = "Added; a webhook's secret is shown this once", body = NoticeRecipient),
        Problems,
    ),
)]
async fn post_notices(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewNoticeRecipient>,
) -> Result<(StatusCode, Json<NoticeRecipient>), Problem> {
    let added = write_tx!(app, who, |tx| {
        // The key is reserved and its answer never kept, so that the secret is not stored twice.
        tx.reserve_key(&new.once).await?;
        tx.add_notice_recipient(&new.value).await
    })?;
    Ok((StatusCode::CREATED, Json(added)))
}

/// Tells somebody nothing more.
#[utoipa::path(
    delete, path = "/api/notices/{notice_recipient}", tag = "cold",
    params(NoticeToPath),
    responses((status = 204, description = "Removed"), Problems),
)]
async fn delete_notice(
    State(app): State<App>,
    who: Authenticated,
    PathParam(id): PathParam<Uuid>,
) -> Result<StatusCode, Problem> {
    write_tx!(app, who, |tx| tx.remove_notice_recipient(id).await)?;
    Ok(StatusCode::NO_CONTENT)
}

/// The live stream: an event `judged`, with the place's code, whenever a store was judged anew; an event `missed` when some could not be told.
#[utoipa::path(
    get, path = "/api/events", tag = "cold",
    responses(
        (status = 200, description = "Server-sent events", body = String, content_type = "text/event-stream"),
        Problems,
    ),
)]
async fn get_events(
    State(app): State<App>,
    who: Authenticated,
    headers: HeaderMap,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let secret = secret(&headers).ok_or_else(Problem::not_signed_in)?;
    Ok(Sse::new(events(app, who.actor.farm, secret)?).keep_alive(KeepAlive::default()))
}
