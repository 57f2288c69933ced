//! Numbers of trade items (GTIN), which somebody outside the farm gives out.

use std::{borrow::Cow, str::FromStr};

use serde::{Deserialize, Deserializer, Serialize};

/// A GTIN of 8, 12, 13 or 14 digits, as it was typed. Its last digit checks the others.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, sqlx::Type)]
#[sqlx(transparent)]
#[serde(transparent)]
pub struct Gtin(String);

/// The digit that checks those before it: weights 3 and 1 in turn from the right, up to the next ten (GS1 General Specifications, the standard
/// check digit calculation).
fn check_digit(digits: &str) -> u32 {
    let weighted = digits.bytes().rev().zip([3, 1].into_iter().cycle());
    let sum: u32 = weighted.map(|(digit, weight)| u32::from(digit - b'0') * weight).sum();
    (10 - sum % 10) % 10
}

impl Gtin {
    /// As it was typed.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Whether it is of goods whose weight differs from piece to piece: fourteen digits that begin with 9 (GS1 General Specifications, variable
    /// measure trade items; unverified).
    #[must_use]
    pub fn is_of_variable_weight(&self) -> bool {
        self.0.len() == 14 && self.0.starts_with('9')
    }

    /// With noughts before it, as codes that machines read have it.
    #[must_use]
    pub fn of_14_digits(&self) -> String {
        format!("{:0>14}", self.0)
    }
}

impl FromStr for Gtin {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim();
        if !text.bytes().all(|b| b.is_ascii_digit()) || !matches!(text.len(), 8 | 12..=14) {
            return Err("A GTIN has 8, 12, 13 or 14 digits and nothing else.".into());
        }
        let (digits, last) = text.split_at(text.len() - 1);
        if last != check_digit(digits).to_string() {
            return Err(format!(
                "The last digit of {text} does not check the others. Type it again as it was given to you."
            ));
        }
        Ok(Self(text.to_owned()))
    }
}

impl<'de> Deserialize<'de> for Gtin {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        Cow::<'de, str>::deserialize(d)?.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn check_digits_are_those_of_published_examples() {
        // The first three are worked examples of GS1 and two of its member organisations; the others follow the same rule.
        for (digits, check) in [
            ("629104150021", 3),
            ("730001100001", 7),
            ("501234567890", 0),
            ("0234567", 3),
            ("41600033610", 8),
            ("1234567890123", 1),
        ] {
            assert_eq!(check_digit(digits), check, "{digits}");
            assert!(format!("{digits}{check}").parse::<Gtin>().is_ok());
            assert!(format!("{digits}{}", (check + 1) % 10).parse::<Gtin>().is_err(), "{digits}");
        }
    }

    #[test]
    fn what_is_no_gtin_is_refused_in_words() {
        for text in ["", "1234567", "123456789", "abcdefgh", "٦٢٩١٠٤١٥٠٠٢١٣", "6291041500213 1"] {
            assert!(text.parse::<Gtin>().unwrap_err().contains("digits"), "{text}");
        }
        assert_eq!("02345673".parse::<Gtin>().unwrap().of_14_digits(), "00000002345673");
    }
}
