//! Who may do what: the one table, pages included. A route that is not in it does not start.

use std::{collections::HashMap, sync::LazyLock};

use gillbook_core::{
    refusal::{Kind, Refusal},
    words::{ActKind, Role},
};
use gillbook_store::{
    SignedWith,
    farm::sessions::{Principal, Session},
};
use utoipa::openapi::OpenApi;

/// Who is let through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Allows {
    /// Anybody, signed in or not.
    Anybody,
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

impl Allows {
    /// Whether somebody is let through.
    #[must_use]
    pub fn lets(self, standing: Principal) -> bool {
        match (self, standing) {
            (Self::Anybody, _) => true,
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
    pub allows: Allows,
}

impl Rule {
    /// Whether somebody is let through, and if not, why. What only the owner may do they do by a sign-in of their own: initials on a
    /// phone that several people use authorise nothing, and a phone that is left lying changes no limit, price or person.
    ///
    /// # Errors
    /// What stands in their way.
    pub fn admit(&self, session: &Session) -> Result<(), Barrier> {
        if !self.allows.lets(session.standing) {
            return Err(Barrier::Role);
        }
        let owners_act = self.method != "GET" && matches!(self.allows, Allows::Some { roles: [Owner], .. });
        if owners_act && session.signed.with == SignedWith::SharedPhone {
            return Err(Barrier::SharedPhone);
        }
        Ok(())
    }
}

use Role::{Bookkeeper, Driver, Owner, Picker, Verifier};

const fn people(roles: &'static [Role]) -> Allows {
    Allows::Some { roles, reader: false, probe: false }
}

/// Changes what the farm is.
const OWNS: Allows = people(&[Owner]);
/// Works with stock.
const WORKS: Allows = people(&[Owner, Picker]);
/// Works with stock or drives.
const CARRIES: Allows = people(&[Owner, Picker, Driver]);
/// Deals with what went wrong in a store.
const MINDS: Allows = people(&[Owner, Picker, Driver, Verifier]);
/// Signs off as a second person.
const SIGNS: Allows = people(&[Owner, Picker, Driver, Verifier, Bookkeeper]);
/// Drives.
const DRIVES: Allows = people(&[Owner, Driver]);
/// Reads what everybody on the farm reads.
const READS: Allows =
    Allows::Some { roles: &[Owner, Picker, Driver, Verifier, Bookkeeper], reader: true, probe: false };
/// Reads money.
const RECKONS: Allows = Allows::Some { roles: &[Owner, Bookkeeper], reader: true, probe: false };
/// Signed in, as anything.
const SIGNED_IN: Allows =
    Allows::Some { roles: &[Owner, Picker, Driver, Verifier, Bookkeeper], reader: true, probe: true };
/// Sees pages.
const LOOKS: Allows = people(&[Owner, Picker, Driver, Verifier, Bookkeeper]);
/// Posts readings.
const PROBES: Allows = Allows::Some { roles: &[Owner], reader: false, probe: true };

const fn rule(method: &'static str, path: &'static str, allows: Allows) -> Rule {
    Rule { method, path, allows }
}

/// The table.
pub const RULES: &[Rule] = &[
    rule("POST", "/api/sign-in", Allows::Anybody),
    rule("DELETE", "/api/sign-in", Allows::Anybody),
    rule("GET", "/api/openapi.json", Allows::Anybody),
    rule("GET", "/api/me", SIGNED_IN),
    rule("GET", "/api/people", OWNS),
    rule("POST", "/api/people", OWNS),
    rule("DELETE", "/api/people/{person}", OWNS),
    rule("GET", "/api/tokens", OWNS),
    rule("POST", "/api/tokens", OWNS),
    rule("DELETE", "/api/tokens/{token}", OWNS),
    rule("GET", "/api/farm", READS),
    rule("PATCH", "/api/farm", OWNS),
    rule("GET", "/api/strains", READS),
    rule("POST", "/api/strains", OWNS),
    rule("GET", "/api/strains/{strain}", READS),
    rule("PATCH", "/api/strains/{strain}", OWNS),
    rule("GET", "/api/recipes", READS),
    rule("POST", "/api/recipes", OWNS),
    rule("GET", "/api/rooms", READS),
    rule("POST", "/api/rooms", OWNS),
    rule("PATCH", "/api/rooms/{room}", OWNS),
    rule("GET", "/api/cooks", READS),
    rule("POST", "/api/cooks", WORKS),
    rule("GET", "/api/batches", READS),
    rule("POST", "/api/batches", WORKS),
    rule("GET", "/api/batches/{batch}", READS),
    rule("GET", "/api/batches/{batch}/moves", READS),
    rule("POST", "/api/batches/{batch}/moves", WORKS),
    rule("GET", "/api/batches/{batch}/losses", READS),
    rule("POST", "/api/batches/{batch}/losses", WORKS),
    rule("GET", "/api/crates", READS),
    rule("POST", "/api/crates", WORKS),
    rule("PATCH", "/api/crates/{crate}", WORKS),
    rule("GET", "/api/weighings", READS),
    rule("POST", "/api/weighings", WORKS),
    rule("GET", "/api/weighings/{weighing}", READS),
    rule("POST", "/api/weighings/{weighing}/reversal", WORKS),
    rule("GET", "/api/lots", READS),
    rule("GET", "/api/lots/{lot}", READS),
    rule("GET", "/api/lots/{lot}/trace", READS),
    rule("GET", "/api/trace", READS),
    rule("POST", "/api/lots/{lot}/hold", WORKS),
    rule("POST", "/api/lots/{lot}/release", OWNS),
    rule("POST", "/api/lots/{lot}/finish", WORKS),
    rule("GET", "/api/packings", READS),
    rule("POST", "/api/packings", WORKS),
    rule("POST", "/api/openings", OWNS),
    rule("GET", "/api/places", READS),
    rule("POST", "/api/places", OWNS),
    rule("GET", "/api/places/{place}", READS),
    rule("PATCH", "/api/places/{place}", OWNS),
    rule("GET", "/api/places/{place}/temperature", READS),
    rule("GET", "/api/probes", READS),
    rule("POST", "/api/probes", OWNS),
    rule("POST", "/api/readings", PROBES),
    rule("GET", "/api/excursions", READS),
    rule("GET", "/api/excursions/{excursion}", READS),
    // It holds, wastes and moves what was inside.
    rule("POST", "/api/excursions/{excursion}/actions", CARRIES),
    rule("POST", "/api/excursions/{excursion}/sign-off", SIGNS),
    rule("GET", "/api/probes/{probe}/checks", READS),
    rule("POST", "/api/probes/{probe}/checks", MINDS),
    rule("GET", "/api/places/{place}/spot-readings", READS),
    rule("POST", "/api/places/{place}/spot-readings", MINDS),
    rule("GET", "/api/checks", READS),
    rule("POST", "/api/checks", OWNS),
    rule("POST", "/api/checks/{check}/done", MINDS),
    rule("GET", "/api/checks-done", READS),
    rule("GET", "/api/places/{place}/temperature-record", READS),
    rule("GET", "/api/places/{place}/temperature-record/pdf", READS),
    rule("GET", "/api/places/{place}/temperature-record/csv", READS),
    rule("GET", "/api/notices", OWNS),
    rule("POST", "/api/notices", OWNS),
    rule("DELETE", "/api/notices/{notice_to}", OWNS),
    rule("GET", "/api/events", READS),
    rule("GET", "/api/stock", READS),
    rule("GET", "/api/movements", READS),
    rule("POST", "/api/movements", CARRIES),
    rule("GET", "/api/acts/{act}", READS),
    rule("POST", "/api/acts/{act}/reversal", CARRIES),
    rule("GET", "/api/stock-counts", READS),
    rule("POST", "/api/stock-counts", WORKS),
    rule("GET", "/api/products", READS),
    rule("POST", "/api/products", OWNS),
    rule("GET", "/api/products/{product}", READS),
    rule("PATCH", "/api/products/{product}", OWNS),
    rule("GET", "/api/price-lists", RECKONS),
    rule("POST", "/api/price-lists", OWNS),
    rule("GET", "/api/prices", RECKONS),
    rule("POST", "/api/prices", OWNS),
    rule("GET", "/api/customers", READS),
    rule("POST", "/api/customers", OWNS),
    rule("GET", "/api/customers/{customer}", READS),
    rule("PATCH", "/api/customers/{customer}", OWNS),
    rule("GET", "/api/orders", READS),
    rule("POST", "/api/orders", WORKS),
    rule("GET", "/api/orders/{order}", READS),
    rule("PATCH", "/api/orders/{order}", WORKS),
    rule("PUT", "/api/orders/{order}/set-aside", WORKS),
    rule("DELETE", "/api/orders/{order}/set-aside", WORKS),
    rule("GET", "/api/dockets", READS),
    rule("POST", "/api/dockets", CARRIES),
    rule("GET", "/api/dockets/{docket}", READS),
    rule("GET", "/api/dockets/{docket}/pdf", READS),
    rule("POST", "/api/dockets/{docket}/delivery", DRIVES),
    rule("POST", "/api/dockets/{docket}/returns", CARRIES),
    rule("GET", "/api/market-days", RECKONS),
    rule("POST", "/api/market-days", CARRIES),
    rule("GET", "/api/market-days/{market_day}", RECKONS),
    rule("PATCH", "/api/market-days/{market_day}", CARRIES),
    rule("GET", "/api/reports/weeks/{week}", RECKONS),
    rule("GET", "/api/reports/weeks/{week}/sales", RECKONS),
    rule("GET", "/api/reports/weeks/{week}/sales/csv", RECKONS),
    rule("POST", "/api/weeks/{week}/close", OWNS),
    rule("GET", "/api/reports/shelf-life", READS),
    rule("GET", "/api/reports/earnings", RECKONS),
    rule("GET", "/", LOOKS),
    rule("GET", "/sign-in", Allows::Anybody),
    rule("POST", "/sign-in", Allows::Anybody),
    rule("POST", "/sign-out", Allows::Anybody),
    rule("GET", "/food-safety", Allows::Anybody),
    rule("GET", "/problems/{slug}", Allows::Anybody),
    rule("GET", "/assets/{file}", Allows::Anybody),
    rule("GET", "/weigh", WORKS),
    rule("GET", "/fridge", LOOKS),
    rule("GET", "/fridge/record", LOOKS),
    rule("GET", "/fridge/by-hand", LOOKS),
    rule("POST", "/fridge/by-hand/reading", MINDS),
    rule("POST", "/fridge/by-hand/check", MINDS),
    rule("GET", "/notices", OWNS),
    rule("POST", "/notices", OWNS),
    rule("POST", "/notices/{notice_to}/remove", OWNS),
    rule("GET", "/excursions/{excursion}", LOOKS),
    rule("POST", "/excursions/{excursion}/action", CARRIES),
    rule("POST", "/excursions/{excursion}/sign-off", SIGNS),
    rule("GET", "/checks", LOOKS),
    rule("POST", "/checks", OWNS),
    rule("POST", "/checks/{check}/done", MINDS),
    rule("GET", "/stock", LOOKS),
    rule("GET", "/orders", LOOKS),
    rule("GET", "/orders/{order}", LOOKS),
    rule("POST", "/orders/{order}/set-aside", WORKS),
    rule("POST", "/orders/{order}/dispatch", CARRIES),
    rule("GET", "/dockets/{docket}", LOOKS),
    rule("POST", "/dockets/{docket}/delivery", DRIVES),
    rule("GET", "/week", people(&[Owner, Bookkeeper])),
    rule("GET", "/blocks", people(&[Owner, Bookkeeper])),
    rule("GET", "/lots/{lot}", LOOKS),
    rule("POST", "/lots/{lot}/hold", WORKS),
    rule("POST", "/lots/{lot}/release", OWNS),
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
pub fn expect_may_reverse(session: &Session, kind: ActKind) -> Result<(), Refusal> {
    match rule_of("POST", entered_at(kind)).map_or(Err(Barrier::Role), |rule| rule.admit(session)) {
        Ok(()) => Ok(()),
        Err(Barrier::Role) => Err(Refusal::new(
            Kind::NotAllowed,
            format!("Your role does not allow taking back {}. Ask the owner of the farm.", kind.said()),
        )),
        Err(Barrier::SharedPhone) => Err(Refusal::new(
            Kind::OwnSignIn,
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
pub fn expect_complete(routes: &[(String, String)]) {
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
