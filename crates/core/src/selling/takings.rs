//! A stall's takings: tax taken out, shared by what each lot sold for, the fee beside them.
//!
//! What is in the box has tax in it. It is shared over the lots that were sold by what they would have brought with tax, at the prices
//! that were tallied or those of the stall's list, so that dear goods are not paid for by cheap ones. From each share its own tax is taken out. The fee is a cost, shared by
//! what is left.

use rust_decimal::Decimal;

use crate::units::{
    money::{CurrencyRules, UNIT_PRICE_PLACES},
    quantity::Grams,
};

/// Grams of a lot that a stall sold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StallLot {
    /// How much.
    pub grams: Grams,
    /// Price a kilogram without tax: the mean of what was tallied, or the one on the stall's list; nothing where there is neither.
    pub price_per_kg: Option<Decimal>,
    /// Tax rate, per cent; nothing where no product tells it.
    pub tax_percent: Option<Decimal>,
}

/// What became of a lot's part of the takings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StallShare {
    /// Its part, tax included.
    pub gross: Decimal,
    /// The rate that was taken out.
    pub tax_percent: Decimal,
    /// Its part without tax.
    pub net: Decimal,
    /// Its part of the fee.
    pub fee: Decimal,
}

/// An amount without the tax that is in it: amount × 100 ÷ (100 + rate), rounded once.
#[must_use]
pub fn without_tax(gross: Decimal, tax_percent: Decimal, coinage: CurrencyRules) -> Decimal {
    coinage.round(gross * Decimal::ONE_HUNDRED / (Decimal::ONE_HUNDRED + tax_percent))
}

/// The part of the takings that is there, or missing, because cash totals were rounded: no goods stand behind it and no tax is in it. Never more
/// than the takings, up or down: where nothing was taken nothing was earned and no tax is due, whatever was tallied.
#[must_use]
pub fn rounding_in(takings: Decimal, tallied_rounding: Decimal) -> Decimal {
    tallied_rounding.clamp(-takings, takings)
}

/// The price of a kilogram without tax, of an amount with tax that was tallied for so many grams.
#[must_use]
pub fn tallied_price(amount: Decimal, grams: Grams, tax_percent: Decimal) -> Decimal {
    let net = amount * Decimal::ONE_HUNDRED / (Decimal::ONE_HUNDRED + tax_percent);
    (net * Decimal::ONE_THOUSAND / Decimal::from(grams.0)).round_dp(UNIT_PRICE_PLACES)
}

/// Shares takings and fee over what was sold. Both add up to the cent.
///
/// A lot without a price counts at the mean price of those that have one, by weight; where none has, all are shared by weight. A lot without
/// a rate takes the highest of the others', or `else_percent`, so that no tax is taken for revenue.
#[must_use]
pub fn share_takings(
    takings: Decimal,
    fee: Decimal,
    sold: &[StallLot],
    else_percent: Decimal,
    coinage: CurrencyRules,
) -> Vec<StallShare> {
    let highest = sold.iter().filter_map(|s| s.tax_percent).max().unwrap_or(else_percent);
    let priced = sold.iter().filter_map(|s| s.price_per_kg.map(|p| (Decimal::from(s.grams.0), p)));
    let (grams, worth) = priced.fold((Decimal::ZERO, Decimal::ZERO), |(g, w), (grams, p)| (g + grams, w + grams * p));
    let mean = if grams > Decimal::ZERO && worth > Decimal::ZERO { worth / grams } else { Decimal::ONE };
    let rate = |s: &StallLot| s.tax_percent.unwrap_or(highest);
    let weights: Vec<i128> = sold
        .iter()
        .map(|s| {
            // In ten-thousandths of a unit of price and thousandths of a per cent, which is as fine as either is kept.
            let price = whole(s.price_per_kg.unwrap_or(mean), 4);
            i128::from(s.grams.0) * price * (100_000 + whole(rate(s), 3))
        })
        .collect();
    let gross = coinage.share_by(takings, &weights);
    let net: Vec<Decimal> = gross.iter().zip(sold).map(|(g, s)| without_tax(*g, rate(s), coinage)).collect();
    let fee_weights: Vec<i128> = net.iter().map(|n| whole(*n, 4)).collect();
    let fees = coinage.share_by(fee, &fee_weights);
    sold.iter()
        .zip(gross)
        .zip(net)
        .zip(fees)
        .map(|(((s, gross), net), fee)| StallShare { gross, tax_percent: rate(s), net, fee })
        .collect()
}

/// An amount in whole units of so many decimals.
fn whole(amount: Decimal, places: u32) -> i128 {
    let mut amount = amount.round_dp(places);
    amount.rescale(places);
    amount.mantissa()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::units::money::Rounding;

    fn euro() -> CurrencyRules {
        CurrencyRules::new("EUR", Rounding::HalfUp).unwrap()
    }

    fn lot(grams: i64, price: Option<&str>, tax: Option<&str>) -> StallLot {
        StallLot {
            grams: Grams(grams),
            price_per_kg: price.map(|p| p.parse().unwrap()),
            tax_percent: tax.map(|t| t.parse().unwrap()),
        }
    }

    fn shown(shares: &[StallShare]) -> Vec<[String; 3]> {
        shares.iter().map(|s| [s.gross.to_string(), s.net.to_string(), s.fee.to_string()]).collect()
    }

    #[test]
    fn dear_goods_are_not_paid_for_by_cheap_ones() {
        // DERIVED by hand: 1 kg at 10 and 1 kg at 30, both at 5.5 %: 42.20 is shared 1 to 3, 10.55 and 31.65, net 10.00 and 30.00.
        let sold = [lot(1000, Some("10"), Some("5.5")), lot(1000, Some("30"), Some("5.5"))];
        let shares = share_takings("42.20".parse().unwrap(), "4.00".parse().unwrap(), &sold, Decimal::ZERO, euro());
        assert_eq!(shown(&shares), [["10.55", "10.00", "1.00"], ["31.65", "30.00", "3.00"]]);
    }

    #[test]
    fn without_prices_weight_decides_and_without_a_rate_the_highest() {
        let sold = [lot(1000, None, Some("20")), lot(3000, None, None)];
        let shares = share_takings("48.00".parse().unwrap(), Decimal::ZERO, &sold, Decimal::ZERO, euro());
        assert_eq!(shown(&shares), [["12.00", "10.00", "0.00"], ["36.00", "30.00", "0.00"]]);
        // One without a price counts at the mean of the others.
        let sold = [lot(1000, Some("10"), Some("0")), lot(1000, Some("30"), Some("0")), lot(500, None, Some("0"))];
        let shares = share_takings("50.00".parse().unwrap(), Decimal::ZERO, &sold, Decimal::ZERO, euro());
        assert_eq!(shares.iter().map(|s| s.gross.to_string()).collect::<Vec<_>>(), ["10.00", "30.00", "10.00"]);
    }

    #[test]
    fn a_price_is_the_mean_of_what_was_tallied() {
        // DERIVED by hand: 5.00 for half a kilogram, 5.5 % in it: 10 ÷ 1.055 = 9.47867.
        let price = tallied_price(Decimal::new(500, 2), Grams(500), "5.5".parse().unwrap());
        assert_eq!(price.to_string(), "9.4787");
    }

    #[test]
    fn there_is_no_more_rounding_than_takings() {
        let cents = |n: i64| Decimal::new(n, 2);
        for (takings, tallied, part) in [(1000, 3, 3), (1000, -3, -3), (2, 3, 2), (2, -3, -2), (0, -3, 0), (0, 3, 0)] {
            assert_eq!(rounding_in(cents(takings), cents(tallied)), cents(part), "{takings} {tallied}");
        }
    }

    proptest! {
        #[test]
        fn takings_and_fee_are_shared_to_the_cent(
            takings in 0i64..1_000_000, fee in 0i64..10_000,
            sold in prop::collection::vec((1i64..50_000, prop::option::of(0i64..1_000_000), prop::option::of(0i64..25_000)), 1..12),
        ) {
            let lots: Vec<StallLot> = sold.iter().map(|(g, p, t)| StallLot {
                grams: Grams(*g), price_per_kg: p.map(|p| Decimal::new(p, 4)), tax_percent: t.map(|t| Decimal::new(t, 3)),
            }).collect();
            let (takings, fee) = (Decimal::new(takings, 2), Decimal::new(fee, 2));
            let shares = share_takings(takings, fee, &lots, Decimal::ONE, euro());
            prop_assert_eq!(shares.iter().map(|s| s.gross).sum::<Decimal>(), takings);
            prop_assert_eq!(shares.iter().map(|s| s.fee).sum::<Decimal>(), fee);
            prop_assert!(shares.iter().all(|s| s.net <= s.gross && s.net >= Decimal::ZERO));
        }
    }
}
