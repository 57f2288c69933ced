//! What a customer usually orders: the lines that are proposed when an order is taken.

use std::collections::{BTreeMap, BTreeSet};

use crate::{text::ProductCode, units::quantity::Grams};

/// Orders that are looked back on. Common practice: a chef's order is like those of the last weeks, and the season moves on after that.
pub const ORDERS_LOOKED_AT: i64 = 8;

/// A line of an order of before.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PastLine {
    /// How many orders ago: 1 is the last.
    pub orders_ago: i64,
    /// The product.
    pub product: ProductCode,
    /// How much: of packs the nominal weight.
    pub grams_g: Grams,
    /// How many packs, where it is sold in packs.
    pub packs: Option<i32>,
}

/// The lines that are proposed, by product: what at least half of the orders that were looked at had, as much of it as the last of them.
#[must_use]
pub fn usual_lines(past: &[PastLine]) -> BTreeMap<ProductCode, PastLine> {
    let orders = past.iter().map(|line| line.orders_ago).max().unwrap_or(0);
    let mut by_product: BTreeMap<&ProductCode, Vec<&PastLine>> = BTreeMap::new();
    for line in past {
        by_product.entry(&line.product).or_default().push(line);
    }
    let is_usual = |lines: &[&PastLine]| {
        let had: BTreeSet<i64> = lines.iter().map(|line| line.orders_ago).collect();
        i64::try_from(had.len() * 2).is_ok_and(|twice| twice >= orders)
    };
    by_product
        .into_iter()
        .filter(|(_, lines)| is_usual(lines))
        .filter_map(|(product, lines)| {
            let orders_ago = lines.iter().map(|line| line.orders_ago).min()?;
            let last: Vec<_> = lines.into_iter().filter(|line| line.orders_ago == orders_ago).collect();
            let packs = last.iter().filter_map(|line| line.packs).reduce(i32::saturating_add);
            let grams_g = last.iter().map(|line| line.grams_g).sum();
            Some((product.clone(), PastLine { orders_ago, product: product.clone(), grams_g, packs }))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(orders_ago: i64, product: &str, kg: i64) -> PastLine {
        PastLine { orders_ago, product: product.parse().unwrap(), grams_g: Grams(kg * 1000), packs: None }
    }

    fn proposed(past: &[PastLine]) -> Vec<(String, i64)> {
        usual_lines(past).into_values().map(|l| (l.product.to_string(), l.grams_g.0 / 1000)).collect()
    }

    #[test]
    fn what_half_of_the_orders_had_is_proposed_as_the_last_of_them_had_it() {
        let past = [
            // Twice in the last order: as much as both.
            line(1, "OY", 1),
            line(1, "OY", 3),
            line(2, "OY", 3),
            line(2, "LM", 2),
            line(3, "OY", 3),
            line(4, "LM", 5),
            // Twice in one order is one order.
            line(4, "SH", 1),
            line(4, "SH", 1),
        ];
        assert_eq!(proposed(&past), [("LM".to_owned(), 2), ("OY".to_owned(), 4)]);
    }

    #[test]
    fn the_only_order_is_proposed_whole_and_without_one_nothing_is() {
        assert_eq!(proposed(&[line(1, "OY", 4), line(1, "SH", 1)]).len(), 2);
        assert_eq!(proposed(&[]), []);
    }
}
