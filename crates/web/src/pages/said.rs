//! What a page says once, after something was written down on the way to it. A form answers with the way on, and a cookie carries its address
//! there; the page that comes next has the words for it, and takes the cookie back.

use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::response::Response;
use cookie::{Cookie, SameSite, time::Duration};

use crate::auth::cookie_of;

/// The cookie with the address of the form that was taken.
const SAID_COOKIE: &str = "gillbook-done";

/// A page that is not asked for within so long says nothing of it any more.
const SAID_FOR: Duration = Duration::minutes(1);

/// What is said when a form was taken, by the address that it is sent to.
const SAID: &[(&str, &str)] = &[
    ("/fridge/by-hand/reading", "Temperature written down."),
    ("/fridge/by-hand/check", "Check of the probe written down."),
    ("/notices", "Added to who is told."),
    ("/notices/{notice_recipient}/remove", "Taken off the list."),
    ("/excursions/{excursion}/action", "What was done is written down."),
    ("/excursions/{excursion}/sign-off", "Countersigned."),
    ("/checks", "Check added."),
    ("/checks/{check}/done", "Check written down."),
    ("/orders", "Order written down."),
    ("/orders/{order}/set-aside", "Set aside, what expires first before the rest."),
    ("/orders/{order}/set-aside/chosen", "Set aside as you chose."),
    ("/orders/{order}/set-aside/release", "Nothing is set aside for it any more."),
    ("/orders/{order}/confirm", "Promised."),
    ("/orders/{order}/day", "Moved to another day."),
    ("/orders/{order}/lines", "Order changed."),
    ("/orders/{order}/cancel", "Called off."),
    ("/orders/{order}/dispatch", "Sent out. This is its docket."),
    ("/dockets/{docket}/delivery", "Handed over."),
    ("/dockets/{docket}/return", "Return written down, and wasted."),
    ("/weeks/{week}/close", "Week closed."),
    ("/market-days", "Stall loaded."),
    ("/market-days/{market_day}/close", "Stall cashed up."),
    ("/cooks", "Cook written down."),
    ("/batches", "Batch written down."),
    ("/batches/{batch}/move", "Blocks moved."),
    ("/batches/{batch}/end", "Blocks taken out."),
    ("/batches/{batch}/loss", "Lost blocks written down."),
    ("/lots", "Stock written down."),
    ("/lots/{lot}/transfer", "Moved."),
    ("/lots/{lot}/take-out", "Taken out of stock."),
    ("/lots/{lot}/finish", "Lot finished."),
    ("/lots/{lot}/hold", "On hold."),
    ("/lots/{lot}/release", "Released."),
    ("/lots/{lot}/pack", "Packed."),
    ("/acts/{act}/reversal", "Taken back."),
    ("/places/{place}/count", "Count written down."),
    ("/customers", "Customer added."),
    ("/customers/{customer}", "Customer changed."),
    ("/products", "Product added."),
    ("/products/{product}", "Product changed."),
    ("/products/{product}/price", "Price set."),
    ("/products/{product}/best-before", "Best-before days set."),
    ("/price-lists", "Price list added."),
    ("/strains", "Strain added."),
    ("/strains/{strain}", "Strain changed."),
    ("/strains/{strain}/life", "Life set."),
    ("/strains/examples", "Strains added."),
    ("/recipes", "Recipe added."),
    ("/rooms", "Room added."),
    ("/rooms/{room}", "Room changed."),
    ("/crates", "Crate added."),
    ("/crates/{crate}", "Crate changed."),
    ("/places", "Place added."),
    ("/places/{place}", "Place changed."),
    ("/places/{place}/limit", "Limit set."),
    ("/people", "Person added."),
    ("/people/{person}/remove", "Removed."),
    ("/tokens/{token}/remove", "Token removed."),
    ("/settings/farm", "Settings changed."),
    ("/settings/words", "Words changed."),
    ("/settings/grades", "Grades changed."),
];

/// What the page that is asked for says of the form before it.
pub(crate) fn said(headers: &HeaderMap) -> Option<&'static str> {
    let form = cookie_of(headers, SAID_COOKIE)?;
    SAID.iter().find(|(address, _)| *address == form).map(|(_, words)| *words)
}

/// Has the next page say what was done, where a form leads on to one; where a page has said it, has the browser forget it.
pub(super) fn pass_on(method: &Method, route: &str, headers: &HeaderMap, answer: &mut Response) {
    let is_page =
        answer.headers().get(header::CONTENT_TYPE).is_some_and(|kind| kind.as_bytes().starts_with(b"text/html"));
    let said = SAID.iter().find(|(address, _)| *address == route);
    let cookie = match said {
        Some((address, _)) if method == Method::POST && answer.status() == StatusCode::SEE_OTHER => {
            Cookie::build((SAID_COOKIE, *address)).max_age(SAID_FOR)
        }
        _ if is_page && cookie_of(headers, SAID_COOKIE).is_some() => {
            Cookie::build((SAID_COOKIE, "")).max_age(Duration::ZERO)
        }
        _ => return,
    };
    let cookie = cookie.path("/").http_only(true).same_site(SameSite::Lax).build().to_string();
    if let Ok(cookie) = HeaderValue::from_str(&cookie) {
        answer.headers_mut().append(header::SET_COOKIE, cookie);
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::SAID;
    use crate::access::RULES;

    /// Forms after which the page itself shows what came of it: a secret that is shown once, and who is signed in.
    const SHOWN: [&str; 6] = ["/sign-in", "/sign-out", "/setup", "/probes", "/probes/{probe}/token", "/tokens"];

    #[test]
    fn every_form_of_a_page_has_its_words() {
        let forms = RULES.iter().filter(|rule| rule.method == "POST" && !rule.path.starts_with("/api"));
        let forms: BTreeSet<&str> = forms.map(|rule| rule.path).collect();
        let with_words: BTreeSet<&str> = SAID.iter().map(|(address, _)| *address).chain(SHOWN).collect();
        assert_eq!(forms, with_words);
        assert_eq!(SAID.len() + SHOWN.len(), with_words.len(), "twice in the table");
    }
}
