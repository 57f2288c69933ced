//! The id of the request that is being answered: in its header, in the log, and in the problem where we are to blame.

use axum::{
    extract::Request,
    http::{HeaderName, HeaderValue},
    middleware::Next,
    response::Response,
};
use uuid::Uuid;

const HEADER: HeaderName = HeaderName::from_static("x-request-id");

tokio::task_local! {
    static REQUEST_ID: Uuid;
}

/// The id of the request that this task answers.
pub(crate) fn current() -> Option<Uuid> {
    REQUEST_ID.try_with(|id| *id).ok()
}

#[expect(clippy::disallowed_methods, reason = "the one place where a request gets its id")]
fn new_id() -> Uuid {
    Uuid::new_v4()
}

/// Answers under the id that a proxy gave, where it is a UUID, else under a new one.
pub(crate) async fn answer(request: Request, next: Next) -> Response {
    let given = request.headers().get(HEADER).and_then(|id| id.to_str().ok()?.parse().ok());
    let id = given.unwrap_or_else(new_id);
    let mut response = REQUEST_ID.scope(id, next.run(request)).await;
    if let Ok(value) = HeaderValue::from_str(&id.to_string()) {
        response.headers_mut().insert(HEADER, value);
    }
    response
}
