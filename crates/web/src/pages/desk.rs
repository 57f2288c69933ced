//! Signing in and out, assets, and the pages that stand still.

use askama::Template;
use axum::{
    extract::State,
    http::{HeaderMap, HeaderName, StatusCode, header},
    response::{IntoResponse, Redirect, Response},
};
use gillbook_store::farm::{
    people::{Passphrase, SignInName},
    sessions::wrong_name_or_passphrase,
};
use serde::Deserialize;

use super::{Html, Layout, problem_page};
use crate::{
    App,
    auth::{Lasting, cookie, secret},
    extract::{Form, PathParam},
    problem::Problem,
    sign_in::{Origin, sign_in},
};

#[derive(Template)]
#[template(path = "sign_in.html")]
struct SignInPage {
    head: Layout,
    /// What was typed, to be corrected; never the passphrase.
    name: String,
    shared_phone: bool,
    wrong: Option<String>,
    /// Whether a farm can be opened here.
    can_set_up: bool,
}

#[derive(Template)]
#[template(path = "food_safety.html")]
struct FoodSafety {
    head: Layout,
}

#[derive(Debug, Deserialize)]
pub(super) struct SignInForm {
    sign_in_name: String,
    passphrase: String,
    shared_phone: Option<String>,
}

pub(super) async fn get_sign_in(State(app): State<App>) -> impl IntoResponse {
    Html(SignInPage {
        head: Layout::nobody("/sign-in"),
        name: String::new(),
        shared_phone: false,
        wrong: None,
        can_set_up: app.is_setup_offered(),
    })
}

pub(super) async fn post_sign_in(State(app): State<App>, origin: Origin, Form(form): Form<SignInForm>) -> Response {
    let signed_in = async {
        // A name that nobody can have was mistyped: told like any other.
        let name = SignInName::new(&form.sign_in_name).map_err(|_| Problem::from(wrong_name_or_passphrase()))?;
        sign_in(&app, &origin, &name, Passphrase::new(&form.passphrase), form.shared_phone.is_some()).await
    };
    match signed_in.await {
        Ok(cookies) => (cookies, Redirect::to("/")).into_response(),
        Err(problem) => {
            let view = SignInPage {
                head: Layout::nobody("/sign-in"),
                name: form.sign_in_name,
                shared_phone: form.shared_phone.is_some(),
                wrong: Some(problem.detail().to_owned()),
                can_set_up: app.is_setup_offered(),
            };
            (problem.status(), Html(view)).into_response()
        }
    }
}

pub(super) async fn post_sign_out(State(app): State<App>, headers: HeaderMap) -> Result<Response, Problem> {
    if let Some(secret) = secret(&headers) {
        app.store.sign_out(&secret, app.now()).await.map_err(Problem::from)?;
    }
    Ok(([(header::SET_COOKIE, cookie(&app, Lasting::Session, ""))], Redirect::to("/sign-in")).into_response())
}

pub(super) async fn get_food_safety(State(app): State<App>, headers: HeaderMap) -> impl IntoResponse {
    Html(FoodSafety { head: Layout::of(&app, &headers, "/food-safety").await })
}

#[derive(Template)]
#[template(path = "no_connection.html")]
struct NoConnection {
    head: Layout,
}

/// What a phone shows without a connection: it keeps this page.
pub(super) async fn get_no_connection() -> impl IntoResponse {
    Html(NoConnection { head: Layout::nobody("/no-connection") })
}

/// What a problem's type means: its address is the type itself.
pub(super) async fn get_problem(
    State(app): State<App>,
    headers: HeaderMap,
    PathParam(slug): PathParam<String>,
) -> Response {
    match Problem::kinds().into_iter().find(|(known, _, _)| *known == slug) {
        Some((slug, title, status)) => {
            let problem = Problem::new(
                slug,
                title,
                status,
                "An answer of this type says in its detail what happened and what to do, and in its errors which fields are to blame.",
            );
            (StatusCode::OK, problem_page(Layout::of(&app, &headers, "").await, &problem)).into_response()
        }
        None => Problem::not_found_page().into_response(),
    }
}

/// A file that pages load. The file that keeps a page for later may look after all of them, and not only after files.
pub(super) async fn get_asset(PathParam(file): PathParam<String>) -> Response {
    const CSS: &str = "text/css; charset=utf-8";
    const SCRIPT: &str = "text/javascript; charset=utf-8";
    let (kind, bytes): (_, &[u8]) = match file.as_str() {
        "gillbook.css" => (CSS, include_bytes!("../../assets/gillbook.css")),
        "lists.css" => (CSS, include_bytes!("../../assets/lists.css")),
        "thumb.css" => (CSS, include_bytes!("../../assets/thumb.css")),
        "weigh.js" => (SCRIPT, include_bytes!("../../assets/weigh.js")),
        "stall.js" => (SCRIPT, include_bytes!("../../assets/stall.js")),
        "phone_form.js" => (SCRIPT, include_bytes!("../../assets/phone_form.js")),
        "unsent.js" => (SCRIPT, include_bytes!("../../assets/unsent.js")),
        "no_connection.js" => (SCRIPT, include_bytes!("../../assets/no_connection.js")),
        "waiting.js" => (SCRIPT, include_bytes!("../../assets/waiting.js")),
        "outbox.js" => (SCRIPT, include_bytes!("../../assets/outbox.js")),
        "offline.js" => (SCRIPT, include_bytes!("../../assets/offline.js")),
        "signature.js" => (SCRIPT, include_bytes!("../../assets/signature.js")),
        "offers.js" => (SCRIPT, include_bytes!("../../assets/offers.js")),
        "find.js" => (SCRIPT, include_bytes!("../../assets/find.js")),
        "fridge.js" => (SCRIPT, include_bytes!("../../assets/fridge.js")),
        "icon.svg" => ("image/svg+xml", include_bytes!("../../assets/icon.svg")),
        "icon.png" => ("image/png", include_bytes!("../../assets/icon.png")),
        "manifest.webmanifest" => ("application/manifest+json", include_bytes!("../../assets/manifest.webmanifest")),
        _ => return Problem::not_found_page().into_response(),
    };
    let scope = HeaderName::from_static("service-worker-allowed");
    let headers = [(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "max-age=300"), (scope, "/")];
    (headers, bytes).into_response()
}
