//! Mean kinetic temperature: the constant temperature that would have aged the goods as much as the one that was.
//!
//! `T = (ΔH/R) / −ln( ∫ exp(−ΔH / (R·T(t))) dt / ∫ dt )`, in kelvin, with ΔH/R = 10 000 K (USP 29, general chapter ⟨1160⟩: 83.144 kJ/mol
//! over 8.3144 J/(mol·K)). The chapter averages equal intervals; here the piecewise-linear air itself is integrated. It is an
//! average of ageing and never excuses a warm spell.

/// ΔH/R, kelvin.
const ACTIVATION_K: f64 = 10_000.0;
/// 0 °C in kelvin.
const ZERO_C_IN_K: f64 = 273.15;
/// Nodes and weights of the Gauss–Legendre rule of ten points on [−1, 1] (Abramowitz and Stegun, table 25.4), of one side.
const RULE: [(f64, f64); 5] = [
    (0.148_874_338_981_631_21, 0.295_524_224_714_752_87),
    (0.433_395_394_129_247_2, 0.269_266_719_309_996_35),
    (0.679_409_568_299_024_4, 0.219_086_362_515_982_04),
    (0.865_063_366_688_984_5, 0.149_451_349_150_580_6),
    (0.973_906_528_517_171_7, 0.066_671_344_308_688_14),
];

/// Ageing at a temperature, relative to 0 °C. The offset keeps sums near one, where floating point is finest.
fn ageing(c: f64) -> f64 {
    (ACTIVATION_K / ZERO_C_IN_K - ACTIVATION_K / (c + ZERO_C_IN_K)).exp()
}

/// Ageing over a straight line of air from `from_c` to `until_c` that takes `seconds`: seconds at 0 °C that age as much.
#[must_use]
pub fn aged_seconds(from_c: f64, until_c: f64, seconds: f64) -> f64 {
    if from_c.to_bits() == until_c.to_bits() {
        return seconds * ageing(from_c);
    }
    let (middle, half) = (f64::midpoint(from_c, until_c), (until_c - from_c) / 2.0);
    let sum: f64 =
        RULE.iter().map(|(x, w)| w * (ageing(half.mul_add(*x, middle)) + ageing((-half).mul_add(*x, middle)))).sum();
    seconds / 2.0 * sum
}

/// The mean kinetic temperature, °C, of so much ageing in so many seconds; unknown where nothing is known.
#[must_use]
pub fn mean_kinetic_c(kinetic_s: f64, known_s: f64) -> Option<f64> {
    (known_s > 0.0 && kinetic_s > 0.0)
        .then(|| ACTIVATION_K / (ACTIVATION_K / ZERO_C_IN_K - (kinetic_s / known_s).ln()) - ZERO_C_IN_K)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn of_equal_intervals(values: &[f64]) -> f64 {
        let aged: f64 = values.iter().map(|c| aged_seconds(*c, *c, 1.0)).sum();
        #[expect(clippy::cast_precision_loss, reason = "a handful")]
        mean_kinetic_c(aged, values.len() as f64).unwrap()
    }

    #[test]
    fn equal_intervals_are_those_of_others() {
        // The first is the test vector of the Python package ddcmath 21.9.23; the others are its formula run on paper.
        for (values, expected) in [
            (&[19.8, 20.2, 20.6, 21.0, 21.3, 21.5][..], 20.752_780_387_897),
            (&[4.0, 4.0, 4.0, 4.0, 16.0], 8.108_857),
            (&[2.0, 10.0], 6.930_633),
            (&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0], 4.818_393),
            (&[3.25, 3.25], 3.25),
        ] {
            let mkt = of_equal_intervals(values);
            assert!((mkt - expected).abs() < 5e-7, "{values:?}: {mkt}");
        }
    }

    #[test]
    fn a_straight_line_is_integrated_exactly() {
        // 4 °C at 0:00, 10 °C at 1:00, 4 °C at 4:00: the piecewise-linear integral worked out to 7.179431 °C.
        let aged = aged_seconds(4.0, 10.0, 3600.0) + aged_seconds(10.0, 4.0, 3.0 * 3600.0);
        assert!((mean_kinetic_c(aged, 4.0 * 3600.0).unwrap() - 7.179_431).abs() < 5e-7);
    }

    proptest! {
        #[test]
        fn it_lies_between_mean_and_maximum(values in prop::collection::vec(-5.0f64..30.0, 1..40)) {
            let mkt = of_equal_intervals(&values);
            #[expect(clippy::cast_precision_loss, reason = "a handful")]
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let most = values.iter().copied().fold(f64::MIN, f64::max);
            prop_assert!(mkt >= mean - 1e-9 && mkt <= most + 1e-9);
            let mut turned = values.clone();
            turned.reverse();
            prop_assert!((of_equal_intervals(&turned) - mkt).abs() < 1e-9);
        }
    }
}
