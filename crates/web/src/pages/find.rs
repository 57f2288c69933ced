//! Where is it? One field for codes and names.

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Redirect, Response},
};
use gillbook_core::{
    find::{Closeness, Found, MAX_QUERY_CHARS, closeness},
    kinds::FoundKind,
};
use serde::Deserialize;

use super::{Html, Layout, full_day};
use crate::{App, auth::Authenticated, extract::Query, problem::Problem, read_tx};

#[derive(Debug, Deserialize)]
pub(super) struct FindQuery {
    #[serde(default)]
    q: String,
}

/// Something that was found, and where its page is.
struct Row {
    address: String,
    what: &'static str,
    code: String,
    name: String,
    day: String,
}

#[derive(Template)]
#[template(path = "find.html")]
struct FindPage {
    head: Layout,
    q: String,
    rows: Vec<Row>,
}

/// What a kind is called, the rule for its page, and where its pages are.
const fn page_of(kind: FoundKind) -> (&'static str, &'static str, &'static str) {
    match kind {
        FoundKind::Lot => ("Lot", "/lots/{lot}", "/lots"),
        FoundKind::Batch => ("Batch", "/batches/{batch}", "/batches"),
        FoundKind::Order => ("Order", "/orders/{order}", "/orders"),
        FoundKind::Docket => ("Docket", "/dockets/{docket}", "/dockets"),
        FoundKind::Customer => ("Customer", "/customers/{customer}", "/customers"),
        FoundKind::Product => ("Product", "/products/{product}", "/products"),
    }
}

fn row(found: Found) -> Row {
    let (what, _, path) = page_of(found.kind);
    let day = found.day.map(full_day).unwrap_or_default();
    Row { address: format!("{path}/{}", found.code), what, code: found.code, name: found.name, day }
}

/// The field, and what was found. A whole code that is the beginning of no other leads to its page at once.
pub(super) async fn get_find(
    State(app): State<App>,
    who: Authenticated,
    Query(FindQuery { q }): Query<FindQuery>,
) -> Result<Response, Problem> {
    let q: String = q.trim().chars().take(MAX_QUERY_CHARS).collect();
    let (farm, found) = read_tx!(app, who, |tx| {
        let found = if q.is_empty() { Vec::new() } else { tx.find(&q).await? };
        Ok((tx.farm().await?, found))
    })?;
    let head = Layout::new(&farm, &who, "/find");
    let shown: Vec<Found> = found.into_iter().filter(|f| head.may("GET", page_of(f.kind).1)).collect();
    if let [only] = &shown[..]
        && closeness(&q, &only.code, "") == Some(Closeness::Code)
    {
        let (_, _, path) = page_of(only.kind);
        return Ok(Redirect::to(&format!("{path}/{}", only.code)).into_response());
    }
    Ok(Html(FindPage { head, q, rows: shown.into_iter().map(row).collect() }).into_response())
}
