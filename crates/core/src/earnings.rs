//! What a batch earned: every sold gram followed back through its lot to the batches that it came from.

use std::collections::BTreeMap;

use rust_decimal::Decimal;

use crate::{
    lot::{MakeUp, Source},
    money::Coinage,
    quantity::{Grams, share_by_largest_remainder},
    text::{BatchCode, LotCode},
    words::Basis,
};

/// Grams of a lot that were sold, and what they brought.
#[derive(Debug, Clone, PartialEq)]
pub struct Sale {
    /// The lot.
    pub lot: LotCode,
    /// How much of it.
    pub grams: Grams,
    /// Net amount, rounded.
    pub amount: Decimal,
}

/// What a batch's flush brought.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Earned {
    /// Grams sold.
    pub grams: Grams,
    /// Net amount.
    pub amount: Decimal,
    /// Whether any of it rests on shares and not on the scale.
    pub shared: bool,
}

/// Sales followed back, and what could not be followed (lots of the opening entry).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Followed {
    /// By batch and flush.
    pub by_source: BTreeMap<Source, Earned>,
    /// Without a known source.
    pub unknown: Earned,
}

impl Followed {
    /// The same by batch.
    #[must_use]
    pub fn by_batch(&self) -> BTreeMap<BatchCode, Earned> {
        let mut by_batch: BTreeMap<BatchCode, Earned> = BTreeMap::new();
        for (source, earned) in &self.by_source {
            let sum = by_batch.entry(source.batch.clone()).or_default();
            sum.grams += earned.grams;
            sum.amount += earned.amount;
            sum.shared |= earned.shared;
        }
        by_batch
    }
}

/// Follows every sale back to its sources. Grams and cents are shared by the lot's make-up (largest remainder), so that
/// the sum over all sources and the unknown is the sum of the sales, to the gram and the cent.
#[must_use]
pub fn follow(sales: &[Sale], make_ups: &BTreeMap<LotCode, MakeUp>, coinage: Coinage) -> Followed {
    let mut followed = Followed::default();
    for sale in sales {
        let make_up = make_ups.get(&sale.lot).filter(|m| !m.is_empty());
        let Some(make_up) = make_up else {
            followed.unknown.grams += sale.grams;
            followed.unknown.amount += sale.amount;
            continue;
        };
        let weights: Vec<Grams> = make_up.values().map(|(g, _)| *g).collect();
        let plain: Vec<i64> = weights.iter().map(|g| g.0).collect();
        let grams = share_by_largest_remainder(sale.grams.0, &plain);
        let amounts = coinage.share(sale.amount, &weights);
        let mixed = make_up.len() > 1;
        for (((source, (_, basis)), grams), amount) in make_up.iter().zip(grams).zip(amounts) {
            let earned = followed.by_source.entry(source.clone()).or_default();
            earned.grams += Grams(grams);
            earned.amount += amount;
            earned.shared |= mixed || *basis == Basis::Shared;
        }
    }
    followed
}

/// Contribution of a batch: revenue less the cost of its blocks, lost ones included.
#[must_use]
pub fn contribution(revenue: Decimal, cost_per_block: Decimal, blocks: i32, coinage: Coinage) -> Decimal {
    coinage.round(revenue - cost_per_block * Decimal::from(blocks))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::money::Rounding;

    fn euro() -> Coinage {
        Coinage::new("EUR", Rounding::HalfUp).unwrap()
    }

    fn make_up(grams: &[i64]) -> MakeUp {
        grams
            .iter()
            .enumerate()
            .map(|(i, g)| (Source { batch: format!("B{i}").parse().unwrap(), flush: 1 }, (Grams(*g), Basis::Measured)))
            .collect()
    }

    #[test]
    fn a_blocks_revenue_by_hand() {
        // DERIVED: 930 g sold at 18.50 a kilogram is 17.205, half up 17.21.
        let lot: LotCode = "L1".parse().unwrap();
        let amount = euro().by_weight(Grams(930), "18.50".parse().unwrap());
        let followed = follow(
            &[Sale { lot: lot.clone(), grams: Grams(930), amount }],
            &BTreeMap::from([(lot, make_up(&[970]))]),
            euro(),
        );
        let earned = &followed.by_batch()[&"B0".parse().unwrap()];
        assert_eq!((earned.grams, earned.amount.to_string(), earned.shared), (Grams(930), "17.21".into(), false));
        assert_eq!(contribution(earned.amount, "3.10".parse().unwrap(), 2, euro()).to_string(), "11.01");
    }

    proptest! {
        #[test]
        fn nothing_is_lost_on_the_way_back(
            sales in prop::collection::vec((0usize..4, 1i64..20_000, 0i64..100_000), 1..20),
            ups in prop::collection::vec(prop::collection::vec(1i64..30_000, 0..5), 4),
        ) {
            let lot = |i: usize| format!("L{i}").parse::<LotCode>().unwrap();
            let ups: BTreeMap<_, _> = ups.iter().enumerate().map(|(i, g)| (lot(i), make_up(g))).collect();
            let sales: Vec<Sale> = sales.iter()
                .map(|(l, g, c)| Sale { lot: lot(*l), grams: Grams(*g), amount: Decimal::new(*c, 2) }).collect();
            let followed = follow(&sales, &ups, euro());
            let grams: Grams = followed.by_source.values().map(|e| e.grams).sum::<Grams>() + followed.unknown.grams;
            let amount: Decimal = followed.by_source.values().map(|e| e.amount).sum::<Decimal>() + followed.unknown.amount;
            prop_assert_eq!(grams, sales.iter().map(|s| s.grams).sum::<Grams>());
            prop_assert_eq!(amount, sales.iter().map(|s| s.amount).sum::<Decimal>());
        }
    }
}
