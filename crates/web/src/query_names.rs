//! Names behind the `?` of an address of the interface: one that the address does not know is refused, so that a slip of the finger does not
//! ask for everything.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use axum::{
    extract::{MatchedPath, Query, Request, State},
    http::Method,
    middleware::Next,
    response::{IntoResponse, Response},
};
use gillbook_core::refusal::Refusal;
use utoipa::openapi::{OpenApi, RefOr, path::ParameterIn};

use crate::problem::Problem;

/// The names that each address knows, by the published description.
pub(crate) type QueryNames = Arc<BTreeMap<String, BTreeSet<String>>>;

/// Reads them off the description. Only what is read has a query.
pub(crate) fn of(description: &OpenApi) -> QueryNames {
    let names = |item: &utoipa::openapi::PathItem| -> Option<BTreeSet<String>> {
        let given = item.get.as_ref()?.parameters.iter().flatten().filter_map(|parameter| match parameter {
            RefOr::T(own) => Some(own),
            RefOr::Ref(_) => None,
        });
        Some(given.filter(|p| p.parameter_in == ParameterIn::Query).map(|p| p.name.clone()).collect())
    };
    let all = description.paths.paths.iter();
    Arc::new(all.filter_map(|(path, item)| Some((path.clone(), names(item)?))).collect())
}

/// Refuses a name that the address does not know.
pub(crate) async fn ensure_known(State(names): State<QueryNames>, request: Request, next: Next) -> Response {
    match unknown(&names, &request) {
        Some(problem) => problem.into_response(),
        None => next.run(request).await,
    }
}

fn unknown(names: &QueryNames, request: &Request) -> Option<Problem> {
    if !matches!(*request.method(), Method::GET | Method::HEAD) || request.uri().query().is_none_or(str::is_empty) {
        return None;
    }
    let known = names.get(request.extensions().get::<MatchedPath>()?.as_str())?;
    let Query(given) = Query::<Vec<(String, String)>>::try_from_uri(request.uri()).ok()?;
    let (name, _) = given.into_iter().find(|(name, _)| !known.contains(name))?;
    let detail = if known.is_empty() {
        "This address takes nothing behind the “?”. Leave it out.".to_owned()
    } else {
        let known: Vec<&str> = known.iter().map(String::as_str).collect();
        format!("This address does not know “{name}”. It knows: {}.", known.join(", "))
    };
    Some(Refusal::field(name, detail).into())
}
