//! Finding things by their codes and names.

use axum::extract::State;
use gillbook_core::find::{Found, MAX_QUERY_CHARS};
use gillbook_core::refusal::Refusal;
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    auth::Authenticated,
    extract::Query,
    problem::{Problem, Problems},
    read_tx,
    respond::ListResponse,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(get_find))
}

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
struct FindQuery {
    /// What is looked for: a code or a part of one, with or without its hyphens, or words of a name, of which long ones may be misspelt.
    #[param(min_length = 1, max_length = 100)]
    q: String,
}

/// Lots, batches, orders, dockets, customers and products by code or name, the closest first; at most eight of each.
#[utoipa::path(
    get, path = "/api/find", tag = "reports",
    params(FindQuery),
    responses((status = 200, description = "What was found", body = ListResponse<Found>), Problems),
)]
async fn get_find(
    State(app): State<App>,
    who: Authenticated,
    Query(FindQuery { q }): Query<FindQuery>,
) -> Result<ListResponse<Found>, Problem> {
    ensure_query(&q)?;
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.find(&q).await)?))
}

/// Refuses an empty query and an endless one.
pub(crate) fn ensure_query(q: &str) -> Result<(), Refusal> {
    if q.trim().is_empty() || q.chars().count() > MAX_QUERY_CHARS {
        return Err(Refusal::field("q", "Give a code or a name, of up to 100 letters."));
    }
    Ok(())
}
