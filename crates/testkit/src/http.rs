//! Requests to the router, without a socket.

use std::{
    net::SocketAddr,
    sync::{
        Arc,
        atomic::{AtomicUsize, Ordering},
    },
};

use axum::{
    Router,
    body::{Body, to_bytes},
    http::{Request, Response, StatusCode, header},
};
use serde_json::Value;
use tower::ServiceExt;

/// Who asks.
#[derive(Debug, Clone)]
pub enum As {
    /// Nobody.
    Nobody,
    /// The holder of a cookie.
    Cookie(String),
    /// The holder of a token.
    Token(String),
}

/// An answer.
#[derive(Debug, Clone)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// Headers.
    pub headers: axum::http::HeaderMap,
    /// Body, as it came.
    pub text: String,
}

impl Answer {
    /// The body as JSON.
    ///
    /// # Panics
    /// When it is none.
    #[must_use]
    #[track_caller]
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|e| panic!("{e}: {}", self.text))
    }

    /// The body, if the status is the expected one.
    ///
    /// # Panics
    /// When it is not.
    #[expect(clippy::must_use_candidate, reason = "often only the status is looked at")]
    #[track_caller]
    pub fn expect(&self, status: u16) -> Value {
        assert_eq!(self.status, status, "{}", self.text);
        if self.text.is_empty() { Value::Null } else { self.json() }
    }

    /// Asserts a problem of a type that blames a field.
    ///
    /// # Panics
    /// When it is another answer.
    #[track_caller]
    pub fn ensure_problem(&self, status: u16, slug: &str, pointer: Option<&str>) {
        let json = self.expect(status);
        assert_eq!(self.headers[header::CONTENT_TYPE], "application/problem+json");
        assert_eq!(json["type"], format!("/problems/{slug}"), "{json}");
        assert!(json["detail"].as_str().is_some_and(|d| d.len() > 15), "{json}");
        if let Some(pointer) = pointer {
            let blamed = json["errors"].as_array().is_some_and(|e| e.iter().any(|e| e["pointer"] == pointer));
            assert!(blamed, "{pointer} is not blamed: {json}");
        }
    }
}

/// Sends a request through a router.
///
/// # Panics
/// When the request cannot be built or the answer not be read.
pub async fn send(
    router: &axum::Router,
    who: &As,
    method: &str,
    path: &str,
    headers: &[(&str, &str)],
    body: Vec<u8>,
) -> Answer {
    let mut request = Request::builder().method(method).uri(path);
    request = match who {
        As::Nobody => request,
        As::Cookie(cookie) => request.header(header::COOKIE, cookie),
        As::Token(token) => request.header(header::AUTHORIZATION, format!("Bearer {token}")),
    };
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    let response = router.clone().oneshot(request.body(Body::from(body)).expect("a request")).await.expect("an answer");
    let (parts, body) = response.into_parts();
    // A live stream has no end to wait for.
    let live = parts.headers.get(header::CONTENT_TYPE).is_some_and(|t| t == "text/event-stream");
    let body = if live { Body::empty() } else { body };
    let bytes = to_bytes(body, 64 * 1024 * 1024).await.expect("a body");
    Answer { status: parts.status.as_u16(), headers: parts.headers, text: String::from_utf8_lossy(&bytes).into_owned() }
}

/// A router that hands each request on to one of several running programs, the next one each time.
pub(crate) fn in_turn(programs: Vec<SocketAddr>) -> Router {
    gillbook::notices::choose_crypto();
    let client = reqwest::Client::builder().redirect(reqwest::redirect::Policy::none()).build().expect("a client");
    let turn = Arc::new(AtomicUsize::new(0));
    Router::new().fallback(move |request: Request<Body>| {
        let program = programs[turn.fetch_add(1, Ordering::SeqCst) % programs.len()];
        let client = client.clone();
        async move { hand_on(&client, program, request).await.map_err(|e| (StatusCode::BAD_GATEWAY, e.to_string())) }
    })
}

async fn hand_on(
    client: &reqwest::Client,
    program: SocketAddr,
    request: Request<Body>,
) -> anyhow::Result<Response<Body>> {
    let (parts, body) = request.into_parts();
    let path = parts.uri.path_and_query().map_or("/", |p| p.as_str());
    let answer = client
        .request(parts.method, format!("http://{program}{path}"))
        .headers(parts.headers)
        .body(to_bytes(body, usize::MAX).await?)
        .send()
        .await?;
    let mut response = Response::builder().status(answer.status());
    if let Some(headers) = response.headers_mut() {
        *headers = answer.headers().clone();
    }
    Ok(response.body(Body::from(answer.bytes().await?))?)
}
