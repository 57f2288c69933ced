//! The farm, and who may sign in.

pub mod farm_change;
pub mod farms;
pub mod people;
pub mod readiness;
pub mod sessions;
mod settings;
pub mod tokens;
