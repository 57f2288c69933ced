//! Numbers that a column could not even hold: refused with their field named, where the database would only fail.

use gillbook_core::refusal::Refusal;
use rust_decimal::Decimal;

/// Refuses a number outside `least..=most`. `what` begins the sentence.
///
/// # Errors
/// Names the field and the range.
pub(crate) fn ensure_range(
    value: Decimal,
    least: Decimal,
    most: Decimal,
    pointer: &str,
    what: &str,
) -> Result<(), Refusal> {
    if (least..=most).contains(&value) {
        return Ok(());
    }
    Err(Refusal::field(pointer, format!("{what} is {least} to {most}, not {value}.")))
}
