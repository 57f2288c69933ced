//! Products, customers, orders, dockets and market days.

pub mod customers;
pub mod deliveries;
mod dispatch;
pub mod dockets;
pub(crate) mod kept;
pub mod market;
pub(crate) mod market_takings;
pub mod orders;
pub mod products;
mod reversal;
pub(crate) mod sales;
pub mod set_aside;
pub mod shortage;
mod terms;
