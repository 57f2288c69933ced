//! What a page says once, after something was written down on the way to it. A form answers with the way on, and a cookie carries its address
//! there; the page that comes next has the words for it, and takes the cookie back.

use axum::{
    http::{HeaderMap, HeaderValue, Method, StatusCode, header},
    response::Response,
};
use cookie::time::Duration;

use crate::cookies::{cookie_of, set_cookie};

/// The cookie with the address of the form that was taken.
const SAID_COOKIE: &str = "gillbook-done";

/// A page that is not asked for within so long says nothing of it any more.
const SAID_FOR: Duration = Duration::minutes(1);

/// Where a form's answer is not what its address says, the outcome that is said instead.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Outcome {
    /// No lot was free to be set aside.
    NothingSetAside,
    /// Some of an order is short still.
    SetAsideShort,
}

impl Outcome {
    const fn key(self) -> &'static str {
        match self {
            Self::NothingSetAside => "nothing-set-aside",
            Self::SetAsideShort => "set-aside-short",
        }
    }
}

/// What is said when a form was taken, by the address that it is sent to or its outcome. A form is taken whatever its fields were, so the words
/// are true of each.
const SAID: &[(&str, &str)] = &[
    ("/fridge/by-hand/reading", "Temperature written down."),
    ("/fridge/by-hand/check", "Probe check written down."),
    ("/notices", "Added. They get the alerts."),
    ("/notices/{notice_recipient}/remove", "Taken off the list."),
    ("/excursions/{excursion}/action", "What was done is written down."),
    ("/excursions/{excursion}/sign-off", "Countersigned."),
    ("/checks", "Check added."),
    ("/checks/{check}/done", "Check written down."),
    ("/orders", "Order written down."),
    ("/orders/{order}/set-aside", "Set aside."),
    ("nothing-set-aside", "Nothing is free to set aside."),
    ("set-aside-short", "Set aside what there is. The order is still short."),
    ("/orders/{order}/set-aside/chosen", "Set aside as you chose."),
    ("/orders/{order}/set-aside/release", "Released. Nothing is set aside for this order now."),
    ("/orders/{order}/confirm", "Order confirmed."),
    ("/orders/{order}/day", "Day, order number and note saved."),
    ("/orders/{order}/lines", "Order changed."),
    ("/orders/{order}/cancel", "Order cancelled."),
    ("/orders/{order}/packed", "Packed."),
    ("/orders/{order}/unpacked", "Not packed any more. The weight stays."),
    ("/orders/{order}/dispatch", "Sent out."),
    ("/standing-orders", "Standing order written down. The orders of the next two weeks are made."),
    ("/standing-orders/{standing_order}/days", "Days saved."),
    ("/standing-orders/{standing_order}/lines", "Amounts saved, for the orders to come too."),
    ("/standing-orders/{standing_order}/pause", "Paused on those days."),
    ("/standing-orders/{standing_order}/resume", "Resumed."),
    ("/standing-orders/{standing_order}/end", "Last day saved. What came after it is called off."),
    ("/standing-orders/{standing_order}/go-on", "It goes on until further notice."),
    ("/closed-days", "Closed day written down."),
    ("/closed-days/{day}/remove", "It is a day like any other again."),
    ("/dockets/{docket}/delivery", "Delivered. Written down."),
    ("/period-locks", "The books are locked up to that day."),
    ("/weight-loss", "Written down."),
    ("/recalls", "Begun. Tell each of them now."),
    ("/recalls/{recall}/told", "Written down."),
    ("/recalls/{recall}/end", "Ended."),
    ("/settings/docket-links", "None of the links that were given out opens a docket now."),
    ("/dockets/{docket}/return", "Return written down. It counts as waste."),
    ("/money/invoices", "Invoices issued."),
    ("/customers/{customer}/invoice", "Invoice issued."),
    ("/customers/{customer}/payment", "Payment written down."),
    ("/invoices/{invoice}/credit", "Credit note issued."),
    ("/invoices/{invoice}/email", "It is on its way."),
    ("/dockets/{docket}/email", "It is on its way."),
    ("/payments/{payment}/reversal", "Payment taken back."),
    ("/weeks/{week}/close", "Week closed."),
    ("/market-days", "Stall loaded."),
    ("/market-days/{market_day}/close", "Stall cashed up."),
    ("/cooks", "Sterilising run written down."),
    ("/batches", "Batch written down."),
    ("/batches/{batch}/move", "Blocks moved."),
    ("/batches/{batch}/end", "Blocks written off."),
    ("/batches/{batch}/loss", "Lost blocks written down."),
    ("/batches/{batch}/hold", "The batch and its lots are on hold."),
    ("/batches/{batch}/release", "Released."),
    ("/lots", "Lot written down."),
    ("/lots/{lot}/transfer", "Moved."),
    ("/lots/{lot}/take-out", "Taken out of stock."),
    ("/lots/{lot}/finish", "Lot finished."),
    ("/lots/{lot}/hold", "On hold."),
    ("/lots/{lot}/release", "Released."),
    ("/lots/{lot}/pack", "Packing written down. What came out is a lot of its own."),
    ("/acts/{act}/reversal", "Taken back."),
    ("/places/{place}/count", "Count written down."),
    ("/customers", "Customer added."),
    ("/customers/{customer}", "Customer changed."),
    ("/products", "Product added."),
    ("/products/{product}", "Product changed."),
    ("/products/{product}/price", "Price saved. It counts from its day on."),
    ("/products/{product}/best-before", "Best-before days set."),
    ("/price-lists", "Price list added."),
    ("/strains", "Strain added."),
    ("/strains/{strain}", "Strain changed."),
    ("/strains/{strain}/life", "Shelf life saved."),
    ("/strains/examples", "Strains added."),
    ("/recipes", "Recipe added."),
    ("/rooms", "Room added."),
    ("/rooms/{room}", "Room changed."),
    ("/crates", "Crate added."),
    ("/crates/{crate}", "Crate changed."),
    ("/places", "Place added."),
    ("/places/{place}", "Place changed."),
    ("/places/{place}/limit", "Limit saved. It counts from its day on."),
    ("/people", "Person added."),
    ("/people/{person}/remove", "Person removed."),
    ("/tokens/{token}/remove", "Token removed."),
    ("/settings/farm", "Settings changed."),
    ("/settings/words", "Words changed."),
    ("/settings/grades", "Grades changed."),
];

/// What the page that is asked for says of the form before it. What a script fetches is no page that somebody sees.
pub(crate) fn said(headers: &HeaderMap) -> Option<&'static str> {
    let form = cookie_of(headers, SAID_COOKIE).filter(|_| asks_for_page(headers))?;
    SAID.iter().find(|(address, _)| *address == form).map(|(_, words)| *words)
}

/// Whether a browser asks for a page to show, and not a script for something.
fn asks_for_page(headers: &HeaderMap) -> bool {
    headers.get(header::ACCEPT).and_then(|kinds| kinds.to_str().ok()).is_some_and(|kinds| kinds.contains("text/html"))
}

/// Has the next page say what was done, where a form leads on to one; where a page has said it, or somebody signs out, has the browser
/// forget it.
pub(crate) fn pass_on(method: &Method, route: &str, headers: &HeaderMap, answer: &mut Response, secure: bool) {
    let is = |name, value: &[u8]| answer.headers().get(name).is_some_and(|v| v.as_bytes().starts_with(value));
    let was_shown = asks_for_page(headers) && is(header::CONTENT_TYPE, b"text/html");
    let was_taken =
        method == Method::POST && answer.status() == StatusCode::SEE_OTHER && !is(header::LOCATION, b"/sign-in");
    let key = answer.extensions().get().map_or(route, |outcome: &Outcome| outcome.key());
    let cookie = match SAID.iter().find(|(address, _)| *address == key) {
        Some((address, _)) if was_taken => set_cookie(SAID_COOKIE, address, SAID_FOR, secure),
        _ if cookie_of(headers, SAID_COOKIE).is_some() && (was_shown || route == "/sign-out") => {
            set_cookie(SAID_COOKIE, "", Duration::ZERO, secure)
        }
        _ => return,
    };
    if let Ok(cookie) = HeaderValue::from_str(&cookie) {
        answer.headers_mut().append(header::SET_COOKIE, cookie);
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::{Outcome, SAID};
    use crate::access::RULES;

    /// Forms after which the page itself shows what came of it: a secret that is shown once, and who is signed in.
    const SHOWN: [&str; 6] = ["/sign-in", "/sign-out", "/setup", "/probes", "/probes/{probe}/token", "/tokens"];

    #[test]
    fn every_form_of_a_page_has_its_words() {
        let forms = RULES.iter().filter(|rule| rule.method == "POST" && !rule.path.starts_with("/api"));
        let forms: BTreeSet<&str> = forms.map(|rule| rule.path).collect();
        let outcomes = [Outcome::NothingSetAside, Outcome::SetAsideShort].map(Outcome::key);
        let expected: BTreeSet<&str> = forms.into_iter().chain(outcomes).collect();
        let with_words: BTreeSet<&str> = SAID.iter().map(|(address, _)| *address).chain(SHOWN).collect();
        let differ: Vec<_> = expected.symmetric_difference(&with_words).collect();
        assert!(differ.is_empty(), "add to SAID what the next page says, or take out what is no form: {differ:?}");
        assert_eq!(SAID.len() + SHOWN.len(), with_words.len(), "twice in the table");
    }
}
