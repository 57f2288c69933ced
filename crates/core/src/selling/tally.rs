//! The tally of a stall: what people bought and paid, as it was sold, and what should be in the box at the end.

use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, Utc};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::pricing::ListPrice;
use crate::{
    kinds::PriceUnit,
    refusal::Refusal,
    text::{MarketDayCode, ProductCode, Short},
    units::{calendar::Instant, money::CurrencyRules, quantity::Grams},
};

/// The most lines that one sale has.
pub const MAX_SALE_LINES: usize = 50;
/// The most packs of a line.
pub const MAX_PACKS: i32 = 1000;
/// The most grams of a line: more than one buyer carries away.
pub const MAX_LINE_GRAMS: Grams = Grams(100_000);

crate::kinds::string_enum!(/// How people pay at a stall.
StallPaymentMethod {
    /// In coins and notes.
    Cash = "cash",
    /// By card.
    Card = "card",
});

/// What somebody buys of a product.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTallyLine {
    /// The product.
    pub product: ProductCode,
    /// How many packs, of what is sold in packs.
    #[schema(minimum = 1, maximum = 1000)]
    pub packs: Option<i32>,
    /// How much, of what is sold loose.
    pub grams_g: Option<Grams>,
    /// The price of a pack, or of a kilogram of what is sold loose, with tax: above zero, at most a million, and with no more decimals than the
    /// currency has.
    #[schema(value_type = String, pattern = r"^\d{1,7}(\.\d{1,4})?$")]
    pub price: Decimal,
}

/// A sale at a stall, to be tallied.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTallySale {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// What was bought.
    #[schema(min_items = 1, max_items = 50)]
    pub lines: Vec<NewTallyLine>,
    /// In cash, where the total is rounded by the farm's rule, or by card.
    pub method: StallPaymentMethod,
    /// When; now unless said.
    pub sold_at: Option<Instant>,
    /// Who sold it; the one signed in unless said.
    pub by: Option<Short>,
}

/// A sale to be taken back.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTallyReversal {
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// A line of a sale.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct TallyLine {
    /// The product.
    pub product: ProductCode,
    /// How many packs, of what is sold in packs.
    pub packs: Option<i32>,
    /// How much; of packs what their labels say.
    pub grams_g: Grams,
    /// The price of a pack or a kilogram, with tax.
    #[schema(value_type = String)]
    pub price: Decimal,
    /// What the line costs, with tax.
    #[schema(value_type = String)]
    pub amount: Decimal,
}

/// A sale at a stall, as it was tallied.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct TallySale {
    /// Id.
    pub id: Uuid,
    /// The market day.
    pub market_day: MarketDayCode,
    /// When.
    pub sold_at: DateTime<Utc>,
    /// Who sold it.
    pub sold_by: String,
    /// Who was signed in when it was written down.
    pub entered_by: String,
    /// In cash, or by card.
    pub method: StallPaymentMethod,
    /// What was bought.
    pub lines: Vec<TallyLine>,
    /// What the lines cost, with tax.
    #[schema(value_type = String)]
    pub total: Decimal,
    /// What was paid beside the total, above or below zero, because there is no smaller coin.
    #[schema(value_type = String)]
    pub cash_rounding: Decimal,
    /// When it was written down here: later than sold where the phone had no connection.
    pub recorded_at: DateTime<Utc>,
    /// When it was taken back.
    pub reversed_at: Option<DateTime<Utc>>,
    /// Who took it back.
    pub reversed_by: Option<String>,
    /// Who was signed in then.
    pub reversal_entered_by: Option<String>,
}

/// What was tallied of a product.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct TalliedProduct {
    /// The product.
    pub product: ProductCode,
    /// Its name.
    pub name: String,
    /// How many packs; zero of what is sold loose.
    pub packs: i64,
    /// How much; of packs what their labels say.
    pub grams_g: Grams,
    /// What it cost, with tax.
    #[schema(value_type = String)]
    pub amount: Decimal,
}

/// What the tally of a market day comes to, without what was taken back.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
pub struct Tally {
    /// How many sales.
    pub sales: i64,
    /// Paid in cash, as it was rounded.
    #[schema(value_type = String)]
    pub cash: Decimal,
    /// Paid by card.
    #[schema(value_type = String)]
    pub card: Decimal,
    /// What was paid in cash beside the prices because there is no smaller coin, above or below zero.
    #[schema(value_type = String)]
    pub cash_rounding: Decimal,
    /// How much was sold.
    pub grams_g: Grams,
    /// By product.
    pub products: Vec<TalliedProduct>,
}

/// A product as a stall offers it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StallOffer {
    /// The product.
    pub product: ProductCode,
    /// Its name.
    pub name: String,
    /// What a pack weighs; nothing of what is sold loose.
    pub pack_g: Option<i32>,
    /// The price of a pack or a kilogram, with tax; nothing where the stall's list has none.
    pub price: Option<Decimal>,
    /// How much went to the stall of what it can be sold of, loose or to be packed there.
    pub there_g: Grams,
}

/// The price that people pay at a stall: of a pack, or of a kilogram where it is sold loose, with tax, rounded to the currency. Nothing where
/// the list's price is of a pack and the product has none.
#[must_use]
pub fn stall_price(
    price: ListPrice,
    pack_g: Option<i32>,
    tax_percent: Decimal,
    coinage: CurrencyRules,
) -> Option<Decimal> {
    let paid = price.with_tax(tax_percent);
    match (price.unit, pack_g) {
        (PriceUnit::Pack, Some(_)) | (PriceUnit::Kg, None) => Some(coinage.round(paid)),
        (PriceUnit::Kg, Some(pack_g)) => Some(coinage.round(paid * Decimal::new(pack_g.into(), 3))),
        (PriceUnit::Pack, None) => None,
    }
}

/// A sale drawn up: its lines, what they cost, and what cash was rounded by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DrawnSale {
    /// The lines.
    pub lines: Vec<TallyLine>,
    /// Their sum.
    pub total: Decimal,
    /// What is paid beside it.
    pub cash_rounding: Decimal,
}

/// Draws up a sale. `pack_g` has what a pack of each product weighs, nothing where it is sold loose.
///
/// # Errors
/// Names the line: a product that is not there, packs of what is sold loose and the other way round, an amount or a price of nothing, more
/// decimals than the currency has.
pub fn draw_up(
    new: &NewTallySale,
    pack_g: &BTreeMap<ProductCode, Option<i32>>,
    coinage: CurrencyRules,
) -> Result<DrawnSale, Refusal> {
    if !(1..=MAX_SALE_LINES).contains(&new.lines.len()) {
        return Err(Refusal::field("/lines", format!("A sale has 1 to {MAX_SALE_LINES} lines.")));
    }
    let lines = new.lines.iter().enumerate().map(|(i, line)| {
        let unknown = || format!("There is no product {} on this farm. Check the code.", line.product);
        let pack_g = pack_g.get(&line.product).ok_or_else(|| Refusal::field(at(i, "product"), unknown()))?;
        draw_up_line(i, line, *pack_g, coinage)
    });
    let lines = lines.collect::<Result<Vec<_>, Refusal>>()?;
    let total = lines.iter().map(|l| l.amount).sum();
    coinage.ensure_amount(total, "/lines")?;
    let cash_rounding = match new.method {
        StallPaymentMethod::Cash => coinage.round_cash(total) - total,
        StallPaymentMethod::Card => Decimal::ZERO,
    };
    Ok(DrawnSale { lines, total, cash_rounding })
}

fn at(line: usize, field: &str) -> String {
    format!("/lines/{line}/{field}")
}

fn draw_up_line(
    i: usize,
    line: &NewTallyLine,
    pack_g: Option<i32>,
    coinage: CurrencyRules,
) -> Result<TallyLine, Refusal> {
    let product = &line.product;
    coinage.ensure_amount(line.price, &at(i, "price"))?;
    if line.price.is_zero() {
        return Err(Refusal::field(
            at(i, "price"),
            "Give a price above zero. What is given away is written down as tasted when the stall is cashed up.",
        ));
    }
    let (grams_g, amount) = match (pack_g, line.packs, line.grams_g) {
        (Some(pack_g), Some(packs), None) if (1..=MAX_PACKS).contains(&packs) => {
            let grams = Grams(i64::from(pack_g) * i64::from(packs));
            (grams, coinage.round(line.price * Decimal::from(packs)))
        }
        (Some(_), Some(_), None) => {
            return Err(Refusal::field(at(i, "packs"), format!("A line has 1 to {MAX_PACKS} packs.")));
        }
        (Some(_), ..) => {
            return Err(Refusal::field(
                at(i, "packs"),
                format!("{product} is sold in packs. Give their number alone."),
            ));
        }
        (None, None, Some(grams)) if Grams::ZERO < grams && grams <= MAX_LINE_GRAMS => {
            (grams, coinage.by_weight(grams, line.price))
        }
        (None, None, Some(_)) => {
            return Err(Refusal::field(at(i, "grams_g"), format!("Give a weight above zero, up to {MAX_LINE_GRAMS}.")));
        }
        (None, ..) => {
            return Err(Refusal::field(at(i, "grams_g"), format!("{product} is sold loose. Give its weight alone.")));
        }
    };
    if amount.is_zero() {
        return Err(Refusal::field(
            at(i, "price"),
            "The line comes to nothing at this price. Give more of it, or a higher price.",
        ));
    }
    Ok(TallyLine { product: product.clone(), packs: line.packs, grams_g, price: coinage.round(line.price), amount })
}

/// Refuses a sale of more than a day before the market's. A phone's clock may be some hours off; later is never wrong, as a stall may be out
/// for days.
///
/// # Errors
/// Names the field.
pub fn ensure_not_before_market(sold_on: NaiveDate, market_day: NaiveDate) -> Result<(), Refusal> {
    if sold_on + Days::new(1) < market_day {
        let before =
            format!("{sold_on} is before the market of {market_day}. Check the clock of the phone, or the date.");
        return Err(Refusal::field("/sold_at", before));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::{Value, json};

    use super::*;
    use crate::units::money::Rounding;

    fn rules(letters: &str, step: &str) -> CurrencyRules {
        CurrencyRules::new(letters, Rounding::HalfUp).unwrap().with_cash_step(step.parse().unwrap())
    }

    fn products() -> BTreeMap<ProductCode, Option<i32>> {
        [("OY", None), ("OYP", Some(150))].map(|(code, pack_g)| (code.parse().unwrap(), pack_g)).into()
    }

    fn sale(method: &str, lines: &Value) -> NewTallySale {
        serde_json::from_value(json!({"method": method, "lines": lines})).unwrap()
    }

    fn refused(line: &Value) -> String {
        let refusal = draw_up(&sale("cash", &json!([line])), &products(), rules("EUR", "0")).unwrap_err();
        refusal.faults[0].pointer.clone()
    }

    #[test]
    fn a_sale_is_rounded_once_where_it_is_paid_in_cash() {
        // DERIVED by hand: 2 × 4.48 = 8.96; 0.347 kg × 19.90 = 6.9053, 6.91; together 15.87, in cash 15.85.
        let lines = json!([{"product": "OYP", "packs": 2, "price": "4.48"}, {"product": "OY", "grams_g": 347, "price": "19.90"}]);
        let cash = draw_up(&sale("cash", &lines), &products(), rules("AUD", "0.05")).unwrap();
        assert_eq!((cash.total.to_string(), cash.cash_rounding.to_string()), ("15.87".into(), "-0.02".into()));
        assert_eq!((cash.lines[0].grams_g, cash.lines[1].amount.to_string()), (Grams(300), "6.91".into()));
        let card = draw_up(&sale("card", &lines), &products(), rules("AUD", "0.05")).unwrap();
        assert_eq!((card.total, card.cash_rounding), (cash.total, Decimal::ZERO));
    }

    #[test]
    fn packs_are_counted_and_loose_goods_weighed() {
        for (line, pointer) in [
            (json!({"product": "OYP", "grams_g": 150, "price": "4"}), "/lines/0/packs"),
            (json!({"product": "OYP", "packs": 1, "grams_g": 150, "price": "4"}), "/lines/0/packs"),
            (json!({"product": "OYP", "packs": 0, "price": "4"}), "/lines/0/packs"),
            (json!({"product": "OYP", "packs": 1001, "price": "4"}), "/lines/0/packs"),
            (json!({"product": "OY", "packs": 1, "price": "4"}), "/lines/0/grams_g"),
            (json!({"product": "OY", "grams_g": 0, "price": "4"}), "/lines/0/grams_g"),
            (json!({"product": "OY", "grams_g": 100_001, "price": "4"}), "/lines/0/grams_g"),
            (json!({"product": "OY", "grams_g": 100, "price": "0"}), "/lines/0/price"),
            (json!({"product": "OY", "grams_g": 100, "price": "4.001"}), "/lines/0/price"),
            (json!({"product": "OY", "grams_g": 100, "price": "-4"}), "/lines/0/price"),
            (json!({"product": "OY", "grams_g": 100, "price": "1000001"}), "/lines/0/price"),
            (json!({"product": "OY", "grams_g": 1, "price": "0.01"}), "/lines/0/price"),
            (json!({"product": "ROSE", "grams_g": 100, "price": "4"}), "/lines/0/product"),
        ] {
            assert_eq!(refused(&line), pointer, "{line}");
        }
        let none = draw_up(&sale("card", &json!([])), &products(), rules("EUR", "0")).unwrap_err();
        assert_eq!(none.faults[0].pointer, "/lines");
    }

    #[test]
    fn people_pay_the_lists_price_with_tax() {
        // DERIVED by hand: 5.6872 × 1.055 = 5.999996, 6.00; 18 a kilogram × 0.150 × 1.055 = 2.8485, 2.85.
        let price_of = |amount: &str, unit, pack_g, tax_included| {
            let listed = ListPrice { from_g: Grams::ZERO, amount: amount.parse().unwrap(), unit, tax_included };
            stall_price(listed, pack_g, "5.5".parse().unwrap(), rules("EUR", "0")).map(|p| p.to_string())
        };
        let price = |amount: &str, unit, pack_g| price_of(amount, unit, pack_g, false);
        assert_eq!(price("5.6872", PriceUnit::Pack, Some(150)).as_deref(), Some("6.00"));
        assert_eq!(price("18", PriceUnit::Kg, Some(150)).as_deref(), Some("2.85"));
        assert_eq!(price("18", PriceUnit::Kg, None).as_deref(), Some("18.99"));
        assert_eq!(price("3", PriceUnit::Pack, None), None);
        // A list with tax in it says what people pay.
        let with_tax = |amount: &str, unit, pack_g| price_of(amount, unit, pack_g, true);
        assert_eq!(with_tax("6.00", PriceUnit::Pack, Some(150)).as_deref(), Some("6.00"));
        assert_eq!(with_tax("19.00", PriceUnit::Kg, Some(150)).as_deref(), Some("2.85"));
    }

    #[test]
    fn nothing_is_sold_long_before_the_market() {
        let day = NaiveDate::from_ymd_opt(2026, 5, 9).unwrap();
        assert!(ensure_not_before_market(day - Days::new(1), day).is_ok());
        assert!(ensure_not_before_market(day + Days::new(3), day).is_ok());
        assert_eq!(ensure_not_before_market(day - Days::new(2), day).unwrap_err().faults[0].pointer, "/sold_at");
    }

    proptest! {
        /// Lines add up to the total, and what is paid in cash is the nearest that there are coins for.
        #[test]
        fn a_total_is_the_sum_of_its_lines(
            lines in prop::collection::vec((any::<bool>(), 1i64..1000, 500i64..5000), 1..10), step in prop::sample::select(vec![0i64, 5, 10, 50]),
            rounding in prop::sample::select(Rounding::ALL),
        ) {
            let lines: Vec<Value> = lines.iter().map(|(loose, much, price)| {
                let price = Decimal::new(*price, 2).to_string();
                if *loose { json!({"product": "OY", "grams_g": much, "price": price}) } else { json!({"product": "OYP", "packs": much, "price": price}) }
            }).collect();
            let rules = CurrencyRules::new("EUR", rounding).unwrap().with_cash_step(Decimal::new(step, 2));
            let drawn = draw_up(&sale("cash", &json!(lines)), &products(), rules).unwrap();
            prop_assert!(drawn.lines.iter().all(|l| (l.amount - l.price * l.packs.map_or(Decimal::new(l.grams_g.0, 3), Decimal::from)).abs() * Decimal::TWO <= Decimal::new(1, 2)));
            prop_assert_eq!(drawn.lines.iter().map(|l| l.amount).sum::<Decimal>(), drawn.total);
            let paid = drawn.total + drawn.cash_rounding;
            prop_assert!(drawn.cash_rounding.abs() * Decimal::TWO <= Decimal::new(step, 2));
            prop_assert!(step == 0 || (paid % Decimal::new(step, 2)).is_zero());
        }
    }
}
