//! Who may do what: the one table, pages included. A route that is not in it does not start.

mod groups;
mod rules;
mod writes;

use std::{collections::HashMap, sync::LazyLock};

use gillbook_core::{
    SignedWith,
    kinds::{ActKind, Role},
    refusal::{Refusal, RefusalKind},
};
use gillbook_store::farm::sessions::{Principal, Session};
use utoipa::openapi::OpenApi;

pub use self::{
    rules::RULES,
    writes::{DoneOn, WRITES},
};

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
            // Their address says what they read, and nothing else knows it.
            (Self::Some { .. }, Principal::Calendar | Principal::Customer) => false,
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
    /// Whether somebody is let through, and if not, why. What only the owner may do, or only the owner and the bookkeeper,
    /// they do by a sign-in of their own: initials on a phone that several people use authorise nothing, and a phone that is left lying
    /// changes no limit, price or person and issues no invoice.
    ///
    /// # Errors
    /// What stands in their way.
    pub fn admit(&self, session: &Session) -> Result<(), Barrier> {
        if !self.allows.permits(session.standing) {
            return Err(Barrier::Role);
        }
        let is_their_own =
            matches!(self.allows, Access::Some { roles: [Role::Owner] | [Role::Owner, Role::Bookkeeper], .. });
        if self.method != "GET" && is_their_own && session.actor.with == SignedWith::SharedPhone {
            return Err(Barrier::SharedPhone);
        }
        Ok(())
    }
}

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

/// Whether prices are told to a person or a program that asks for something else.
#[must_use]
pub fn sees_prices(standing: Principal) -> bool {
    rule_of("GET", "/api/prices").is_some_and(|rule| rule.allows.permits(standing))
}

/// The method and route by which an act of a kind is entered.
const fn entered_at(kind: ActKind) -> (&'static str, &'static str) {
    match kind {
        ActKind::Weighing => ("POST", "/api/weighings"),
        ActKind::Opening => ("POST", "/api/openings"),
        ActKind::Transfer | ActKind::Waste | ActKind::Gift | ActKind::Test | ActKind::Trim | ActKind::Home => {
            ("POST", "/api/movements")
        }
        ActKind::Finish => ("POST", "/api/lots/{lot}/finish"),
        ActKind::Count => ("POST", "/api/stock-counts"),
        ActKind::Packing => ("POST", "/api/packings"),
        ActKind::Dispatch => ("POST", "/api/dockets"),
        ActKind::Delivery => ("POST", "/api/dockets/{docket}/delivery"),
        ActKind::Return => ("POST", "/api/dockets/{docket}/returns"),
        ActKind::MarketOut => ("POST", "/api/market-days"),
        ActKind::MarketClose => ("PATCH", "/api/market-days/{market_day}"),
        ActKind::WeekClose => ("POST", "/api/weeks/{week}/close"),
        ActKind::Reversal => ("POST", "/api/acts/{act}/reversal"),
    }
}

fn rule_of_entry(kind: ActKind) -> Option<&'static Rule> {
    let (method, path) = entered_at(kind);
    rule_of(method, path)
}

/// Whether somebody may take back an act: those who may enter one of its kind may.
///
/// # Errors
/// Refuses everybody else.
pub fn ensure_may_reverse(session: &Session, kind: ActKind) -> Result<(), Refusal> {
    match rule_of_entry(kind).map_or(Err(Barrier::Role), |rule| rule.admit(session)) {
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
        assert!(rule_of_entry(*kind).is_some(), "a {kind} is entered at a route without a rule");
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
