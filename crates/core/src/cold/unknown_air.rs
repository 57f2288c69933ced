//! What air without readings is taken to be, for all that is calculated from it: shelf life and water loss.
//!
//! Our own convention (unverified). With a limit the air is held to lie between the cold limit and [`ABOVE_LIMIT_C`] above the warm one:
//! where nobody measured, it may well have been warmer than it ought to be. Without a limit it is what such a place can have in a year.

use crate::{cold::evaluate::Rules, kinds::PlaceKind};

/// How far above its warm limit a place may be without readings, °C.
const ABOVE_LIMIT_C: f64 = 5.0;
/// The coldest of a place without a limit, °C: a van in winter.
const COLDEST_C: f64 = 2.0;
/// The likeliest of a place without a limit, °C: a fridge on the warm side, a van in spring.
const LIKELIEST_C: f64 = 8.0;
/// The warmest of a fridge without a limit, °C: [`ABOVE_LIMIT_C`] above the limit that is shipped as an example.
const WARMEST_FRIDGE_C: f64 = 10.0;
/// The warmest of a shelf, a van or a stall without a limit, °C: a room, or a mild day.
const WARMEST_ELSEWHERE_C: f64 = 20.0;

/// Air without readings, as means over hours or days, °C.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UnknownAir {
    /// The coldest that it is taken to have been.
    pub coldest_c: f64,
    /// What it likeliest was: the middle of the limits.
    pub likeliest_c: f64,
    /// The warmest: what shelf life counts by.
    pub warmest_c: f64,
    /// The warmest that it ought to be: the warm limit; without one the warmest.
    pub allowed_c: f64,
}

impl UnknownAir {
    /// The air of a place under the rules in force there, if any are.
    #[must_use]
    pub fn of(kind: PlaceKind, rules: Option<&Rules>) -> Self {
        if let Some(rules) = rules {
            return Self {
                coldest_c: rules.cold_c,
                likeliest_c: f64::midpoint(rules.cold_c, rules.warm_c),
                warmest_c: rules.warm_c + ABOVE_LIMIT_C,
                allowed_c: rules.warm_c,
            };
        }
        let warmest_c = if kind == PlaceKind::Fridge { WARMEST_FRIDGE_C } else { WARMEST_ELSEWHERE_C };
        Self { coldest_c: COLDEST_C, likeliest_c: LIKELIEST_C, warmest_c, allowed_c: warmest_c }
    }

    /// The same where the place was read not long before or after, at a mean of `c`: that is the likeliest, and inside the range.
    #[must_use]
    pub fn read_nearby(self, c: f64) -> Self {
        Self { coldest_c: self.coldest_c.min(c), likeliest_c: c, warmest_c: self.warmest_c.max(c), ..self }
    }
}

#[cfg(test)]
mod tests {
    use chrono::{DateTime, TimeDelta};

    use super::*;

    #[test]
    fn the_range_follows_the_limits_and_holds_what_was_read() {
        let minutes = TimeDelta::minutes;
        let rules = Rules {
            from: DateTime::UNIX_EPOCH,
            warm_c: 4.0,
            air_c: 8.0,
            cold_c: 0.0,
            grace: minutes(30),
            hysteresis_c: 0.5,
            gap: minutes(15),
            silence: minutes(60),
            lag: minutes(30),
        };
        let figures = |air: UnknownAir| [air.coldest_c, air.likeliest_c, air.warmest_c, air.allowed_c];
        let same = |air: UnknownAir, expected: [f64; 4]| {
            assert!(figures(air).iter().zip(expected).all(|(a, b)| (a - b).abs() < 1e-12), "{air:?}");
        };
        let limited = UnknownAir::of(PlaceKind::Van, Some(&rules));
        same(limited, [0.0, 2.0, 9.0, 4.0]);
        same(UnknownAir::of(PlaceKind::Fridge, None), [2.0, 8.0, 10.0, 10.0]);
        same(UnknownAir::of(PlaceKind::Stall, None), [2.0, 8.0, 20.0, 20.0]);
        same(limited.read_nearby(-3.0), [-3.0, -3.0, 9.0, 4.0]);
        same(limited.read_nearby(12.0), [0.0, 12.0, 12.0, 4.0]);
    }
}
