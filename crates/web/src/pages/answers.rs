//! How the pages answer: a form that was refused, a problem in words, and what a script that keeps forms is told.

use askama::Template;
use axum::{
    Extension, Json,
    extract::{MatchedPath, Request, State},
    http::{HeaderMap, HeaderValue, Method, header},
    middleware::Next,
    response::{IntoResponse, Response},
};

use super::{Html, Layout};
use crate::{App, problem::Problem, said::pass_on};

#[derive(Template)]
#[template(path = "problem.html")]
struct ProblemPage {
    head: Layout,
    title: String,
    detail: String,
}

/// A problem as a page: what happened and what to do, in words.
pub(super) fn problem_page(head: Layout, problem: &Problem) -> Response {
    let view = ProblemPage { head, title: problem.title().to_owned(), detail: problem.detail().to_owned() };
    (problem.status(), Html(view)).into_response()
}

/// What a page may load and who may frame it.
const POLICY: HeaderValue = HeaderValue::from_static(
    "default-src 'self'; img-src 'self' data:; frame-ancestors 'none'; form-action 'self'; base-uri 'none'",
);

/// Lets a request through to a page and finishes its answer.
pub(crate) async fn finished(State(app): State<App>, route: MatchedPath, request: Request, next: Next) -> Response {
    let (method, headers) = (request.method().clone(), request.headers().clone());
    let answer = next.run(request).await;
    if method == Method::POST && asks_for_outcome(&headers) && !DOORS.contains(&route.as_str()) {
        return outcome(answer);
    }
    let mut answer = finish(&app, &headers, answer).await;
    pass_on(&method, route.as_str(), &headers, &mut answer, app.settings.secure_cookies);
    answer
}

/// Forms whose answers set a cookie: a browser alone sends them.
const DOORS: [&str; 3] = ["/sign-in", "/sign-out", "/setup"];

/// What went wrong with a form, beside the page that shows it.
#[derive(Debug, Clone)]
struct FormProblem(Problem);

/// Whether a form was sent by the script that keeps it where there is no connection: it shows no page and wants to know what became of it.
fn asks_for_outcome(headers: &HeaderMap) -> bool {
    headers.get(header::ACCEPT).is_some_and(|kinds| kinds == "application/problem+json")
}

/// What became of a form: the address that it leads on to, or the problem.
fn outcome(mut answer: Response) -> Response {
    if let Some(FormProblem(problem)) = answer.extensions_mut().remove() {
        return problem.into_response();
    }
    match answer.headers().get(header::LOCATION).and_then(|next| next.to_str().ok()) {
        Some("/sign-in") => Problem::not_signed_in().into_response(),
        Some(next) => Json(serde_json::json!({"next": next})).into_response(),
        None => answer,
    }
}

/// Makes an answer one for a browser: a problem in words, with the way on, and what the browser is to hold to.
pub(crate) async fn finish(app: &App, headers: &HeaderMap, answer: Response) -> Response {
    let mut page = match answer.extensions().get::<Problem>() {
        Some(problem) => problem_page(Layout::of(app, headers, "").await, problem),
        None => answer,
    };
    page.headers_mut().insert(header::CONTENT_SECURITY_POLICY, POLICY);
    page.headers_mut().insert(header::REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    page
}

/// The page that a form stood on, again, with what went wrong; or the problem alone where even the page cannot be shown.
pub(super) fn rerender_form<T: Template>(view: Result<T, Problem>, problem: Problem) -> Response {
    match view {
        Ok(view) => (problem.status(), Extension(FormProblem(problem)), Html(view)).into_response(),
        Err(_) => problem.into_response(),
    }
}
