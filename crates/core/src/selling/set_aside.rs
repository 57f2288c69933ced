//! Setting aside: which grams of which lots an order is promised, first-expiring-first or as somebody chose them.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    allocation::{AvailableLot, LineDemand, Taken, allocate, line_limit},
    customer::Customer,
    order::{Order, OrderLine},
    product::Product,
};
use crate::{
    kinds::{Form, PlaceKind},
    ledger::warm_spell::WarmSpell,
    refusal::{Refusal, RefusalKind},
    text::{Line, LotCode, OrderCode, PlaceCode, StrainCode},
    units::quantity::Grams,
};

/// The most lots that are chosen at once.
pub const MAX_CHOSEN: usize = 500;

/// A lot chosen for a line by hand.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Chosen {
    /// The line.
    pub line: i32,
    /// The lot.
    pub lot: LotCode,
    /// Where it is.
    pub place: PlaceCode,
    /// How much.
    pub grams_g: Grams,
}

/// What to set aside: nothing said is first-expiring-first; chosen lots need a reason.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSetAside {
    /// Lots chosen by hand, in place of the proposal.
    #[schema(max_items = 500)]
    pub chosen: Option<Vec<Chosen>>,
    /// Why they were chosen.
    pub reason: Option<Line>,
}

/// Grams of a lot set aside for a line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct SetAside {
    /// The lot.
    pub lot: LotCode,
    /// Where it is.
    pub place: PlaceCode,
    /// How much.
    pub grams_g: Grams,
    /// Why this lot, where somebody chose it.
    pub reason: String,
    /// When it was packed, where it is: its grams are what the scale showed then.
    pub packed_at: Option<DateTime<Utc>>,
    /// When a tick of it was taken back last. A tick that was made before that and comes later, from a phone without a signal, is refused.
    #[serde(default)]
    pub unpacked_at: Option<DateTime<Utc>>,
    /// The warm spell that the lot was in and that is not settled.
    pub warm_spell: Option<WarmSpell>,
}

impl SetAside {
    /// The grams of the lot, where they are.
    #[must_use]
    pub fn taken(&self) -> Taken {
        Taken { lot: self.lot.clone(), place: self.place.clone(), grams: self.grams_g }
    }

    /// How much of it is packed: all or nothing.
    #[must_use]
    pub fn packed_g(&self) -> Grams {
        if self.packed_at.is_some() { self.grams_g } else { Grams::ZERO }
    }
}

/// A line of an order, with what it is filled with.
#[derive(Debug, Clone, PartialEq)]
pub struct WantedLine {
    /// Its number.
    pub line: i32,
    /// How much was ordered.
    pub grams_g: Grams,
    /// The product.
    pub product: Product,
}

impl WantedLine {
    fn pack(&self) -> Option<Grams> {
        self.product.pack_g.map(|g| Grams(g.into()))
    }
}

/// What a lot is that was chosen by hand.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct ChosenLot {
    /// Its strain.
    pub strain: StrainCode,
    /// Fresh or dried.
    pub form: Form,
    /// Why it is on hold, where it is.
    pub hold: Option<String>,
}

/// What lots chosen by hand are decided on. What is not there is left out.
#[derive(Debug, Clone, PartialEq)]
pub struct ChoiceFacts {
    /// Whose order it is.
    pub customer: Customer,
    /// The lines of the order.
    pub lines: Vec<WantedLine>,
    /// What the lots are that are chosen.
    pub lots: BTreeMap<LotCode, ChosenLot>,
    /// The places that they are chosen at.
    pub places: BTreeMap<PlaceCode, PlaceKind>,
    /// Which of these lots have grams at which of these places.
    pub there: BTreeSet<(LotCode, PlaceCode)>,
}

/// Fills the lines of an order first-expiring-first, each from the lots that are `available` for it: what an earlier line has taken is not
/// free any more for the next. What is packed stays as it is, even where more of its lot is free, and a line that is packed in full is left alone.
#[must_use]
pub fn fill(
    order: &Order,
    lines: &[WantedLine],
    customer: &Customer,
    available: &[Vec<AvailableLot>],
) -> Vec<(i32, Taken)> {
    let of_line = |line: &OrderLine| line.packed().map(|taken| (line.line, taken)).collect::<Vec<_>>();
    let mut taken: Vec<(i32, Taken)> = order.lines.iter().flat_map(of_line).collect();
    for ((line, lots), ordered) in lines.iter().zip(available).zip(&order.lines) {
        if ordered.is_packed() && ordered.short_g == Grams::ZERO {
            continue;
        }
        let packed: Vec<Taken> = ordered.packed().collect();
        let free = |mut lot: AvailableLot| {
            let is_it = |t: &Taken| t.lot == lot.lot && t.place == lot.place;
            if packed.iter().any(is_it) {
                return None;
            }
            lot.free -= taken.iter().filter(|(_, t)| is_it(t)).map(|(_, t)| t.grams).sum();
            Some(lot)
        };
        let lots: Vec<AvailableLot> = lots.iter().cloned().filter_map(free).collect();
        let wish = LineDemand {
            grams: (line.grams_g - packed.iter().map(|t| t.grams).sum()).max(Grams::ZERO),
            pack: line.pack(),
            delivery_day: order.delivery_day,
            least_days: customer.least_days.unsigned_abs(),
            freshest: customer.freshest,
        };
        taken.extend(allocate(&wish, &lots).0.into_iter().map(|t| (line.line, t)));
    }
    taken
}

/// Refuses more lots than are chosen at once.
///
/// # Errors
/// Names the list.
pub fn ensure_bounded(chosen: &[Chosen]) -> Result<(), Refusal> {
    if chosen.len() > MAX_CHOSEN {
        return Err(Refusal::field("/chosen", "At most 500 lots are chosen at once."));
    }
    Ok(())
}

/// Decides on lots that were chosen by hand: each is what its line is sold of, is not on hold, stands where it is said to, and the line takes
/// no more than the customer does.
///
/// # Errors
/// Names the first entry that cannot be.
pub fn choose(order: &OrderCode, chosen: &[Chosen], facts: &ChoiceFacts) -> Result<Vec<(i32, Taken)>, Refusal> {
    ensure_bounded(chosen)?;
    for (i, choice) in chosen.iter().enumerate() {
        let blame = |field: &str, detail: String| Refusal::field(format!("/chosen/{i}/{field}"), detail);
        let line = facts
            .lines
            .iter()
            .find(|l| l.line == choice.line)
            .ok_or_else(|| blame("line", format!("Order {order} has no line {}.", choice.line)))?;
        let lot = facts
            .lots
            .get(&choice.lot)
            .ok_or_else(|| blame("lot", format!("There is no lot {} on this farm. Check the code.", choice.lot)))?;
        if let Some(reason) = &lot.hold {
            return Err(Refusal::on_hold(&choice.lot, reason).at(format!("/chosen/{i}/lot")));
        }
        if !line.product.strains.contains(&lot.strain) || line.product.form != lot.form {
            return Err(blame("lot", format!("Lot {} is not what {} is sold of.", choice.lot, line.product.name)));
        }
        within_line(&chosen[..=i], choice, line, &facts.customer).map_err(|detail| blame("grams_g", detail))?;
        let kind = facts.places.get(&choice.place).ok_or_else(|| {
            blame("place", format!("There is no place {} on this farm. Check the code.", choice.place))
        })?;
        if !kind.sells() {
            return Err(blame("place", format!("{} is not a place that orders are filled from.", choice.place)));
        }
        if !facts.there.contains(&(choice.lot.clone(), choice.place.clone())) {
            let nothing = format!("{} has nothing of lot {}.", choice.place, choice.lot);
            return Err(Refusal::new(RefusalKind::NotEnough, nothing).at(format!("/chosen/{i}/place")));
        }
    }
    let taken = |c: &Chosen| Taken { lot: c.lot.clone(), place: c.place.clone(), grams: c.grams_g };
    Ok(chosen.iter().map(|c| (c.line, taken(c))).collect())
}

/// Holds the last of some choices against its line: whole packs, and no more than was ordered and the customer takes over it.
fn within_line(so_far: &[Chosen], last: &Chosen, line: &WantedLine, customer: &Customer) -> Result<(), String> {
    let sum: Grams = so_far.iter().filter(|c| c.line == last.line).map(|c| c.grams_g).sum();
    ensure_line_takes(last.grams_g, sum, line, customer)
}

/// Holds a weight of a lot against the line that it is for, of which it makes `sum` in all: above zero, whole packs, and no more than was
/// ordered and the customer takes over it.
///
/// # Errors
/// Says in a sentence what is wrong with it.
pub fn ensure_line_takes(grams: Grams, sum: Grams, line: &WantedLine, customer: &Customer) -> Result<(), String> {
    if grams <= Grams::ZERO {
        return Err("Give a weight above zero.".into());
    }
    if let Some(pack) = line.pack().filter(|p| grams.0 % p.0 != 0) {
        return Err(format!("{} is sold in packs of {pack}. Take whole packs of each lot.", line.product.name));
    }
    let limit = line_limit(line.grams_g, customer.over_percent, line.pack());
    if sum > limit {
        return Err(format!(
            "That makes {sum} for line {}, which is of {}. {} takes up to {limit}. Take less, or change the order.",
            line.line, line.grams_g, customer.name
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use chrono::NaiveDate;
    use serde_json::{Value, json};

    use super::*;
    use crate::{
        kinds::Packaging,
        selling::{
            allocation::Goods,
            examples::{customer, product},
        },
    };

    fn facts() -> ChoiceFacts {
        let code = |lot: &str| -> LotCode { lot.parse().unwrap() };
        let lot = |strain: &str, form| ChosenLot { strain: strain.parse().unwrap(), form, hold: None };
        let line = |line, grams, product| WantedLine { line, grams_g: Grams(grams), product };
        let places = [("F1", PlaceKind::Fridge), ("S1", PlaceKind::Shelf), ("V1", PlaceKind::Van)];
        ChoiceFacts {
            customer: customer(json!({"over_percent": 10.0})),
            lines: vec![
                line(1, 1000, product("LOOSE", json!({}))),
                line(2, 900, product("PUN", json!({"pack_g": 150}))),
            ],
            lots: BTreeMap::from([
                (code("L1"), lot("OY", Form::Fresh)),
                (code("L2"), lot("OY", Form::Fresh)),
                (code("LM"), lot("LM", Form::Fresh)),
                (code("DRY"), lot("OY", Form::Dried)),
            ]),
            places: places.iter().map(|(p, kind)| (p.parse().unwrap(), *kind)).collect(),
            there: ["L1", "L2"].iter().map(|l| (code(l), "F1".parse().unwrap())).collect(),
        }
    }

    fn chosen(rows: Value) -> Vec<Chosen> {
        serde_json::from_value(rows).unwrap()
    }

    fn one(changes: Value) -> Vec<Chosen> {
        let mut row = json!({"line": 1, "lot": "L1", "place": "F1", "grams_g": 1000});
        let Value::Object(changes) = changes else { panic!("an object") };
        row.as_object_mut().unwrap().extend(changes);
        chosen(json!([row]))
    }

    fn refused(chosen: &[Chosen]) -> Refusal {
        choose(&"O-1".parse().unwrap(), chosen, &facts()).unwrap_err()
    }

    fn blamed(changes: Value) -> String {
        refused(&one(changes)).faults[0].pointer.clone()
    }

    #[test]
    fn what_is_chosen_is_set_aside_as_it_is() {
        let rows = choose(&"O-1".parse().unwrap(), &one(json!({})), &facts()).unwrap();
        assert_eq!((rows[0].0, rows[0].1.lot.as_str(), rows[0].1.grams), (1, "L1", Grams(1000)));
    }

    #[test]
    fn a_line_lot_or_place_that_is_not_there_is_named() {
        assert_eq!(blamed(json!({"line": 3})), "/chosen/0/line");
        assert_eq!(blamed(json!({"lot": "L9"})), "/chosen/0/lot");
        assert_eq!(blamed(json!({"place": "F9"})), "/chosen/0/place");
    }

    #[test]
    fn another_strain_or_form_is_not_what_was_ordered() {
        assert_eq!(blamed(json!({"lot": "LM"})), "/chosen/0/lot");
        assert_eq!(blamed(json!({"lot": "DRY"})), "/chosen/0/lot");
    }

    #[test]
    fn a_lot_on_hold_is_promised_to_nobody() {
        let mut facts = facts();
        facts.lots.values_mut().for_each(|lot| lot.hold = Some("smells".into()));
        let refusal = choose(&"O-1".parse().unwrap(), &one(json!({})), &facts).unwrap_err();
        assert_eq!((refusal.kind, refusal.faults[0].pointer.as_str()), (RefusalKind::OnHold, "/chosen/0/lot"));
    }

    #[test]
    fn orders_are_filled_from_fridges_and_shelves_where_the_lot_stands() {
        assert!(refused(&one(json!({"place": "V1"}))).detail.contains("not a place that orders are filled from"));
        let elsewhere = refused(&one(json!({"place": "S1"})));
        assert_eq!((elsewhere.kind, elsewhere.faults[0].pointer.as_str()), (RefusalKind::NotEnough, "/chosen/0/place"));
    }

    #[test]
    fn a_line_takes_what_the_customer_takes_over_it_and_no_more() {
        assert!(choose(&"O-1".parse().unwrap(), &one(json!({"grams_g": 1100})), &facts()).is_ok());
        assert_eq!(blamed(json!({"grams_g": 1101})), "/chosen/0/grams_g");
        assert_eq!(blamed(json!({"grams_g": 0})), "/chosen/0/grams_g");
        let two = chosen(json!([
            {"line": 1, "lot": "L1", "place": "F1", "grams_g": 600}, {"line": 1, "lot": "L2", "place": "F1", "grams_g": 501},
        ]));
        assert_eq!(refused(&two).faults[0].pointer, "/chosen/1/grams_g");
    }

    #[test]
    fn packs_are_whole_in_each_lot() {
        assert_eq!(blamed(json!({"line": 2, "grams_g": 200})), "/chosen/0/grams_g");
        assert!(choose(&"O-1".parse().unwrap(), &one(json!({"line": 2, "grams_g": 900})), &facts()).is_ok());
        assert_eq!(blamed(json!({"line": 2, "grams_g": 1050})), "/chosen/0/grams_g");
    }

    #[test]
    fn at_most_five_hundred_are_chosen_at_once() {
        let many: Vec<Chosen> = std::iter::repeat_n(one(json!({"grams_g": 1})), 501).flatten().collect();
        assert_eq!(refused(&many).faults[0].pointer, "/chosen");
    }

    fn available(lot: &str, free: i64, expires: u32) -> AvailableLot {
        let day = |d| NaiveDate::from_ymd_opt(2026, 5, d).unwrap();
        AvailableLot {
            lot: lot.parse().unwrap(),
            place: "F1".parse().unwrap(),
            free: Grams(free),
            expires_on: day(expires),
            harvest_day: day(1),
            goods: Goods {
                strain: "OY".parse().unwrap(),
                grade_rank: 1,
                form: Form::Fresh,
                packaging: Packaging::Open,
            },
        }
    }

    /// The order of the two lines, with what is set aside for the first: lot, grams, and whether it is packed.
    fn order(rows: &[(&str, i64, bool)]) -> Order {
        let aside = |(lot, grams, packed): &(&str, i64, bool)| json!({"lot": lot, "place": "F1", "grams_g": grams, "reason": "", "packed_at": packed.then_some("2026-05-04T05:00:00Z")});
        let line = |n: i32, grams: i64, packs: Option<i32>, lots: Vec<Value>| json!({"line": n, "product": "P", "name": "P", "grams_g": grams, "packs": packs, "set_aside": lots, "short_g": 0});
        let mut order: Order = serde_json::from_value(json!({
            "order": "O-1", "customer": "CAFE", "customer_name": "The café", "delivery_day": "2026-05-04", "status": "confirmed",
            "placed_at": "2026-05-03T08:00:00Z", "note": "", "reference": "", "under_percent": 5.0, "standing_order": null, "version": 1,
            "lines": [line(1, 1000, None, rows.iter().map(aside).collect()), line(2, 900, Some(6), Vec::new())],
        }))
        .unwrap();
        order.count_short();
        order
    }

    #[test]
    fn what_one_line_takes_is_not_free_for_the_next() {
        let facts = facts();
        let lots = vec![available("L1", 1200, 8), available("L2", 700, 9)];
        let rows = fill(&order(&[]), &facts.lines, &facts.customer, &[lots.clone(), lots]);
        let rows: Vec<_> = rows.iter().map(|(line, t)| (*line, t.lot.as_str(), t.grams.0)).collect();
        // Of L1 200 g are left, which is one pack; 750 g would be missing but for L2, which has four packs.
        assert_eq!(rows, [(1, "L1", 1000), (2, "L1", 150), (2, "L2", 600)]);
    }

    #[test]
    fn what_is_packed_stays_and_only_what_is_missing_is_filled() {
        let facts = facts();
        let lots = vec![available("L1", 1200, 8), available("L2", 700, 9)];
        let filled = |rows: &[(&str, i64, bool)]| -> Vec<(String, i64)> {
            let rows = fill(&order(rows), &facts.lines[..1], &facts.customer, std::slice::from_ref(&lots));
            rows.into_iter().map(|(_, t)| (t.lot.to_string(), t.grams.0)).collect()
        };
        let rows = |rows: &[(&str, i64)]| rows.iter().map(|(l, g)| ((*l).to_owned(), *g)).collect::<Vec<_>>();
        assert_eq!(filled(&[("L2", 600, true)]), rows(&[("L2", 600), ("L1", 400)]));
        // A twentieth may be missing of what is packed: 950 g are all of it, 949 g are not.
        assert_eq!(filled(&[("L2", 950, true)]), rows(&[("L2", 950)]));
        assert_eq!(filled(&[("L2", 949, true)]), rows(&[("L2", 949), ("L1", 51)]));
        assert_eq!(filled(&[("L2", 1100, true)]), rows(&[("L2", 1100)]));
        // What waits for the scale is not lost, and no crate that is closed is filled up.
        assert_eq!(filled(&[("L2", 960, true), ("L1", 40, false)]), rows(&[("L2", 960), ("L1", 40)]));
        assert_eq!(filled(&[("L1", 300, true)]), rows(&[("L1", 300), ("L2", 700)]));
        assert_eq!(filled(&[("L1", 100, true), ("L2", 100, true)]), rows(&[("L1", 100), ("L2", 100)]));
    }

    #[test]
    fn a_packed_line_is_short_of_nothing_that_the_customer_lets_be_missing() {
        let short = |grams, packed| order(&[("L1", grams, packed)]).lines[0].short_g.0;
        assert_eq!((short(950, true), short(949, true), short(950, false), short(1050, true)), (0, 51, 50, 0));
        let mut packs = order(&[]);
        let one =
            json!({"lot": "L1", "place": "F1", "grams_g": 750, "reason": "", "packed_at": "2026-05-04T05:00:00Z"});
        packs.lines[1].set_aside = vec![serde_json::from_value(one).unwrap()];
        packs.under_percent = 50.into();
        packs.count_short();
        assert_eq!(packs.lines[1].short_g.0, 150, "a missing pack is missing");
    }

    #[test]
    fn a_customer_who_wants_days_left_gets_none_that_expires_sooner() {
        let facts = facts();
        let picky = customer(json!({"least_days": 5}));
        let rows =
            fill(&order(&[]), &facts.lines[..1], &picky, &[vec![available("L1", 1200, 8), available("L2", 700, 9)]]);
        assert_eq!(rows.iter().map(|(_, t)| (t.lot.as_str(), t.grams.0)).collect::<Vec<_>>(), [("L2", 700)]);
    }
}
