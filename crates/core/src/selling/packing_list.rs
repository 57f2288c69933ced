//! The packing list of a day: what is taken out of which store, lot by lot, and which order of which round it goes into. What is ticked off as
//! packed weighs what the scale shows (catch weight), within what the customer takes.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    customer::Customer,
    order::{Order, OrderLine},
    set_aside::{SetAside, WantedLine, ensure_line_takes},
};
use crate::{
    kinds::OrderStatus,
    refusal::{Refusal, RefusalKind},
    text::{CustomerCode, DocketCode, GradeCode, LotCode, OrderCode, PlaceCode, StrainCode},
    units::{calendar::Instant, clock::ClockTime, quantity::Grams},
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
    /// What the scale shows, above zero; what is set aside unless said. Of what is sold in packs, whole packs. Where it is heavier, lots of the
    /// line that wait for the scale give way.
    pub grams_g: Option<Grams>,
    /// `false` takes the tick back. The weight stays.
    #[serde(default = "yes")]
    pub packed: bool,
    /// When it was packed, or the tick was taken back; now unless said, and never before the order was placed. A tick from before the last one
    /// was taken back is refused.
    pub packed_at: Option<Instant>,
    /// Of a tick that is taken back: its own time, as it was read. A later tick stays then; without it whichever there is goes.
    pub was_packed_at: Option<Instant>,
}

const fn yes() -> bool {
    true
}

/// The packing list of a day: of every confirmed order of the day, or one that has gone out.
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
    /// What its label says.
    #[serde(flatten)]
    pub label: LotLabel,
    /// How much.
    pub grams_g: Grams,
    /// How much of that is packed.
    pub packed_g: Grams,
}

/// What is read on the label of a lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct LotLabel {
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
    /// Whether the customer takes no deliveries on that day of the week.
    pub not_their_day: bool,
    /// The order, with what is set aside and packed.
    pub order: Order,
    /// The dockets that it went out with and that are not void, with their weight.
    pub dockets: Vec<SentDocket>,
}

/// A docket that an order went out with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct SentDocket {
    /// The docket.
    pub docket: DocketCode,
    /// What went out with it.
    pub grams_g: Grams,
}

/// What a packing list is drawn up of.
#[derive(Debug, Clone, Default)]
pub struct PackingFacts {
    /// The orders of the day.
    pub orders: Vec<Order>,
    /// Their customers.
    pub customers: BTreeMap<CustomerCode, Customer>,
    /// The lots that are set aside for them.
    pub lots: BTreeMap<LotCode, LotLabel>,
    /// What has gone out.
    pub dockets: BTreeMap<OrderCode, Vec<SentDocket>>,
}

/// Ticks off a lot that is packed for a line, or takes the tick back. `done_at` is when that was.
///
/// # Errors
/// Refuses an order that is not confirmed or has gone out, a lot that is not set aside for the line, one that is packed with another weight, a
/// tick from before the last one was taken back, packs that are not whole, and more than the customer takes.
pub fn pack(
    new: &NewPacked,
    order: &mut Order,
    lines: &[WantedLine],
    customer: &Customer,
    done_at: DateTime<Utc>,
) -> Result<(), Refusal> {
    order.ensure_open()?;
    if order.status == OrderStatus::Draft {
        let detail = format!("Order {} is a draft. Confirm it first.", order.order);
        return Err(Refusal::new(RefusalKind::Closed, detail));
    }
    let (code, placed_at) = (order.order.clone(), order.placed_at);
    let found = order.lines.iter_mut().find(|l| l.line == new.line).zip(lines.iter().find(|l| l.line == new.line));
    let (line, wanted) =
        found.ok_or_else(|| Refusal::field("/line", format!("Order {code} has no line {}.", new.line)))?;
    let is_it = |s: &SetAside| s.lot == new.lot && s.place == new.place;
    let Some(at) = line.set_aside.iter().position(is_it) else {
        let detail = format!(
            "Nothing of lot {} in {} is set aside for {} of order {code} any more. Open the packing list again.",
            new.lot, new.place, line.name
        );
        return Err(Refusal::new(RefusalKind::NotEnough, detail).at("/lot"));
    };
    let set_aside = &line.set_aside[at];
    let grams = new.grams_g.unwrap_or(set_aside.grams_g);
    let blame = |detail: String| Err(Refusal::field("/grams_g", detail));
    match (new.packed, set_aside.packed_at) {
        (false, _) if grams != set_aside.grams_g => {
            return blame("The weight stays when a tick is taken back. Leave it out.".into());
        }
        (false, Some(packed_at)) if new.was_packed_at.is_some_and(|was| was.0 != packed_at) => {
            let detail = format!("Lot {} was packed again since. Open the packing list again.", new.lot);
            return Err(Refusal::new(RefusalKind::Stale, detail));
        }
        (false, _) => unpack(&mut line.set_aside[at], new.was_packed_at, done_at),
        (true, Some(_)) if grams == set_aside.grams_g => {}
        (true, Some(_)) => {
            let detail = format!(
                "Lot {} is packed already, with {}. Take the tick back to weigh it again.",
                new.lot, set_aside.grams_g
            );
            return Err(Refusal::new(RefusalKind::Stale, detail).at("/grams_g"));
        }
        (true, None) if set_aside.unpacked_at.is_some_and(|undone| done_at < undone) => {
            let detail = format!(
                "A tick of lot {} was taken back after this one was made. Look whether it is packed, and tick it off again. If that is refused, the \
                 phone's clock is slow.",
                new.lot
            );
            return Err(Refusal::new(RefusalKind::Stale, detail).at("/packed_at"));
        }
        (true, None) => {
            if grams != set_aside.grams_g {
                let others: Grams = line.packed().map(|t| t.grams).sum();
                ensure_line_takes(grams, others + grams, wanted, customer).or_else(blame)?;
            }
            let heavier = grams - set_aside.grams_g;
            (line.set_aside[at].grams_g, line.set_aside[at].packed_at) = (grams, Some(done_at.max(placed_at)));
            give_way(line, heavier);
        }
    }
    order.count_short();
    Ok(())
}

/// Takes a tick back, and keeps when that was: never before the tick itself or an earlier such time, as the clocks of two phones differ. What
/// comes before the tick that it takes back keeps that one out, too.
fn unpack(set_aside: &mut SetAside, was_packed_at: Option<Instant>, done_at: DateTime<Utc>) {
    let tick = set_aside.packed_at.take().or(was_packed_at.map(|was| was.0));
    set_aside.unpacked_at = set_aside.unpacked_at.max(tick.map(|tick| tick.max(done_at)));
}

/// Lets lots of a line that wait for the scale, the last first, give way to one that is so much heavier, so that it comes to no more than was
/// ordered.
fn give_way(line: &mut OrderLine, heavier: Grams) {
    let over = line.set_aside.iter().map(|s| s.grams_g).sum::<Grams>() - line.grams_g;
    let mut too_much = heavier.min(over).max(Grams::ZERO);
    for s in line.set_aside.iter_mut().rev().filter(|s| s.packed_at.is_none()) {
        let less = s.grams_g.min(too_much);
        s.grams_g -= less;
        too_much -= less;
    }
    line.set_aside.retain(|s| s.grams_g > Grams::ZERO);
}

/// Draws up the packing list of a day.
#[must_use]
pub fn packing_list(day: NaiveDate, facts: PackingFacts) -> PackingList {
    PackingList { day, places: places(&facts.orders, &facts.lots), rounds: rounds(facts) }
}

fn places(orders: &[Order], lots: &BTreeMap<LotCode, LotLabel>) -> Vec<PlaceToPack> {
    let mut places: BTreeMap<PlaceCode, BTreeMap<LotCode, LotToPack>> = BTreeMap::new();
    for s in orders.iter().flat_map(|o| &o.lines).flat_map(|l| &l.set_aside) {
        let Some(label) = lots.get(&s.lot) else { continue };
        let lot = places.entry(s.place.clone()).or_default().entry(s.lot.clone()).or_insert_with(|| LotToPack {
            lot: s.lot.clone(),
            label: label.clone(),
            grams_g: Grams::ZERO,
            packed_g: Grams::ZERO,
        });
        lot.grams_g += s.grams_g;
        lot.packed_g += s.packed_g();
    }
    let place = |(place, lots): (PlaceCode, BTreeMap<LotCode, LotToPack>)| {
        let mut lots: Vec<LotToPack> = lots.into_values().collect();
        lots.sort_by_key(|l| (l.label.best_before.is_none(), l.label.best_before, l.label.harvest_day));
        let sum = |grams: fn(&LotToPack) -> Grams| lots.iter().map(grams).sum();
        PlaceToPack { place, grams_g: sum(|l| l.grams_g), packed_g: sum(|l| l.packed_g), lots }
    };
    places.into_iter().map(place).collect()
}

fn rounds(facts: PackingFacts) -> Vec<Round> {
    let PackingFacts { orders, customers, mut dockets, .. } = facts;
    // However a round is spelled, it is one.
    let mut rounds: BTreeMap<(bool, String), Round> = BTreeMap::new();
    for order in orders {
        let Some(customer) = customers.get(&order.customer) else { continue };
        let name = &customer.round;
        let round = rounds.entry((name.is_empty(), name.to_lowercase()));
        round.or_insert_with(|| Round { round: name.clone(), stops: Vec::new() }).stops.push(Stop {
            stop: customer.stop,
            address: customer.address.clone(),
            deliver_from: customer.deliver_from,
            deliver_until: customer.deliver_until,
            not_their_day: !customer.takes_deliveries_on(order.delivery_day),
            dockets: dockets.remove(&order.order).unwrap_or_default(),
            order,
        });
    }
    let mut rounds: Vec<Round> = rounds.into_values().collect();
    for round in &mut rounds {
        round.stops.sort_by(|a, b| {
            let key = |s: &Stop| (s.stop == 0, s.stop);
            let of = |s: &Stop| (s.order.customer_name.clone(), s.order.placed_at, s.order.order.clone());
            key(a).cmp(&key(b)).then_with(|| of(a).cmp(&of(b)))
        });
    }
    rounds
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
        let line = |line: i32, grams: i64, lots: Vec<serde_json::Value>| json!({"line": line, "product": "OY", "name": "Oyster", "grams_g": grams, "packs": (line == 2).then_some(2), "set_aside": lots, "short_g": 0});
        let body = json!({
            "order": "O-1", "customer": "CAFE", "customer_name": "The café", "delivery_day": "2026-05-04", "status": "confirmed",
            "placed_at": "2026-05-03T08:00:00Z", "note": "", "reference": "", "under_percent": 5.0, "standing_order": null, "version": 1,
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
            packed_at: None,
            was_packed_at: None,
        }
    }

    fn packed_of(mut order: Order, new: &NewPacked) -> Result<Order, Refusal> {
        let line = |line, grams, changes| WantedLine { line, grams_g: Grams(grams), product: product("OY", changes) };
        let lines = [line(1, 1000, json!({})), line(2, 300, json!({"pack_g": 150}))];
        let now = "2026-05-04T06:00:00Z".parse().unwrap();
        pack(new, &mut order, &lines, &customer(json!({"over_percent": 10.0})), now)?;
        Ok(order)
    }

    /// What is set aside for a line: lot, grams, whether it is packed.
    fn rows(order: &Order, line: usize) -> Vec<(&str, i64, bool)> {
        order.lines[line].set_aside.iter().map(|s| (s.lot.as_str(), s.grams_g.0, s.packed_at.is_some())).collect()
    }

    fn blamed(new: &NewPacked) -> (RefusalKind, String) {
        let refusal = packed_of(order(json!({})), new).unwrap_err();
        (refusal.kind, refusal.faults[0].pointer.clone())
    }

    #[test]
    fn what_is_packed_weighs_what_the_scale_shows() {
        let one = packed_of(order(json!({})), &new(1, "L1", None)).unwrap();
        assert_eq!(rows(&one, 0), [("L1", 600, true), ("L2", 400, false)]);
        let light = packed_of(order(json!({})), &new(1, "L1", Some(587))).unwrap();
        assert_eq!((rows(&light, 0), light.lines[0].short_g.0), (vec![("L1", 587, true), ("L2", 400, false)], 13));
        // Both packed, 13 g of a kilogram may be missing.
        let both = packed_of(light, &new(1, "L2", None)).unwrap();
        assert_eq!((rows(&both, 0), both.lines[0].short_g.0), (vec![("L1", 587, true), ("L2", 400, true)], 0));
        let ordered_late = packed_of(order(json!({"placed_at": "2026-05-04T07:00:00Z"})), &new(1, "L1", None)).unwrap();
        assert_eq!(
            ordered_late.lines[0].set_aside[0].packed_at,
            Some(ordered_late.placed_at),
            "nothing is packed before it was ordered"
        );
        let untick = NewPacked { packed: false, ..new(1, "L1", None) };
        let earlier = Some(Instant(both.placed_at));
        let late = NewPacked { was_packed_at: earlier, ..untick.clone() };
        assert_eq!(
            packed_of(both.clone(), &late).unwrap_err().kind,
            RefusalKind::Stale,
            "it is not the tick that was read"
        );
        let own = NewPacked { was_packed_at: both.lines[0].set_aside[0].packed_at.map(Instant), ..untick.clone() };
        assert!(packed_of(both.clone(), &own).is_ok());
        assert_eq!(rows(&packed_of(both, &untick).unwrap(), 0), [("L1", 587, false), ("L2", 400, true)]);
    }

    #[test]
    fn a_tick_from_before_it_was_taken_back_does_not_come_back() {
        let undone_at = |at: &str| {
            let mut order = order(json!({}));
            order.lines[0].set_aside[0].unpacked_at = Some(at.parse().unwrap());
            order
        };
        let late = packed_of(undone_at("2026-05-04T06:00:01Z"), &new(1, "L1", Some(610))).unwrap_err();
        assert_eq!((late.kind, late.faults[0].pointer.as_str()), (RefusalKind::Stale, "/packed_at"));
        let again = packed_of(undone_at("2026-05-04T05:59:59Z"), &new(1, "L1", Some(610))).unwrap();
        assert_eq!(rows(&again, 0)[0], ("L1", 610, true));
        // Taking it back once more, which changes nothing, leaves the time of the first.
        let untick = NewPacked { packed: false, ..new(1, "L1", None) };
        let mark = |order: Order, new: &NewPacked| packed_of(order, new).unwrap().lines[0].set_aside[0].unpacked_at;
        let at = |time: &str| -> DateTime<Utc> { format!("2026-05-04T{time}Z").parse().unwrap() };
        assert_eq!(mark(undone_at("2026-05-04T05:00:00Z"), &untick), Some(at("05:00:00")));
        // A phone whose clock is slow takes back a tick of a later time: what was ticked before that stays out all the same.
        let mut ticked = order(json!({}));
        ticked.lines[0].set_aside[0].packed_at = Some(at("07:00:00"));
        assert_eq!(mark(ticked.clone(), &untick), Some(at("07:00:00")));
        ticked.lines[0].set_aside[0].unpacked_at = Some(at("08:00:00"));
        assert_eq!(mark(ticked, &untick), Some(at("08:00:00")));
        // An undo that comes before its tick keeps it out.
        let overtaking = NewPacked { was_packed_at: Some(Instant(at("05:30:00"))), ..untick };
        assert_eq!(mark(order(json!({})), &overtaking), Some(at("06:00:00")));
    }

    #[test]
    fn what_waits_for_the_scale_gives_way_to_a_heavier_crate() {
        let heavy = |grams| packed_of(order(json!({})), &new(1, "L1", Some(grams))).unwrap();
        assert_eq!(rows(&heavy(720), 0), [("L1", 720, true), ("L2", 280, false)]);
        assert_eq!(rows(&heavy(1100), 0), [("L1", 1100, true)]);
        let second = packed_of(heavy(720), &new(1, "L2", Some(380))).unwrap();
        assert_eq!(rows(&second, 0), [("L1", 720, true), ("L2", 380, true)]);
        assert!(packed_of(heavy(720), &new(1, "L2", Some(381))).is_err());
    }

    #[test]
    fn what_cannot_be_packed_is_named() {
        let invalid = |field: &str| (RefusalKind::Invalid, field.to_owned());
        assert_eq!(blamed(&new(3, "L1", None)), invalid("/line"));
        assert_eq!(blamed(&new(2, "L2", None)), (RefusalKind::NotEnough, "/lot".into()));
        assert_eq!(blamed(&new(1, "L1", Some(0))), invalid("/grams_g"));
        assert_eq!(blamed(&new(1, "L1", Some(1101))), invalid("/grams_g"));
        assert_eq!(blamed(&new(2, "L1", Some(310))), invalid("/grams_g"));
        assert_eq!(blamed(&new(2, "L1", Some(450))), invalid("/grams_g"));
        assert_eq!(rows(&packed_of(order(json!({})), &new(2, "L1", Some(150))).unwrap(), 1), [("L1", 150, true)]);
        assert_eq!(blamed(&NewPacked { packed: false, ..new(1, "L1", Some(500)) }), invalid("/grams_g"));
        for status in ["dispatched", "draft", "cancelled"] {
            let refusal = packed_of(order(json!({"status": status})), &new(1, "L1", None)).unwrap_err();
            assert_eq!(refusal.kind, RefusalKind::Closed, "{status}");
        }
    }

    #[test]
    fn a_weight_is_not_overwritten_by_a_page_that_has_grown_old() {
        let once = packed_of(order(json!({})), &new(1, "L1", Some(587))).unwrap();
        let again = packed_of(once.clone(), &new(1, "L1", Some(587))).unwrap();
        assert_eq!(again, once, "the same again changes nothing, not even when it was packed");
        let refusal = packed_of(once, &new(1, "L1", Some(600))).unwrap_err();
        assert_eq!((refusal.kind, refusal.faults[0].pointer.as_str()), (RefusalKind::Stale, "/grams_g"));
    }

    fn lot(harvest_day: &str, best_before: Option<&str>) -> LotLabel {
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
            of("C", "Cedar", "town", 2),
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
            one(5, "E", "delivered"),
        ];
        let lots = BTreeMap::from([
            ("L1".parse().unwrap(), lot("2026-05-01", None)),
            ("L2".parse().unwrap(), lot("2026-05-02", Some("2026-05-09"))),
        ]);
        let facts = PackingFacts { orders, customers, lots, ..PackingFacts::default() };
        let list = packing_list("2026-05-04".parse().unwrap(), facts);
        let rounds: Vec<_> = list
            .rounds
            .iter()
            .map(|r| (r.round.as_str(), r.stops.iter().map(|s| s.order.customer.as_str()).collect::<Vec<_>>()))
            .collect();
        assert_eq!(rounds, [("Coast", vec!["E"]), ("Town", vec!["C", "D", "A"]), ("", vec!["B"])]);
        let taken: Vec<_> = list.places[0].lots.iter().map(|l| (l.lot.as_str(), l.grams_g.0)).collect();
        assert_eq!(taken, [("L2", 2000), ("L1", 4500)], "what has a date goes first");
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
            let lots: BTreeMap<LotCode, LotLabel> =
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
            let facts = PackingFacts { orders, customers, lots, ..PackingFacts::default() };
            let list = packing_list("2026-05-04".parse().unwrap(), facts);
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
