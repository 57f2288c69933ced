//! Signing in and out, assets, and the pages that stand still.

use askama::Template;
use axum::{
    extract::State,
    http::{HeaderMap, StatusCode, header},
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

pub(super) async fn get_asset(PathParam(file): PathParam<String>) -> Response {
    let (kind, bytes) = match file.as_str() {
        "gillbook.css" => ("text/css; charset=utf-8", include_str!("../../assets/gillbook.css")),
        "weigh.js" => ("text/javascript; charset=utf-8", include_str!("../../assets/weigh.js")),
        "waiting.js" => ("text/javascript; charset=utf-8", include_str!("../../assets/waiting.js")),
        "outbox.js" => ("text/javascript; charset=utf-8", include_str!("../../assets/outbox.js")),
        "offers.js" => ("text/javascript; charset=utf-8", include_str!("../../assets/offers.js")),
        "find.js" => ("text/javascript; charset=utf-8", include_str!("../../assets/find.js")),
        "fridge.js" => ("text/javascript; charset=utf-8", include_str!("../../assets/fridge.js")),
        "icon.svg" => ("image/svg+xml", include_str!("../../assets/icon.svg")),
        _ => return Problem::not_found_page().into_response(),
    };
    ([(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "max-age=300")], bytes).into_response()
}
