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
