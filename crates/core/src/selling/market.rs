//! Market days: what goes to the stall, what was sold, what comes back.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    kinds::{MarketDayStatus, PlaceKind},
    refusal::{Refusal, RefusalKind},
    selling::tally::Tally,
    text::{CustomerCode, LotCode, MarketDayCode, PlaceCode, ProductCode, Short, Text},
    units::{
        calendar::{Day, Instant},
        money::CurrencyRules,
        quantity::Grams,
    },
};

/// The most lots that go to a stall.
const MAX_LOADED: usize = 200;

/// Grams of a lot that go to the stall.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LoadedLot {
    /// The lot.
    pub lot: LotCode,
    /// Where it is.
    pub place: PlaceCode,
    /// How much.
    pub grams_g: Grams,
}

/// A market day to be begun.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewMarketDay {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// The stall.
    pub stall: PlaceCode,
    /// The customer that stands for the people at the stall.
    pub customer: CustomerCode,
    /// The day; today unless said.
    pub day: Option<Day>,
    /// What goes there.
    #[schema(min_items = 1, max_items = 200)]
    pub taken: Vec<LoadedLot>,
    /// Money in the box at the start, with no more decimals than the currency has.
    #[schema(value_type = String, pattern = r"^\d{1,5}(\.\d{1,4})?$")]
    pub float_amount: Decimal,
    /// When it left; now unless said.
    pub left_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// What became of a lot at the stall. What is not named was sold.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StallRow {
    /// The lot.
    pub lot: LotCode,
    /// Brought back.
    #[serde(default)]
    pub back_g: Grams,
    /// Thrown away.
    #[serde(default)]
    pub wasted_g: Grams,
    /// Tasted.
    #[serde(default)]
    pub tasted_g: Grams,
}

/// The stall's day cashed up.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MarketClose {
    /// What became of the lots.
    #[serde(default)]
    #[schema(max_items = 200)]
    pub lots: Vec<StallRow>,
    /// Where what is brought back goes.
    pub back_place: PlaceCode,
    /// Money in the box at the end, the float included.
    #[schema(value_type = String, pattern = r"^\d{1,6}(\.\d{1,4})?$")]
    pub cash: Decimal,
    /// Taken by card.
    #[schema(value_type = String, pattern = r"^\d{1,6}(\.\d{1,4})?$")]
    pub card: Decimal,
    /// The stall's fee.
    #[schema(value_type = String, pattern = r"^\d{1,5}(\.\d{1,4})?$")]
    pub fee: Decimal,
    /// Why the box and the cards are not what the tally says; needed where there is a tally and they are not.
    #[serde(default)]
    pub difference_reason: Text<0, 200>,
    /// What the tally said of cash when the box was counted; refused where it says something else by now.
    #[schema(value_type = Option<String>)]
    pub tallied_cash: Option<Decimal>,
    /// The same of cards.
    #[schema(value_type = Option<String>)]
    pub tallied_card: Option<Decimal>,
    /// When it closed; now unless said.
    pub closed_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// What the stall sold of a lot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct StallSale {
    /// The lot.
    pub lot: LotCode,
    /// How much.
    pub grams_g: Grams,
    /// The product whose price its share was made by; none where the stall sells none of it.
    pub product: Option<ProductCode>,
    /// That price, a kilogram and without tax: the mean of what was tallied of the product, or the list's.
    #[schema(value_type = Option<String>)]
    pub price_per_kg: Option<Decimal>,
    /// Its share of the takings less the cash rounding, tax included: by grams × price × (1 + tax).
    #[schema(value_type = String)]
    pub amount: Decimal,
    /// The tax rate that was taken out, per cent.
    #[schema(value_type = String)]
    pub tax_percent: Decimal,
    /// Its share without tax.
    #[schema(value_type = String)]
    pub net: Decimal,
    /// Its share of the stall's fee.
    #[schema(value_type = String)]
    pub fee: Decimal,
}

/// A market day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct MarketDay {
    /// Code.
    pub market_day: MarketDayCode,
    /// The stall.
    pub stall: PlaceCode,
    /// The customer that stands for the people at the stall.
    pub customer: CustomerCode,
    /// The day.
    pub day: NaiveDate,
    /// Open, or cashed up.
    pub status: MarketDayStatus,
    /// The act that took goods there.
    pub out_act: Uuid,
    /// The act that cashed it up.
    pub close_act: Option<Uuid>,
    /// Money in the box at the start.
    #[schema(value_type = String)]
    pub float_amount: Decimal,
    /// Money in the box at the end.
    #[schema(value_type = Option<String>)]
    pub cash: Option<Decimal>,
    /// Taken by card.
    #[schema(value_type = Option<String>)]
    pub card: Option<Decimal>,
    /// The stall's fee.
    #[schema(value_type = Option<String>)]
    pub fee: Option<Decimal>,
    /// Cash less float, and card; tax included.
    #[schema(value_type = Option<String>)]
    pub takings: Option<Decimal>,
    /// The same without tax: the cash rounding and the sum of the lots' shares, of each of which its own tax is taken out and the rest rounded. It may differ by some
    /// coins from taking the tax out of the whole.
    #[schema(value_type = Option<String>)]
    pub net: Option<Decimal>,
    /// What the takings are more than the tallied prices because cash totals were rounded, below zero where less. No tax is in it.
    #[schema(value_type = Option<String>)]
    pub cash_rounding: Option<Decimal>,
    /// What people bought, as it was tallied at the stall.
    pub tally: Tally,
    /// What is in the box beside the float and the tally's cash: below zero where some is missing. Nothing where nothing was tallied.
    #[schema(value_type = Option<String>)]
    pub cash_difference: Option<Decimal>,
    /// What was taken by card beside the tally.
    #[schema(value_type = Option<String>)]
    pub card_difference: Option<Decimal>,
    /// Why they differ.
    pub difference_reason: Option<String>,
    /// What was sold.
    pub sold: Vec<StallSale>,
}

/// What becomes of a lot when its stall is cashed up. The four add up to what was there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cleared {
    /// The lot.
    pub lot: LotCode,
    /// Sold: what was neither brought back, wasted nor tasted.
    pub sold_g: Grams,
    /// Thrown away.
    pub wasted_g: Grams,
    /// Tasted.
    pub tasted_g: Grams,
    /// Brought back, into a lot of its own.
    pub back_g: Grams,
}

impl NewMarketDay {
    /// Refuses a place that is no stall, a float that the currency cannot be, and nothing or too much to take.
    ///
    /// # Errors
    /// Names the field.
    pub fn ensure_possible(&self, stall: PlaceKind, coinage: CurrencyRules) -> Result<(), Refusal> {
        coinage.ensure_amount(self.float_amount, "/float_amount")?;
        if stall != PlaceKind::Stall {
            return Err(Refusal::field("/stall", format!("{} is not a stall.", self.stall)));
        }
        if !(1..=MAX_LOADED).contains(&self.taken.len()) {
            return Err(Refusal::field("/taken", "Name 1 to 200 lots that go to the stall."));
        }
        match self.taken.iter().position(|t| t.grams_g <= Grams::ZERO) {
            None => Ok(()),
            Some(i) => Err(Refusal::field(format!("/taken/{i}/grams_g"), "Give a weight above zero.")),
        }
    }
}

impl NewMarketDay {
    /// Refuses a lot that is not there, and a place that is not there or from which nothing goes to a stall.
    ///
    /// # Errors
    /// Names the field.
    pub fn ensure_goods(
        &self,
        is_lot: impl Fn(&LotCode) -> bool,
        places: &BTreeMap<PlaceCode, PlaceKind>,
    ) -> Result<(), Refusal> {
        for (i, taken) in self.taken.iter().enumerate() {
            let blame = |field: &str, detail: String| Refusal::field(format!("/taken/{i}/{field}"), detail);
            if !is_lot(&taken.lot) {
                return Err(blame("lot", format!("There is no lot {} on this farm. Check the code.", taken.lot)));
            }
            match places.get(&taken.place) {
                Some(PlaceKind::Fridge | PlaceKind::Shelf | PlaceKind::Van) => {}
                Some(kind) => {
                    let wrong =
                        format!("{} is a {kind}. Goods go to a stall from a fridge, a shelf or a van.", taken.place);
                    return Err(blame("place", wrong));
                }
                None => {
                    let unknown = format!("There is no place {} on this farm. Check the code.", taken.place);
                    return Err(blame("place", unknown));
                }
            }
        }
        Ok(())
    }
}

impl MarketDay {
    /// What the box and the cards have beside the tally. Nothing where nothing was tallied.
    #[must_use]
    pub fn beside_tally(&self, cash: Decimal, card: Decimal) -> Option<(Decimal, Decimal)> {
        (self.tally.sales > 0).then(|| (cash - self.float_amount - self.tally.cash, card - self.tally.card))
    }
}

/// Refuses a box that was held against another tally than there is by now: a phone may have sent its sales meanwhile.
fn ensure_tally_seen(day: &MarketDay, new: &MarketClose) -> Result<(), Refusal> {
    let seen = [(new.tallied_cash, day.tally.cash), (new.tallied_card, day.tally.card)];
    if seen.iter().all(|(seen, now)| seen.is_none_or(|seen| seen == *now)) {
        return Ok(());
    }
    let now = format!(
        "Sales have come to the tally since: it says {} in cash and {} by card now.",
        day.tally.cash, day.tally.card
    );
    Err(Refusal::new(RefusalKind::Stale, format!("{now} Hold the box against that.")))
}

/// Refuses money that is not what the tally says, where nobody says why.
fn ensure_explained(day: &MarketDay, new: &MarketClose) -> Result<(), Refusal> {
    let differs = day.beside_tally(new.cash, new.card).is_some_and(|(cash, card)| !cash.is_zero() || !card.is_zero());
    if !differs || !new.difference_reason.as_str().is_empty() {
        return Ok(());
    }
    let (box_cash, tally) = (day.float_amount + day.tally.cash, &day.tally);
    let says = format!(
        "By the tally {box_cash} should be in the box, with what was in it at the start, and {} by card.",
        tally.card
    );
    Err(Refusal::field("/difference_reason", format!("{says} Count again, or say why it is not.")))
}

/// Decides on the close of a market day. `there` is what the stall has, `back_place` the kind of the place that what comes back goes to.
///
/// # Errors
/// Refuses a day that is closed, money that cannot be, cash below the float, more of a lot than is there, and a place that is no fridge or
/// shelf.
pub fn close(
    day: &MarketDay,
    new: &MarketClose,
    there: &[(LotCode, Grams)],
    back_place: PlaceKind,
    coinage: CurrencyRules,
) -> Result<Vec<Cleared>, Refusal> {
    for (amount, pointer) in [(new.cash, "/cash"), (new.card, "/card"), (new.fee, "/fee")] {
        coinage.ensure_amount(amount, pointer)?;
    }
    if day.status == MarketDayStatus::Closed {
        let closed = format!("Market day {} is cashed up already.", day.market_day);
        return Err(Refusal::new(RefusalKind::Closed, closed));
    }
    if new.cash < day.float_amount {
        let less = format!("There is less cash than the {} that was in the box at the start.", day.float_amount);
        return Err(Refusal::field("/cash", format!("{less} Count the box again; that is part of it.")));
    }
    ensure_tally_seen(day, new)?;
    ensure_explained(day, new)?;
    if new.lots.len() > MAX_LOADED {
        return Err(Refusal::field("/lots", "A stall has at most 200 lots. Name those that were not all sold."));
    }
    for (i, row) in new.lots.iter().enumerate() {
        ensure_row(i, row, &new.lots[..i], there)?;
    }
    if !back_place.sells() {
        return Err(Refusal::field(
            "/back_place",
            format!("{} is a {back_place}. What comes back goes to a fridge or a shelf.", new.back_place),
        ));
    }
    let cleared = there.iter().map(|(lot, had)| {
        let row = new.lots.iter().find(|r| r.lot == *lot);
        let named = |of: fn(&StallRow) -> Grams| row.map_or(Grams::ZERO, of);
        let (back_g, wasted_g, tasted_g) = (named(|r| r.back_g), named(|r| r.wasted_g), named(|r| r.tasted_g));
        Cleared { lot: lot.clone(), sold_g: *had - back_g - wasted_g - tasted_g, wasted_g, tasted_g, back_g }
    });
    Ok(cleared.collect())
}

fn ensure_row(i: usize, row: &StallRow, before: &[StallRow], there: &[(LotCode, Grams)]) -> Result<(), Refusal> {
    if before.iter().any(|r| r.lot == row.lot) {
        let twice = format!("Lot {} is listed twice. Add the two up.", row.lot);
        return Err(Refusal::field(format!("/lots/{i}/lot"), twice));
    }
    for (field, grams) in [("back_g", row.back_g), ("wasted_g", row.wasted_g), ("tasted_g", row.tasted_g)] {
        if grams < Grams::ZERO {
            return Err(Refusal::field(format!("/lots/{i}/{field}"), "A weight is zero or more."));
        }
    }
    let had = there.iter().find(|(lot, _)| *lot == row.lot).map_or(Grams::ZERO, |(_, grams)| *grams);
    let named = row.back_g + row.wasted_g + row.tasted_g;
    if named > had {
        let more = format!("The stall has {had} of lot {}, and {named} are named.", row.lot);
        return Err(Refusal::new(RefusalKind::NotEnough, more).at(format!("/lots/{i}/back_g")));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;
    use crate::units::money::Rounding;

    fn euro() -> CurrencyRules {
        CurrencyRules::new("EUR", Rounding::HalfUp).unwrap()
    }

    fn day(status: &str) -> MarketDay {
        serde_json::from_value(json!({
            "market_day": "M-1", "stall": "STALL", "customer": "MARKET", "day": "2026-05-09", "status": status,
            "out_act": "0198c0de-0000-7000-8000-000000000001", "close_act": null, "float_amount": "50.00", "cash": null, "card": null,
            "fee": null, "takings": null, "net": null, "cash_rounding": null, "cash_difference": null, "card_difference": null,
            "difference_reason": null, "sold": [],
            "tally": {"sales": 0, "cash": "0", "card": "0", "cash_rounding": "0", "grams_g": 0, "products": []},
        }))
        .unwrap()
    }

    fn there() -> Vec<(LotCode, Grams)> {
        vec![("L1".parse().unwrap(), Grams(2000)), ("L2".parse().unwrap(), Grams(500))]
    }

    fn closing(changes: Value) -> MarketClose {
        let mut body = json!({"back_place": "F1", "cash": "120.00", "card": "30.00", "fee": "12.00"});
        let Value::Object(changes) = changes else { panic!("an object") };
        body.as_object_mut().unwrap().extend(changes);
        serde_json::from_value(body).unwrap()
    }

    fn refused(changes: Value) -> (RefusalKind, String) {
        let refusal = close(&day("open"), &closing(changes), &there(), PlaceKind::Fridge, euro()).unwrap_err();
        (refusal.kind, refusal.faults.first().map(|f| f.pointer.clone()).unwrap_or_default())
    }

    #[test]
    fn what_is_not_named_was_sold() {
        let cleared = close(&day("open"), &closing(json!({})), &there(), PlaceKind::Fridge, euro()).unwrap();
        assert_eq!(cleared.iter().map(|c| c.sold_g.0).collect::<Vec<_>>(), [2000, 500]);
    }

    #[test]
    fn what_becomes_of_a_lot_adds_up_to_what_was_there() {
        let rows = json!({"lots": [{"lot": "L1", "back_g": 700, "wasted_g": 200, "tasted_g": 60}]});
        let cleared = close(&day("open"), &closing(rows), &there(), PlaceKind::Shelf, euro()).unwrap();
        let c = &cleared[0];
        assert_eq!((c.sold_g.0, c.wasted_g.0, c.tasted_g.0, c.back_g.0), (1040, 200, 60, 700));
    }

    #[test]
    fn no_more_is_named_than_is_there() {
        let (kind, pointer) = refused(json!({"lots": [{"lot": "L2", "back_g": 400, "wasted_g": 101}]}));
        assert_eq!((kind, pointer.as_str()), (RefusalKind::NotEnough, "/lots/0/back_g"));
        assert_eq!(refused(json!({"lots": [{"lot": "L9", "back_g": 1}]})).0, RefusalKind::NotEnough);
    }

    #[test]
    fn a_lot_is_named_once_and_with_weights_of_zero_or_more() {
        assert_eq!(refused(json!({"lots": [{"lot": "L1"}, {"lot": "L1"}]})).1, "/lots/1/lot");
        for field in ["back_g", "wasted_g", "tasted_g"] {
            assert_eq!(refused(json!({"lots": [{"lot": "L1", field: -1}]})).1, format!("/lots/0/{field}"));
        }
    }

    #[test]
    fn no_more_lots_are_named_than_a_stall_takes() {
        let rows: Vec<_> = (0..201).map(|n| json!({"lot": format!("L{n}")})).collect();
        assert_eq!(refused(json!({"lots": rows})).1, "/lots");
    }

    #[test]
    fn the_box_holds_at_least_its_float() {
        assert_eq!(refused(json!({"cash": "49.99"})).1, "/cash");
        assert!(close(&day("open"), &closing(json!({"cash": "50.00"})), &there(), PlaceKind::Fridge, euro()).is_ok());
    }

    #[test]
    fn a_box_that_is_not_what_the_tally_says_is_explained() {
        let mut tallied = day("open");
        let tally = json!({"sales": 3, "cash": "70.00", "card": "30.00", "cash_rounding": "0.00", "grams_g": 5000, "products": []});
        tallied.tally = serde_json::from_value(tally).unwrap();
        let taken = |changes| close(&tallied, &closing(changes), &there(), PlaceKind::Fridge, euro());
        assert!(taken(json!({})).is_ok());
        for changed in [json!({"cash": "119.99"}), json!({"card": "30.01"}), json!({"cash": "110.00", "card": "40.00"})]
        {
            let refusal = taken(changed.clone()).unwrap_err();
            assert_eq!(refusal.faults[0].pointer, "/difference_reason", "{changed}");
            assert!(refusal.detail.contains("120.00 should be in the box"), "{refusal}");
            let mut explained = changed;
            explained["difference_reason"] = json!("A note was changed wrongly");
            assert!(taken(explained).is_ok());
        }
        let seen = taken(json!({"tallied_cash": "70.00", "tallied_card": "30"}));
        assert!(seen.is_ok());
        for earlier in [json!({"tallied_cash": "65.50"}), json!({"tallied_cash": "70.00", "tallied_card": "25.00"})] {
            assert_eq!(taken(earlier).unwrap_err().kind, RefusalKind::Stale);
        }
        assert_eq!(
            tallied.beside_tally("110".parse().unwrap(), "40".parse().unwrap()),
            Some(((-10).into(), 10.into()))
        );
        assert_eq!(day("open").beside_tally("110".parse().unwrap(), "40".parse().unwrap()), None);
    }

    #[test]
    fn money_has_the_decimals_of_the_currency() {
        for field in ["cash", "card", "fee"] {
            assert_eq!(refused(json!({field: "60.001"})).1, format!("/{field}"));
        }
    }

    #[test]
    fn a_day_is_cashed_up_once() {
        let refusal = close(&day("closed"), &closing(json!({})), &there(), PlaceKind::Fridge, euro()).unwrap_err();
        assert_eq!(refusal.kind, RefusalKind::Closed);
    }

    #[test]
    fn what_comes_back_goes_to_a_fridge_or_a_shelf() {
        for kind in PlaceKind::ALL.iter().filter(|k| !k.sells()) {
            let refusal = close(&day("open"), &closing(json!({})), &there(), *kind, euro()).unwrap_err();
            assert_eq!(refusal.faults[0].pointer, "/back_place", "{kind}");
        }
    }

    #[test]
    fn goods_that_go_to_a_stall_are_there() {
        let out = |lot: &str, place: &str| -> NewMarketDay {
            let taken = json!([{"lot": "L1", "place": "F1", "grams_g": 1}, {"lot": lot, "place": place, "grams_g": 1}]);
            serde_json::from_value(json!({"stall": "STALL", "customer": "MARKET", "taken": taken, "float_amount": "0"}))
                .unwrap()
        };
        let kinds =
            [("F1", PlaceKind::Fridge), ("S1", PlaceKind::Shelf), ("V1", PlaceKind::Van), ("STALL", PlaceKind::Stall)];
        let places = kinds.iter().map(|(p, kind)| (p.parse().unwrap(), *kind)).collect();
        let asked = |lot: &str, place: &str| out(lot, place).ensure_goods(|l| l.as_str() != "L9", &places);
        for place in ["F1", "S1", "V1"] {
            assert!(asked("L2", place).is_ok(), "{place}");
        }
        let blamed = |lot: &str, place: &str| asked(lot, place).unwrap_err().faults[0].pointer.clone();
        assert_eq!(blamed("L9", "F1"), "/taken/1/lot");
        assert_eq!(blamed("L2", "F9"), "/taken/1/place");
        assert_eq!(blamed("L2", "STALL"), "/taken/1/place");
    }

    #[test]
    fn goods_go_to_a_stall_one_to_two_hundred_lots_of_them() {
        let out = |lots: usize, float: &str| -> NewMarketDay {
            let taken = vec![json!({"lot": "L1", "place": "F1", "grams_g": 1}); lots];
            serde_json::from_value(
                json!({"stall": "STALL", "customer": "MARKET", "taken": taken, "float_amount": float}),
            )
            .unwrap()
        };
        let blamed = |day: NewMarketDay, kind| day.ensure_possible(kind, euro()).unwrap_err().faults[0].pointer.clone();
        assert!(out(200, "50.00").ensure_possible(PlaceKind::Stall, euro()).is_ok());
        assert_eq!(blamed(out(0, "50.00"), PlaceKind::Stall), "/taken");
        assert_eq!(blamed(out(201, "50.00"), PlaceKind::Stall), "/taken");
        assert_eq!(blamed(out(1, "50.005"), PlaceKind::Stall), "/float_amount");
        assert_eq!(blamed(out(1, "50.00"), PlaceKind::Van), "/stall");
        let mut nothing = out(2, "50.00");
        nothing.taken[1].grams_g = Grams::ZERO;
        assert_eq!(blamed(nothing, PlaceKind::Stall), "/taken/1/grams_g");
    }
}
