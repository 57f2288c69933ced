//! The two sides of a document: who they are, and how they are known abroad and to machines.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::units::written::written_as_text;

/// Who an invoice is from or for, as it was issued.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Party {
    /// Name.
    pub name: String,
    /// Address.
    pub address: String,
    /// The number under which it is registered for tax; empty where there is none.
    pub tax_number: String,
    /// Where it is.
    pub country: Country,
    /// Where invoices are sent to by machines.
    pub electronic_address: ElectronicAddress,
}

/// A country by its two letters (ISO 3166-1 alpha-2), or blank.
#[derive(Debug, Clone, Default, PartialEq, Eq, sqlx::Type)]
#[sqlx(transparent)]
pub struct Country(String);

impl Country {
    /// The letters; empty where it is blank.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl FromStr for Country {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let is_known = text.is_empty() || (text.len() == 2 && text.parse::<iso_country::Country>().is_ok());
        is_known.then(|| Self(text.to_owned())).ok_or_else(|| {
            format!("There is no country “{text}”. Give its two letters of ISO 3166, such as FR, GB or GR.")
        })
    }
}

impl fmt::Display for Country {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

written_as_text!(Country, "^([A-Z]{2})?$", "A country's two letters (ISO 3166-1), or blank.");

/// Where invoices can be sent to by machines: the four digits of a scheme (ISO/IEC 6523) and an identifier in it, `0088:7300010000001`, or
/// blank.
#[derive(Debug, Clone, Default, PartialEq, Eq, sqlx::Type)]
#[sqlx(transparent)]
pub struct ElectronicAddress(String);

impl ElectronicAddress {
    /// As it is written; empty where it is blank.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The scheme and the identifier; nothing where it is blank.
    #[must_use]
    pub fn parts(&self) -> Option<(&str, &str)> {
        self.0.split_once(':')
    }
}

impl FromStr for ElectronicAddress {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let is_whole = text.split_once(':').is_some_and(|(scheme, id)| {
            scheme.len() == 4
                && scheme.bytes().all(|b| b.is_ascii_digit())
                && (1..=50).contains(&id.len())
                && id.bytes().all(|b| b.is_ascii_graphic())
        });
        (text.is_empty() || is_whole).then(|| Self(text.to_owned())).ok_or_else(|| {
            format!("The electronic address “{text}” is not one of e-invoices. Give the scheme's four digits, a colon and the identifier, such as 0088:7300010000001.")
        })
    }
}

impl fmt::Display for ElectronicAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

written_as_text!(
    ElectronicAddress,
    "^([0-9]{4}:[!-~]{1,50})?$",
    "A scheme's four digits (ISO/IEC 6523), a colon and the identifier in it, or blank."
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_country_is_one_of_the_standards_or_blank() {
        for text in ["", "FR", "GB", "US", "SE"] {
            assert_eq!(text.parse::<Country>().unwrap().to_string(), text);
        }
        for text in ["fr", "FRA", "ZZ", "F", "F1", " FR", "é"] {
            assert!(text.parse::<Country>().is_err(), "{text}");
        }
    }

    #[test]
    fn an_electronic_address_has_a_scheme_and_an_identifier_or_is_blank() {
        for text in ["", "0088:7300010000001", "9957:FR12345678901", "0002:a:b"] {
            assert_eq!(text.parse::<ElectronicAddress>().unwrap().to_string(), text);
        }
        for text in ["0088", "0088:", "88:123", "00881:2", "008a:2", "0088:a b", "0088:é", ":1"] {
            assert!(text.parse::<ElectronicAddress>().is_err(), "{text}");
        }
        let long = format!("0088:{}", "1".repeat(51));
        assert!(long.parse::<ElectronicAddress>().is_err());
        assert_eq!("0002:a:b".parse::<ElectronicAddress>().unwrap().parts(), Some(("0002", "a:b")));
    }
}
