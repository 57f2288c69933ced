//! The trade: quantities, lots, ledger, exposure, shelf life, allocation, reconciliation, yields, money.
//!
//! *Invariant:* this crate is pure. It has no clock, no randomness, no network, no database and nothing
//! asynchronous; "now" is always a parameter. The calculations stand here and nowhere else.

pub mod authority;
pub mod cold;
pub mod growing;
pub mod kinds;
pub mod ledger;
pub mod limits;
pub mod outbox;
pub mod party;
pub mod refusal;
pub mod search;
pub mod selling;
pub mod senml;
pub mod text;
pub mod units;

pub use authority::SignedWith;
pub use refusal::{FieldError, Refusal, RefusalKind};
pub use units::quantity::Grams;
