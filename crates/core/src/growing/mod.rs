//! Blocks and what they yield.

pub mod examples;
pub mod forecast;
pub mod yields;
