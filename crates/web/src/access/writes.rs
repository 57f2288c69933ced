//! Which page does what a write of the interface does. Whoever has no machine that speaks JSON can run a farm all the same.

/// Where a person does what a write of the interface does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DoneOn {
    /// On the page of this route.
    Page(&'static str),
    /// Nowhere, and why.
    NoPage(&'static str),
}

use DoneOn::{NoPage, Page};

/// Each write of the interface, by method and route.
pub const WRITES: &[(&str, &str, DoneOn)] = &[
    ("POST", "/api/acts/{act}/reversal", Page("/acts/{act}")),
    ("POST", "/api/batches", Page("/batches/new")),
    ("POST", "/api/batches/{batch}/losses", Page("/batches/{batch}")),
    ("POST", "/api/batches/{batch}/moves", Page("/batches/{batch}")),
    ("POST", "/api/checks", Page("/checks")),
    ("POST", "/api/checks/{check}/done", Page("/checks")),
    ("POST", "/api/cooks", Page("/cooks/new")),
    ("POST", "/api/crates", Page("/crates/new")),
    ("PATCH", "/api/crates/{crate}", Page("/crates/{crate}")),
    ("POST", "/api/customers", Page("/customers/new")),
    ("PATCH", "/api/customers/{customer}", Page("/customers/{customer}")),
    ("POST", "/api/dockets", Page("/orders/{order}")),
    ("POST", "/api/dockets/{docket}/delivery", Page("/dockets/{docket}")),
    ("POST", "/api/dockets/{docket}/returns", Page("/dockets/{docket}/return")),
    ("POST", "/api/excursions/{excursion}/actions", Page("/excursions/{excursion}")),
    ("POST", "/api/excursions/{excursion}/sign-off", Page("/excursions/{excursion}")),
    ("PATCH", "/api/farm", Page("/settings")),
    ("POST", "/api/lots/{lot}/finish", Page("/lots/{lot}/move")),
    ("POST", "/api/lots/{lot}/hold", Page("/lots/{lot}")),
    ("POST", "/api/lots/{lot}/release", Page("/lots/{lot}")),
    ("POST", "/api/market-days", Page("/market-days/new")),
    ("PATCH", "/api/market-days/{market_day}", Page("/market-days/{market_day}")),
    ("POST", "/api/movements", Page("/lots/{lot}/move")),
    ("POST", "/api/notices", Page("/notices")),
    ("DELETE", "/api/notices/{notice_recipient}", Page("/notices")),
    ("POST", "/api/openings", Page("/lots/opening")),
    ("POST", "/api/orders", Page("/orders/new")),
    ("PATCH", "/api/orders/{order}", Page("/orders/{order}/change")),
    ("PUT", "/api/orders/{order}/set-aside", Page("/orders/{order}/set-aside")),
    ("DELETE", "/api/orders/{order}/set-aside", Page("/orders/{order}/set-aside")),
    ("POST", "/api/packings", Page("/lots/{lot}/pack")),
    ("POST", "/api/people", Page("/people/new")),
    ("DELETE", "/api/people/{person}", Page("/people/{person}")),
    ("POST", "/api/places", Page("/places/new")),
    ("PATCH", "/api/places/{place}", Page("/places/{place}")),
    ("POST", "/api/places/{place}/spot-readings", Page("/fridge/by-hand")),
    ("POST", "/api/price-lists", Page("/price-lists/new")),
    ("POST", "/api/prices", Page("/products/{product}")),
    ("POST", "/api/probes", Page("/probes/new")),
    ("POST", "/api/probes/{probe}/checks", Page("/fridge/by-hand")),
    ("POST", "/api/products", Page("/products/new")),
    ("PATCH", "/api/products/{product}", Page("/products/{product}")),
    ("POST", "/api/readings", NoPage("A probe's board sends them; a reading by hand is a spot reading.")),
    ("POST", "/api/recipes", Page("/recipes/new")),
    ("POST", "/api/rooms", Page("/rooms/new")),
    ("PATCH", "/api/rooms/{room}", Page("/rooms/{room}")),
    ("POST", "/api/sign-in", Page("/sign-in")),
    ("DELETE", "/api/sign-in", NoPage("The button stands at the foot of every page.")),
    ("POST", "/api/stock-counts", Page("/places/{place}/count")),
    ("POST", "/api/strains", Page("/strains/new")),
    ("PATCH", "/api/strains/{strain}", Page("/strains/{strain}")),
    ("POST", "/api/tokens", Page("/tokens/new")),
    ("DELETE", "/api/tokens/{token}", Page("/tokens/{token}")),
    ("POST", "/api/weeks/{week}/close", Page("/weeks/{week}/close")),
    ("POST", "/api/weighings", Page("/weigh")),
    ("POST", "/api/weighings/{weighing}/reversal", Page("/weigh")),
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
    fn whoever_may_act_may_see_the_page_and_is_let_through_there_by_the_same_rule() {
        for (method, path, done_on) in WRITES {
            let Page(page) = done_on else { continue };
            let act = rule_of(method, path).unwrap();
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
