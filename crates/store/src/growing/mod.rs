//! Strains, recipes, rooms, cooks, batches and crates.

pub mod batches;
pub mod cooks;
pub mod crate_kinds;
mod flushes;
pub mod recipes;
pub mod rooms;
pub mod strains;
