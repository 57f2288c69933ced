//! What thumbs type into forms: a decimal comma or point, whole numbers, nothing.

use gillbook_core::refusal::Refusal;

/// A decimal number with a point or a comma; nothing for an empty field. The keypad of a phone has only the mark of its language.
///
/// # Errors
/// Says `remedy` of what is no number.
pub(super) fn decimal(text: &str, pointer: &str, remedy: &str) -> Result<Option<f64>, Refusal> {
    let plain = text.trim().replace(',', ".").replace('−', "-");
    if plain.is_empty() {
        return Ok(None);
    }
    let number: Option<f64> = plain.parse().ok();
    number
        .filter(|n| n.is_finite())
        .map(Some)
        .ok_or_else(|| Refusal::field(pointer, format!("“{}” is not a number. {remedy}", text.trim())))
}

/// A whole number from `least` on; `least` for an empty field.
///
/// # Errors
/// Says `remedy` of anything else.
pub(super) fn whole(text: &str, least: i32, pointer: &str, remedy: &str) -> Result<i32, Refusal> {
    match text.trim() {
        "" => Ok(least),
        n => n.parse().ok().filter(|n| *n >= least).ok_or_else(|| Refusal::field(pointer, remedy)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_comma_is_as_good_as_a_point() {
        for text in ["3.5", "3,5", " 3,5 "] {
            assert_eq!(decimal(text, "/c", "").unwrap(), Some(3.5));
        }
        assert_eq!(decimal("−0,5", "/c", "").unwrap(), Some(-0.5));
        assert_eq!(decimal("  ", "/c", "").unwrap(), None);
        for text in ["3,5,1", "cold", "NaN", "inf"] {
            let refusal = decimal(text, "/c", "Type degrees, such as 3.4.").unwrap_err();
            assert!(refusal.detail.contains(text) && refusal.detail.ends_with("such as 3.4."), "{refusal}");
        }
    }

    #[test]
    fn crates_are_counted_from_none() {
        assert_eq!((whole("", 0, "/n", "x").unwrap(), whole(" 4 ", 0, "/n", "x").unwrap()), (0, 4));
        assert!(whole("-1", 0, "/n", "x").is_err() && whole("2.5", 0, "/n", "x").is_err());
    }
}
