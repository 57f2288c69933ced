//! The packing list of a day: what is taken out of which store, lot by lot, and which order of which round it goes into. What is ticked off as
//! packed weighs what the scale shows (catch weight), within what the customer takes.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    allocation::line_limit,
    customer::Customer,
    order::{Order, OrderLine},
    product::Product,
    set_aside::SetAside,
};
use crate::{
    kinds::OrderStatus,
    refusal::{Refusal, RefusalKind},
    text::{CustomerCode, GradeCode, LotCode, PlaceCode, StrainCode},
    units::{clock::ClockTime, quantity::Grams},
};

/// A lot that is packed for a line of an order, or not after all.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPacked {
    /// The line.
    pub line: i32,
    /// The lot, as it is set aside.
    pub lot: LotCode,
    /// Where it is.
    pub place: PlaceCode,
    /// What the scale shows, above zero; what is set aside unless said. Of what is sold in packs, whole packs.
    pub grams_g: Option<Grams>,
    /// `false` takes the tick back. The weight stays.
    #[serde(default = "yes")]
    pub packed: bool,
}

const fn yes() -> bool {
    true
}

/// The packing list of a day: of every order that is promised for it, or has gone out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct PackingList {
    /// The delivery day.
    pub day: NaiveDate,
    /// What is set aside for orders that have not gone out, by the place it is in.
    pub places: Vec<PlaceToPack>,
    /// The orders by round, those without a round last.
    pub rounds: Vec<Round>,
}

/// What is taken out of a place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct PlaceToPack {
    /// The place.
    pub place: PlaceCode,
    /// How much.
    pub grams_g: Grams,
    /// How much of that is packed.
    pub packed_g: Grams,
    /// The lots, what must be used first before the others.
    pub lots: Vec<LotToPack>,
}

/// What is taken of a lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct LotToPack {
    /// The lot.
    pub lot: LotCode,
    /// What it is.
    #[serde(flatten)]
    pub of: PackedLot,
    /// How much.
    pub grams_g: Grams,
    /// How much of that is packed.
    pub packed_g: Grams,
}

/// What is read on the label of a lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PackedLot {
    /// Its strain.
    pub strain: StrainCode,
    /// Its grade.
    pub grade: GradeCode,
    /// The day of its harvest.
    pub harvest_day: NaiveDate,
    /// Best before, where it was packed.
    pub best_before: Option<NaiveDate>,
}

/// The orders that go with a round.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Round {
    /// Its name; empty for what goes with none or is fetched.
    pub round: String,
    /// The orders, stop by stop.
    pub stops: Vec<Stop>,
}

/// An order of a round.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Stop {
    /// Which stop of the round it is, from 1; zero where the customer has no number.
    pub stop: i32,
    /// Where it goes.
    pub address: String,
    /// The customer takes deliveries from this time.
    pub deliver_from: ClockTime,
    /// The customer takes deliveries until this time.
    pub deliver_until: ClockTime,
    /// The order, with what is set aside and packed.
    pub order: Order,
}

/// Decides on a lot that is packed: what it weighs from then on.
///
/// # Errors
/// Refuses an order that has gone out, a lot that is not set aside for the line, packs that are not whole, and more than the customer takes.
pub fn pack(new: &NewPacked, order: &Order, customer: &Customer, product: &Product) -> Result<Grams, Refusal> {
    order.ensure_open()?;
    let line = line_of(new, order)?;
    let is_it = |s: &&SetAside| s.lot == new.lot && s.place == new.place;
    let set_aside = line.set_aside.iter().find(is_it).ok_or_else(|| {
        let detail = format!(
            "Nothing of lot {} in {} is set aside for {} of order {}. Open the packing list again.",
            new.lot, new.place, line.name, order.order
        );
        Refusal::new(RefusalKind::NotEnough, detail).at("/lot")
    })?;
    let grams = new.grams_g.unwrap_or(set_aside.grams_g);
    if grams == set_aside.grams_g {
        return Ok(grams);
    }
    let blame = |detail: String| Err(Refusal::field("/grams_g", detail));
    if !new.packed {
        return blame("The weight stays when a tick is taken back. Leave it out.".into());
    }
    if grams <= Grams::ZERO {
        return blame("Give a weight above zero. What is not to be packed is released from the order.".into());
    }
    let pack = product.pack_g.map(|g| Grams(g.into()));
    if let Some(pack) = pack.filter(|p| grams.0 % p.0 != 0) {
        return blame(format!("{} is sold in packs of {pack}. Pack whole packs of each lot.", line.name));
    }
    let others: Grams = line.set_aside.iter().filter(|s| !is_it(s)).map(|s| s.grams_g).sum();
    let limit = line_limit(line.grams_g, customer.over_percent, pack);
    if others + grams > limit {
        return blame(format!(
            "That makes {} of {}, of which {} are ordered. {} takes up to {limit}. Pack less, or change the order.",
            others + grams,
            line.name,
            line.grams_g,
            customer.name
        ));
    }
    Ok(grams)
}

/// The line of an order that is packed.
///
/// # Errors
/// Names the line that the order has not.
pub fn line_of<'a>(new: &NewPacked, order: &'a Order) -> Result<&'a OrderLine, Refusal> {
    order
        .lines
        .iter()
        .find(|l| l.line == new.line)
        .ok_or_else(|| Refusal::field("/line", format!("Order {} has no line {}.", order.order, new.line)))
}

/// Draws up the packing list of a day, of its orders, their customers, and the lots that are set aside for them.
#[must_use]
pub fn packing_list(
    day: NaiveDate,
    orders: Vec<Order>,
    customers: &BTreeMap<CustomerCode, Customer>,
    lots: &BTreeMap<LotCode, PackedLot>,
) -> PackingList {
    let orders: Vec<Order> =
        orders.into_iter().filter(|o| !matches!(o.status, OrderStatus::Draft | OrderStatus::Cancelled)).collect();
    PackingList { day, places: places(&orders, lots), rounds: rounds(orders, customers) }
}

fn places(orders: &[Order], lots: &BTreeMap<LotCode, PackedLot>) -> Vec<PlaceToPack> {
    let mut places: BTreeMap<PlaceCode, BTreeMap<LotCode, LotToPack>> = BTreeMap::new();
    for s in orders.iter().flat_map(|o| &o.lines).flat_map(|l| &l.set_aside) {
        let Some(of) = lots.get(&s.lot) else { continue };
        let lot = places.entry(s.place.clone()).or_default().entry(s.lot.clone()).or_insert_with(|| LotToPack {
            lot: s.lot.clone(),
            of: of.clone(),
            grams_g: Grams::ZERO,
            packed_g: Grams::ZERO,
        });
        lot.grams_g += s.grams_g;
        lot.packed_g += s.packed_g();
    }
    let place = |(place, lots): (PlaceCode, BTreeMap<LotCode, LotToPack>)| {
        let mut lots: Vec<LotToPack> = lots.into_values().collect();
        lots.sort_by_key(|l| (l.of.best_before.is_none(), l.of.best_before, l.of.harvest_day));
        let sum = |grams: fn(&LotToPack) -> Grams| lots.iter().map(grams).sum();
        PlaceToPack { place, grams_g: sum(|l| l.grams_g), packed_g: sum(|l| l.packed_g), lots }
    };
    places.into_iter().map(place).collect()
}

fn rounds(orders: Vec<Order>, customers: &BTreeMap<CustomerCode, Customer>) -> Vec<Round> {
    let mut rounds: BTreeMap<(bool, String), Vec<Stop>> = BTreeMap::new();
    for order in orders {
        let Some(customer) = customers.get(&order.customer) else { continue };
        let round = customer.round.clone();
        rounds.entry((round.is_empty(), round)).or_default().push(Stop {
            stop: customer.stop,
            address: customer.address.clone(),
            deliver_from: customer.deliver_from,
            deliver_until: customer.deliver_until,
            order,
        });
    }
    let round = |((_, round), mut stops): ((bool, String), Vec<Stop>)| {
        stops.sort_by(|a, b| {
            let key = |s: &Stop| (s.stop == 0, s.stop);
            let of = |s: &Stop| (s.order.customer_name.clone(), s.order.placed_at, s.order.order.clone());
            key(a).cmp(&key(b)).then_with(|| of(a).cmp(&of(b)))
        });
        Round { round, stops }
    };
    rounds.into_iter().map(round).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;
    use crate::selling::examples::{changed, customer, product};

    /// An order of two lines: a kilogram loose, of two lots, and two punnets.
    fn order(changes: serde_json::Value) -> Order {
        let aside = |lot: &str, grams: i64| json!({"lot": lot, "place": "F1", "grams_g": grams, "reason": ""});
        let line = |line: i32, grams: i64, lots: Vec<serde_json::Value>| json!({"line": line, "product": "OY", "name": "Oyster", "grams_g": grams, "packs": null, "set_aside": lots, "short_g": 0});
        let body = json!({
            "order": "O-1", "customer": "CAFE", "customer_name": "The café", "delivery_day": "2026-05-04", "status": "confirmed",
            "placed_at": "2026-05-03T08:00:00Z", "note": "", "reference": "", "standing_order": null, "version": 1,
            "lines": [line(1, 1000, vec![aside("L1", 600), aside("L2", 400)]), line(2, 300, vec![aside("L1", 300)])],
        });
        changed(body, changes)
    }

    fn new(line: i32, lot: &str, grams: Option<i64>) -> NewPacked {
        NewPacked {
            line,
            lot: lot.parse().unwrap(),
            place: "F1".parse().unwrap(),
            grams_g: grams.map(Grams),
            packed: true,
        }
    }

    fn packed(new: &NewPacked) -> Result<i64, Refusal> {
        let product = product("OY", if new.line == 2 { json!({"pack_g": 150}) } else { json!({}) });
        Ok(pack(new, &order(json!({})), &customer(json!({"over_percent": 10.0})), &product)?.0)
    }

    fn blamed(new: &NewPacked) -> (RefusalKind, String) {
        let refusal = packed(new).unwrap_err();
        (refusal.kind, refusal.faults[0].pointer.clone())
    }

    #[test]
    fn what_is_packed_weighs_what_the_scale_shows() {
        assert_eq!(packed(&new(1, "L1", None)).unwrap(), 600);
        assert_eq!(packed(&new(1, "L1", Some(587))).unwrap(), 587);
        // With the 400 g of the other lot, a tenth over the kilogram.
        assert_eq!(packed(&new(1, "L1", Some(700))).unwrap(), 700);
        let untick = NewPacked { packed: false, ..new(1, "L1", None) };
        assert_eq!(packed(&untick).unwrap(), 600);
    }

    #[test]
    fn what_cannot_be_packed_is_named() {
        let invalid = |field: &str| (RefusalKind::Invalid, field.to_owned());
        assert_eq!(blamed(&new(3, "L1", None)), invalid("/line"));
        assert_eq!(blamed(&new(2, "L2", None)), (RefusalKind::NotEnough, "/lot".into()));
        assert_eq!(blamed(&new(1, "L1", Some(0))), invalid("/grams_g"));
        assert_eq!(blamed(&new(1, "L1", Some(701))), invalid("/grams_g"));
        assert_eq!(blamed(&new(2, "L1", Some(310))), invalid("/grams_g"));
        assert_eq!(blamed(&new(2, "L1", Some(450))), invalid("/grams_g"));
        assert_eq!(packed(&new(2, "L1", Some(150))).unwrap(), 150);
        assert_eq!(blamed(&NewPacked { packed: false, ..new(1, "L1", Some(500)) }), invalid("/grams_g"));
        let gone = order(json!({"status": "dispatched"}));
        let refusal = pack(&new(1, "L1", None), &gone, &customer(json!({})), &product("OY", json!({}))).unwrap_err();
        assert_eq!(refusal.kind, RefusalKind::Closed);
    }

    fn lot(harvest_day: &str, best_before: Option<&str>) -> PackedLot {
        serde_json::from_value(
            json!({"strain": "OY", "grade": "A", "harvest_day": harvest_day, "best_before": best_before}),
        )
        .unwrap()
    }

    #[test]
    fn lots_come_by_their_date_and_rounds_by_their_stops() {
        let of = |code: &str, name: &str, round: &str, stop: i32| {
            let body = customer(json!({"customer": code, "name": name, "round": round, "stop": stop}));
            (body.customer.clone(), body)
        };
        let customers = BTreeMap::from([
            of("A", "Aster", "Town", 0),
            of("B", "Birch", "", 0),
            of("C", "Cedar", "Town", 2),
            of("D", "Dill", "Town", 10),
            of("E", "Elm", "Coast", 1),
        ]);
        let one = |n: i32, code: &str, status: &str| {
            let name = &customers[&code.parse().unwrap()].name;
            order(json!({"order": format!("O-{n}"), "customer": code, "customer_name": name, "status": status}))
        };
        let orders = vec![
            one(1, "A", "confirmed"),
            one(2, "B", "confirmed"),
            one(3, "C", "dispatched"),
            one(4, "D", "confirmed"),
            one(5, "E", "draft"),
            one(6, "E", "cancelled"),
        ];
        let lots = BTreeMap::from([
            ("L1".parse().unwrap(), lot("2026-05-01", None)),
            ("L2".parse().unwrap(), lot("2026-05-02", Some("2026-05-09"))),
        ]);
        let list = packing_list("2026-05-04".parse().unwrap(), orders, &customers, &lots);
        let rounds: Vec<_> = list
            .rounds
            .iter()
            .map(|r| (r.round.as_str(), r.stops.iter().map(|s| s.order.customer.as_str()).collect::<Vec<_>>()))
            .collect();
        assert_eq!(rounds, [("Town", vec!["C", "D", "A"]), ("", vec!["B"])]);
        let taken: Vec<_> = list.places[0].lots.iter().map(|l| (l.lot.as_str(), l.grams_g.0)).collect();
        assert_eq!(taken, [("L2", 1600), ("L1", 3600)], "what has a date goes first");
    }

    proptest! {
        /// Every gram that is set aside stands once by place and once by round, and no order is lost.
        #[test]
        fn the_two_halves_of_the_list_add_up(
            rows in prop::collection::vec((0..3_usize, 0..4_i32, 1..5000_i64, any::<bool>()), 0..20),
        ) {
            let customers: BTreeMap<CustomerCode, Customer> = (0..4)
                .map(|n| (n, ["", "East", "West"][n % 3]))
                .map(|(n, round)| customer(json!({"customer": format!("C{n}"), "round": round, "stop": n})))
                .map(|c| (c.customer.clone(), c))
                .collect();
            let lots: BTreeMap<LotCode, PackedLot> =
                (0..3).map(|n| (format!("L{n}").parse().unwrap(), lot("2026-05-01", None))).collect();
            let orders: Vec<Order> = rows
                .iter()
                .enumerate()
                .map(|(n, (lot, of, grams, packed))| {
                    let mut order = order(json!({"order": format!("O-{n}"), "customer": format!("C{of}")}));
                    order.lines.truncate(1);
                    order.lines[0].set_aside.truncate(1);
                    let aside = &mut order.lines[0].set_aside[0];
                    aside.lot = format!("L{lot}").parse().unwrap();
                    aside.grams_g = Grams(*grams);
                    aside.packed_at = packed.then_some(order.placed_at);
                    order
                })
                .collect();
            let list = packing_list("2026-05-04".parse().unwrap(), orders, &customers, &lots);
            let by_place: Grams = list.places.iter().map(|p| p.grams_g).sum();
            let stops = list.rounds.iter().flat_map(|r| &r.stops);
            let by_round: Grams = stops.flat_map(|s| &s.order.lines).flat_map(|l| &l.set_aside).map(|s| s.grams_g).sum();
            prop_assert_eq!((by_place, by_round), (rows.iter().map(|r| Grams(r.2)).sum(), by_place));
            let packed: Grams = list.places.iter().map(|p| p.packed_g).sum();
            prop_assert_eq!(packed, rows.iter().filter(|r| r.3).map(|r| Grams(r.2)).sum());
            prop_assert_eq!(list.rounds.iter().map(|r| r.stops.len()).sum::<usize>(), rows.len());
        }
    }
}
