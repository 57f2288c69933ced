//! Who is asking: a cookie or a token, held against the one table of rules before any handler runs.

use std::sync::Arc;

use axum::{
    extract::{FromRequestParts, MatchedPath, Request, State},
    http::{HeaderMap, header, request::Parts},
    middleware::Next,
    response::{IntoResponse, Redirect, Response},
};
use cookie::time::Duration as CookieDuration;
use gillbook_core::refusal::{Refusal, RefusalKind};
use gillbook_store::farm::sessions::Session;

use crate::{
    App,
    access::{self, Barrier},
    cookies::{cookie_of, set_cookie},
    problem::Problem,
    said::said,
};

/// The cookie that signs in.
const SESSION_COOKIE: &str = "gillbook";
/// The cookie by which a browser is known again when somebody signs in.
const DEVICE_COOKIE: &str = "gillbook-device";

/// Somebody signed in whom the rules let through.
#[derive(Debug, Clone)]
pub(crate) struct Authenticated {
    session: Arc<Session>,
    /// What the page that they ask for is to say of the form before it.
    pub said: Option<&'static str>,
}

impl From<Arc<Session>> for Authenticated {
    fn from(session: Arc<Session>) -> Self {
        Self { session, said: None }
    }
}

impl std::ops::Deref for Authenticated {
    type Target = Session;

    fn deref(&self) -> &Session {
        &self.session
    }
}

impl FromRequestParts<App> for Authenticated {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        parts.extensions.get::<Self>().cloned().ok_or_else(Problem::not_signed_in)
    }
}

/// The secret of a request: a bearer token, or else the cookie. What a proxy asks for in the same header is not ours to read.
pub(crate) fn secret(headers: &HeaderMap) -> Option<String> {
    let schemes = headers.get_all(header::AUTHORIZATION).iter().filter_map(|v| v.to_str().ok()?.split_once(' '));
    let bearer =
        schemes.filter(|(scheme, _)| scheme.eq_ignore_ascii_case("bearer")).map(|(_, t)| t.trim().to_owned()).next();
    bearer.or_else(|| cookie_of(headers, SESSION_COOKIE))
}

/// The secret of a browser that signed in before.
pub(crate) fn device_secret(headers: &HeaderMap) -> Option<String> {
    cookie_of(headers, DEVICE_COOKIE)
}

/// Which cookie.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Lasting {
    /// Signs in.
    Session,
    /// Is known again.
    Device,
}

/// A cookie with its secret, or with an empty one the cookie that takes it back.
pub(crate) fn cookie(app: &App, lasting: Lasting, secret: &str) -> String {
    let (name, days) = match lasting {
        Lasting::Session => (SESSION_COOKIE, 30),
        Lasting::Device => (DEVICE_COOKIE, 365),
    };
    set_cookie(name, secret, CookieDuration::days(days), app.settings.secure_cookies)
}

/// Lets a request through to its handler if the rules do.
pub(crate) async fn guard(State(app): State<App>, path: MatchedPath, mut request: Request, next: Next) -> Response {
    let page = !path.as_str().starts_with("/api");
    let rule = access::rule_of(request.method().as_str(), path.as_str());
    let session = match secret(request.headers()) {
        Some(secret) => match app.store.session(&secret, app.now()).await {
            Ok(session) => session,
            Err(error) => return Problem::from(error).into_response(),
        },
        None => None,
    };
    match (rule, session) {
        (None, _) => Problem::broken().into_response(),
        (Some(rule), session) if matches!(rule.allows, access::Access::Public) => {
            if let Some(session) = session {
                request.extensions_mut().insert(Authenticated::from(session));
            }
            next.run(request).await
        }
        (Some(_), None) if page => Redirect::to("/sign-in").into_response(),
        (Some(_), None) => Problem::not_signed_in().into_response(),
        (Some(rule), Some(session)) => match rule.admit(&session) {
            Ok(()) => {
                let said = said(request.headers());
                request.extensions_mut().insert(Authenticated { session, said });
                next.run(request).await
            }
            Err(Barrier::Role) => Problem::from(Refusal::new(
                RefusalKind::NotAllowed,
                "Your role does not allow this. Ask the owner of the farm.",
            ))
            .into_response(),
            Err(Barrier::SharedPhone) => Problem::from(Refusal::new(
                RefusalKind::OwnSignIn,
                "This takes the owner's own sign-in, which a shared phone has not. Sign in yourself, on your own phone or after signing out here.",
            ))
            .into_response(),
        },
    }
}
