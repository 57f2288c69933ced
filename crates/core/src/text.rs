//! Text that comes from outside: one type for what people write, and the codes that they read aloud.

use email_address::{EmailAddress, Options};
use std::{borrow::Cow, fmt, str::FromStr};

use serde::{Deserialize, Deserializer, Serialize, de};
use unicode_normalization::UnicodeNormalization;
use utoipa::openapi::{ObjectBuilder, RefOr, Schema, schema::Type};

/// Written text in any script: NFC, trimmed, without signs that turn its direction and control characters (line breaks excepted where `MAX` is over
/// 254), and between `MIN` and `MAX` characters long.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, sqlx::Type)]
#[sqlx(transparent)]
#[serde(transparent)]
pub struct Text<const MIN: usize, const MAX: usize>(String);

/// A line: a name, a reason.
pub type Line = Text<1, 200>;
/// A short word: who did it.
pub type Short = Text<1, 60>;
/// A longer text, which may be empty.
pub type Note = Text<0, 1000>;

/// Whether a text is one e-mail address (RFC 5321) of a host with a name of several parts, in plain letters. Whether mail arrives there is for the mail
/// server to say.
#[must_use]
pub fn is_email_address(text: &str) -> bool {
    let options = Options::default().with_required_tld().without_domain_literal().without_display_text();
    let is_host = |host: &str| host.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'.'));
    // Letters beyond ASCII take a mail server of its own kind, and are mostly signs that nobody sees, pasted with the address.
    text.is_ascii()
        && EmailAddress::parse_with_options(text, options)
            .is_ok_and(|address| !address.local_part().starts_with('"') && is_host(address.domain()))
}

impl<const MIN: usize, const MAX: usize> Text<MIN, MAX> {
    /// Takes text as it was written.
    ///
    /// # Errors
    /// Says in one sentence what is wrong with it.
    pub fn new(written: &str) -> Result<Self, String> {
        // An early bound, so that a megabyte of text is not normalised only to be refused.
        if written.len() > MAX * 16 {
            return Err(format!("It is longer than {MAX} characters. Shorten it."));
        }
        let text: String = written.trim().nfc().collect();
        let breaks_allowed = MAX > 254;
        // The last two are no characters (Unicode, 23.7), and no document in XML may hold them.
        let is_unwritable =
            |c: char| matches!(c, '\u{fffe}' | '\u{ffff}') || (c.is_control() && !(breaks_allowed && c == '\n'));
        if text.chars().any(is_unwritable) {
            return Err("It holds a control character. Write it again without.".into());
        }
        // Overrides and isolates of Unicode's bidirectional algorithm (UAX #9, 2.1 to 2.5): they would turn the figures around that stand beside
        // a name on paper.
        if text.chars().any(|c| matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')) {
            return Err(
                "It holds an invisible sign that turns the direction of writing. Write it again without.".into()
            );
        }
        match text.chars().count() {
            n if n < MIN => Err("It is empty. Write something.".into()),
            n if n > MAX => Err(format!("It is {n} characters long, {MAX} is the most. Shorten it.")),
            _ => Ok(Self(text)),
        }
    }

    /// The text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl<const MAX: usize> Default for Text<0, MAX> {
    fn default() -> Self {
        Self(String::new())
    }
}

impl<const MIN: usize, const MAX: usize> fmt::Display for Text<MIN, MAX> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl<'de, const MIN: usize, const MAX: usize> Deserialize<'de> for Text<MIN, MAX> {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        Self::new(&Cow::<str>::deserialize(d)?).map_err(de::Error::custom)
    }
}

impl<const MIN: usize, const MAX: usize> utoipa::PartialSchema for Text<MIN, MAX> {
    fn schema() -> RefOr<Schema> {
        ObjectBuilder::new().schema_type(Type::String).min_length((MIN > 0).then_some(MIN)).max_length(Some(MAX)).into()
    }
}

impl<const MIN: usize, const MAX: usize> utoipa::ToSchema for Text<MIN, MAX> {
    fn name() -> Cow<'static, str> {
        format!("Text{MIN}to{MAX}").into()
    }
}

/// Whether `code` is made of capital letters, digits and inner hyphens, starts with a letter or digit and is
/// `min` to `max` characters long.
fn is_code(code: &str, min: usize, max: usize) -> bool {
    (min..=max).contains(&code.len())
        && code.bytes().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit() || b == b'-')
        && !code.starts_with('-')
}

macro_rules! code {
    ($(#[$doc:meta])* $name:ident, $what:literal, $min:literal..=$max:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, sqlx::Type)]
        #[sqlx(transparent)]
        #[serde(transparent)]
        pub struct $name(String);

        impl $name {
            /// What people call the thing.
            pub const NOUN: &'static str = $what;

            /// The code as text.
            #[must_use]
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl FromStr for $name {
            type Err = String;

            fn from_str(code: &str) -> Result<Self, String> {
                if is_code(code, $min, $max) {
                    Ok(Self(code.to_owned()))
                } else {
                    Err(concat!(
                        "A ", $what, "'s code has ", $min, " to ", $max,
                        " capital letters, digits or hyphens and does not begin with a hyphen."
                    ).into())
                }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                Cow::<str>::deserialize(d)?.parse().map_err(de::Error::custom)
            }
        }

        impl utoipa::PartialSchema for $name {
            fn schema() -> RefOr<Schema> {
                let pattern = format!("^[A-Z0-9][A-Z0-9-]{{{},{}}}$", $min - 1, $max - 1);
                ObjectBuilder::new().schema_type(Type::String).pattern(Some(pattern)).into()
            }
        }

        impl utoipa::ToSchema for $name {
            fn name() -> Cow<'static, str> {
                stringify!($name).into()
            }
        }
    };
}

code!(/// A strain's code, short because lot codes begin with it.
    StrainCode, "strain", 2..=6);
code!(/// A grade's code.
    GradeCode, "grade", 1..=10);
code!(/// A recipe's code.
    RecipeCode, "recipe", 1..=20);
code!(/// A room's code; a fruiting room is also a place with this code.
    RoomCode, "room", 1..=20);
code!(/// A cook's code.
    CookCode, "cook", 1..=20);
code!(/// A batch's code, as markered on the bags.
    BatchCode, "batch", 1..=20);
code!(/// A crate or liner kind's code.
    CrateCode, "crate", 1..=20);
code!(/// The code of a recurring check.
    HouseCheckCode, "check", 1..=20);
code!(/// A place's code.
    PlaceCode, "place", 1..=20);
code!(/// A lot's code: at most 20 characters of the GS1 set, made by Gillbook, never reused.
    LotCode, "lot", 1..=20);
code!(/// A product's code.
    ProductCode, "product", 1..=20);
code!(/// A price list's code.
    PriceListCode, "price list", 1..=20);
code!(/// A customer's code; a customer is also a place with this code.
    CustomerCode, "customer", 1..=20);

impl CustomerCode {
    /// The place that stands for what the customer has.
    #[must_use]
    pub fn place(&self) -> PlaceCode {
        PlaceCode(self.0.clone())
    }
}

code!(/// An order's code.
    OrderCode, "order", 1..=20);
code!(/// A standing order's code.
    StandingOrderCode, "standing order", 1..=20);
code!(/// A docket's code.
    DocketCode, "docket", 1..=20);
code!(/// A market day's code.
    MarketDayCode, "market day", 1..=20);
code!(/// The code of an invoice or a credit note.
    InvoiceCode, "invoice", 1..=20);
code!(/// A payment's code.
    PaymentCode, "payment", 1..=20);
code!(/// A recall's code.
    RecallCode, "recall", 1..=20);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_normalised_to_nfc_and_trimmed() {
        // U+0065 U+0301 composes to U+00E9 (Unicode Standard Annex 15, figure 3).
        assert_eq!(Line::new("  Cafe\u{301} ").unwrap().as_str(), "Caf\u{e9}");
        assert_eq!(Line::new("きのこ料理 «Гриб» مطعم").unwrap().as_str(), "きのこ料理 «Гриб» مطعم");
    }

    #[test]
    fn text_out_of_bounds_is_refused() {
        assert!(Line::new("").is_err());
        assert!(Line::new("   ").is_err());
        assert!(Line::new(&"x".repeat(201)).unwrap_err().contains("201"));
        assert!(Line::new(&"x".repeat(10_000)).is_err());
        assert!(Line::new("a\0b").is_err());
        assert!(Line::new("two\nlines").is_err());
        assert!(Note::new("two\nlines").is_ok());
    }

    #[test]
    fn codes_are_speakable() {
        assert!("OY-260105-1".parse::<LotCode>().is_ok());
        for bad in ["", "oy", "-A", "A B", "ABCDEFGHIJKLMNOPQRSTU", "Ö"] {
            assert!(bad.parse::<LotCode>().is_err(), "{bad}");
        }
        assert!("O".parse::<StrainCode>().is_err());
    }
}
