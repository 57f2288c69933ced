//! Exact money: decimal, never floating. Rounded once, by a named rule.

use iso_currency::Currency;
use rust_decimal::{Decimal, RoundingStrategy};

use crate::{
    refusal::Refusal,
    units::quantity::{Grams, share_by_largest_remainder},
};

/// Decimal places that the price or the cost of a unit may have, whatever the currency.
pub const UNIT_PRICE_PLACES: u32 = 4;
/// More money than a farm of this size has in one sum; below it no sum of shares leaves its range.
const MAX_AMOUNT: Decimal = Decimal::from_parts(1_000_000, 0, 0, false, 0);

/// No coin that is the smallest in use is worth more.
const MAX_CASH_STEP: Decimal = Decimal::from_parts(1000, 0, 0, false, 0);

crate::kinds::string_enum!(/// How halves of the smallest unit are rounded.
Rounding {
    /// Away from zero: 365.125 → 365.13.
    HalfUp = "half_up",
    /// Towards zero: 365.125 → 365.12.
    HalfDown = "half_down",
    /// To the even neighbour: 0.125 → 0.12, 0.135 → 0.14.
    HalfEven = "half_even",
});

impl Rounding {
    const fn strategy(self) -> RoundingStrategy {
        match self {
            Self::HalfUp => RoundingStrategy::MidpointAwayFromZero,
            Self::HalfDown => RoundingStrategy::MidpointTowardZero,
            Self::HalfEven => RoundingStrategy::MidpointNearestEven,
        }
    }
}

/// A currency with the farm's rounding rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CurrencyRules {
    currency: Currency,
    rounding: Rounding,
    /// The smallest coin in use; zero where cash is paid to the currency's smallest unit.
    cash_step: Decimal,
}

impl CurrencyRules {
    /// By the currency's ISO 4217 letters. `None` for a code that is not in the standard or has no minor unit there.
    #[must_use]
    pub fn new(letters: &str, rounding: Rounding) -> Option<Self> {
        let currency = Currency::from_code(letters)?;
        currency.exponent()?;
        Some(Self { currency, rounding, cash_step: Decimal::ZERO })
    }

    /// The same where cash totals are rounded to the smallest coin in use; zero where they are not.
    #[must_use]
    pub fn with_cash_step(self, cash_step: Decimal) -> Self {
        Self { cash_step, ..self }
    }

    /// A total as it is paid in coins and notes: the nearest multiple of the smallest coin in use, halves by the farm's rule.
    #[must_use]
    pub fn round_cash(self, total: Decimal) -> Decimal {
        if self.cash_step.is_zero() {
            return self.round(total);
        }
        let coins = (total / self.cash_step).round_dp_with_strategy(0, self.rounding.strategy());
        self.round(coins * self.cash_step)
    }

    /// The currency's ISO 4217 letters.
    #[must_use]
    pub fn currency(self) -> &'static str {
        self.currency.code()
    }

    /// Decimal places of the currency (ISO 4217 exponent).
    #[must_use]
    pub fn places(self) -> u32 {
        u32::from(self.currency.exponent().expect("checked when made"))
    }

    /// Rounds to the currency's smallest unit. The scale is always the currency's, so that 5 prints as 5.00, and nothing never prints as −0.00.
    #[must_use]
    pub fn round(self, amount: Decimal) -> Decimal {
        let mut rounded = amount.round_dp_with_strategy(self.places(), self.rounding.strategy());
        rounded.rescale(self.places());
        if rounded.is_zero() {
            rounded.set_sign_positive(true);
        }
        rounded
    }

    /// The price of a weight at a price a kilogram.
    #[must_use]
    pub fn by_weight(self, grams: Grams, price_per_kg: Decimal) -> Decimal {
        self.round(Decimal::new(grams.0, 3) * price_per_kg)
    }

    /// Shares a rounded amount by weights without losing a cent (largest remainder).
    #[must_use]
    pub fn share(self, amount: Decimal, weights: &[Grams]) -> Vec<Decimal> {
        let weights: Vec<i64> = weights.iter().map(|w| w.0).collect();
        self.share_by(amount, &weights)
    }

    /// The same by any whole numbers. See [`share_by_largest_remainder`] for how large they may be.
    #[must_use]
    pub fn share_by<W: Copy + Into<i128>>(self, amount: Decimal, weights: &[W]) -> Vec<Decimal> {
        let mut cents = amount;
        cents.rescale(self.places());
        let cents = i64::try_from(cents.mantissa()).expect("an amount here is far below 2^63 cents");
        share_by_largest_remainder(cents, weights).into_iter().map(|c| Decimal::new(c, self.places())).collect()
    }

    /// Money that changed hands, as it was written down.
    ///
    /// # Errors
    /// Refuses an amount below zero, above a million, or with more decimals than the currency has: rounding it would move money without a word.
    pub fn ensure_amount(self, amount: Decimal, pointer: &str) -> Result<(), Refusal> {
        let letters = self.currency.code();
        if amount > MAX_AMOUNT {
            return Err(Refusal::field(
                pointer,
                format!("An amount is at most {MAX_AMOUNT} {letters}. Check the figure."),
            ));
        }
        ensure_places(amount, self.places(), pointer, &format!("An amount in {letters}"))
    }
}

/// The smallest coin that cash totals are rounded to.
///
/// # Errors
/// Refuses one that the currency cannot be, or above [`MAX_CASH_STEP`].
pub fn ensure_cash_step(step: Decimal, coinage: CurrencyRules) -> Result<(), Refusal> {
    coinage.ensure_amount(step, "/cash_step")?;
    if step > MAX_CASH_STEP {
        return Err(Refusal::field(
            "/cash_step",
            format!("The smallest coin is at most {MAX_CASH_STEP}. Check the figure."),
        ));
    }
    Ok(())
}

/// The price or the cost of a unit, which may be finer than the currency's smallest coin.
///
/// # Errors
/// Refuses one below zero or with more than [`UNIT_PRICE_PLACES`] decimals.
pub fn ensure_unit_price(price: Decimal, pointer: &str) -> Result<(), Refusal> {
    ensure_places(price, UNIT_PRICE_PLACES, pointer, "The price of a unit")
}

fn ensure_places(amount: Decimal, places: u32, pointer: &str, what: &str) -> Result<(), Refusal> {
    if amount < Decimal::ZERO {
        return Err(Refusal::field(pointer, format!("{what} is zero or more.")));
    }
    if amount.normalize().scale() <= places {
        return Ok(());
    }
    let allowed = match places {
        0 => "no decimals".to_owned(),
        1 => "at most 1 decimal".to_owned(),
        n => format!("at most {n} decimals"),
    };
    Err(Refusal::field(pointer, format!("{what} has {allowed}, and {amount} has more. Write it out again.")))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn euro(rounding: Rounding) -> CurrencyRules {
        CurrencyRules::new("EUR", rounding).unwrap()
    }

    #[test]
    fn rounding_rules_as_published() {
        // 1460.50 × 25 % = 365.125: EN 16931 validation artefacts 1.3.16, UBL example 2, prints 365.13.
        // The other rows: Python's decimal module, ROUND_HALF_UP, ROUND_HALF_DOWN, ROUND_HALF_EVEN.
        for (value, up, down, even) in [
            ("0.125", "0.13", "0.12", "0.12"),
            ("0.135", "0.14", "0.13", "0.14"),
            ("1.005", "1.01", "1.00", "1.00"),
            ("2.345", "2.35", "2.34", "2.34"),
            ("365.125", "365.13", "365.12", "365.12"),
        ] {
            let value: Decimal = value.parse().unwrap();
            assert_eq!(euro(Rounding::HalfUp).round(value).to_string(), up);
            assert_eq!(euro(Rounding::HalfDown).round(value).to_string(), down);
            assert_eq!(euro(Rounding::HalfEven).round(value).to_string(), even);
        }
    }

    #[test]
    fn weights_are_priced_by_the_gram() {
        let euro = euro(Rounding::HalfUp);
        assert_eq!(euro.by_weight(Grams(1235), "17.50".parse().unwrap()).to_string(), "21.61");
        assert_eq!(euro.by_weight(Grams(985), "24.95".parse().unwrap()).to_string(), "24.58");
        assert_eq!(euro.by_weight(Grams(2000), "9".parse().unwrap()).to_string(), "18.00");
    }

    #[test]
    fn cash_totals_are_rounded_to_the_smallest_coin() {
        // Australia, five cents: 1 and 2 down, 3 and 4 up (its published rule for cash totals). Sweden's 50 öre until 2010: to the
        // nearest, 223.20 paid as 223.00, 65.40 as 65.50. Halves by the farm's rule: Python's decimal module, quotient by step quantized.
        for (letters, step, total, paid) in [
            ("AUD", "0.05", "10.02", "10.00"),
            ("AUD", "0.05", "10.03", "10.05"),
            ("AUD", "0.05", "20.42", "20.40"),
            ("AUD", "0.05", "20.43", "20.45"),
            ("SEK", "0.50", "223.20", "223.00"),
            ("SEK", "0.50", "65.40", "65.50"),
            ("NZD", "0.10", "4.25", "4.30"),
            ("KRW", "10", "1234", "1230"),
            ("EUR", "0", "10.02", "10.02"),
        ] {
            let rules = CurrencyRules::new(letters, Rounding::HalfUp).unwrap().with_cash_step(step.parse().unwrap());
            assert_eq!(rules.round_cash(total.parse().unwrap()).to_string(), paid, "{letters} {total}");
        }
        let down = CurrencyRules::new("NZD", Rounding::HalfDown).unwrap().with_cash_step("0.10".parse().unwrap());
        assert_eq!(down.round_cash("4.25".parse().unwrap()).to_string(), "4.20");
    }

    #[test]
    fn nothing_has_no_sign() {
        let euro = euro(Rounding::HalfUp);
        for amount in ["-0", "-0.00", "-0.004"] {
            assert_eq!(euro.round(amount.parse().unwrap()).to_string(), "0.00", "{amount}");
        }
        assert_eq!(euro.round(-Decimal::ZERO).to_string(), "0.00");
    }

    #[test]
    fn places_follow_iso_4217() {
        let places = |c| CurrencyRules::new(c, Rounding::HalfUp).map(CurrencyRules::places);
        assert_eq!(
            [places("EUR"), places("JPY"), places("BHD"), places("XAU"), places("QQQ")],
            [Some(2), Some(0), Some(3), None, None]
        );
    }

    #[test]
    fn no_more_decimals_are_taken_than_the_currency_has() {
        // ISO 4217: the Tunisian dinar has three, the yen none.
        let takes = |letters: &str, amount: &str| {
            CurrencyRules::new(letters, Rounding::HalfUp)
                .unwrap()
                .ensure_amount(amount.parse().unwrap(), "/cash")
                .is_ok()
        };
        for (letters, amount, taken) in [
            ("TND", "75.805", true),
            ("TND", "75.8055", false),
            ("EUR", "10.00", true),
            ("EUR", "10.005", false),
            // A trailing nought moves no money.
            ("EUR", "10.000", true),
            ("JPY", "10", true),
            ("JPY", "10.5", false),
            ("EUR", "-0.01", false),
        ] {
            assert_eq!(takes(letters, amount), taken, "{amount} {letters}");
        }
        assert!(ensure_unit_price("0.0125".parse().unwrap(), "/amount").is_ok());
        let refused = ensure_unit_price("0.01255".parse().unwrap(), "/amount").unwrap_err();
        assert_eq!(refused.faults[0].pointer, "/amount");
        assert!(refused.detail.contains("at most 4 decimals"), "{refused}");
    }

    #[test]
    fn shares_of_an_amount_add_up() {
        let shares = euro(Rounding::HalfUp).share("10.00".parse().unwrap(), &[Grams(1), Grams(1), Grams(1)]);
        assert_eq!(shares.iter().map(ToString::to_string).collect::<Vec<_>>(), ["3.34", "3.33", "3.33"]);
    }
}
