//! The pages: server-rendered, at phone size first. A handler reads in one transaction, makes a view of plain strings and
//! renders a template.

mod act;
mod allocation_plan;
mod answers;
mod availability;
mod batches;
mod blocks;
mod by_hand;
mod calendar;
mod checks;
mod count;
mod crates_out;
mod days;
mod desk;
mod dispatch;
mod docket;
mod docket_sheet;
mod emails;
mod entries;
mod excursion;
mod find;
mod fridge;
mod invoices;
mod labels;
mod lot;
mod market;
mod money;
mod moves;
mod notices;
mod order_forms;
mod order_to_cash;
mod orders;
mod packing;
mod packing_list;
mod packing_sheet;
mod payments;
mod period_locks;
mod phones;
mod recalls;
mod receipt_sheet;
mod record;
mod record_sheet;
mod resource;
mod returns;
mod routes;
mod sell_first;
mod set_aside;
mod settings;
mod setup;
mod shared_docket;
mod sheet;
mod stall;
mod standing_orders;
mod stock;
mod today;
mod trace;
mod traced;
mod typed;
mod week;
mod week_close;
mod week_sales;
mod weigh;
mod weight_loss;

use askama::Template;
use axum::{
    Router,
    http::{HeaderMap, header},
    response::{IntoResponse, Response},
};
use gillbook_core::{Grams, cold::CAUTION, kinds::Role, units::money::CurrencyRules};
use gillbook_store::{
    Pagination,
    farm::{farms::Farm, sessions::Principal},
};
use rust_decimal::{Decimal, RoundingStrategy};
use uuid::Uuid;

use self::answers::{problem_page, rerender_form};
use self::days::{
    WEEKDAYS, clock, date, day_and_clock, full_day, full_time, in_a_row, long_day, short_day, weekday, zone_of,
};
pub(crate) use self::{
    allocation_plan::allocation_plan,
    answers::{finish, finished},
    availability::{availability, availability_text},
    docket_sheet::{DocketPaper, despatch_advice},
    emails::{docket_draft, invoice_draft},
    invoices::invoice_pdf,
    labels::label_pdf,
    money::{journal_csv, statement_pdf},
    packing_sheet::{packing_list_name, packing_list_pdf},
    phones::home_of,
    recalls::recall_letters,
    receipt_sheet::ReceiptPaper,
    record::{record_csv, record_of, record_pdf},
    sell_first::shelf_life,
    traced::trace_csv,
    week_sales::{product_sales_csv, sales_csv},
};
use crate::{
    App,
    auth::{Authenticated, secret},
    problem::Problem,
    read_tx,
};

/// All rows of a list that no farm has many of.
const ALL: Pagination = Pagination { after: None, limit: 500 };

/// The key of a form that is shown anew: sent twice, what it asks for is done once.
#[expect(clippy::disallowed_methods, reason = "the one place where a page makes an id")]
fn new_key() -> Uuid {
    Uuid::new_v4()
}

/// The pages' routes, and the list of them for the table of rules.
pub(crate) fn router() -> (Router<App>, Vec<(String, String)>) {
    let pages = routes::all();
    (pages.router, pages.routes)
}

/// Pages that a phone names in one line; the others stand behind one more touch.
const PLACES_IN_A_LINE: usize = 4;

/// What every page has at its head and foot.
#[derive(Debug, Clone)]
struct Layout {
    farm: String,
    farm_id: i32,
    name: String,
    signed_in: bool,
    role: Option<Role>,
    here: &'static str,
    caution: &'static str,
    /// What was done on the way here, said once.
    said: Option<&'static str>,
}

impl Layout {
    fn new(farm: &Farm, who: &Authenticated, here: &'static str) -> Self {
        let role = match who.standing {
            Principal::Person(role) => Some(role),
            Principal::Reader | Principal::Probe(_) | Principal::Calendar | Principal::Customer => None,
        };
        Self {
            farm: farm.name.clone(),
            farm_id: farm.farm_id.0,
            name: who.name.clone(),
            signed_in: true,
            role,
            here,
            caution: CAUTION,
            said: who.said,
        }
    }

    /// For a page that anybody may see: of whoever is signed in, or of nobody.
    async fn of(app: &App, headers: &HeaderMap, here: &'static str) -> Self {
        let known = async {
            let session = app.store.session(&secret(headers)?, app.now()).await.ok()??;
            let who = Authenticated::from(session);
            let farm = read_tx!(app, who, |tx| tx.farm().await).ok()?;
            Some(Self::new(&farm, &who, here))
        };
        known.await.unwrap_or_else(|| Self::nobody(here))
    }

    /// For a page that a customer reads without signing in.
    fn of_customer(farm: &Farm, caution: &'static str) -> Self {
        Self { farm: farm.name.clone(), caution, ..Self::nobody("") }
    }

    fn nobody(here: &'static str) -> Self {
        Self {
            farm: "Gillbook".into(),
            farm_id: 0,
            name: String::new(),
            signed_in: false,
            role: None,
            here,
            caution: CAUTION,
            said: None,
        }
    }

    /// Whether the rules let the one who looks through to a route.
    fn may(&self, method: &str, path: &str) -> bool {
        let rule = crate::access::rule_of(method, path);
        self.role.zip(rule).is_some_and(|(role, rule)| rule.allows.permits(Principal::Person(role)))
    }

    /// The first pages of [`Self::places`], which a phone has room for in one line.
    fn first_places(&self) -> Vec<(&'static str, &'static str, bool)> {
        let mut places = self.places();
        places.truncate(PLACES_IN_A_LINE);
        places
    }

    /// The form that sends what waits on the phone.
    fn sends_on(&self) -> &'static str {
        if self.may("GET", "/weigh") { "/weigh" } else { "/stall" }
    }

    /// The pages that a phone keeps behind one more touch.
    fn more_places(&self) -> Vec<(&'static str, &'static str, bool)> {
        self.places().into_iter().skip(PLACES_IN_A_LINE).collect()
    }

    /// What stands over [`Self::more_places`]: the page that is open, where it is one of them.
    fn more_word(&self) -> &'static str {
        self.more_places().into_iter().find(|(_, _, here)| *here).map_or("More", |(_, word, _)| word)
    }

    /// The pages that the role may see: address, word, whether it is this one.
    fn places(&self) -> Vec<(&'static str, &'static str, bool)> {
        let all = [
            ("/", "Today"),
            ("/weigh", "Weigh"),
            ("/fridge", "Fridge"),
            ("/orders", "Orders"),
            ("/stock", "Stock"),
            ("/checks", "Checks"),
            ("/stall", "Stall"),
            ("/week", "Week"),
            ("/money", "Money"),
            ("/blocks", "Blocks"),
            ("/settings", "Settings"),
        ];
        all.into_iter()
            .filter(|(path, _)| self.may("GET", path))
            .map(|(path, word)| (path, word, path == self.here))
            .collect()
    }
}

/// A page, rendered.
struct Html<T>(T);

impl<T: Template> IntoResponse for Html<T> {
    fn into_response(self) -> Response {
        match self.0.render() {
            Ok(html) => {
                ([(header::CONTENT_TYPE, "text/html; charset=utf-8"), (header::CACHE_CONTROL, "no-store")], html)
                    .into_response()
            }
            Err(error) => {
                tracing::error!(%error, "a page could not be rendered");
                Problem::broken().into_response()
            }
        }
    }
}

/// Kilograms with two decimals, as pages show them.
fn kg(grams: Grams) -> String {
    let kg = Decimal::new(grams.0, 3).round_dp_with_strategy(2, RoundingStrategy::MidpointAwayFromZero);
    thousands(&format!("{kg:.2}"))
}

/// Kilograms to the gram, for what is typed or held against the scale.
fn exact_kg(grams: Grams) -> String {
    format!("{:.3}", grams.kg())
}

/// Whole grams, as pages show them.
fn g(grams: Grams) -> String {
    thousands(&grams.0.to_string())
}

/// A number with a narrow no-break space between its thousands (ISO 80000-1, 7.3.1).
fn thousands(number: &str) -> String {
    let (whole, rest) = number.split_at(number.find('.').unwrap_or(number.len()));
    let digits = whole.trim_start_matches('-').len();
    let spaced = whole.chars().enumerate().flat_map(|(i, c)| {
        let left = whole.len() - i;
        let gap = left % 3 == 0 && left < digits && left > 0;
        gap.then_some('\u{202f}').into_iter().chain([c])
    });
    minus(&spaced.chain(rest.chars()).collect::<String>())
}

/// A figure with a true minus sign.
fn minus(figure: &str) -> String {
    figure.replace('-', "\u{2212}")
}

/// A temperature with one decimal, without its unit.
fn degrees(c: f64) -> String {
    let shown = format!("{c:.1}");
    minus(if shown == "-0.0" { "0.0" } else { &shown })
}

/// A temperature with one decimal and its unit, which are never parted at a line's end.
fn celsius(c: f64) -> String {
    format!("{}\u{a0}°C", degrees(c))
}

/// A count with its noun: `1 day`, `2 days`.
fn count(n: i64, noun: &str) -> String {
    format!("{n} {noun}{}", if n == 1 { "" } else { "s" })
}

/// A price with at least the decimals of the currency: 14.50, not 14.5.
fn as_money(mut price: Decimal, decimals: u32) -> String {
    price = price.normalize();
    if price.scale() < decimals {
        price.rescale(decimals);
    }
    price.to_string()
}

/// A sum of money as it is stored, with its thousands parted.
fn amount(sum: Decimal) -> String {
    thousands(&sum.to_string())
}

/// The farm's coinage, which was checked when the farm was opened.
fn coinage_of(farm: &Farm) -> Option<CurrencyRules> {
    CurrencyRules::new(&farm.currency, farm.rounding)
}

/// A price of the farm, with its currency: `14.50 EUR`.
fn price(amount: Decimal, farm: &Farm) -> String {
    let places = coinage_of(farm).map_or(0, CurrencyRules::places);
    format!("{} {}", as_money(amount, places), farm.currency)
}

/// A round weight, without noughts at its end.
fn round_kg(grams: Grams) -> String {
    Decimal::new(grams.0, 3).normalize().to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands_are_parted_and_four_digits_too() {
        assert_eq!(g(Grams(999)), "999");
        assert_eq!(g(Grams(-1234)), "\u{2212}1\u{202f}234");
        assert_eq!(
            (degrees(-0.04), degrees(-1.25), celsius(3.0)),
            ("0.0".into(), "\u{2212}1.2".into(), "3.0\u{a0}°C".into())
        );
        assert_eq!(g(Grams(1_234_567)), "1\u{202f}234\u{202f}567");
        assert_eq!(kg(Grams(1_234_560)), "1\u{202f}234.56");
        assert_eq!(kg(Grams(999_999)), "1\u{202f}000.00");
        assert_eq!((kg(Grams(2835)), kg(Grams(2635)), kg(Grams(55))), ("2.84".into(), "2.64".into(), "0.06".into()));
        assert_eq!(
            (count(1, "day"), count(-1, "day"), count(0, "day")),
            ("1 day".into(), "-1 days".into(), "0 days".into())
        );
    }
}
