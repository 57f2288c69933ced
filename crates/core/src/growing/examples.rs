//! Strains to begin with. A grower takes those that they grow and changes what their own mushrooms tell them.
//!
//! Saleable life is of the published source that stands with it, where one measured at several temperatures; the figure of a span is its middle.
//! From one temperature nothing is said of another, so a strain with only that has no life until the grower enters one. The packaging that a life
//! is taken for, its spread, the lowest safe temperature, yields and days are common practice and unverified.

use crate::kinds::Packaging;

/// A strain to begin with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExampleStrain {
    /// Code.
    pub code: &'static str,
    /// Name.
    pub name: &'static str,
    /// Species, common name.
    pub species: &'static str,
    /// Species, Latin name.
    pub latin_name: &'static str,
    /// Below this it takes chilling injury, °C.
    pub lowest_safe_c: f64,
    /// Fresh grams a block over all flushes.
    pub expected_yield_g: i32,
    /// Days from making to the first flush.
    pub days_to_first_flush: i32,
    /// Days from flush to flush.
    pub flush_interval_days: i32,
    /// Flushes that are waited for.
    pub flushes: i32,
    /// Hundredths of the fresh weight that are cut off.
    pub trim_percent: i64,
    /// The packaging that the life is of.
    pub packaging: Packaging,
    /// Saleable life: °C and days, by rising temperature; empty where no source measured it at several.
    pub life: &'static [(f64, f64)],
    /// Relative half-width of the range around it.
    pub spread: f64,
    /// Where the life is from.
    pub source: &'static str,
}

/// The strains.
pub const EXAMPLES: [ExampleStrain; 4] = [
    ExampleStrain {
        code: "OY",
        name: "Oyster",
        species: "Oyster mushroom",
        latin_name: "Pleurotus ostreatus",
        lowest_safe_c: 0.0,
        expected_yield_g: 900,
        days_to_first_flush: 21,
        flush_interval_days: 12,
        flushes: 2,
        trim_percent: 5,
        packaging: Packaging::Open,
        life: &[(1.0, 17.0), (6.0, 10.0), (20.0, 2.5)],
        spread: 0.2,
        source: "Minamide, Habu & Ogata 1980, J. Japanese Society of Food Science and Technology 27(6), of oyster and four other species together: 14–20 days at 1 °C, about 10 at 6 °C, 2–3 at 20 °C",
    },
    ExampleStrain {
        code: "SH",
        name: "Shiitake",
        species: "Shiitake",
        latin_name: "Lentinula edodes",
        lowest_safe_c: 0.0,
        expected_yield_g: 800,
        days_to_first_flush: 70,
        flush_interval_days: 21,
        flushes: 2,
        trim_percent: 5,
        packaging: Packaging::Open,
        life: &[(0.0, 22.0), (5.0, 15.0), (10.0, 7.0), (20.0, 3.5), (30.0, 2.5)],
        spread: 0.2,
        source: "Japanese food-preservation study, J-STAGE jafps1987/13/2/13_2_44: 20–24 days at 0 °C, about 15 at 5, 6–8 at 10, 3–4 at 20, 2–3 at 30 °C",
    },
    ExampleStrain {
        code: "KO",
        name: "King oyster",
        species: "King oyster mushroom",
        latin_name: "Pleurotus eryngii",
        lowest_safe_c: 0.0,
        expected_yield_g: 600,
        days_to_first_flush: 35,
        flush_interval_days: 20,
        flushes: 1,
        trim_percent: 5,
        packaging: Packaging::Open,
        life: &[],
        spread: 0.0,
        source: "",
    },
    ExampleStrain {
        code: "LM",
        name: "Lion's mane",
        species: "Lion's mane",
        latin_name: "Hericium erinaceus",
        lowest_safe_c: 0.0,
        expected_yield_g: 700,
        days_to_first_flush: 24,
        flush_interval_days: 14,
        flushes: 2,
        trim_percent: 5,
        packaging: Packaging::Open,
        life: &[],
        spread: 0.0,
        source: "",
    },
];

#[cfg(test)]
mod tests {
    use super::*;

    /// Life that changed much faster or slower over ten degrees than respiration does would be a slip of the pen: Q10 of fresh mushrooms lies
    /// between 1.9 and 4.0 by the rates of USDA Agriculture Handbook 66 (unverified), and the shiitake series itself has 1.4 and 4.6.
    #[test]
    fn life_falls_as_it_gets_warmer_and_as_fast_as_handbooks_say() {
        for strain in EXAMPLES {
            assert_eq!(strain.life.is_empty(), strain.source.is_empty(), "{}", strain.name);
            assert_ne!(strain.life.len(), 1, "{}: one temperature says nothing of another", strain.name);
            for pair in strain.life.windows(2) {
                let ((cold, longer), (warm, shorter)) = (pair[0], pair[1]);
                assert!(cold < warm && longer > shorter, "{}", strain.name);
                let q10 = (longer / shorter).powf(10.0 / (warm - cold));
                assert!((1.3..5.0).contains(&q10), "{}: {q10} from {cold} to {warm} °C", strain.name);
            }
        }
    }
}
