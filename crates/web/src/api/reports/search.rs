//! Searching for things by their codes and names.

use axum::extract::State;
use gillbook_core::{
    refusal::Refusal,
    search::{Hit, MAX_QUERY_CHARS, Query as SearchQuery},
};
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
    OpenApiRouter::new().routes(routes!(get_search))
}

#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
struct SearchParams {
    /// What is searched for: a code or a part of one, with or without its hyphens, or words of a name, of which longer ones may be misspelt.
    #[param(min_length = 1, max_length = 100)]
    q: String,
}

/// Customers and products by code or name, lots and batches by their code or their strain's name, orders and dockets by their code or their
/// customer's name. The closest come first, then the newest; at most eight of each kind, and by name the newest of each strain or customer.
#[utoipa::path(
    get, path = "/api/search", tag = "reports",
    params(SearchParams),
    responses((status = 200, description = "What was found", body = ListResponse<Hit>), Problems),
)]
async fn get_search(
    State(app): State<App>,
    who: Authenticated,
    Query(SearchParams { q }): Query<SearchParams>,
) -> Result<ListResponse<Hit>, Problem> {
    if q.trim().is_empty() || q.chars().count() > MAX_QUERY_CHARS {
        return Err(Refusal::field("q", format!("Give a code or a name, of up to {MAX_QUERY_CHARS} letters.")).into());
    }
    let hits = read_tx!(app, who, |tx| tx.search(&SearchQuery::new(&q)).await)?;
    Ok(ListResponse::whole(hits.into_iter().map(|(_, hit)| hit).collect()))
}
