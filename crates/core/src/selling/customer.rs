//! Who buys, and on what terms.

use std::collections::BTreeSet;

use chrono::{DateTime, Datelike, Days, NaiveDate, Utc};
use chrono_tz::Tz;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    kinds::{CustomerKind, Weekday},
    party::{Country, ElectronicAddress},
    refusal::Refusal,
    text::{CustomerCode, Line, Note, PriceListCode, Text},
    units::{calendar::at_clock, clock::ClockTime, quantity::Grams},
};

/// A customer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Customer {
    /// Code.
    pub customer: CustomerCode,
    /// Name.
    pub name: String,
    /// Kind, which is also the channel.
    pub kind: CustomerKind,
    /// The price list.
    pub price_list: PriceListCode,
    /// Days that must be left at delivery.
    pub least_days: i32,
    /// Wants the freshest.
    pub freshest: bool,
    /// Per cent over the ordered weight that it takes.
    #[serde(with = "rust_decimal::serde::float")]
    #[schema(value_type = f64)]
    pub over_percent: Decimal,
    /// Per cent of the ordered weight that may be missing of a loose line once it is packed.
    #[serde(with = "rust_decimal::serde::float")]
    #[schema(value_type = f64)]
    pub under_percent: Decimal,
    /// Least weight of an order.
    pub min_order_g: Grams,
    /// Where it goes.
    pub address: String,
    /// E-mail.
    pub email: String,
    /// Telephone.
    pub telephone: String,
    /// Whether its dockets print prices.
    pub docket_prices: bool,
    /// Days from an invoice to the day on which it is due.
    pub payment_days: i32,
    /// The number under which it is registered for tax; empty where there is none.
    pub tax_number: String,
    /// Where it is.
    pub country: Country,
    /// Where invoices are sent to by machines.
    pub electronic_address: ElectronicAddress,
    /// Days before the delivery by which it orders; counts with `order_by_time`.
    pub order_by_days: i32,
    /// The time of that day by which it orders.
    pub order_by_time: ClockTime,
    /// Takes deliveries from this time.
    pub deliver_from: ClockTime,
    /// Takes deliveries until this time.
    pub deliver_until: ClockTime,
    /// The days of the week on which it takes deliveries; empty where it takes them on any.
    pub delivery_days: BTreeSet<Weekday>,
    /// Whether something else may be offered where what it ordered is short.
    pub substitutes: bool,
    /// The round that its deliveries go with; empty where they go with none or are fetched.
    pub round: String,
    /// Which stop of the round it is, from 1; zero comes after those that have a number.
    pub stop: i32,
    /// Goes up with every change.
    pub version: i32,
}

/// A customer to be added.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCustomer {
    /// Code.
    pub customer: CustomerCode,
    /// Name.
    pub name: Line,
    /// Kind.
    pub kind: CustomerKind,
    /// The price list.
    pub price_list: PriceListCode,
    /// Days that must be left at delivery.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 365)]
    pub least_days: i32,
    /// Wants the freshest.
    #[serde(default)]
    pub freshest: bool,
    /// Per cent over the ordered weight that it takes; ten unless said.
    #[serde(default = "ten", with = "rust_decimal::serde::float")]
    #[schema(value_type = f64, minimum = 0, maximum = 50)]
    pub over_percent: Decimal,
    /// Per cent of the ordered weight that may be missing of a loose line once it is packed; five unless said.
    #[serde(default = "five", with = "rust_decimal::serde::float")]
    #[schema(value_type = f64, minimum = 0, maximum = 50)]
    pub under_percent: Decimal,
    /// Least weight of an order.
    #[serde(default)]
    pub min_order_g: Grams,
    /// Where it goes.
    #[serde(default)]
    pub address: Note,
    /// E-mail.
    #[serde(default)]
    pub email: Text<0, 254>,
    /// Telephone.
    #[serde(default)]
    pub telephone: Text<0, 40>,
    /// Whether its dockets print prices; they do unless said.
    #[serde(default = "yes")]
    pub docket_prices: bool,
    /// Days from an invoice to the day on which it is due; fourteen unless said.
    #[serde(default = "fortnight")]
    #[schema(minimum = 0, maximum = 365)]
    pub payment_days: i32,
    /// The number under which it is registered for tax.
    #[serde(default)]
    pub tax_number: Text<0, 60>,
    /// Where it is; not known unless said.
    #[serde(default)]
    pub country: Country,
    /// Where invoices are sent to by machines.
    #[serde(default)]
    pub electronic_address: ElectronicAddress,
    /// Days before the delivery by which it orders; counts with `order_by_time`. The day before unless said.
    #[serde(default = "day_before")]
    #[schema(minimum = 0, maximum = 30)]
    pub order_by_days: i32,
    /// The time of that day by which it orders; blank where it may order at any time.
    #[serde(default)]
    pub order_by_time: ClockTime,
    /// Takes deliveries from this time.
    #[serde(default)]
    pub deliver_from: ClockTime,
    /// Takes deliveries until this time.
    #[serde(default)]
    pub deliver_until: ClockTime,
    /// The days of the week on which it takes deliveries; any unless said.
    #[serde(default)]
    pub delivery_days: BTreeSet<Weekday>,
    /// Whether something else may be offered where what it ordered is short.
    #[serde(default)]
    pub substitutes: bool,
    /// The round that its deliveries go with.
    #[serde(default)]
    pub round: Text<0, 40>,
    /// Which stop of the round it is, from 1; zero comes after those that have a number.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 999)]
    pub stop: i32,
}

impl Customer {
    /// The instant by which it orders for a day. `None` where it may order at any time.
    #[must_use]
    pub fn order_by(&self, delivery_day: NaiveDate, zone: Tz) -> Option<DateTime<Utc>> {
        order_by(self.order_by_days, self.order_by_time, delivery_day, zone)
    }

    /// Whether it takes deliveries on a day.
    #[must_use]
    pub fn takes_deliveries_on(&self, day: NaiveDate) -> bool {
        self.delivery_days.is_empty() || self.delivery_days.contains(&day.weekday().into())
    }
}

/// The instant by which somebody orders for a day who orders so many days before at the latest, until a time of day. `None` where that time is
/// blank: they may order at any time.
#[must_use]
pub fn order_by(days: i32, time: ClockTime, delivery_day: NaiveDate, zone: Tz) -> Option<DateTime<Utc>> {
    let day = delivery_day.checked_sub_days(Days::new(days.unsigned_abs().into()))?;
    time.0.map(|time| at_clock(day, time, zone))
}

/// Per cent, as a JSON number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(transparent)]
pub struct Percent(#[serde(with = "rust_decimal::serde::float")] pub Decimal);

/// Changes of a customer.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CustomerChange {
    /// Name.
    pub name: Option<Line>,
    /// Kind, which is also the channel: what was sold to it before counts under the new one in weeks that are not closed.
    pub kind: Option<CustomerKind>,
    /// The price list.
    pub price_list: Option<PriceListCode>,
    /// Days that must be left at delivery.
    pub least_days: Option<i32>,
    /// Wants the freshest.
    pub freshest: Option<bool>,
    /// Per cent over the ordered weight that it takes.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 50)]
    pub over_percent: Option<Percent>,
    /// Per cent of the ordered weight that may be missing of a loose line once it is packed.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 50)]
    pub under_percent: Option<Percent>,
    /// Least weight of an order.
    pub min_order_g: Option<Grams>,
    /// Where it goes.
    pub address: Option<Note>,
    /// E-mail.
    pub email: Option<Text<0, 254>>,
    /// Telephone.
    pub telephone: Option<Text<0, 40>>,
    /// Whether its dockets print prices.
    pub docket_prices: Option<bool>,
    /// Days from an invoice to the day on which it is due. Invoices that are issued keep theirs.
    #[schema(minimum = 0, maximum = 365)]
    pub payment_days: Option<i32>,
    /// The number under which it is registered for tax; empty where there is none.
    pub tax_number: Option<Text<0, 60>>,
    /// Where it is; blank where not known.
    pub country: Option<Country>,
    /// Where invoices are sent to by machines.
    pub electronic_address: Option<ElectronicAddress>,
    /// Days before the delivery by which it orders.
    #[schema(minimum = 0, maximum = 30)]
    pub order_by_days: Option<i32>,
    /// The time of that day by which it orders; blank where it may order at any time.
    pub order_by_time: Option<ClockTime>,
    /// Takes deliveries from this time.
    pub deliver_from: Option<ClockTime>,
    /// Takes deliveries until this time.
    pub deliver_until: Option<ClockTime>,
    /// The days of the week on which it takes deliveries; empty where it takes them on any.
    pub delivery_days: Option<BTreeSet<Weekday>>,
    /// Whether something else may be offered where what it ordered is short.
    pub substitutes: Option<bool>,
    /// The round that its deliveries go with; empty where they go with none.
    pub round: Option<Text<0, 40>>,
    /// Which stop of the round it is; zero comes after those that have a number.
    #[schema(minimum = 0, maximum = 999)]
    pub stop: Option<i32>,
}

/// Refuses a delivery window that ends before it begins.
///
/// # Errors
/// Names its end.
pub fn ensure_window(from: ClockTime, until: ClockTime) -> Result<(), Refusal> {
    match (from.0, until.0) {
        (Some(begins), Some(ends)) if ends <= begins => Err(Refusal::field(
            "/deliver_until",
            format!("Deliveries until {until} end before they begin, at {from}. Give a later time."),
        )),
        _ => Ok(()),
    }
}

const fn yes() -> bool {
    true
}

const fn day_before() -> i32 {
    1
}

const fn fortnight() -> i32 {
    14
}

fn five() -> Decimal {
    Decimal::from(5)
}

const fn ten() -> Decimal {
    Decimal::TEN
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::selling::examples::{customer, day};

    #[test]
    fn orders_come_in_by_a_time_of_a_day_before() {
        let ordering = |time: &str| customer(json!({"order_by_days": 2, "order_by_time": time}));
        let zone = chrono_tz::Europe::Rome;
        assert_eq!(
            ordering("16:00").order_by(day(8), zone).unwrap(),
            "2026-05-06T16:00:00+02:00".parse::<DateTime<Utc>>().unwrap()
        );
        assert_eq!(ordering("").order_by(day(8), zone), None);
        // The clocks skip 02:30 on 29 March 2026.
        let skipped = NaiveDate::from_ymd_opt(2026, 3, 31).unwrap();
        assert_eq!(
            ordering("02:30").order_by(skipped, zone).unwrap(),
            "2026-03-29T03:00:00+02:00".parse::<DateTime<Utc>>().unwrap()
        );
    }

    #[test]
    fn deliveries_are_taken_on_the_days_of_the_week_that_were_said() {
        let tuesdays = customer(json!({"delivery_days": ["tuesday", "friday"]}));
        // 1 May 2026 is a Friday.
        let taken: Vec<u32> = (1..=8).filter(|n| tuesdays.takes_deliveries_on(day(*n))).collect();
        assert_eq!(taken, [1, 5, 8]);
        assert!((1..=8).all(|n| customer(json!({})).takes_deliveries_on(day(n))));
    }

    #[test]
    fn a_delivery_window_ends_after_it_begins() {
        let window = |from: &str, until: &str| ensure_window(from.parse().unwrap(), until.parse().unwrap());
        for (from, until) in [("07:00", "10:00"), ("", "10:00"), ("07:00", ""), ("", "")] {
            assert!(window(from, until).is_ok(), "{from}–{until}");
        }
        assert_eq!(window("10:00", "10:00").unwrap_err().faults[0].pointer, "/deliver_until");
    }
}
