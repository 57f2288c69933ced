//! Which page does what a write of the interface does. A farm can be run without a machine that speaks JSON.

/// Where a person does what a write of the interface does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DoneOn {
    /// On the page of the first route, by a form that is sent to the second.
    Page(&'static str, &'static str),
    /// Nowhere, and why.
    NoPage(&'static str),
}

use DoneOn::{NoPage, Page};

/// Each write of the interface, by method and route.
pub const WRITES: &[(&str, &str, DoneOn)] = &[
    ("POST", "/api/acts/{act}/reversal", Page("/acts/{act}", "/acts/{act}/reversal")),
    ("POST", "/api/batches", Page("/batches/new", "/batches")),
    ("POST", "/api/batches/{batch}/hold", Page("/batches/{batch}", "/batches/{batch}/hold")),
    ("POST", "/api/batches/{batch}/release", Page("/batches/{batch}", "/batches/{batch}/release")),
    ("POST", "/api/batches/{batch}/losses", Page("/batches/{batch}", "/batches/{batch}/loss")),
    ("POST", "/api/batches/{batch}/moves", Page("/batches/{batch}", "/batches/{batch}/move")),
    ("POST", "/api/checks", Page("/checks", "/checks")),
    ("POST", "/api/checks/{check}/done", Page("/checks", "/checks/{check}/done")),
    ("POST", "/api/cooks", Page("/cooks/new", "/cooks")),
    ("POST", "/api/crates", Page("/crates/new", "/crates")),
    ("PATCH", "/api/crates/{crate}", Page("/crates/{crate}", "/crates/{crate}")),
    ("POST", "/api/customers", Page("/customers/new", "/customers")),
    ("PATCH", "/api/customers/{customer}", Page("/customers/{customer}", "/customers/{customer}")),
    ("POST", "/api/invoices", Page("/customers/{customer}/account", "/customers/{customer}/invoice")),
    ("POST", "/api/invoice-runs", Page("/money", "/money/invoices")),
    ("POST", "/api/invoices/{invoice}/emails", Page("/invoices/{invoice}/email", "/invoices/{invoice}/email")),
    ("POST", "/api/dockets/{docket}/emails", Page("/dockets/{docket}/email", "/dockets/{docket}/email")),
    ("POST", "/api/credit-notes", Page("/invoices/{invoice}/credit", "/invoices/{invoice}/credit")),
    ("POST", "/api/payments", Page("/customers/{customer}/account", "/customers/{customer}/payment")),
    ("POST", "/api/payments/{payment}/reversal", Page("/payments/{payment}", "/payments/{payment}/reversal")),
    ("POST", "/api/dockets", Page("/orders/{order}", "/orders/{order}/dispatch")),
    ("POST", "/api/dockets/{docket}/delivery", Page("/dockets/{docket}", "/dockets/{docket}/delivery")),
    ("POST", "/api/period-locks", Page("/period-locks", "/period-locks")),
    ("DELETE", "/api/docket-links", Page("/settings", "/settings/docket-links")),
    ("POST", "/api/dockets/{docket}/returns", Page("/dockets/{docket}/return", "/dockets/{docket}/return")),
    ("POST", "/api/excursions/{excursion}/actions", Page("/excursions/{excursion}", "/excursions/{excursion}/action")),
    (
        "POST",
        "/api/excursions/{excursion}/sign-off",
        Page("/excursions/{excursion}", "/excursions/{excursion}/sign-off"),
    ),
    ("PATCH", "/api/farm", Page("/settings", "/settings/farm")),
    ("POST", "/api/lots/{lot}/finish", Page("/lots/{lot}/move", "/lots/{lot}/finish")),
    ("POST", "/api/lots/{lot}/hold", Page("/lots/{lot}", "/lots/{lot}/hold")),
    ("POST", "/api/lots/{lot}/release", Page("/lots/{lot}", "/lots/{lot}/release")),
    ("POST", "/api/market-days", Page("/market-days/new", "/market-days")),
    ("PATCH", "/api/market-days/{market_day}", Page("/market-days/{market_day}", "/market-days/{market_day}/close")),
    ("POST", "/api/market-days/{market_day}/sales", Page("/stall", "/api/market-days/{market_day}/sales")),
    ("POST", "/api/tally-sales/{sale}/reversal", Page("/stall", "/api/tally-sales/{sale}/reversal")),
    ("POST", "/api/recalls", Page("/trace", "/recalls")),
    ("POST", "/api/recalls/{recall}/told", Page("/recalls/{recall}", "/recalls/{recall}/told")),
    ("POST", "/api/recalls/{recall}/end", Page("/recalls/{recall}", "/recalls/{recall}/end")),
    ("POST", "/api/weight-loss/answers", Page("/weight-loss", "/weight-loss")),
    ("POST", "/api/movements", Page("/lots/{lot}/move", "/lots/{lot}/take-out")),
    ("POST", "/api/notices", Page("/notices", "/notices")),
    ("DELETE", "/api/notices/{notice_recipient}", Page("/notices", "/notices/{notice_recipient}/remove")),
    ("POST", "/api/openings", Page("/lots/opening", "/lots")),
    ("POST", "/api/orders", Page("/orders/new", "/orders")),
    ("PATCH", "/api/orders/{order}", Page("/orders/{order}/change", "/orders/{order}/lines")),
    ("POST", "/api/standing-orders", Page("/standing-orders/new", "/standing-orders")),
    (
        "PATCH",
        "/api/standing-orders/{standing_order}",
        Page("/standing-orders/{standing_order}", "/standing-orders/{standing_order}/lines"),
    ),
    (
        "POST",
        "/api/standing-orders/{standing_order}/pauses",
        Page("/standing-orders/{standing_order}", "/standing-orders/{standing_order}/pause"),
    ),
    (
        "DELETE",
        "/api/standing-orders/{standing_order}/pauses",
        Page("/standing-orders/{standing_order}", "/standing-orders/{standing_order}/resume"),
    ),
    ("POST", "/api/closed-days", Page("/closed-days/new", "/closed-days")),
    ("DELETE", "/api/closed-days/{day}", Page("/closed-days/{day}", "/closed-days/{day}/remove")),
    ("PUT", "/api/orders/{order}/set-aside", Page("/orders/{order}/set-aside", "/orders/{order}/set-aside/chosen")),
    ("PUT", "/api/orders/{order}/packed", Page("/packing-list", "/orders/{order}/packed")),
    ("DELETE", "/api/orders/{order}/set-aside", Page("/orders/{order}/set-aside", "/orders/{order}/set-aside/release")),
    ("POST", "/api/packings", Page("/lots/{lot}/pack", "/lots/{lot}/pack")),
    ("POST", "/api/people", Page("/people/new", "/people")),
    ("DELETE", "/api/people/{person}", Page("/people/{person}", "/people/{person}/remove")),
    ("POST", "/api/places", Page("/places/new", "/places")),
    ("PATCH", "/api/places/{place}", Page("/places/{place}", "/places/{place}")),
    ("POST", "/api/places/{place}/spot-readings", Page("/fridge/by-hand", "/fridge/by-hand/reading")),
    ("POST", "/api/price-lists", Page("/price-lists/new", "/price-lists")),
    ("POST", "/api/prices", Page("/products/{product}", "/products/{product}/price")),
    ("POST", "/api/probes", Page("/probes/new", "/probes")),
    ("POST", "/api/probes/{probe}/checks", Page("/fridge/by-hand", "/fridge/by-hand/check")),
    ("POST", "/api/products", Page("/products/new", "/products")),
    ("PATCH", "/api/products/{product}", Page("/products/{product}", "/products/{product}")),
    ("POST", "/api/readings", NoPage("A probe's board sends them; a reading by hand is a spot reading.")),
    ("POST", "/api/recipes", Page("/recipes/new", "/recipes")),
    ("POST", "/api/rooms", Page("/rooms/new", "/rooms")),
    ("PATCH", "/api/rooms/{room}", Page("/rooms/{room}", "/rooms/{room}")),
    ("POST", "/api/sign-in", Page("/sign-in", "/sign-in")),
    ("DELETE", "/api/sign-in", Page("/", "/sign-out")),
    ("POST", "/api/stock-counts", Page("/places/{place}/count", "/places/{place}/count")),
    ("POST", "/api/strains", Page("/strains/new", "/strains")),
    ("PATCH", "/api/strains/{strain}", Page("/strains/{strain}", "/strains/{strain}")),
    ("POST", "/api/tokens", Page("/tokens/new", "/tokens")),
    ("DELETE", "/api/tokens/{token}", Page("/tokens/{token}", "/tokens/{token}/remove")),
    ("POST", "/api/weeks/{week}/close", Page("/weeks/{week}/close", "/weeks/{week}/close")),
    ("POST", "/api/weighings", Page("/weigh", "/api/weighings")),
    ("POST", "/api/weighings/{weighing}/reversal", Page("/weigh", "/api/weighings/{weighing}/reversal")),
];

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use gillbook_core::kinds::Role;
    use gillbook_store::farm::sessions::Principal;

    use super::*;
    use crate::{
        access::{routes_of, rule_of},
        api,
    };

    #[test]
    fn every_write_of_the_interface_has_a_page_and_the_table_names_no_other() {
        let (_, description) = api::router();
        let described: BTreeSet<(String, String)> =
            routes_of(&description).into_iter().filter(|(method, _)| method != "GET").collect();
        let told: BTreeSet<(String, String)> =
            WRITES.iter().map(|(method, path, _)| ((*method).to_owned(), (*path).to_owned())).collect();
        assert_eq!(
            described.difference(&told).collect::<Vec<_>>(),
            Vec::<&(String, String)>::new(),
            "writes without a page"
        );
        assert_eq!(
            told.difference(&described).collect::<Vec<_>>(),
            Vec::<&(String, String)>::new(),
            "writes that are none"
        );
        assert_eq!(told.len(), WRITES.len(), "a write stands in the table twice");
    }

    #[test]
    fn a_form_lets_through_whom_the_interface_does_and_they_see_its_page() {
        for (method, path, done_on) in WRITES {
            let Page(page, form) = done_on else { continue };
            let act = rule_of(method, path).unwrap();
            let sent =
                rule_of("POST", form).unwrap_or_else(|| panic!("{form}, the form for {method} {path}, has no route"));
            assert_eq!(
                act.allows, sent.allows,
                "{method} {path} and the form that is sent to {form} let different people through"
            );
            let seen =
                rule_of("GET", page).unwrap_or_else(|| panic!("{page}, the page for {method} {path}, has no route"));
            for role in Role::ALL {
                let who = Principal::Person(*role);
                assert!(
                    !act.allows.permits(who) || seen.allows.permits(who),
                    "{role} may {method} {path} but not see {page}"
                );
            }
        }
    }
}
