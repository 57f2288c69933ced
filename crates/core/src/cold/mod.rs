//! Air and food over time: figures of the hour, excursions, life and weight loss.

pub mod air;
pub mod evaluate;
pub mod exposure;
pub mod kinetic;
pub mod product;
pub mod reevaluate;
pub mod shelf_life;
pub mod spell;
pub mod unknown_air;
pub mod weight_loss;

/// The caution that stands wherever a figure about temperature or shelf life is shown.
pub const CAUTION: &str = "Planning aid. Your local food-safety rules and your own food-safety plan decide. Gillbook does not judge whether food is fit to eat.";
