//! What is answered over plain HTTP where pages are served over HTTPS: the way there, and for an authority of the farm's own how a phone is told
//! to trust it.

use std::sync::Arc;

use askama::Template;
use axum::{
    Router,
    extract::State,
    http::{HeaderMap, Method, StatusCode, Uri, header, uri::Authority},
    response::{Html, IntoResponse, Redirect, Response},
    routing::get,
};

/// Where the authority's certificate is.
const CERTIFICATE: &str = "/gillbook.crt";

#[derive(Template)]
#[template(path = "plain_http.html")]
struct PlainHttp {
    https: String,
    certificate: &'static str,
}

/// The routes. `authority` is the certificate of the farm's own authority (DER), where it has one.
pub fn plain_http(authority: Option<Vec<u8>>) -> Router {
    let router = Router::new().fallback(lead);
    match authority {
        None => router.with_state(false),
        Some(certificate) => {
            let certificate: Arc<[u8]> = certificate.into();
            let file = get(async move || {
                let name = r#"attachment; filename="gillbook.crt""#;
                let kind = [(header::CONTENT_TYPE, "application/x-x509-ca-cert"), (header::CONTENT_DISPOSITION, name)];
                (kind, certificate.to_vec())
            });
            router.route(CERTIFICATE, file).with_state(true)
        }
    }
}

/// Leads a browser on; whatever else was sent is refused, because it travelled unprotected.
async fn lead(State(has_own_authority): State<bool>, method: Method, headers: HeaderMap, uri: Uri) -> Response {
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok()?.parse::<Authority>().ok());
    let https = host.map(|host| format!("https://{host}{}", uri.path()));
    match (method, https) {
        (Method::GET | Method::HEAD, Some(https)) if has_own_authority => {
            let page = PlainHttp { https, certificate: CERTIFICATE }.render().map(Html);
            page.map_or_else(|_| StatusCode::INTERNAL_SERVER_ERROR.into_response(), IntoResponse::into_response)
        }
        (Method::GET | Method::HEAD, Some(https)) => Redirect::permanent(&https).into_response(),
        _ => {
            (StatusCode::UPGRADE_REQUIRED, "Gillbook is here over HTTPS only. Nothing was taken in.\n").into_response()
        }
    }
}
