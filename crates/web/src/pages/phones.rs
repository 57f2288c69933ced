//! A phone joins in: where is the farm's book, and how does this phone keep it?

use askama::Template;
use axum::{
    extract::State,
    http::{HeaderMap, header},
};
use qrcode::{QrCode, render::svg};

use super::{Html, Layout};
use crate::{App, auth::Authenticated, problem::Problem, read_tx};

#[derive(Template)]
#[template(path = "phones.html")]
pub(super) struct Phones {
    head: Layout,
    /// Where a phone begins.
    address: String,
    code: String,
    /// Whether only this machine can open the address.
    is_this_machine: bool,
    is_secure: bool,
    has_own_authority: bool,
}

/// A text as a QR code (ISO/IEC 18004) in SVG, black on white with its quiet zone whatever the page's colours are. Empty where it is longer
/// than a code can be.
pub(super) fn qr_code(text: &str) -> String {
    let Ok(code) = QrCode::new(text) else { return String::new() };
    let drawn = code.render::<svg::Color>().min_dimensions(240, 240).build();
    // It stands within a page and is no document of its own.
    drawn.find("<svg").map_or_else(String::new, |begin| drawn[begin..].to_owned())
}

/// Where the farm is, as the request reached it: the service knows no address of its own.
pub(crate) fn home_of(app: &App, headers: &HeaderMap) -> String {
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok()).unwrap_or("this farm's address");
    let scheme = if app.settings.secure_cookies { "https" } else { "http" };
    format!("{scheme}://{host}")
}

pub(super) async fn get_phones(
    State(app): State<App>,
    who: Authenticated,
    headers: HeaderMap,
) -> Result<Html<Phones>, Problem> {
    let head = read_tx!(app, who, |tx| Ok(Layout::new(&tx.farm().await?, &who, "/settings")))?;
    let has_own_authority = app.settings.has_own_authority;
    let home = home_of(&app, &headers);
    // Over plain HTTP the same port explains how a phone is told to trust the farm's authority.
    let address = if has_own_authority { home.replacen("https:", "http:", 1) } else { home };
    let host = address.split("//").nth(1).unwrap_or_default();
    let is_this_machine = ["localhost", "127.", "[::1]"].iter().any(|own| host.starts_with(own));
    let code = qr_code(&address);
    let is_secure = app.settings.secure_cookies;
    Ok(Html(Phones { head, address, code, is_this_machine, is_secure, has_own_authority }))
}
