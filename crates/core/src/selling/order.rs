//! Orders: what is entered, and what is decided on it.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{allocation::Taken, customer::Customer, product::Product, set_aside::SetAside};
use crate::{
    kinds::OrderStatus,
    refusal::{Refusal, RefusalKind},
    text::{CustomerCode, LotCode, Note, OrderCode, ProductCode, StandingOrderCode, Text},
    units::{calendar::Day, quantity::Grams},
};

/// The most lines of an order.
pub const MAX_LINES: usize = 100;
/// The most grams of a line: ten tonnes.
const MAX_LINE: Grams = Grams(10_000_000);
/// The most packs of a line.
const MAX_PACKS: i32 = 100_000;

/// A line to be ordered.
#[derive(Debug, Clone, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewOrderLine {
    /// The product.
    pub product: ProductCode,
    /// Grams, for what is sold loose.
    pub grams_g: Option<Grams>,
    /// Packs, for what is sold in packs.
    #[schema(minimum = 1, maximum = 100_000)]
    pub packs: Option<i32>,
}

/// An order to be written down.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewOrder {
    /// The customer.
    pub customer: CustomerCode,
    /// The day it is wanted: today or later, unless `past_day` says otherwise.
    pub delivery_day: Day,
    /// Whether a day that is past is meant, as for an order that is written down late.
    #[serde(default)]
    pub past_day: bool,
    /// What is wanted.
    #[schema(min_items = 1, max_items = 100)]
    pub lines: Vec<NewOrderLine>,
    /// Promised at once, or a draft.
    #[serde(default)]
    pub draft: bool,
    /// The number that the customer knows it by.
    #[serde(default)]
    pub reference: Text<0, 60>,
    /// Anything worth knowing.
    #[serde(default)]
    pub note: Note,
}

/// Changes of an order that has not gone out.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OrderChange {
    /// The day it is wanted: today or later, unless `past_day` says otherwise.
    pub delivery_day: Option<Day>,
    /// Whether a day that is past is meant.
    #[serde(default)]
    pub past_day: bool,
    /// `confirmed` promises a draft, `cancelled` calls it off. What is set aside is released when it is called off.
    pub status: Option<OrderStatus>,
    /// Lines that take the place of the old ones. What was set aside is released.
    pub lines: Option<Vec<NewOrderLine>>,
    /// The number that the customer knows it by.
    pub reference: Option<Text<0, 60>>,
    /// Anything worth knowing.
    pub note: Option<Note>,
}

/// A line as it is written down.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct PlannedLine {
    /// The product.
    pub product: ProductCode,
    /// Its name.
    pub name: String,
    /// How much: of packs the nominal weight.
    pub grams_g: Grams,
    /// How many packs, where it is sold in packs.
    pub packs: Option<i32>,
}

/// A line of an order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct OrderLine {
    /// Its number.
    pub line: i32,
    /// The product.
    pub product: ProductCode,
    /// Name of the product.
    pub name: String,
    /// How much.
    pub grams_g: Grams,
    /// How many packs.
    pub packs: Option<i32>,
    /// What is set aside for it.
    pub set_aside: Vec<SetAside>,
    /// What is not set aside yet. Of a loose line that is packed, nothing where the customer takes it a little lighter.
    pub short_g: Grams,
}

/// An order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Order {
    /// Code.
    pub order: OrderCode,
    /// The customer.
    pub customer: CustomerCode,
    /// Name of the customer.
    pub customer_name: String,
    /// The day it is wanted.
    pub delivery_day: NaiveDate,
    /// Where it stands.
    pub status: OrderStatus,
    /// When it was placed.
    pub placed_at: DateTime<Utc>,
    /// Anything worth knowing.
    pub note: String,
    /// Per cent of the ordered weight that may be missing of a loose line once it is packed.
    #[serde(with = "rust_decimal::serde::float")]
    #[schema(value_type = f64)]
    pub under_percent: Decimal,
    /// The number that the customer knows it by; empty where they gave none.
    pub reference: String,
    /// The standing order that it was made of.
    pub standing_order: Option<StandingOrderCode>,
    /// What is wanted.
    pub lines: Vec<OrderLine>,
    /// Goes up with every change.
    pub version: i32,
}

impl OrderLine {
    /// How many packs a weight of the line is; none of what is sold loose.
    #[must_use]
    pub fn packs_in(&self, grams: Grams) -> Option<i64> {
        let pack = self.grams_g.0.checked_div(self.packs?.into())?;
        grams.0.checked_div(pack)
    }

    /// Works out what is short, after what is set aside has changed. `under_percent` is what the customer lets be missing.
    pub fn count_short(&mut self, under_percent: Decimal) {
        self.short_g = self.missing(under_percent);
    }

    /// What is missing of it by what is set aside. `under_percent` is what the customer lets be missing.
    #[must_use]
    pub fn missing(&self, under_percent: Decimal) -> Grams {
        let set_aside: Grams = self.set_aside.iter().map(|s| s.grams_g).sum();
        missing(self.grams_g, set_aside, self.is_packed(), self.packs.is_none(), under_percent)
    }

    /// Whether all that is set aside for it is packed.
    #[must_use]
    pub fn is_packed(&self) -> bool {
        !self.set_aside.is_empty() && self.set_aside.iter().all(|s| s.packed_at.is_some())
    }

    /// What is packed of it.
    pub fn packed(&self) -> impl Iterator<Item = Taken> + '_ {
        self.set_aside.iter().filter(|s| s.packed_at.is_some()).map(SetAside::taken)
    }
}

/// What is missing of a line. A loose one that is packed may weigh a little less than was ordered (catch weight): then nothing is. `under_percent`
/// is 0 to 50; what may be missing is rounded down to whole grams.
#[must_use]
pub fn missing(ordered: Grams, set_aside: Grams, is_packed: bool, is_loose: bool, under_percent: Decimal) -> Grams {
    let missing = (ordered - set_aside).max(Grams::ZERO);
    let tolerated = Decimal::from(ordered.0) * under_percent / Decimal::ONE_HUNDRED;
    if is_packed && is_loose && Decimal::from(missing.0) <= tolerated.floor() { Grams::ZERO } else { missing }
}

impl Order {
    /// The products of its lines.
    #[must_use]
    pub fn products(&self) -> Vec<ProductCode> {
        self.lines.iter().map(|l| l.product.clone()).collect()
    }

    /// Puts lots in place of those that are set aside for it. What is packed and stays as it was stays packed.
    pub fn replace_set_aside(&mut self, rows: &[(i32, Taken)], reason: &str) {
        for line in &mut self.lines {
            let was = std::mem::take(&mut line.set_aside);
            let now = rows.iter().filter(|(n, _)| *n == line.line).map(|(_, taken)| {
                let packed = was.iter().find(|s| s.packed_at.is_some() && s.taken() == *taken);
                let same_lot = was.iter().find(|s| (&s.lot, &s.place) == (&taken.lot, &taken.place));
                let kept = packed.filter(|_| reason.is_empty()).map(|s| s.reason.clone());
                SetAside {
                    lot: taken.lot.clone(),
                    place: taken.place.clone(),
                    grams_g: taken.grams,
                    reason: kept.unwrap_or_else(|| reason.to_owned()),
                    packed_at: packed.and_then(|s| s.packed_at),
                    unpacked_at: same_lot.and_then(|s| s.unpacked_at),
                    warm_spell: None,
                }
            });
            line.set_aside = now.collect();
            line.set_aside.sort_by(|a, b| (&a.lot, &a.place).cmp(&(&b.lot, &b.place)));
        }
        self.count_short();
    }

    /// Works out what is short of each line, after what is set aside has changed.
    pub fn count_short(&mut self) {
        self.lines.iter_mut().for_each(|line| line.count_short(self.under_percent));
    }

    /// The lots that are set aside for it, one for each time.
    pub fn lots_set_aside(&self) -> impl Iterator<Item = LotCode> + '_ {
        self.lines.iter().flat_map(|l| &l.set_aside).map(|s| s.lot.clone())
    }

    /// Refuses one that has gone out or was called off: nothing is set aside for it any more.
    ///
    /// # Errors
    /// Names it.
    pub fn ensure_open(&self) -> Result<(), Refusal> {
        match self.status {
            OrderStatus::Draft | OrderStatus::Confirmed => Ok(()),
            status => Err(Refusal::new(
                RefusalKind::Closed,
                format!("Order {} is {status}. Nothing is set aside for it any more.", self.order),
            )),
        }
    }
}

/// Decides on the lines of an order. `products` are those of them that are there.
///
/// # Errors
/// Names the line that cannot be, or the customer's least weight where it is not reached.
pub fn plan_lines(
    lines: &[NewOrderLine],
    products: &BTreeMap<ProductCode, Product>,
    customer: &Customer,
) -> Result<Vec<PlannedLine>, Refusal> {
    if !(1..=MAX_LINES).contains(&lines.len()) {
        return Err(Refusal::field("/lines", "An order has 1 to 100 lines."));
    }
    let planned: Vec<PlannedLine> =
        lines.iter().enumerate().map(|(i, line)| plan_line(i, line, products)).collect::<Result<_, _>>()?;
    let total: Grams = planned.iter().map(|l| l.grams_g).sum();
    if total < customer.min_order_g {
        return Err(Refusal::field(
            "/lines",
            format!(
                "The order comes to {total}. The minimum order set for {} is {}.",
                customer.name, customer.min_order_g
            ),
        ));
    }
    Ok(planned)
}

fn plan_line(i: usize, line: &NewOrderLine, products: &BTreeMap<ProductCode, Product>) -> Result<PlannedLine, Refusal> {
    let blame = |field: &str, detail: String| Refusal::field(format!("/lines/{i}/{field}"), detail);
    let code = &line.product;
    let product = products
        .get(code)
        .ok_or_else(|| blame("product", format!("There is no product {code} on this farm. Check the code.")))?;
    let grams_g = match (product.pack_g, line.grams_g, line.packs) {
        (None, Some(grams), None) if (Grams(1)..=MAX_LINE).contains(&grams) => grams,
        (None, _, _) => {
            let loose =
                format!("{} is sold loose. Give grams above zero, up to 10 tonnes, and no packs.", product.name);
            return Err(blame(if line.packs.is_some() { "packs" } else { "grams_g" }, loose));
        }
        (Some(pack), None, Some(packs)) if (1..=MAX_PACKS).contains(&packs) && nominal(pack, packs) <= MAX_LINE => {
            nominal(pack, packs)
        }
        (Some(pack), _, _) => {
            let packed = format!(
                "{} is sold in packs of {pack} g. Give a number of packs from 1 to 100,000, up to 10 tonnes.",
                product.name
            );
            return Err(blame("packs", packed));
        }
    };
    Ok(PlannedLine { product: code.clone(), name: product.name.clone(), grams_g, packs: line.packs })
}

fn nominal(pack_g: i32, packs: i32) -> Grams {
    Grams(i64::from(pack_g) * i64::from(packs))
}

/// Refuses a delivery day that is past, unless it is meant: a wrong month hides an order from everybody.
///
/// # Errors
/// Names the day.
pub fn ensure_day_to_come(day: NaiveDate, today: NaiveDate, past_day: bool) -> Result<(), Refusal> {
    if day >= today || past_day {
        return Ok(());
    }
    Err(Refusal::field(
        "/delivery_day",
        format!("{day} is past. Check the date, or say that it is meant (\"past_day\": true)."),
    ))
}

/// The status that a change leads to. Orders are drafts or confirmed until a docket takes them out or they are cancelled.
///
/// # Errors
/// Refuses any change of an order that has gone out or was cancelled, and statuses that only a docket gives.
pub fn next_status(order: &OrderCode, was: OrderStatus, change: Option<OrderStatus>) -> Result<OrderStatus, Refusal> {
    if !matches!(was, OrderStatus::Draft | OrderStatus::Confirmed) {
        return Err(Refusal::new(
            RefusalKind::Closed,
            format!("Order {order} is {was} and is not changed any more. Write a new one."),
        ));
    }
    match (was, change) {
        (was, None) => Ok(was),
        (_, Some(to @ (OrderStatus::Confirmed | OrderStatus::Cancelled))) => Ok(to),
        (OrderStatus::Draft, Some(OrderStatus::Draft)) => Ok(OrderStatus::Draft),
        (_, Some(to)) => Err(Refusal::field(
            "/status",
            format!("An order becomes {to} by its docket or not at all. Give confirmed or cancelled."),
        )),
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::selling::examples::{customer, product};

    fn products() -> BTreeMap<ProductCode, Product> {
        let loose = product("LOOSE", json!({}));
        let packed = product("PUN", json!({"pack_g": 150}));
        [loose, packed].into_iter().map(|p| (p.product.clone(), p)).collect()
    }

    fn line(product: &str, grams_g: Option<i64>, packs: Option<i32>) -> NewOrderLine {
        NewOrderLine { product: product.parse().unwrap(), grams_g: grams_g.map(Grams), packs }
    }

    fn plan(lines: &[NewOrderLine]) -> Result<Vec<PlannedLine>, Refusal> {
        plan_lines(lines, &products(), &customer(json!({})))
    }

    fn blamed(lines: &[NewOrderLine]) -> String {
        plan(lines).unwrap_err().faults[0].pointer.clone()
    }

    #[test]
    fn packs_weigh_what_is_printed_on_them() {
        let planned = plan(&[line("PUN", None, Some(12)), line("LOOSE", Some(2500), None)]).unwrap();
        assert_eq!(
            planned.iter().map(|l| (l.grams_g.0, l.packs)).collect::<Vec<_>>(),
            [(1800, Some(12)), (2500, None)]
        );
    }

    #[test]
    fn an_order_has_one_to_a_hundred_lines() {
        assert_eq!(blamed(&[]), "/lines");
        assert_eq!(blamed(&vec![line("LOOSE", Some(1), None); 101]), "/lines");
        assert!(plan(&vec![line("LOOSE", Some(1), None); 100]).is_ok());
    }

    #[test]
    fn what_is_loose_takes_grams_and_what_is_packed_takes_packs() {
        for (wrong, field) in [
            (line("LOOSE", None, Some(1)), "packs"),
            (line("LOOSE", Some(1), Some(1)), "packs"),
            (line("LOOSE", None, None), "grams_g"),
        ] {
            assert_eq!(blamed(&[line("LOOSE", Some(1), None), wrong]), format!("/lines/1/{field}"));
        }
        for wrong in [line("PUN", Some(150), None), line("PUN", Some(150), Some(1)), line("PUN", None, None)] {
            assert_eq!(blamed(&[wrong]), "/lines/0/packs");
        }
    }

    #[test]
    fn a_line_is_between_a_gram_and_ten_tonnes() {
        assert_eq!(blamed(&[line("LOOSE", Some(0), None)]), "/lines/0/grams_g");
        assert_eq!(blamed(&[line("LOOSE", Some(10_000_001), None)]), "/lines/0/grams_g");
        assert!(plan(&[line("LOOSE", Some(10_000_000), None)]).is_ok());
        for packs in [0, -1, 66_667, 100_001, i32::MAX] {
            assert_eq!(blamed(&[line("PUN", None, Some(packs))]), "/lines/0/packs", "{packs}");
        }
        assert!(plan(&[line("PUN", None, Some(66_666))]).is_ok());
    }

    #[test]
    fn a_product_that_is_not_there_is_named() {
        assert_eq!(blamed(&[line("NONE", Some(1), None)]), "/lines/0/product");
    }

    #[test]
    fn the_customers_least_weight_holds_for_all_lines_together() {
        let customer = customer(json!({"min_order_g": 2000}));
        let order = |grams| {
            plan_lines(&[line("LOOSE", Some(500), None), line("LOOSE", Some(grams), None)], &products(), &customer)
        };
        assert!(order(1500).is_ok());
        let refusal = order(1499).unwrap_err();
        assert_eq!(refusal.faults[0].pointer, "/lines");
        assert!(refusal.detail.contains("is 2000 g"), "{}", refusal.detail);
    }

    #[test]
    fn a_day_that_is_past_must_be_meant() {
        let day = |d| NaiveDate::from_ymd_opt(2026, 5, d).unwrap();
        assert!(ensure_day_to_come(day(4), day(4), false).is_ok());
        assert_eq!(ensure_day_to_come(day(3), day(4), false).unwrap_err().faults[0].pointer, "/delivery_day");
        assert!(ensure_day_to_come(day(3), day(4), true).is_ok());
    }

    #[test]
    fn an_order_is_confirmed_or_cancelled_by_hand_and_nothing_else() {
        use OrderStatus::{Cancelled, Confirmed, Draft};
        let code: OrderCode = "O-1".parse().unwrap();
        let to = |was, change| next_status(&code, was, change).ok();
        assert_eq!(to(Draft, None), Some(Draft));
        assert_eq!(to(Draft, Some(Draft)), Some(Draft));
        assert_eq!(to(Draft, Some(Confirmed)), Some(Confirmed));
        assert_eq!(to(Confirmed, Some(Cancelled)), Some(Cancelled));
        assert_eq!(to(Confirmed, Some(Draft)), None);
        for status in OrderStatus::ALL.iter().filter(|s| !matches!(s, Draft | Confirmed)) {
            assert_eq!(next_status(&code, *status, None).unwrap_err().kind, RefusalKind::Closed, "{status}");
            if *status != Cancelled {
                assert_eq!(next_status(&code, Confirmed, Some(*status)).unwrap_err().faults[0].pointer, "/status");
            }
        }
    }
}
