//! What the goods of an order line cost.

use rust_decimal::Decimal;

use crate::{
    kinds::PriceUnit,
    units::{money::CurrencyRules, quantity::Grams},
};

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
    use super::*;
    use crate::units::money::Rounding;

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

    #[test]
    fn a_price_by_weight_holds_for_packs_too() {
        assert_eq!(amounts("20.00", PriceUnit::Kg, Some(150), &[300]), ["6.00"]);
    }
}
