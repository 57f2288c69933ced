//! Where is it? One field for codes and names.

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Redirect, Response},
};
use gillbook_core::{
    kinds::HitKind,
    search::{Closeness, Hit, MAX_QUERY_CHARS, Query as SearchQuery},
};
use gillbook_store::farm::farms::Farm;
use serde::Deserialize;

use super::{Html, Layout, full_day, orders::status_word};
use crate::{App, auth::Authenticated, extract::Query, problem::Problem, read_tx};

#[derive(Debug, Deserialize)]
pub(super) struct FindParams {
    #[serde(default)]
    q: String,
}

/// Something that was found, and where its page is.
struct Row {
    address: String,
    /// What it is, with its code.
    title: String,
    /// Its name, its day and where it stands, as far as it has them.
    about: String,
}

#[derive(Template)]
#[template(path = "find.html")]
struct FindPage {
    head: Layout,
    q: String,
    /// What the reader may look for: "lots, orders".
    kinds: String,
    rows: Vec<Row>,
}

/// What a kind is called, the rule for its page, and where its pages are.
fn page_of(kind: HitKind, farm: &Farm) -> (&str, &'static str, &'static str) {
    match kind {
        HitKind::Lot => ("lot", "/lots/{lot}", "/lots"),
        HitKind::Batch => ("batch", "/batches/{batch}", "/batches"),
        HitKind::Order => ("order", "/orders/{order}", "/orders"),
        HitKind::Docket => (farm.word("docket"), "/dockets/{docket}", "/dockets"),
        HitKind::Customer => ("customer", "/customers/{customer}", "/customers"),
        HitKind::Product => ("product", "/products/{product}", "/products"),
    }
}

fn row(hit: &Hit, farm: &Farm) -> Row {
    let (noun, _, path) = page_of(hit.kind, farm);
    let (day, status) = (hit.day.map(full_day), hit.status.map(|s| status_word(s).to_owned()));
    let about: Vec<String> = [Some(hit.name.clone()), day, status].into_iter().flatten().collect();
    Row { address: format!("{path}/{}", hit.code), title: format!("{noun} {}", hit.code), about: about.join(", ") }
}

/// The field, and what was found. A whole code that is the beginning of no other leads to its page at once.
pub(super) async fn get_find(
    State(app): State<App>,
    who: Authenticated,
    Query(FindParams { q }): Query<FindParams>,
) -> Result<Response, Problem> {
    let q: String = q.trim().chars().take(MAX_QUERY_CHARS).collect();
    // A recall goes by its number alone.
    if let Some(code) = Some(q.to_uppercase()).filter(|q| q.starts_with("RC-") && q[3..].parse::<u32>().is_ok()) {
        return Ok(Redirect::to(&format!("/recalls/{code}")).into_response());
    }
    let query = SearchQuery::new(&q);
    let (farm, mut hits) = read_tx!(app, who, |tx| Ok((tx.farm().await?, tx.search(&query).await?)))?;
    let head = Layout::new(&farm, &who, "/find");
    let may_see = |kind: HitKind| head.may("GET", page_of(kind, &farm).1);
    hits.retain(|(_, hit)| may_see(hit.kind));
    let by_code: Vec<_> = hits.iter().filter(|(closeness, _)| *closeness <= Closeness::CodeBegins).collect();
    if let [(Closeness::Code, only)] = by_code[..] {
        return Ok(Redirect::to(&row(only, &farm).address).into_response());
    }
    let rows = hits.iter().map(|(_, hit)| row(hit, &farm)).collect();
    let kinds: Vec<&str> = HitKind::ALL.iter().filter(|k| may_see(**k)).map(|k| page_of(*k, &farm).0).collect();
    Ok(Html(FindPage { kinds: kinds.join(", "), head, q, rows }).into_response())
}
