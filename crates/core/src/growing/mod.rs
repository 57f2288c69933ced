//! Blocks and what they yield.

pub mod yields;
