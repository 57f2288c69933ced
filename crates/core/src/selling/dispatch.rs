//! Sending out: what is set aside for an order becomes a docket, and leaves.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use serde::Deserialize;
use utoipa::ToSchema;
use uuid::Uuid;

use super::{
    customer::Customer,
    docket::{DocketLine, DocketPart, OrderedLine, SENT_WARM, SentWarm},
    order::{Order, OrderLine},
    pricing::{ListPrice, price_for, price_line},
    product::Product,
};
use crate::{
    SignedWith,
    kinds::{OrderStatus, Packaging, PlaceKind},
    ledger::{
        entry::PlannedLeg,
        warm_spell::{Reached, WarmSpell, authorise_sending, oldest},
    },
    refusal::{Refusal, RefusalKind},
    text::{GradeCode, LotCode, OrderCode, PlaceCode, ProductCode, Short, Text},
    units::{calendar::Instant, money::CurrencyRules, quantity::Grams},
};

/// An order to be sent out, with what is set aside for it.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewDocket {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// The order.
    pub order: OrderCode,
    /// The van that takes it. Without one the customer fetches it.
    pub van: Option<PlaceCode>,
    /// Send what is set aside though some of the order is short.
    #[serde(default)]
    pub short: bool,
    /// Why some of it is short, as the docket says it to the customer.
    #[serde(default)]
    pub short_because: Text<0, 200>,
    /// When; now unless said.
    pub dispatched_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// On what terms a product is sold: its price, and the days that it is good for.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct ProductTerms {
    /// The product.
    pub product: Product,
    /// Its prices on the customer's list at the time.
    pub prices: Vec<ListPrice>,
    /// Days from harvest to best before by the farm's rules at the time, by packaging.
    pub best_before_days: BTreeMap<Packaging, u64>,
}

impl ProductTerms {
    /// Whether the customer's list has a price for so much of it. Without one it cannot be sent out.
    #[must_use]
    pub fn has_price(&self, ordered: Grams) -> bool {
        price_for(&self.prices, ordered).is_some()
    }
}

/// What a docket says of a lot.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct SentLot {
    /// Its grade.
    pub grade: GradeCode,
    /// Its packaging.
    pub packaging: Packaging,
    /// The day of its harvest.
    pub harvest_day: NaiveDate,
    /// Best before, where it was packed.
    pub best_before: Option<NaiveDate>,
    /// Why it is on hold, where it is.
    pub hold: Option<String>,
}

/// What a dispatch is decided on.
#[derive(Debug, Clone)]
pub struct DispatchFacts<'a> {
    /// The order, with what is set aside for it.
    pub order: &'a Order,
    /// Whose it is.
    pub customer: &'a Customer,
    /// The products of its lines.
    pub products: &'a BTreeMap<ProductCode, ProductTerms>,
    /// The lots that are set aside.
    pub lots: &'a BTreeMap<LotCode, SentLot>,
    /// What the van is, where there is a place of its code.
    pub van: Option<PlaceKind>,
    /// The warm spells of these lots that are not settled, the oldest first.
    pub warm: &'a [Reached],
    /// How money is rounded.
    pub coinage: CurrencyRules,
    /// What the sender is signed in with.
    pub signed_with: SignedWith,
    /// The name of the sign-in, which stands on the docket beside a warm spell.
    pub sender: &'a str,
}

/// What leaves.
#[derive(Debug, Clone, PartialEq)]
pub struct DispatchPlan {
    /// What the order has become: on its way, or with the customer who fetched it.
    pub status: OrderStatus,
    /// Lines of the docket.
    pub lines: Vec<DocketLine>,
    /// Why some of it is short; empty where nothing is.
    pub short_because: String,
    /// What of them the customer has at once: all of what was fetched, nothing of what is in a van.
    pub handed_over: Vec<DocketPart>,
    /// What moves.
    pub legs: Vec<PlannedLeg>,
}

/// Decides on sending an order out.
///
/// # Errors
/// Refuses an order that is not promised, nothing set aside, a short order unless said, a lot on hold, what is no van, a missing price, and
/// lots of a warm spell that is not settled where the sign-in is not the person's own.
pub fn decide(new: &NewDocket, facts: &DispatchFacts<'_>) -> Result<DispatchPlan, Refusal> {
    ensure_ready(new, facts)?;
    authorise_sending(facts.warm, facts.signed_with)?;
    let to_place = destination(new, facts)?;
    let lines = docket_lines(facts)?;
    let legs = lines.iter().map(|l| PlannedLeg::of(&l.lot, &l.place, &to_place, l.grams_g)).collect();
    let (status, handed_over) = match new.van {
        Some(_) => (OrderStatus::Dispatched, Vec::new()),
        None => (OrderStatus::Delivered, lines.iter().map(DocketPart::whole).collect()),
    };
    let is_short = facts.order.lines.iter().any(|l| l.short_g > Grams::ZERO);
    let short_because = if is_short { new.short_because.as_str().to_owned() } else { String::new() };
    Ok(DispatchPlan { status, lines, short_because, handed_over, legs })
}

fn ensure_ready(new: &NewDocket, facts: &DispatchFacts<'_>) -> Result<(), Refusal> {
    let order = facts.order;
    if order.status != OrderStatus::Confirmed {
        let detail = format!("Order {} is {} and cannot be sent out.", order.order, order.status);
        return Err(Refusal::new(RefusalKind::Closed, detail).at("/order"));
    }
    if order.lots_set_aside().next().is_none() {
        let detail = format!("Nothing is set aside for order {}. Set lots aside first.", order.order);
        return Err(Refusal::new(RefusalKind::NotEnough, detail));
    }
    if let Some(l) = order.lines.iter().find(|l| !new.short && l.short_g > Grams::ZERO) {
        let detail = format!(
            "{} of {} are short. Set more aside, or send it short by saying so (\"short\": true).",
            l.short_g, l.name
        );
        return Err(Refusal::new(RefusalKind::NotEnough, detail));
    }
    let held = |lot: LotCode| Some((facts.lots.get(&lot)?.hold.as_ref()?, lot));
    match order.lots_set_aside().filter_map(held).min_by(|a, b| a.1.cmp(&b.1)) {
        Some((reason, lot)) => Err(Refusal::on_hold(lot, reason)),
        None => Ok(()),
    }
}

/// Where the goods go: into the van, or to the customer.
fn destination(new: &NewDocket, facts: &DispatchFacts<'_>) -> Result<PlaceCode, Refusal> {
    match (&new.van, facts.van) {
        (Some(van), Some(PlaceKind::Van)) => Ok(van.clone()),
        (Some(van), Some(_)) => Err(Refusal::field("/van", format!("{van} is not a van."))),
        (Some(van), None) => {
            Err(Refusal::field("/van", format!("There is no place {van} on this farm. Check the code.")))
        }
        (None, _) => Ok(facts.order.customer.place()),
    }
}

/// Prices what is set aside: rounded once an order line, shared to its lots without losing a coin.
fn docket_lines(facts: &DispatchFacts<'_>) -> Result<Vec<DocketLine>, Refusal> {
    let warm = oldest(facts.warm);
    let mut lines: Vec<DocketLine> = Vec::new();
    for line in facts.order.lines.iter().filter(|l| !l.set_aside.is_empty()) {
        let Some(terms) = facts.products.get(&line.product) else {
            return Err(Refusal::not_found(ProductCode::NOUN, &line.product));
        };
        // By what was ordered: what is packed a little lighter costs the same a kilogram.
        let price = price_for(&terms.prices, line.grams_g).ok_or_else(|| price_missing(facts.customer, line))?;
        lines.extend(goods_of(line, terms, price, facts, &warm, lines.len())?);
    }
    Ok(lines)
}

/// The docket's lines of one line of the order, after `before` others.
fn goods_of(
    line: &OrderLine,
    terms: &ProductTerms,
    price: &ListPrice,
    facts: &DispatchFacts<'_>,
    warm: &BTreeMap<LotCode, WarmSpell>,
    before: usize,
) -> Result<Vec<DocketLine>, Refusal> {
    let weights: Vec<Grams> = line.set_aside.iter().map(|s| s.grams_g).collect();
    let unit_price = price.without_tax(terms.product.tax_percent);
    let amounts = price_line(unit_price, price.unit, terms.product.pack_g, &weights, facts.coinage);
    let goods = line.set_aside.iter().zip(amounts).enumerate();
    goods
        .map(|(i, (s, amount))| {
            let lot = facts.lots.get(&s.lot).ok_or_else(|| Refusal::not_found(LotCode::NOUN, &s.lot))?;
            let rule = terms.best_before_days.get(&lot.packaging);
            Ok(DocketLine {
                line: i32::try_from(before + i + 1).unwrap_or(i32::MAX),
                order_line: line.line,
                product: line.product.clone(),
                product_name: terms.product.name.clone(),
                lot: s.lot.clone(),
                grade: lot.grade.clone(),
                place: s.place.clone(),
                harvest_day: lot.harvest_day,
                best_before: lot.best_before.or_else(|| rule.map(|days| lot.harvest_day + Days::new(*days))),
                grams_g: s.grams_g,
                packs: None,
                refused_g: Grams::ZERO,
                refused_because: String::new(),
                returned_g: Grams::ZERO,
                returned_because: String::new(),
                kept_g: s.grams_g,
                price: unit_price.normalize(),
                unit: price.unit,
                tax_percent: terms.product.tax_percent,
                amount,
                kept_amount: amount,
                warm_spell: warm.get(&s.lot).map(|spell| SentWarm {
                    excursion_id: spell.excursion_id,
                    place: spell.place.clone(),
                    began_at: spell.began_at,
                    authorised_by: facts.sender.to_owned(),
                    caution: SENT_WARM.into(),
                }),
            })
        })
        .collect()
}

fn price_missing(customer: &Customer, line: &OrderLine) -> Refusal {
    let (list, product, grams) = (&customer.price_list, &line.product, line.grams_g);
    let detail = format!(
        "Price list {list} has no price for {grams} of {product}. Set one under prices, then send the docket again."
    );
    Refusal::new(RefusalKind::PriceMissing, detail)
}

/// What was ordered, as a docket says it.
#[must_use]
pub fn ordered_lines(order: &Order) -> Vec<OrderedLine> {
    let lines = order.lines.iter().map(|l| OrderedLine {
        order_line: l.line,
        product: l.product.clone(),
        product_name: l.name.clone(),
        grams_g: l.grams_g,
        packs: l.packs,
        short_g: Grams::ZERO,
    });
    lines.collect()
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;
    use crate::kinds::PriceUnit;
    use crate::{
        selling::examples::{changed, customer, product},
        units::money::Rounding,
    };

    /// Facts of an order that is ready to leave, changed as a test needs.
    struct Farm {
        order: Order,
        customer: Customer,
        products: BTreeMap<ProductCode, ProductTerms>,
        lots: BTreeMap<LotCode, SentLot>,
        van: Option<PlaceKind>,
        warm: Vec<Reached>,
        signed_with: SignedWith,
    }

    fn order(lines: &Value) -> Order {
        let body = json!({
            "order": "O-1", "customer": "CAFE", "customer_name": "The café", "delivery_day": "2026-05-06", "status": "confirmed",
            "placed_at": "2026-05-01T08:00:00Z", "note": "", "reference": "", "under_percent": 5.0, "lines": lines, "version": 1,
        });
        serde_json::from_value(body).unwrap()
    }

    fn set_aside(lot: &str, grams: i64) -> Value {
        json!({"lot": lot, "place": "F1", "grams_g": grams, "reason": "", "warm_spell": null})
    }

    fn farm() -> Farm {
        let lots = [set_aside("OY-1", 333), set_aside("OY-2", 667)];
        let lines = json!([
            {"line": 1, "product": "OY", "name": "Oyster", "grams_g": 1000, "packs": null, "set_aside": lots, "short_g": 0},
            {"line": 2, "product": "PUN", "name": "Punnet", "grams_g": 300, "packs": 2, "set_aside": [set_aside("OY-2", 300)], "short_g": 0},
        ]);
        let terms = |product: Product, amount: &str, unit| ProductTerms {
            product,
            prices: vec![ListPrice { from_g: Grams::ZERO, amount: amount.parse().unwrap(), unit, tax_included: false }],
            best_before_days: BTreeMap::from([(Packaging::Vented, 6)]),
        };
        let lot = |best_before: Option<&str>| SentLot {
            grade: "A".parse().unwrap(),
            packaging: Packaging::Vented,
            harvest_day: "2026-05-04".parse().unwrap(),
            best_before: best_before.map(|d| d.parse().unwrap()),
            hold: None,
        };
        Farm {
            order: order(&lines),
            customer: customer(json!({})),
            products: BTreeMap::from([
                ("OY".parse().unwrap(), terms(product("OY", json!({})), "10.010", PriceUnit::Kg)),
                ("PUN".parse().unwrap(), terms(product("PUN", json!({"pack_g": 150})), "3.20", PriceUnit::Pack)),
            ]),
            lots: BTreeMap::from([
                ("OY-1".parse().unwrap(), lot(None)),
                ("OY-2".parse().unwrap(), lot(Some("2026-05-09"))),
            ]),
            van: Some(PlaceKind::Van),
            warm: Vec::new(),
            signed_with: SignedWith::OwnSignIn,
        }
    }

    impl Farm {
        fn send(&self, changes: Value) -> Result<DispatchPlan, Refusal> {
            let facts = DispatchFacts {
                order: &self.order,
                customer: &self.customer,
                products: &self.products,
                lots: &self.lots,
                van: self.van,
                warm: &self.warm,
                coinage: CurrencyRules::new("EUR", Rounding::HalfUp).unwrap(),
                signed_with: self.signed_with,
                sender: "AB",
            };
            decide(&changed(json!({"order": "O-1", "van": "VAN"}), changes), &facts)
        }

        fn refused(&self, changes: Value) -> (RefusalKind, Option<String>) {
            let refusal = self.send(changes).unwrap_err();
            (refusal.kind, refusal.faults.first().map(|f| f.pointer.clone()))
        }
    }

    fn warm(lot: &str) -> Reached {
        let spell = json!({
            "excursion_id": "00000000-0000-4000-8000-000000000001", "place": "F1", "began_at": "2026-05-04T10:00:00Z", "ended_at": null,
            "standing": "open", "caution": "",
        });
        let spell = serde_json::from_value(spell).unwrap();
        Reached { lot: lot.parse().unwrap(), places: Vec::new(), spell, decided: false, air_c: None, product_c: None }
    }

    #[test]
    fn what_is_set_aside_goes_into_the_van_lot_by_lot() {
        let plan = farm().send(json!({})).unwrap();
        assert_eq!(plan.status, OrderStatus::Dispatched);
        assert!(plan.handed_over.is_empty());
        let told: Vec<_> = plan.lines.iter().map(|l| (l.line, l.order_line, l.lot.as_str(), l.grams_g.0)).collect();
        assert_eq!(told, [(1, 1, "OY-1", 333), (2, 1, "OY-2", 667), (3, 2, "OY-2", 300)]);
        assert!(plan.legs.iter().all(|l| l.from_place.as_str() == "F1" && l.to_place.as_str() == "VAN"));
        assert_eq!(plan.legs.iter().map(|l| l.grams_g.0).sum::<i64>(), 1300);
    }

    #[test]
    fn a_line_is_priced_whole_and_shared_to_its_lots() {
        // DERIVED: 1 kg at 10.01 is 10.01, of which 333 g are 3.33333, so 3.33, and 667 g the rest; 2 packs at 3.20 are 6.40.
        let plan = farm().send(json!({})).unwrap();
        let amounts: Vec<String> = plan.lines.iter().map(|l| l.amount.to_string()).collect();
        assert_eq!(amounts, ["3.33", "6.68", "6.40"]);
        assert_eq!(plan.lines[0].price.to_string(), "10.01");
    }

    #[test]
    fn a_packed_lot_has_its_own_day_and_another_the_rules() {
        let plan = farm().send(json!({})).unwrap();
        // DERIVED: 4 May and six days.
        assert_eq!(plan.lines[0].best_before, Some("2026-05-10".parse().unwrap()));
        assert_eq!(plan.lines[1].best_before, Some("2026-05-09".parse().unwrap()));
        let mut without = farm();
        without.products.values_mut().for_each(|t| t.best_before_days.clear());
        assert_eq!(without.send(json!({})).unwrap().lines[0].best_before, None);
    }

    #[test]
    fn what_is_fetched_is_the_customers_at_once() {
        let plan = farm().send(json!({"van": null})).unwrap();
        assert_eq!(plan.status, OrderStatus::Delivered);
        assert_eq!(
            plan.handed_over.iter().map(|p| (p.line, p.grams.0)).collect::<Vec<_>>(),
            [(1, 333), (2, 667), (3, 300)]
        );
        assert!(plan.legs.iter().all(|l| l.to_place.as_str() == "CAFE"));
    }

    #[test]
    fn only_a_promised_order_leaves() {
        for status in [OrderStatus::Draft, OrderStatus::Cancelled, OrderStatus::Dispatched, OrderStatus::Delivered] {
            let mut farm = farm();
            farm.order.status = status;
            assert_eq!(farm.refused(json!({})), (RefusalKind::Closed, Some("/order".into())), "{status}");
        }
    }

    #[test]
    fn nothing_set_aside_leaves_nothing() {
        let mut farm = farm();
        farm.order.lines.iter_mut().for_each(|l| l.set_aside.clear());
        assert_eq!(farm.refused(json!({"short": true})).0, RefusalKind::NotEnough);
    }

    #[test]
    fn a_short_order_leaves_only_when_that_is_said() {
        let mut farm = farm();
        farm.order.lines[1].short_g = Grams(1);
        assert_eq!(farm.refused(json!({})).0, RefusalKind::NotEnough);
        assert!(farm.send(json!({"short": true})).is_ok());
    }

    #[test]
    fn a_line_of_nothing_is_left_out_of_a_short_docket() {
        let mut farm = farm();
        farm.order.lines[0].set_aside.clear();
        farm.order.lines[0].short_g = Grams(1000);
        let plan = farm.send(json!({"short": true})).unwrap();
        assert_eq!(plan.lines.iter().map(|l| (l.line, l.order_line)).collect::<Vec<_>>(), [(1, 2)]);
    }

    #[test]
    fn a_lot_on_hold_stays() {
        let mut farm = farm();
        farm.lots.get_mut(&"OY-2".parse::<LotCode>().unwrap()).unwrap().hold = Some("smells".into());
        let refusal = farm.send(json!({})).unwrap_err();
        assert_eq!(refusal.kind, RefusalKind::OnHold);
        assert!(refusal.detail.contains("OY-2") && refusal.detail.contains("smells"), "{refusal}");
    }

    #[test]
    fn only_a_van_takes_it() {
        let mut farm = farm();
        farm.van = Some(PlaceKind::Fridge);
        assert_eq!(farm.refused(json!({})), (RefusalKind::Invalid, Some("/van".into())));
        farm.van = None;
        assert_eq!(farm.refused(json!({})), (RefusalKind::Invalid, Some("/van".into())));
    }

    #[test]
    fn what_has_no_price_is_not_sold() {
        let mut farm = farm();
        farm.products.get_mut(&"PUN".parse::<ProductCode>().unwrap()).unwrap().prices.clear();
        assert_eq!(farm.refused(json!({})).0, RefusalKind::PriceMissing);
        // Nothing of it leaves, so its price is not asked for.
        farm.order.lines[1].set_aside.clear();
        assert!(farm.send(json!({})).is_ok());
    }

    #[test]
    fn a_lot_of_a_warm_spell_leaves_by_ones_own_sign_in_and_the_docket_says_whose() {
        let mut farm = farm();
        farm.warm = vec![warm("OY-1")];
        let plan = farm.send(json!({})).unwrap();
        assert_eq!(plan.lines[0].warm_spell.as_ref().map(|w| w.authorised_by.as_str()), Some("AB"));
        assert_eq!(plan.lines[1].warm_spell, None);
        for signed_with in [SignedWith::SharedPhone, SignedWith::Machine] {
            farm.signed_with = signed_with;
            assert_eq!(farm.refused(json!({})).0, RefusalKind::OwnSignIn);
        }
    }
}
