//! Deliveries and returns: what became of a docket at the door.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use rust_decimal::Decimal;
use serde::Deserialize;
use utoipa::ToSchema;
use uuid::Uuid;

use super::{
    docket::{Docket, DocketLine, DocketPart, DocketStatus, HandOver},
    payment::{NewPayment, PaymentMethod},
    signature::Signature,
};
use crate::{
    SignedWith,
    kinds::{OrderStatus, PlaceKind},
    ledger::{
        entry::{PlannedLeg, built_in_place},
        warm_spell::{Reached, authorise_from},
    },
    refusal::{Refusal, RefusalKind},
    text::{Line, LotCode, PlaceCode, Short, Text},
    units::{
        calendar::{Day, Instant},
        quantity::Grams,
    },
};

/// How a docket was handed over.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewDelivery {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// To a person unless said, or left where nobody was.
    #[serde(default = "in_person")]
    pub hand_over: HandOver,
    /// Who took it, or where it was left.
    pub taken_by: Line,
    /// The name of who took it, signed with a finger.
    pub signature: Option<Signature>,
    /// Temperature at the door, °C.
    #[schema(minimum = -40, maximum = 60)]
    pub temperature_c: Option<f64>,
    /// Crates left there.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 1000)]
    pub crates_out: i32,
    /// Crates brought back.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 1000)]
    pub crates_back: i32,
    /// Lines that were not taken, or not wholly, and why; they stay in the van.
    #[serde(default)]
    #[schema(max_items = 200)]
    pub refused: Vec<RefusedLine>,
    /// What was paid at the door for this docket.
    pub paid: Option<PaidAtDoor>,
    /// When; now unless said.
    pub delivered_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

const fn in_person() -> HandOver {
    HandOver::InPerson
}

const fn cash() -> PaymentMethod {
    PaymentMethod::Cash
}

/// What was paid at the door. It is the customer's credit until the docket is invoiced, and then settles that invoice.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PaidAtDoor {
    /// How much, tax included.
    #[schema(value_type = String)]
    pub amount: Decimal,
    /// In cash unless said, or by card.
    #[serde(default = "cash")]
    pub method: PaymentMethod,
}

/// What was refused at the door of a docket's line.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RefusedLine {
    /// The docket's line.
    pub line: i32,
    /// How much.
    pub grams_g: Grams,
    /// Why: bruised, too small, not ordered, missing from the crate.
    pub reason: Line,
}

/// Grams of a docket line.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PartLine {
    /// The docket's line.
    pub line: i32,
    /// How much.
    pub grams_g: Grams,
}

/// What came back from a customer. It goes to waste: goods that left a customer's hands are never sold again.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewReturn {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// What came back.
    #[schema(min_items = 1, max_items = 200)]
    pub lines: Vec<PartLine>,
    /// Why.
    pub reason: Line,
    /// When; now unless said.
    pub returned_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// What a hand-over is decided on.
#[derive(Debug, Clone)]
pub struct DeliveryFacts<'a> {
    /// The docket.
    pub docket: &'a Docket,
    /// Those of its lots that are on hold, and since when.
    pub held_since: &'a BTreeMap<LotCode, DateTime<Utc>>,
    /// The warm spells of its lots that are not settled.
    pub warm: &'a [Reached],
    /// Those that it was sent out with and that are no worse than they were known to be then.
    pub sent_with: &'a BTreeSet<(LotCode, Uuid)>,
    /// What the one who enters it is signed in with.
    pub signed_with: SignedWith,
}

/// What a hand-over or a return moves.
#[derive(Debug, Clone, PartialEq)]
pub struct DoorPlan {
    /// What the order has become, where that changes.
    pub status: Option<OrderStatus>,
    /// Of which lines.
    pub parts: Vec<DocketPart>,
    /// What moves.
    pub legs: Vec<PlannedLeg>,
}

impl DoorPlan {
    fn new(
        status: Option<OrderStatus>,
        of_lines: &[(&DocketLine, Grams)],
        from_place: &PlaceCode,
        to_place: &PlaceCode,
    ) -> Self {
        let parts = of_lines.iter().map(|(line, grams)| DocketPart { line: line.line, grams: *grams });
        let legs = of_lines.iter().map(|(line, grams)| PlannedLeg::of(&line.lot, from_place, to_place, *grams));
        Self { status, parts: parts.collect(), legs: legs.collect() }
    }
}

/// Decides on a hand-over. What was refused at the door stays in the van; where all of it was, the order is open again.
///
/// # Errors
/// Refuses a docket that is void, was handed over, or was fetched by the customer; a time before it went out; a temperature outside −40 to
/// 60 °C; refused lines that it does not have; and without the person's own sign-in a lot that was put on hold since, and a warm spell that
/// the docket does not name or that has turned out worse.
pub fn hand_over(
    new: &NewDelivery,
    facts: &DeliveryFacts<'_>,
    delivered_at: DateTime<Utc>,
) -> Result<DoorPlan, Refusal> {
    let docket = facts.docket;
    let Some(van) = docket.van.as_ref().filter(|_| docket.status == DocketStatus::Dispatched) else {
        let text = match docket.status {
            DocketStatus::Void => "was taken back and is void.",
            DocketStatus::Dispatched | DocketStatus::Delivered => "was handed over already.",
        };
        return Err(Refusal::new(RefusalKind::Closed, format!("Docket {} {text}", docket.docket)));
    };
    ensure_after(delivered_at, docket.dispatched_at, "/delivered_at", "It went out")?;
    if new.temperature_c.is_some_and(|c| !(-40.0..=60.0).contains(&c)) {
        let out_of_range = "The temperature at the door lies between -40 and 60 °C. Check the sign and the comma.";
        return Err(Refusal::field("/temperature_c", out_of_range));
    }
    if new.hand_over == HandOver::Unattended && new.signature.is_some() {
        return Err(Refusal::field("/signature", "Nobody was there to sign. Say who took it, or clear the signature."));
    }
    let refused: Vec<PartLine> = new.refused.iter().map(|r| PartLine { line: r.line, grams_g: r.grams_g }).collect();
    lines_of(docket, &refused, "/refused")?;
    let refused_of = |line| new.refused.iter().filter(|p| p.line == line).map(|p| p.grams_g).sum::<Grams>();
    let lines = docket.lines.iter().map(|l| (l, l.grams_g - refused_of(l.line)));
    let taken: Vec<(&DocketLine, Grams)> = lines.filter(|(_, grams)| *grams > Grams::ZERO).collect();
    authorise_hand_over(facts, van, &taken, delivered_at)?;
    let status = if taken.is_empty() { OrderStatus::Confirmed } else { OrderStatus::Delivered };
    Ok(DoorPlan::new(Some(status), &taken, van, &docket.customer.place()))
}

/// The payment that was taken at the door, as it is entered: nothing is settled by it until its docket is invoiced.
///
/// # Errors
/// Refuses an amount of nothing, and a way that nobody pays at a door.
pub fn paid_at_door(paid: &PaidAtDoor, docket: &Docket, on: Day) -> Result<NewPayment, Refusal> {
    if !matches!(paid.method, PaymentMethod::Cash | PaymentMethod::Card) {
        return Err(Refusal::field("/paid/method", "At the door it is paid in cash or by card."));
    }
    if paid.amount <= Decimal::ZERO {
        return Err(Refusal::field("/paid/amount", "Give the amount that was paid, or leave it out."));
    }
    Ok(NewPayment {
        customer: docket.customer.clone(),
        amount: paid.amount,
        method: paid.method,
        paid_on: Some(on),
        reference: Text::default(),
        shares: Some(Vec::new()),
    })
}

/// Asks for the person's own sign-in where a lot was put on hold after it was handed over, or was in a warm spell that the docket does not
/// name, or that has turned out worse since it was sent.
fn authorise_hand_over(
    facts: &DeliveryFacts<'_>,
    van: &PlaceCode,
    taken: &[(&DocketLine, Grams)],
    at: DateTime<Utc>,
) -> Result<(), Refusal> {
    let is_taken = |lot: &LotCode| taken.iter().any(|(line, _)| line.lot == *lot);
    if let Some((lot, _)) = facts.held_since.iter().find(|(lot, since)| is_taken(lot) && at < **since) {
        facts.signed_with.authorise(&format!("Saying that lot {lot} was handed over before it was put on hold"))?;
    }
    let warm = facts.warm.iter().filter(|reached| is_taken(&reached.lot));
    let known = |reached: &Reached| facts.sent_with.contains(&(reached.lot.clone(), reached.spell.excursion_id));
    authorise_from(warm, van, "Handing over", known, facts.signed_with)
}

/// Decides on what came back from a customer. It goes to waste.
///
/// # Errors
/// Refuses a docket that was not handed over, a time before it was, nothing, lines that it does not have, and more than the customer has of
/// one.
pub fn take_return(new: &NewReturn, docket: &Docket, returned_at: DateTime<Utc>) -> Result<DoorPlan, Refusal> {
    if docket.status != DocketStatus::Delivered {
        let detail = format!("Docket {} was not handed over, so nothing can come back of it.", docket.docket);
        return Err(Refusal::new(RefusalKind::Closed, detail));
    }
    ensure_after(returned_at, docket.handed_over_at(), "/returned_at", "It was handed over")?;
    if new.lines.is_empty() {
        return Err(Refusal::field("/lines", "Nothing comes back. Name the lines."));
    }
    let back = lines_of(docket, &new.lines, "/lines")?;
    for (i, (line, grams_g)) in back.iter().enumerate() {
        if *grams_g > line.kept_g {
            let detail = format!(
                "{} has {} of line {} of this docket, and {} came back.",
                docket.customer_name, line.kept_g, line.line, grams_g
            );
            return Err(Refusal::new(RefusalKind::NotEnough, detail).at(format!("/lines/{i}/grams_g")));
        }
    }
    Ok(DoorPlan::new(None, &back, &docket.customer.place(), &built_in_place(PlaceKind::Waste)))
}

/// Goods go out, are handed over and come back in this order, whatever is written down when.
fn ensure_after(at: DateTime<Utc>, earlier: DateTime<Utc>, pointer: &str, what: &str) -> Result<(), Refusal> {
    if at >= earlier {
        return Ok(());
    }
    let earlier = earlier.format("%Y-%m-%d %H:%M UTC");
    Err(Refusal::field(pointer, format!("{what} at {earlier}, and this is earlier. Check the time.")))
}

/// The lines that parts are of, each with how much of it.
fn lines_of<'a>(
    docket: &'a Docket,
    parts: &[PartLine],
    pointer: &str,
) -> Result<Vec<(&'a DocketLine, Grams)>, Refusal> {
    let mut lines: Vec<(&DocketLine, Grams)> = Vec::with_capacity(parts.len());
    for (i, part) in parts.iter().enumerate() {
        let Some(line) = docket.lines.iter().find(|l| l.line == part.line) else {
            return Err(Refusal::field(
                format!("{pointer}/{i}/line"),
                format!("Docket {} has no line {}.", docket.docket, part.line),
            ));
        };
        if lines.iter().any(|(l, _)| l.line == part.line) {
            return Err(Refusal::field(
                format!("{pointer}/{i}/line"),
                format!("Line {} stands there twice. Add the two up.", part.line),
            ));
        }
        if part.grams_g <= Grams::ZERO || part.grams_g > line.grams_g {
            return Err(Refusal::field(
                format!("{pointer}/{i}/grams_g"),
                format!("{} of {} went out. Give a weight above zero and up to that.", line.grams_g, line.lot),
            ));
        }
        lines.push((line, part.grams_g));
    }
    Ok(lines)
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;
    use crate::selling::examples::changed;

    fn docket(status: DocketStatus) -> Docket {
        let line = |line: i32, lot: &str, grams: i64, kept: i64| {
            json!({
                "line": line, "order_line": line, "product": "OY", "product_name": "Oyster", "lot": lot, "grade": "A", "place": "F1",
                "harvest_day": "2026-05-04", "best_before": null, "grams_g": grams, "packs": null, "refused_g": 0, "refused_because": "", "returned_g": 0, "returned_because": "",
                "kept_g": kept, "price": "10", "unit": "kg", "tax_percent": "7", "amount": "10", "kept_amount": "10", "warm_spell": null,
            })
        };
        let delivery = json!({
            "act_id": "00000000-0000-4000-8000-000000000002", "delivered_at": "2026-05-05T09:00:00Z", "hand_over": "in_person", "taken_by": "Kim",
            "signed": false, "temperature_c": null,
            "crates_out": 0, "crates_back": 0, "done_by": "AB",
        });
        let body = json!({
            "docket": "D-1", "order": "O-1", "reference": "", "customer": "CAFE", "customer_name": "The café", "address": "", "telephone": "", "with_prices": true,
            "act_id": "00000000-0000-4000-8000-000000000001", "van": "VAN", "delivery_day": "2026-05-05",
            "dispatched_at": "2026-05-05T07:00:00Z", "status": status, "lines": [line(1, "OY-1", 1000, 900), line(2, "OY-2", 500, 500)],
            "ordered": [], "short_because": "", "sent_net": "20", "net": "20", "currency": "EUR", "caution": "",
            "delivery": if status == DocketStatus::Delivered { delivery } else { Value::Null },
        });
        serde_json::from_value(body).unwrap()
    }

    fn at(hour: &str) -> DateTime<Utc> {
        format!("2026-05-05T{hour}:00Z").parse().unwrap()
    }

    struct Door {
        docket: Docket,
        held_since: BTreeMap<LotCode, DateTime<Utc>>,
        warm: Vec<Reached>,
        sent_with: BTreeSet<(LotCode, Uuid)>,
        signed_with: SignedWith,
    }

    fn door() -> Door {
        Door {
            docket: docket(DocketStatus::Dispatched),
            held_since: BTreeMap::new(),
            warm: Vec::new(),
            sent_with: BTreeSet::new(),
            signed_with: SignedWith::SharedPhone,
        }
    }

    impl Door {
        fn hand_over(&self, changes: Value) -> Result<DoorPlan, Refusal> {
            let facts = DeliveryFacts {
                docket: &self.docket,
                held_since: &self.held_since,
                warm: &self.warm,
                sent_with: &self.sent_with,
                signed_with: self.signed_with,
            };
            hand_over(&changed(json!({"taken_by": "Kim"}), changes), &facts, at("09:00"))
        }

        fn refused(&self, changes: Value) -> (RefusalKind, Option<String>) {
            blamed(self.hand_over(changes).unwrap_err())
        }
    }

    fn blamed(refusal: Refusal) -> (RefusalKind, Option<String>) {
        (refusal.kind, refusal.faults.into_iter().next().map(|f| f.pointer))
    }

    fn parts(plan: &DoorPlan) -> Vec<(i32, i64)> {
        plan.parts.iter().map(|p| (p.line, p.grams.0)).collect()
    }

    fn warm(lot: &str, places: &[&str]) -> Reached {
        let spell = json!({
            "excursion_id": "00000000-0000-4000-8000-000000000001", "place": "F1", "began_at": "2026-05-04T10:00:00Z", "ended_at": null,
            "standing": "open", "caution": "",
        });
        Reached {
            lot: lot.parse().unwrap(),
            places: places.iter().map(|p| p.parse().unwrap()).collect(),
            spell: serde_json::from_value(spell).unwrap(),
            decided: false,
            air_c: None,
            product_c: None,
        }
    }

    #[test]
    fn what_is_taken_goes_to_the_customer() {
        let plan = door().hand_over(json!({})).unwrap();
        assert_eq!((plan.status, parts(&plan)), (Some(OrderStatus::Delivered), vec![(1, 1000), (2, 500)]));
        assert!(plan.legs.iter().all(|l| l.from_place.as_str() == "VAN" && l.to_place.as_str() == "CAFE"));
    }

    #[test]
    fn what_is_refused_stays_in_the_van() {
        let plan =
            door().hand_over(json!({"refused": [{"line": 1, "grams_g": 400, "reason": "bruised"}, {"line": 2, "grams_g": 500, "reason": "bruised"}]})).unwrap();
        assert_eq!((plan.status, parts(&plan)), (Some(OrderStatus::Delivered), vec![(1, 600)]));
    }

    #[test]
    fn refused_whole_the_order_is_open_again() {
        let all = json!({"refused": [{"line": 1, "grams_g": 1000, "reason": "bruised"}, {"line": 2, "grams_g": 500, "reason": "bruised"}]});
        let plan = door().hand_over(all).unwrap();
        assert_eq!((plan.status, plan.legs.len()), (Some(OrderStatus::Confirmed), 0));
    }

    #[test]
    fn a_docket_is_handed_over_once() {
        for status in [DocketStatus::Void, DocketStatus::Delivered] {
            let door = Door { docket: docket(status), ..door() };
            assert_eq!(door.refused(json!({})).0, RefusalKind::Closed);
        }
        let mut fetched = door();
        fetched.docket.van = None;
        assert_eq!(fetched.refused(json!({})).0, RefusalKind::Closed);
    }

    #[test]
    fn nothing_is_handed_over_before_it_went_out() {
        let mut door = door();
        door.docket.dispatched_at = at("09:01");
        assert_eq!(door.refused(json!({})), (RefusalKind::Invalid, Some("/delivered_at".into())));
        door.docket.dispatched_at = at("09:00");
        assert!(door.hand_over(json!({})).is_ok());
    }

    #[test]
    fn a_temperature_off_the_door_is_a_slip() {
        for (c, possible) in [(-40.0, true), (60.0, true), (-40.1, false), (60.1, false), (400.0, false)] {
            let handed_over = door().hand_over(json!({"temperature_c": c}));
            assert_eq!(
                handed_over.map_err(blamed).err(),
                (!possible).then(|| (RefusalKind::Invalid, Some("/temperature_c".into())))
            );
        }
    }

    #[test]
    fn refused_lines_are_lines_of_the_docket_and_no_more_than_they_are_of() {
        for (refused, pointer) in [
            (json!([{"line": 3, "grams_g": 1, "reason": "bruised"}]), "/refused/0/line"),
            (
                json!([{"line": 1, "grams_g": 1, "reason": "bruised"}, {"line": 1, "grams_g": 1, "reason": "bruised"}]),
                "/refused/1/line",
            ),
            (json!([{"line": 2, "grams_g": 501, "reason": "bruised"}]), "/refused/0/grams_g"),
            (json!([{"line": 2, "grams_g": 0, "reason": "bruised"}]), "/refused/0/grams_g"),
        ] {
            assert_eq!(door().refused(json!({"refused": refused})), (RefusalKind::Invalid, Some(pointer.into())));
        }
    }

    #[test]
    fn what_was_put_on_hold_after_the_door_asks_for_ones_own_sign_in() {
        let mut door = door();
        door.held_since.insert("OY-2".parse().unwrap(), at("09:01"));
        assert_eq!(door.refused(json!({})).0, RefusalKind::OwnSignIn);
        // None of it is taken.
        assert!(door.hand_over(json!({"refused": [{"line": 2, "grams_g": 500, "reason": "bruised"}]})).is_ok());
        door.signed_with = SignedWith::OwnSignIn;
        assert!(door.hand_over(json!({})).is_ok());
    }

    #[test]
    fn a_warm_spell_that_the_docket_does_not_name_asks_for_ones_own_sign_in() {
        let mut door = door();
        door.warm = vec![warm("OY-1", &["F1"])];
        assert!(door.hand_over(json!({})).is_ok(), "it never reached the van");
        door.warm = vec![warm("OY-1", &["F1", "VAN"])];
        assert_eq!(door.refused(json!({})).0, RefusalKind::OwnSignIn);
        door.sent_with.insert(("OY-1".parse().unwrap(), door.warm[0].spell.excursion_id));
        assert!(door.hand_over(json!({})).is_ok());
    }

    fn come_back(docket: &Docket, lines: &Value, hour: &str) -> Result<DoorPlan, Refusal> {
        let body = json!({"lines": lines, "reason": "bruised"});
        take_return(&serde_json::from_value(body).unwrap(), docket, at(hour))
    }

    #[test]
    fn what_comes_back_goes_to_waste() {
        let plan = come_back(&docket(DocketStatus::Delivered), &json!([{"line": 1, "grams_g": 900}]), "10:00").unwrap();
        assert_eq!((plan.status, parts(&plan)), (None, vec![(1, 900)]));
        assert_eq!(plan.legs[0].from_place.as_str(), "CAFE");
        assert_eq!(plan.legs[0].to_place, built_in_place(PlaceKind::Waste));
    }

    #[test]
    fn no_more_comes_back_than_the_customer_has() {
        let docket = docket(DocketStatus::Delivered);
        let refusal = come_back(&docket, &json!([{"line": 2, "grams_g": 500}, {"line": 1, "grams_g": 901}]), "10:00")
            .unwrap_err();
        assert_eq!(blamed(refusal), (RefusalKind::NotEnough, Some("/lines/1/grams_g".into())));
    }

    #[test]
    fn a_return_needs_a_hand_over_before_it_and_something_that_came_back() {
        let one = || json!([{"line": 1, "grams_g": 1}]);
        for status in [DocketStatus::Dispatched, DocketStatus::Void] {
            assert_eq!(come_back(&docket(status), &one(), "10:00").unwrap_err().kind, RefusalKind::Closed);
        }
        let docket = docket(DocketStatus::Delivered);
        let early = blamed(come_back(&docket, &one(), "08:59").unwrap_err());
        assert_eq!(early, (RefusalKind::Invalid, Some("/returned_at".into())));
        let nothing = blamed(come_back(&docket, &json!([]), "10:00").unwrap_err());
        assert_eq!(nothing, (RefusalKind::Invalid, Some("/lines".into())));
    }
}
