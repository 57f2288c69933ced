//! What is sold first, what is promised, and what it brings.

pub mod allocation;
pub mod earnings;
pub mod risk;
pub mod takings;
