//! Products, customers, orders, dockets and market days.

pub(crate) mod billable;
pub mod closed_days;
pub mod customers;
pub mod deliveries;
mod dispatch;
pub mod dockets;
pub mod emails;
mod following;
pub mod invoices;
pub(crate) mod kept;
pub mod market;
pub(crate) mod market_takings;
pub mod orders;
mod pauses;
pub mod payments;
pub mod period_locks;
pub mod products;
pub mod recalls;
pub mod receivables;
mod reversal;
pub(crate) mod sales;
pub mod set_aside;
pub mod shared_dockets;
pub mod shortage;
pub mod standing_orders;
pub mod tally;
mod terms;
