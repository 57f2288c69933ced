//! The trade: quantities, lots, ledger, exposure, shelf life, allocation, reconciliation, yields, money.
//!
//! *Invariant:* this crate is pure. It has no clock, no randomness, no network, no database and nothing
//! asynchronous; "now" is always a parameter. The calculations stand here and nowhere else.

pub mod air;
pub mod allocation;
pub mod calendar;
pub mod earnings;
pub mod exposure;
pub mod judgement;
pub mod kinetic;
pub mod limits;
pub mod lot;
pub mod money;
pub mod path;
pub mod product;
pub mod quantity;
pub mod reconciliation;
pub mod refusal;
pub mod rejudge;
pub mod replay;
pub mod risk;
pub mod senml;
pub mod senml_decode;
pub mod shelf_life;
pub mod spell;
pub mod stock_count;
pub mod takings;
pub mod text;
pub mod unknown_air;
pub mod wear;
pub mod weighing;
pub mod weight_loss;
pub mod words;
pub mod yields;

pub use quantity::Grams;
pub use refusal::{Fault, Kind, Refusal};
