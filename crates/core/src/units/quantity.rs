//! Grams, and how they are shared without losing one.

use std::{borrow::Cow, fmt, iter::Sum, ops};

use serde::{Deserialize, Deserializer, Serialize, de};
use utoipa::openapi::{KnownFormat, ObjectBuilder, RefOr, Schema, SchemaFormat, schema::Type};

/// Whole grams. Signed, because a difference may fall on either side; what comes from outside is checked where it is used.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, sqlx::Type)]
#[sqlx(transparent)]
#[serde(transparent)]
pub struct Grams(pub i64);

impl Grams {
    /// No grams.
    pub const ZERO: Self = Self(0);
    /// The most that one weight from outside may be: 100 tonnes.
    pub const MAX: Self = Self(100_000_000);

    /// In kilograms, for showing. Never for adding up.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "a weight here is far below 2^52 g")]
    pub fn kg(self) -> f64 {
        self.0 as f64 / 1000.0
    }
}

impl fmt::Display for Grams {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} g", self.0)
    }
}

impl<'de> Deserialize<'de> for Grams {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        struct Whole;
        impl de::Visitor<'_> for Whole {
            type Value = Grams;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("whole grams: 2.34 kg is 2340")
            }
            fn visit_i64<E: de::Error>(self, v: i64) -> Result<Grams, E> {
                if v.unsigned_abs() > Grams::MAX.0.unsigned_abs() {
                    return Err(E::custom("more than 100 tonnes. Check the number"));
                }
                Ok(Grams(v))
            }
            fn visit_u64<E: de::Error>(self, v: u64) -> Result<Grams, E> {
                self.visit_i64(i64::try_from(v).unwrap_or(i64::MAX))
            }
        }
        d.deserialize_i64(Whole)
    }
}

impl utoipa::PartialSchema for Grams {
    fn schema() -> RefOr<Schema> {
        ObjectBuilder::new()
            .schema_type(Type::Integer)
            .format(Some(SchemaFormat::KnownFormat(KnownFormat::Int64)))
            .minimum(Some(-Self::MAX.0))
            .maximum(Some(Self::MAX.0))
            .description(Some("Whole grams."))
            .into()
    }
}

impl utoipa::ToSchema for Grams {
    fn name() -> Cow<'static, str> {
        "Grams".into()
    }
}

impl ops::Add for Grams {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl ops::Sub for Grams {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl ops::Neg for Grams {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

impl ops::AddAssign for Grams {
    fn add_assign(&mut self, other: Self) {
        self.0 += other.0;
    }
}

impl ops::SubAssign for Grams {
    fn sub_assign(&mut self, other: Self) {
        self.0 -= other.0;
    }
}

impl Sum for Grams {
    fn sum<I: Iterator<Item = Self>>(iter: I) -> Self {
        iter.fold(Self::ZERO, ops::Add::add)
    }
}

/// Shares a whole number of units by weights with the largest-remainder method (Hamilton's method): every share is its
/// exact quota rounded down or up, the shares add up to the total, and equal remainders go to the earlier share.
///
/// Weights must not be negative, and the total times their sum must stay below 2^127. If every weight is zero the total goes to the first
/// share; without any weights nothing is returned.
#[must_use]
pub fn share_by_largest_remainder<W: Copy + Into<i128>>(total: i64, weights: &[W]) -> Vec<i64> {
    let weights: Vec<i128> = weights.iter().map(|w| (*w).into()).collect();
    let whole: i128 = weights.iter().sum();
    if whole == 0 {
        let mut shares = vec![0; weights.len()];
        if let Some(first) = shares.first_mut() {
            *first = total;
        }
        return shares;
    }
    let quota = |w: i128| i128::from(total) * w;
    let mut shares: Vec<i64> = weights
        .iter()
        .map(|w| i64::try_from(quota(*w).div_euclid(whole)).expect("a share is no more than the total"))
        .collect();
    let mut by_remainder: Vec<usize> = (0..weights.len()).collect();
    by_remainder.sort_by_key(|i| (-quota(weights[*i]).rem_euclid(whole), *i));
    let left = total - shares.iter().sum::<i64>();
    for i in by_remainder.into_iter().take(usize::try_from(left).expect("never more is shared than there is")) {
        shares[i] += 1;
    }
    shares
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_weight_with_decimals_is_refused_with_the_remedy() {
        let error = serde_json::from_str::<Grams>("2.34").unwrap_err().to_string();
        assert!(error.contains("whole grams: 2.34 kg is 2340"), "{error}");
        assert!(serde_json::from_str::<Grams>("99999999999999999999").is_err());
        assert_eq!(serde_json::from_str::<Grams>("2340").unwrap(), Grams(2340));
    }

    #[test]
    fn largest_remainder_gives_the_textbook_seats() {
        // The usual small example of the Alabama paradox (populations 6, 6 and 2; source unverified): a tenth seat goes to
        // the smallest, which loses one when an eleventh is given out.
        assert_eq!(share_by_largest_remainder(10, &[6_i64, 6, 2]), [4, 4, 2]);
        assert_eq!(share_by_largest_remainder(11, &[6_i64, 6, 2]), [5, 5, 1]);
    }

    proptest! {
        #[test]
        fn shares_add_up_and_stay_next_to_the_quota(total in 0i64..100_000_000, weights in prop::collection::vec(0i64..1_000_000, 1..20)) {
            let shares = share_by_largest_remainder(total, &weights);
            prop_assert_eq!(shares.iter().sum::<i64>(), total);
            let whole: i128 = weights.iter().map(|w| i128::from(*w)).sum();
            if whole > 0 {
                for (share, weight) in shares.iter().zip(&weights) {
                    let exact = i128::from(total) * i128::from(*weight);
                    prop_assert!((i128::from(*share) * whole - exact).abs() < whole);
                }
            }
        }
    }
}
