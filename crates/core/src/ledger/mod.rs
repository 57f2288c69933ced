//! Lots, and what happens to their grams: weighed, packed, counted, moved, reconciled.

pub mod booked;
pub mod counting;
pub mod entry;
pub mod loss_factor;
pub mod loss_watch;
pub mod lot;
pub mod packing;
pub mod path;
pub mod reconciliation;
pub mod replay;
pub mod stock_count;
pub mod trace;
pub mod warm_spell;
pub mod wear;
pub mod weighing;
