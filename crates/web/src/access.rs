//! Who may do what: the one table, pages included. A route that is not in it does not start.

use std::{collections::HashMap, sync::LazyLock};

use gillbook_core::{
    kinds::{ActKind, Role},
    refusal::{Refusal, RefusalKind},
};
use gillbook_store::{
    SignedWith,
    farm::sessions::{Principal, Session},
};
use utoipa::openapi::OpenApi;

/// Who is let through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Access {
    /// Public, signed in or not.
    Public,
    /// People of these roles, and tokens that read where `reader`, and tokens of a probe where `probe`.
    Some {
        /// The roles.
        roles: &'static [Role],
        /// Tokens that read.
        reader: bool,
        /// Tokens of a probe.
        probe: bool,
    },
}

impl Access {
    /// Whether somebody is let through.
    #[must_use]
    pub fn permits(self, standing: Principal) -> bool {
        match (self, standing) {
            (Self::Public, _) => true,
            (Self::Some { roles, .. }, Principal::Person(role)) => roles.contains(&role),
            (Self::Some { reader, .. }, Principal::Reader) => reader,
            (Self::Some { probe, .. }, Principal::Probe(_)) => probe,
        }
    }
}

/// What stands in somebody's way at a route.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Barrier {
    /// Their role.
    Role,
    /// That they are signed in on a phone that several people use.
    SharedPhone,
}

/// A route and who may use it.
#[derive(Debug, Clone, Copy)]
pub struct Rule {
    /// HTTP method; `HEAD` follows `GET`.
    pub method: &'static str,
    /// The route's path.
    pub path: &'static str,
    /// Who is let through.
    pub allows: Access,
}

impl Rule {
    /// Whether somebody is let through, and if not, why. What only the owner may do they do by a sign-in of their own: initials on a
    /// phone that several people use authorise nothing, and a phone that is left lying changes no limit, price or person.
    ///
    /// # Errors
    /// What stands in their way.
    pub fn admit(&self, session: &Session) -> Result<(), Barrier> {
        if !self.allows.permits(session.standing) {
            return Err(Barrier::Role);
        }
        let owners_act = self.method != "GET" && matches!(self.allows, Access::Some { roles: [Owner], .. });
        if owners_act && session.actor.with == SignedWith::SharedPhone {
            return Err(Barrier::SharedPhone);
        }
        Ok(())
    }
}

use Role::{Bookkeeper, Driver, Owner, Picker, Verifier};

const fn people(roles: &'static [Role]) -> Access {
    Access::Some { roles, reader: false, probe: false }
}

/// Changes what the farm is.
const OWNER: Access = people(&[Owner]);
/// Works with stock.
const STOCK_STAFF: Access = people(&[Owner, Picker]);
/// Works with stock or drives.
const STOCK_AND_DRIVER: Access = people(&[Owner, Picker, Driver]);
/// Deals with what went wrong in a store.
const COLD_CHAIN_STAFF: Access = people(&[Owner, Picker, Driver, Verifier]);
/// Sees pages, and signs off as a second person.
const ANY_PERSON: Access = people(&[Owner, Picker, Driver, Verifier, Bookkeeper]);
/// Drives.
const DRIVER: Access = people(&[Owner, Driver]);
/// Reads what everybody on the farm reads.
const ANY_READER: Access =
    Access::Some { roles: &[Owner, Picker, Driver, Verifier, Bookkeeper], reader: true, probe: false };
/// Reads money.
const FINANCE: Access = Access::Some { roles: &[Owner, Bookkeeper], reader: true, probe: false };
/// Signed in, as anything.
const AUTHENTICATED: Access =
    Access::Some { roles: &[Owner, Picker, Driver, Verifier, Bookkeeper], reader: true, probe: true };
/// Posts readings.
const PROBE: Access = Access::Some { roles: &[Owner], reader: false, probe: true };

const fn rule(method: &'static str, path: &'static str, allows: Access) -> Rule {
    Rule { method, path, allows }
}

/// The table.
pub const RULES: &[Rule] = &[
    rule("POST", "/api/sign-in", Access::Public),
    rule("DELETE", "/api/sign-in", Access::Public),
    rule("GET", "/api/openapi.json", Access::Public),
    rule("GET", "/api/me", AUTHENTICATED),
    rule("GET", "/api/people", OWNER),
    rule("POST", "/api/people", OWNER),
    rule("DELETE", "/api/people/{person}", OWNER),
    rule("GET", "/api/tokens", OWNER),
    rule("POST", "/api/tokens", OWNER),
    rule("DELETE", "/api/tokens/{token}", OWNER),
    rule("GET", "/api/farm", ANY_READER),
    rule("PATCH", "/api/farm", OWNER),
    rule("GET", "/api/strains", ANY_READER),
    rule("POST", "/api/strains", OWNER),
    rule("GET", "/api/strains/{strain}", ANY_READER),
    rule("PATCH", "/api/strains/{strain}", OWNER),
    rule("GET", "/api/recipes", ANY_READER),
    rule("POST", "/api/recipes", OWNER),
    rule("GET", "/api/rooms", ANY_READER),
    rule("POST", "/api/rooms", OWNER),
    rule("PATCH", "/api/rooms/{room}", OWNER),
    rule("GET", "/api/cooks", ANY_READER),
    rule("POST", "/api/cooks", STOCK_STAFF),
    rule("GET", "/api/batches", ANY_READER),
    rule("POST", "/api/batches", STOCK_STAFF),
    rule("GET", "/api/batches/{batch}", ANY_READER),
    rule("GET", "/api/batches/{batch}/moves", ANY_READER),
    rule("POST", "/api/batches/{batch}/moves", STOCK_STAFF),
    rule("GET", "/api/batches/{batch}/losses", ANY_READER),
    rule("POST", "/api/batches/{batch}/losses", STOCK_STAFF),
    rule("GET", "/api/crates", ANY_READER),
    rule("POST", "/api/crates", STOCK_STAFF),
    rule("PATCH", "/api/crates/{crate}", STOCK_STAFF),
    rule("GET", "/api/weighings", ANY_READER),
    rule("POST", "/api/weighings", STOCK_STAFF),
    rule("GET", "/api/weighings/{weighing}", ANY_READER),
    rule("POST", "/api/weighings/{weighing}/reversal", STOCK_STAFF),
    rule("GET", "/api/lots", ANY_READER),
    rule("GET", "/api/lots/{lot}", ANY_READER),
    rule("GET", "/api/lots/{lot}/trace", ANY_READER),
    rule("GET", "/api/trace", ANY_READER),
    rule("POST", "/api/lots/{lot}/hold", STOCK_STAFF),
    rule("POST", "/api/lots/{lot}/release", OWNER),
    rule("POST", "/api/lots/{lot}/finish", STOCK_STAFF),
    rule("GET", "/api/packings", ANY_READER),
    rule("POST", "/api/packings", STOCK_STAFF),
    rule("POST", "/api/openings", OWNER),
    rule("GET", "/api/places", ANY_READER),
    rule("POST", "/api/places", OWNER),
    rule("GET", "/api/places/{place}", ANY_READER),
    rule("PATCH", "/api/places/{place}", OWNER),
    rule("GET", "/api/places/{place}/temperature", ANY_READER),
    rule("GET", "/api/probes", ANY_READER),
    rule("POST", "/api/probes", OWNER),
    rule("POST", "/api/readings", PROBE),
    rule("GET", "/api/excursions", ANY_READER),
    rule("GET", "/api/excursions/{excursion}", ANY_READER),
    // It holds, wastes and moves what was inside.
    rule("POST", "/api/excursions/{excursion}/actions", STOCK_AND_DRIVER),
    rule("POST", "/api/excursions/{excursion}/sign-off", ANY_PERSON),
    rule("GET", "/api/probes/{probe}/checks", ANY_READER),
    rule("POST", "/api/probes/{probe}/checks", COLD_CHAIN_STAFF),
    rule("GET", "/api/places/{place}/spot-readings", ANY_READER),
    rule("POST", "/api/places/{place}/spot-readings", COLD_CHAIN_STAFF),
    rule("GET", "/api/checks", ANY_READER),
    rule("POST", "/api/checks", OWNER),
    rule("POST", "/api/checks/{check}/done", COLD_CHAIN_STAFF),
    rule("GET", "/api/checks-done", ANY_READER),
    rule("GET", "/api/places/{place}/temperature-record", ANY_READER),
    rule("GET", "/api/places/{place}/temperature-record/pdf", ANY_READER),
    rule("GET", "/api/places/{place}/temperature-record/csv", ANY_READER),
    rule("GET", "/api/notices", OWNER),
    rule("POST", "/api/notices", OWNER),
    rule("DELETE", "/api/notices/{notice_recipient}", OWNER),
    rule("GET", "/api/events", ANY_READER),
    rule("GET", "/api/stock", ANY_READER),
    rule("GET", "/api/movements", ANY_READER),
    rule("POST", "/api/movements", STOCK_AND_DRIVER),
    rule("GET", "/api/acts/{act}", ANY_READER),
    rule("POST", "/api/acts/{act}/reversal", STOCK_AND_DRIVER),
    rule("GET", "/api/stock-counts", ANY_READER),
    rule("POST", "/api/stock-counts", STOCK_STAFF),
    rule("GET", "/api/products", ANY_READER),
    rule("POST", "/api/products", OWNER),
    rule("GET", "/api/products/{product}", ANY_READER),
    rule("PATCH", "/api/products/{product}", OWNER),
    rule("GET", "/api/price-lists", FINANCE),
    rule("POST", "/api/price-lists", OWNER),
    rule("GET", "/api/prices", FINANCE),
    rule("POST", "/api/prices", OWNER),
    rule("GET", "/api/customers", ANY_READER),
    rule("POST", "/api/customers", OWNER),
    rule("GET", "/api/customers/{customer}", ANY_READER),
    rule("PATCH", "/api/customers/{customer}", OWNER),
    rule("GET", "/api/orders", ANY_READER),
    rule("POST", "/api/orders", STOCK_STAFF),
    rule("GET", "/api/orders/{order}", ANY_READER),
    rule("PATCH", "/api/orders/{order}", STOCK_STAFF),
    rule("PUT", "/api/orders/{order}/set-aside", STOCK_STAFF),
    rule("DELETE", "/api/orders/{order}/set-aside", STOCK_STAFF),
    rule("GET", "/api/dockets", ANY_READER),
    rule("POST", "/api/dockets", STOCK_AND_DRIVER),
    rule("GET", "/api/dockets/{docket}", ANY_READER),
    rule("GET", "/api/dockets/{docket}/pdf", ANY_READER),
    rule("POST", "/api/dockets/{docket}/delivery", DRIVER),
    rule("POST", "/api/dockets/{docket}/returns", STOCK_AND_DRIVER),
    rule("GET", "/api/market-days", FINANCE),
    rule("POST", "/api/market-days", STOCK_AND_DRIVER),
    rule("GET", "/api/market-days/{market_day}", FINANCE),
    rule("PATCH", "/api/market-days/{market_day}", STOCK_AND_DRIVER),
    rule("GET", "/api/reports/weeks/{week}", FINANCE),
    rule("GET", "/api/reports/weeks/{week}/sales", FINANCE),
    rule("GET", "/api/reports/weeks/{week}/sales/csv", FINANCE),
    rule("POST", "/api/weeks/{week}/close", OWNER),
    rule("GET", "/api/reports/shelf-life", ANY_READER),
    rule("GET", "/api/reports/earnings", FINANCE),
    rule("GET", "/", ANY_PERSON),
    rule("GET", "/sign-in", Access::Public),
    rule("POST", "/sign-in", Access::Public),
    rule("POST", "/sign-out", Access::Public),
    rule("GET", "/food-safety", Access::Public),
    rule("GET", "/problems/{slug}", Access::Public),
    rule("GET", "/assets/{file}", Access::Public),
    rule("GET", "/weigh", STOCK_STAFF),
    rule("GET", "/fridge", ANY_PERSON),
    rule("GET", "/fridge/record", ANY_PERSON),
    rule("GET", "/fridge/by-hand", ANY_PERSON),
    rule("POST", "/fridge/by-hand/reading", COLD_CHAIN_STAFF),
    rule("POST", "/fridge/by-hand/check", COLD_CHAIN_STAFF),
    rule("GET", "/notices", OWNER),
    rule("POST", "/notices", OWNER),
    rule("POST", "/notices/{notice_recipient}/remove", OWNER),
    rule("GET", "/excursions/{excursion}", ANY_PERSON),
    rule("POST", "/excursions/{excursion}/action", STOCK_AND_DRIVER),
    rule("POST", "/excursions/{excursion}/sign-off", ANY_PERSON),
    rule("GET", "/checks", ANY_PERSON),
    rule("POST", "/checks", OWNER),
    rule("POST", "/checks/{check}/done", COLD_CHAIN_STAFF),
    rule("GET", "/stock", ANY_PERSON),
    rule("GET", "/orders", ANY_PERSON),
    rule("GET", "/orders/{order}", ANY_PERSON),
    rule("POST", "/orders/{order}/set-aside", STOCK_STAFF),
    rule("POST", "/orders/{order}/dispatch", STOCK_AND_DRIVER),
    rule("GET", "/dockets/{docket}", ANY_PERSON),
    rule("POST", "/dockets/{docket}/delivery", DRIVER),
    rule("GET", "/week", people(&[Owner, Bookkeeper])),
    rule("GET", "/blocks", people(&[Owner, Bookkeeper])),
    rule("GET", "/weeks/{week}/close", OWNER),
    rule("POST", "/weeks/{week}/close", OWNER),
    rule("POST", "/batches", STOCK_STAFF),
    rule("GET", "/batches/new", STOCK_STAFF),
    rule("GET", "/batches/{batch}", STOCK_STAFF),
    rule("POST", "/batches/{batch}/move", STOCK_STAFF),
    rule("POST", "/batches/{batch}/end", STOCK_STAFF),
    rule("POST", "/batches/{batch}/loss", STOCK_STAFF),
    rule("GET", "/lots/{lot}", ANY_PERSON),
    rule("GET", "/lots/{lot}/move", STOCK_AND_DRIVER),
    rule("POST", "/lots/{lot}/transfer", STOCK_AND_DRIVER),
    rule("POST", "/lots/{lot}/take-out", STOCK_AND_DRIVER),
    rule("POST", "/lots/{lot}/finish", STOCK_STAFF),
    rule("GET", "/places/{place}/count", STOCK_STAFF),
    rule("POST", "/places/{place}/count", STOCK_STAFF),
    rule("POST", "/orders", STOCK_STAFF),
    rule("GET", "/orders/new", STOCK_STAFF),
    rule("POST", "/lots/{lot}/hold", STOCK_STAFF),
    rule("POST", "/lots/{lot}/release", OWNER),
];

/// Every role, for whoever walks the table.
#[must_use]
pub fn roles() -> Vec<Role> {
    Role::ALL.to_vec()
}

/// The rule of a route.
#[must_use]
pub fn rule_of(method: &str, path: &str) -> Option<&'static Rule> {
    static BY_ROUTE: LazyLock<HashMap<(&str, &str), &Rule>> =
        LazyLock::new(|| RULES.iter().map(|r| ((r.method, r.path), r)).collect());
    let method = if method == "HEAD" { "GET" } else { method };
    BY_ROUTE.get(&(method, path)).copied()
}

/// The route by which an act of a kind is entered.
const fn entered_at(kind: ActKind) -> &'static str {
    match kind {
        ActKind::Weighing => "/api/weighings",
        ActKind::Opening => "/api/openings",
        ActKind::Transfer | ActKind::Waste | ActKind::Gift | ActKind::Test | ActKind::Trim | ActKind::Home => {
            "/api/movements"
        }
        ActKind::Finish => "/api/lots/{lot}/finish",
        ActKind::Count => "/api/stock-counts",
        ActKind::Packing => "/api/packings",
        ActKind::Dispatch => "/api/dockets",
        ActKind::Delivery => "/api/dockets/{docket}/delivery",
        ActKind::Return => "/api/dockets/{docket}/returns",
        ActKind::MarketOut | ActKind::MarketClose => "/api/market-days",
        ActKind::WeekClose => "/api/weeks/{week}/close",
        ActKind::Reversal => "/api/acts/{act}/reversal",
    }
}

/// Whether somebody may take back an act: those who may enter one of its kind may.
///
/// # Errors
/// Refuses everybody else.
pub fn ensure_may_reverse(session: &Session, kind: ActKind) -> Result<(), Refusal> {
    match rule_of("POST", entered_at(kind)).map_or(Err(Barrier::Role), |rule| rule.admit(session)) {
        Ok(()) => Ok(()),
        Err(Barrier::Role) => Err(Refusal::new(
            RefusalKind::NotAllowed,
            format!("Your role does not allow taking back {}. Ask the owner of the farm.", kind.said()),
        )),
        Err(Barrier::SharedPhone) => Err(Refusal::new(
            RefusalKind::OwnSignIn,
            format!(
                "Taking back {} takes your own sign-in. Sign in yourself, on your own phone or after signing out here.",
                kind.said()
            ),
        )),
    }
}

/// Methods and paths of a description.
#[must_use]
pub fn routes_of(api: &OpenApi) -> Vec<(String, String)> {
    api.paths
        .paths
        .iter()
        .flat_map(|(path, item)| {
            [
                ("GET", &item.get),
                ("POST", &item.post),
                ("PUT", &item.put),
                ("PATCH", &item.patch),
                ("DELETE", &item.delete),
            ]
            .into_iter()
            .filter(|(_, operation)| operation.is_some())
            .map(|(method, _)| (method.to_owned(), path.clone()))
        })
        .collect()
}

/// Holds the table against the routes.
///
/// # Panics
/// When a route has no rule or a rule no route.
pub fn ensure_complete(routes: &[(String, String)]) {
    for (method, path) in routes {
        assert!(rule_of(method, path).is_some(), "the route {method} {path} has no rule: add it to RULES");
    }
    for kind in ActKind::ALL {
        assert!(rule_of("POST", entered_at(*kind)).is_some(), "a {kind} is entered at a route without a rule");
    }
    for rule in RULES {
        assert!(
            routes.iter().any(|(method, path)| method == rule.method && path == rule.path),
            "the rule {} {} has no route",
            rule.method,
            rule.path
        );
    }
}
