//! What a unit of a product costs, and the goods of an order line.

use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::product::{NewPrice, Product};
use crate::{
    kinds::PriceUnit,
    refusal::{FieldErrors, Refusal},
    units::{
        money::{CurrencyRules, UNIT_PRICE_PLACES, ensure_unit_price},
        quantity::Grams,
    },
};

/// The dearest that a unit may be.
const MAX_UNIT_PRICE: Decimal = Decimal::from_parts(100_000, 0, 0, false, 0);
/// The heaviest line that a price may begin with.
const MAX_FROM_G: Grams = Grams(1_000_000);

/// A price of a list, as it stands there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ListPrice {
    /// The least weight of a line that has it.
    pub from_g: Grams,
    /// How much a unit costs.
    #[schema(value_type = String)]
    pub amount: Decimal,
    /// A kilogram, or a pack.
    pub unit: PriceUnit,
    /// Whether tax is in it.
    pub tax_included: bool,
}

/// To the decimals that the price of a unit has, halves up.
fn of_a_unit(price: Decimal) -> Decimal {
    price.round_dp_with_strategy(UNIT_PRICE_PLACES, RoundingStrategy::MidpointAwayFromZero)
}

impl ListPrice {
    /// Without tax, to the four decimals of a unit's price, halves up: amount × 100 ÷ (100 + rate) where tax is in it.
    ///
    /// A docket's line is this times its weight or packs, rounded to the cent, and an invoice puts the tax on the sum of its lines. So what is
    /// invoiced may be a cent beside the list's price for every line on it, up or down.
    #[must_use]
    pub fn without_tax(&self, tax_percent: Decimal) -> Decimal {
        if !self.tax_included {
            return self.amount;
        }
        of_a_unit(self.amount * Decimal::ONE_HUNDRED / (Decimal::ONE_HUNDRED + tax_percent))
    }

    /// With tax, not rounded.
    #[must_use]
    pub fn with_tax(&self, tax_percent: Decimal) -> Decimal {
        if self.tax_included {
            return self.amount;
        }
        self.amount * (Decimal::ONE_HUNDRED + tax_percent) / Decimal::ONE_HUNDRED
    }

    /// Of a kilogram, without tax. Nothing where it is of a pack and the product has none.
    #[must_use]
    pub fn per_kg_without_tax(&self, pack_g: Option<i32>, tax_percent: Decimal) -> Option<Decimal> {
        let net = self.without_tax(tax_percent);
        match (self.unit, pack_g) {
            (PriceUnit::Kg, _) => Some(net),
            (PriceUnit::Pack, Some(pack_g)) => Some(of_a_unit(net * Decimal::ONE_THOUSAND / Decimal::from(pack_g))),
            (PriceUnit::Pack, None) => None,
        }
    }
}

/// The price that a line of a weight has: that of the highest weight that it reaches.
#[must_use]
pub fn price_for(prices: &[ListPrice], ordered: Grams) -> Option<&ListPrice> {
    prices.iter().filter(|price| price.from_g <= ordered).max_by_key(|price| price.from_g)
}

/// Refuses a least price of a kilogram that is no price.
///
/// # Errors
/// Names it.
pub fn ensure_floor(floor: Decimal) -> Result<(), Refusal> {
    const FIELD: &str = "/floor_per_kg";
    ensure_unit_price(floor, FIELD)?;
    if floor > MAX_UNIT_PRICE {
        return Err(Refusal::field(FIELD, format!("The least price of a kilogram is at most {MAX_UNIT_PRICE}.")));
    }
    Ok(())
}

/// Refuses a price that cannot be meant, or must be said to be.
///
/// # Errors
/// Names an amount that is no price or too low, a pack of what is sold loose, and a weight that no line has.
pub fn ensure_price(new: &NewPrice, product: &Product, tax_included: bool) -> Result<(), Refusal> {
    let mut faults = FieldErrors::default();
    faults.check(
        new.unit != PriceUnit::Pack || product.pack_g.is_some(),
        "/unit",
        format!("{} is sold loose. Give its price a kilogram.", new.product),
    );
    let weights = Grams::ZERO..=MAX_FROM_G;
    faults.check(weights.contains(&new.from_g), "/from_g", "A price holds from a weight on: give 0 to 1,000 kg.");
    faults.check(
        new.amount.is_none() || !new.off_list,
        "/off_list",
        "What is taken off the list has no price. Leave out one of the two.",
    );
    faults.check(
        new.amount.is_some() || new.off_list,
        "/amount",
        "Give a price, or say that it is taken off the list (off_list).",
    );
    faults.done()?;
    let Some(amount) = new.amount else { return Ok(()) };
    ensure_unit_price(amount, "/amount")?;
    if amount > MAX_UNIT_PRICE {
        return Err(Refusal::field("/amount", format!("A price is at most {MAX_UNIT_PRICE}.")));
    }
    if new.below_floor {
        return Ok(());
    }
    if amount.is_zero() {
        return Err(Refusal::field(
            "/amount",
            "At a price of nothing the goods are given away. Give a price, or say that it is meant (below_floor).",
        ));
    }
    let floor = product.floor_per_kg.unwrap_or_default();
    let asked = ListPrice { from_g: new.from_g, amount, unit: new.unit, tax_included };
    match asked.per_kg_without_tax(product.pack_g, product.tax_percent) {
        Some(per_kg) if per_kg < floor => Err(Refusal::field(
            "/amount",
            format!(
                "This is {} a kilogram without tax, and {} is not to go below {}. Ask more, or say that it is meant (below_floor).",
                per_kg.normalize(),
                product.name,
                floor.normalize()
            ),
        )),
        _ => Ok(()),
    }
}

/// Amounts of the parts of a line, without tax: the whole line at its price, by weight or by packs of nominal weight, rounded once and shared
/// over the parts by weight without losing a coin.
///
/// A price a pack counts by weight where the product has no packs.
#[must_use]
pub fn price_line(
    price: Decimal,
    unit: PriceUnit,
    pack_g: Option<i32>,
    parts: &[Grams],
    coinage: CurrencyRules,
) -> Vec<Decimal> {
    let grams: Grams = parts.iter().copied().sum();
    let amount = match (unit, pack_g) {
        (PriceUnit::Pack, Some(pack)) => coinage.round(Decimal::from(grams.0) / Decimal::from(pack) * price),
        _ => coinage.by_weight(grams, price),
    };
    coinage.share(amount, parts)
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;
    use crate::{
        selling::examples::{changed, product},
        units::money::Rounding,
    };

    fn amounts(price: &str, unit: PriceUnit, pack_g: Option<i32>, parts: &[i64]) -> Vec<String> {
        let euro = CurrencyRules::new("EUR", Rounding::HalfUp).unwrap();
        let parts: Vec<Grams> = parts.iter().map(|g| Grams(*g)).collect();
        price_line(price.parse().unwrap(), unit, pack_g, &parts, euro).iter().map(ToString::to_string).collect()
    }

    #[test]
    fn what_is_loose_costs_by_weight() {
        // DERIVED: 1.235 kg at 17.50 is 21.6125, half up 21.61.
        assert_eq!(amounts("17.50", PriceUnit::Kg, None, &[1235]), ["21.61"]);
    }

    #[test]
    fn packs_cost_by_number() {
        // DERIVED: 12 packs of 150 g at 3.20 are 38.40.
        assert_eq!(amounts("3.20", PriceUnit::Pack, Some(150), &[1800]), ["38.40"]);
        assert_eq!(amounts("3.20", PriceUnit::Pack, Some(150), &[600, 1200]), ["12.80", "25.60"]);
    }

    #[test]
    fn a_line_is_rounded_once_whatever_its_parts() {
        // DERIVED: 3 × 333 g at 10.00 are 9.99; each for itself 3.33. At 10.01 all are 9.99999, so 10.00, and each for itself
        // 3.33, which would be 9.99.
        assert_eq!(amounts("10.00", PriceUnit::Kg, None, &[333, 333, 333]), ["3.33", "3.33", "3.33"]);
        assert_eq!(amounts("10.01", PriceUnit::Kg, None, &[333, 333, 333]), ["3.34", "3.33", "3.33"]);
    }

    fn on_list(from_g: i64, amount: &str, unit: PriceUnit, tax_included: bool) -> ListPrice {
        ListPrice { from_g: Grams(from_g), amount: amount.parse().unwrap(), unit, tax_included }
    }

    #[test]
    fn a_line_has_the_price_of_the_highest_weight_that_it_reaches() {
        let list = [(5000, "16"), (0, "17.50"), (20_000, "14")].map(|(g, p)| on_list(g, p, PriceUnit::Kg, false));
        let of = |grams| price_for(&list, Grams(grams)).unwrap().amount.to_string();
        let found = [1, 4999, 5000, 19_999, 20_000, 900_000].map(of);
        assert_eq!(found, ["17.50", "17.50", "16", "16", "14", "14"]);
        assert_eq!(price_for(&list[..1], Grams(4999)), None);
    }

    #[test]
    fn tax_is_taken_out_of_a_price_that_has_it_and_put_on_one_that_has_not() {
        // DERIVED by hand: 19.00 ÷ 1.055 = 18.009478…; 18 × 1.055 = 18.99.
        let percent = "5.5".parse().unwrap();
        let (with, without) = (on_list(0, "19.00", PriceUnit::Kg, true), on_list(0, "18", PriceUnit::Kg, false));
        assert_eq!([with.without_tax(percent).to_string(), with.with_tax(percent).to_string()], ["18.0095", "19.00"]);
        assert_eq!(
            [without.without_tax(percent).to_string(), without.with_tax(percent).normalize().to_string()],
            ["18", "18.99"]
        );
        // A pack of 150 g at 3.00 with tax: 2.8436 without, so 18.9573 a kilogram.
        let pack = on_list(0, "3.00", PriceUnit::Pack, true);
        assert_eq!(pack.per_kg_without_tax(Some(150), percent).unwrap().to_string(), "18.9573");
        assert_eq!(pack.per_kg_without_tax(None, percent), None);
    }

    #[test]
    fn a_price_below_the_floor_is_said_to_be_meant() {
        let punnet = product("PUN", json!({"pack_g": 150, "floor_per_kg": "15"}));
        let set = |changes: Value, tax_included| {
            let body = json!({"price_list": "STD", "product": "PUN", "amount": "2.25", "unit": "pack"});
            ensure_price(&changed(body, changes), &punnet, tax_included).map_err(|r| r.faults[0].pointer.clone())
        };
        // 2.25 a pack is 15 a kilogram; with 7 % tax in it, 14.02.
        assert_eq!(set(json!({}), false), Ok(()));
        assert_eq!(set(json!({}), true), Err("/amount".into()));
        assert_eq!(set(json!({"below_floor": true}), true), Ok(()));
        assert_eq!(set(json!({"amount": "2.2499"}), false), Err("/amount".into()));
        assert_eq!(set(json!({"amount": "14.99", "unit": "kg"}), false), Err("/amount".into()));
        assert_eq!(set(json!({"amount": "0"}), false), Err("/amount".into()));
        assert_eq!(set(json!({"amount": "0", "below_floor": true}), false), Ok(()));
        assert_eq!(set(json!({"amount": null, "off_list": true}), false), Ok(()));
        assert_eq!(set(json!({"amount": null}), false), Err("/amount".into()));
        assert_eq!(set(json!({"off_list": true}), false), Err("/off_list".into()));
        assert_eq!(set(json!({"amount": "-1", "below_floor": true}), false), Err("/amount".into()));
        assert_eq!(set(json!({"amount": "100000.01"}), false), Err("/amount".into()));
        assert_eq!(set(json!({"amount": "16.00001", "unit": "kg"}), false), Err("/amount".into()));
        for from_g in [-1, 1_000_001] {
            assert_eq!(set(json!({"from_g": from_g}), false), Err("/from_g".into()));
        }
        let loose = product("OY", json!({}));
        let pack = changed(json!({"price_list": "STD", "product": "OY", "amount": "3", "unit": "pack"}), json!({}));
        assert_eq!(ensure_price(&pack, &loose, false).unwrap_err().faults[0].pointer, "/unit");
    }

    #[test]
    fn a_price_by_weight_holds_for_packs_too() {
        assert_eq!(amounts("20.00", PriceUnit::Kg, Some(150), &[300]), ["6.00"]);
    }
}
