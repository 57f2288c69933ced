//! Lots, and what happens to their grams: weighed, packed, counted, moved, reconciled.

pub mod lot;
pub mod path;
pub mod reconciliation;
pub mod replay;
pub mod stock_count;
pub mod wear;
pub mod weighing;
