//! Blocks and what they yield.

pub mod examples;
pub mod yields;
