//! Grams, money and days: what the trade counts in.

pub mod calendar;
pub mod clock;
pub mod money;
pub mod quantity;
pub mod recurrence;
pub(crate) mod written;
