//! Reading and making cookies, in one way.

use axum::http::{HeaderMap, header};
use cookie::{Cookie, SameSite, time::Duration};

/// The value of a cookie that a request has.
pub(crate) fn cookie_of(headers: &HeaderMap, name: &str) -> Option<String> {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|v| v.to_str().ok())
        .flat_map(Cookie::split_parse)
        .filter_map(Result::ok)
        .find(|c| c.name() == name)
        .map(|c| c.value().to_owned())
}

/// A cookie that no script reads and no other site sends; with an empty value the one that takes it back.
pub(crate) fn set_cookie(name: &str, value: &str, age: Duration, secure: bool) -> String {
    Cookie::build((name, value))
        .path("/")
        .http_only(true)
        .same_site(SameSite::Lax)
        .secure(secure)
        .max_age(if value.is_empty() { Duration::ZERO } else { age })
        .build()
        .to_string()
}
