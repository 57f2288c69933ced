//! The air of the demo's fridge: a set point of 2 °C, the compressor's swing, defrosts, humps when crates are loaded,
//! and one night on which the compressor stood still. Invented figures, drawn to look like a real trace.

use chrono::{DateTime, TimeDelta, Timelike, Utc};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// °C that the thermostat is set to.
const SET_POINT: f64 = 2.0;

/// The fridge's air, minute by minute.
#[derive(Debug)]
pub(super) struct Fridge {
    rng: ChaCha8Rng,
    fails_at: DateTime<Utc>,
}

impl Fridge {
    pub(super) fn new(seed: u64, fails_at: DateTime<Utc>) -> Self {
        Self { rng: ChaCha8Rng::seed_from_u64(seed ^ 0x0f71_d6e0), fails_at }
    }

    /// Air at a minute. To be asked in time order.
    pub(super) fn air(&mut self, at: DateTime<Utc>) -> f64 {
        let minute = f64::from(at.hour() * 60 + at.minute());
        // On for half of a 24-minute cycle: a saw tooth of about a degree.
        let phase = (minute % 24.0) / 24.0;
        let swing = if phase < 0.5 { 0.6 - 2.4 * phase } else { -0.6 + 2.4 * (phase - 0.5) };
        // A defrost every eight hours, quarter of an hour long.
        let since_defrost = minute % 480.0;
        let defrost =
            if since_defrost < 15.0 { 3.2 * since_defrost / 15.0 } else { 3.2 * (-(since_defrost - 15.0) / 9.0).exp() };
        // Warm crates and an open door in the morning, a shorter one when the van is loaded.
        let hump = |begins: f64, length: f64, height: f64| {
            let t = minute - begins;
            if t < 0.0 {
                0.0
            } else if t < length {
                height * t / length
            } else {
                height * (-(t - length) / 12.0).exp()
            }
        };
        let door = hump(345.0, 22.0, 4.5) + hump(400.0, 12.0, 2.2);
        let noise = self.rng.random_range(-0.12..0.12);
        let still = at - self.fails_at;
        let failure = if still < TimeDelta::zero() {
            0.0
        } else if still < TimeDelta::hours(4) {
            #[expect(clippy::cast_precision_loss, reason = "a few hours of minutes")]
            let hours = still.num_minutes() as f64 / 60.0;
            13.0 * (1.0 - (-hours / 2.2).exp())
        } else {
            #[expect(clippy::cast_precision_loss, reason = "minutes of a season")]
            let hours = (still - TimeDelta::hours(4)).num_minutes() as f64 / 60.0;
            10.9 * (-hours / 0.6).exp()
        };
        ((SET_POINT + swing + defrost + door + failure + noise) * 16.0).round() / 16.0
    }
}
