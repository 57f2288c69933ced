//! What thumbs type into forms: a decimal comma or point, or nothing.

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
}
