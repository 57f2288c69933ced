//! The farm, and who may sign in.

pub mod farms;
pub mod people;
pub mod sessions;
pub mod tokens;
