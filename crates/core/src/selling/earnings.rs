//! What a batch earned: every sold gram followed back through its lot to the batches that it came from.

use std::collections::BTreeMap;

use rust_decimal::Decimal;

use crate::{
    kinds::{Basis, BatchOrigin},
    ledger::lot::{Composition, Source},
    text::{BatchCode, LotCode},
    units::{
        money::CurrencyRules,
        quantity::{Grams, share_by_largest_remainder},
    },
};

/// Grams of a lot that were sold, and what they brought. Below zero for what came back.
#[derive(Debug, Clone, PartialEq)]
pub struct Sale {
    /// The lot; none for takings that no goods stand behind.
    pub lot: Option<LotCode>,
    /// How much of it.
    pub grams: Grams,
    /// Net amount, rounded.
    pub amount: Decimal,
    /// What it cost to sell: a stall's fee.
    pub fee: Decimal,
}

/// The money of each handing over and return of one line of a docket, in the order in which they were written down.
///
/// `amount` is what the docket says for the `docket_grams` of the line. What the customer has after each is priced in proportion and rounded, and each
/// event brings the difference: so the money of all that came before stands still, and the sum is that of what the customer kept.
#[must_use]
pub fn settle(amount: Decimal, docket_grams: Grams, events: &[Grams], coinage: CurrencyRules) -> Vec<Decimal> {
    let worth = |kept: Grams| {
        if docket_grams <= Grams::ZERO {
            return Decimal::ZERO;
        }
        coinage.round(amount * Decimal::from(kept.0) / Decimal::from(docket_grams.0))
    };
    let mut kept = Grams::ZERO;
    events
        .iter()
        .map(|grams| {
            let before = worth(kept);
            kept += *grams;
            worth(kept) - before
        })
        .collect()
}

/// What a batch's flush brought.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Attributed {
    /// Grams sold.
    pub grams: Grams,
    /// Net amount.
    pub amount: Decimal,
    /// What it cost to sell.
    pub fee: Decimal,
    /// Whether any of it rests on shares and not on the scale.
    pub shared: bool,
}

/// Sales followed back, and what could not be followed (lots of the opening entry).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TracedSales {
    /// By batch and flush.
    pub by_source: BTreeMap<Source, Attributed>,
    /// Without a known source.
    pub unknown: Attributed,
}

impl TracedSales {
    /// The same by batch.
    #[must_use]
    pub fn by_batch(&self) -> BTreeMap<BatchCode, Attributed> {
        let mut by_batch: BTreeMap<BatchCode, Attributed> = BTreeMap::new();
        for (source, earned) in &self.by_source {
            let sum = by_batch.entry(source.batch.clone()).or_default();
            sum.grams += earned.grams;
            sum.amount += earned.amount;
            sum.fee += earned.fee;
            sum.shared |= earned.shared;
        }
        by_batch
    }
}

/// Follows every sale back to its sources. Grams and money are shared by the lot's make-up (largest remainder), so that the sum over all
/// sources and the unknown is the sum of the sales, to the gram and the smallest coin.
///
/// All sales of a lot are shared as one: shared each by itself their roundings would add up, and always in favour of the same source.
#[must_use]
pub fn follow(sales: &[Sale], compositions: &BTreeMap<LotCode, Composition>, coinage: CurrencyRules) -> TracedSales {
    let mut followed = TracedSales::default();
    let mut by_lot: BTreeMap<&LotCode, Attributed> = BTreeMap::new();
    for sale in sales {
        let known = sale.lot.as_ref().filter(|lot| compositions.get(lot).is_some_and(|m| !m.is_empty()));
        let sum = known.map_or(&mut followed.unknown, |lot| by_lot.entry(lot).or_default());
        sum.grams += sale.grams;
        sum.amount += sale.amount;
        sum.fee += sale.fee;
    }
    for (lot, sold) in by_lot {
        let composition = &compositions[lot];
        let weights: Vec<i64> = composition.values().map(|(g, _)| g.0).collect();
        // More may have come back than was sold: that is shared as it was when it went, by its size, with its sign put back.
        let sign = if sold.grams < Grams::ZERO { -1 } else { 1 };
        let grams = share_by_largest_remainder(sold.grams.0.abs(), &weights);
        let share = |amount: Decimal| {
            let sign = if amount < Decimal::ZERO { -Decimal::ONE } else { Decimal::ONE };
            coinage.share_by(amount.abs(), &weights).into_iter().map(move |a| a * sign)
        };
        let mixed = composition.len() > 1;
        let parts = grams.into_iter().zip(share(sold.amount)).zip(share(sold.fee));
        for ((source, (_, basis)), ((grams, amount), fee)) in composition.iter().zip(parts) {
            let earned = followed.by_source.entry(source.clone()).or_default();
            earned.grams += Grams(grams * sign);
            earned.amount += amount;
            earned.fee += fee;
            earned.shared |= mixed || *basis == Basis::Shared;
        }
    }
    followed
}

/// Contribution of a batch: revenue less what it cost to sell, less the cost of its blocks, lost ones included.
#[must_use]
pub fn contribution(
    revenue: Decimal,
    fee: Decimal,
    cost_per_block: Decimal,
    blocks: i32,
    coinage: CurrencyRules,
) -> Decimal {
    coinage.round(revenue - fee - cost_per_block * Decimal::from(blocks))
}

crate::kinds::string_enum!(/// How far a batch has come, and so what its figures can be compared with.
BatchStage {
    /// Nothing was harvested of it.
    Growing = "growing",
    /// Some was harvested, and blocks are still standing: more is to come.
    Fruiting = "fruiting",
    /// Harvested or wholly lost, and no block is left. Only these are compared.
    Finished = "finished",
    /// Stood in the rooms when the book was opened: what it gave before is not in the book, its whole cost is.
    Opening = "opening",
});

impl BatchStage {
    /// The stage of a batch with so many blocks made, lost and still standing.
    #[must_use]
    pub fn of(origin: BatchOrigin, blocks: i32, lost: i32, standing: i32, harvested: Grams) -> Self {
        if origin == BatchOrigin::Opening {
            Self::Opening
        } else if lost >= blocks {
            Self::Finished
        } else if harvested <= Grams::ZERO {
            Self::Growing
        } else if standing > 0 {
            Self::Fruiting
        } else {
            Self::Finished
        }
    }
}

/// The finished batches that earned most and least a block. Of equals the one that comes first.
#[must_use]
pub fn best_and_worst<T>(
    batches: &[T],
    stage: impl Fn(&T) -> BatchStage,
    per_block: impl Fn(&T) -> Decimal,
) -> Option<(&T, &T)> {
    let finished: Vec<&T> = batches.iter().filter(|b| stage(b) == BatchStage::Finished).collect();
    // Of equals `max_by` takes the last and `min_by` the first.
    let best = finished.iter().rev().max_by_key(|b| per_block(b))?;
    let worst = finished.iter().min_by_key(|b| per_block(b))?;
    Some((best, worst))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::units::money::Rounding;

    fn euro() -> CurrencyRules {
        CurrencyRules::new("EUR", Rounding::HalfUp).unwrap()
    }

    fn composition(grams: &[i64]) -> Composition {
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
            &[Sale { lot: Some(lot.clone()), grams: Grams(930), amount, fee: Decimal::ZERO }],
            &BTreeMap::from([(lot, composition(&[970]))]),
            euro(),
        );
        let earned = &followed.by_batch()[&"B0".parse().unwrap()];
        assert_eq!((earned.grams, earned.amount.to_string(), earned.shared), (Grams(930), "17.21".into(), false));
        assert_eq!(contribution(earned.amount, Decimal::ZERO, "3.10".parse().unwrap(), 2, euro()).to_string(), "11.01");
        assert_eq!(contribution(earned.amount, Decimal::ONE, "3.10".parse().unwrap(), 2, euro()).to_string(), "10.01");
    }

    #[test]
    fn the_roundings_of_many_sales_do_not_add_up() {
        // DERIVED: 50 sales of 100 g at 1.00 of a lot that is two thirds of one batch: 3,333.3 g and 33.33 of the 5,000 g and 50.00. Shared
        // sale by sale it would be 67 g and 0.67 each time, 3,350 g and 33.50.
        let lot: LotCode = "L1".parse().unwrap();
        let one = Sale { lot: Some(lot.clone()), grams: Grams(100), amount: Decimal::ONE, fee: Decimal::ZERO };
        let followed = follow(&vec![one; 50], &BTreeMap::from([(lot, composition(&[400, 200]))]), euro());
        let of = |batch: &str| {
            let earned = &followed.by_batch()[&batch.parse().unwrap()];
            (earned.grams.0, earned.amount.to_string())
        };
        assert_eq!((of("B0"), of("B1")), ((3333, "33.33".into()), (1667, "16.67".into())));
    }

    #[test]
    fn a_return_is_money_of_its_own_and_leaves_what_was_before() {
        // 1,235 g at 17.50 is 21.61. 235 g come back: 1,000 g are worth 17.50, so the return takes 4.11. Then 100 g: 15.75, so 1.75.
        let settled = |events: &[i64]| -> Vec<String> {
            let events: Vec<Grams> = events.iter().map(|g| Grams(*g)).collect();
            settle("21.61".parse().unwrap(), Grams(1235), &events, euro()).iter().map(ToString::to_string).collect()
        };
        assert_eq!(settled(&[1235, -235, -100]), ["21.61", "-4.11", "-1.75"]);
        assert_eq!(settled(&[1235]), ["21.61"]);
        assert_eq!(settled(&[1235, -1235]), ["21.61", "-21.61"]);
    }

    #[test]
    fn only_what_is_finished_is_compared() {
        use BatchStage::{Finished, Fruiting, Growing, Opening};
        assert_eq!(BatchStage::of(BatchOrigin::Opening, 9, 0, 0, Grams(5)), Opening);
        assert_eq!(BatchStage::of(BatchOrigin::Made, 9, 6, 3, Grams(0)), Growing);
        assert_eq!(BatchStage::of(BatchOrigin::Made, 9, 6, 3, Grams(5)), Fruiting);
        assert_eq!(BatchStage::of(BatchOrigin::Made, 9, 6, 0, Grams(5)), Finished);
        // Lost to the last block before anything was harvested: it cost and gave nothing, and that is the worst there is.
        assert_eq!(BatchStage::of(BatchOrigin::Made, 9, 9, 0, Grams(0)), Finished);
        // Sold as blocks: what they brought is not in the book.
        assert_eq!(BatchStage::of(BatchOrigin::Made, 9, 0, 0, Grams(0)), Growing);
        let rows =
            [("a", Opening, -9), ("b", Finished, 2), ("c", Finished, 4), ("d", Finished, 4), ("e", Fruiting, -3)];
        let (best, worst) = best_and_worst(&rows, |r| r.1, |r| Decimal::from(r.2)).unwrap();
        assert_eq!((best.0, worst.0), ("c", "b"));
        assert!(best_and_worst(&rows[..1], |r| r.1, |r| Decimal::from(r.2)).is_none());
    }

    proptest! {
        #[test]
        fn nothing_is_lost_on_the_way_back(
            sales in prop::collection::vec((0usize..5, -20_000i64..20_000, -100_000i64..100_000, 0i64..5000), 1..20),
            ups in prop::collection::vec(prop::collection::vec(1i64..30_000, 0..5), 4),
        ) {
            let lot = |i: usize| format!("L{i}").parse::<LotCode>().unwrap();
            let ups: BTreeMap<_, _> = ups.iter().enumerate().map(|(i, g)| (lot(i), composition(g))).collect();
            let sales: Vec<Sale> = sales.iter().map(|(l, g, c, f)| Sale {
                lot: (*l < 4).then(|| lot(*l)), grams: Grams(*g), amount: Decimal::new(*c, 2), fee: Decimal::new(*f, 2),
            }).collect();
            let followed = follow(&sales, &ups, euro());
            let all = || followed.by_source.values().chain([&followed.unknown]);
            prop_assert_eq!(all().map(|e| e.grams).sum::<Grams>(), sales.iter().map(|s| s.grams).sum::<Grams>());
            prop_assert_eq!(all().map(|e| e.amount).sum::<Decimal>(), sales.iter().map(|s| s.amount).sum::<Decimal>());
            prop_assert_eq!(all().map(|e| e.fee).sum::<Decimal>(), sales.iter().map(|s| s.fee).sum::<Decimal>());
        }

        /// The money of a docket's line is that of what was kept, whatever the steps, and a step's money is not moved by what follows it.
        #[test]
        fn settled_money_is_that_of_what_was_kept(cents in 0i64..1_000_000, steps in prop::collection::vec(-900i64..1000, 1..12), cut in 0usize..12) {
            let amount = Decimal::new(cents, 2);
            let events: Vec<Grams> = steps.iter().map(|g| Grams(*g)).collect();
            let settled = settle(amount, Grams(5000), &events, euro());
            let kept: i64 = steps.iter().sum();
            prop_assert_eq!(settled.iter().sum::<Decimal>(), euro().round(amount * Decimal::from(kept) / Decimal::from(5000)));
            let cut = cut.min(events.len());
            prop_assert_eq!(&settle(amount, Grams(5000), &events[..cut], euro())[..], &settled[..cut]);
        }
    }
}
