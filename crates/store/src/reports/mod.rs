//! What the book adds up to: today, the week, risk and earnings.

pub mod allocation_plan;
pub mod availability;
pub mod earnings;
pub mod journal;
mod order_to_cash;
mod packing_list;
pub mod record;
pub mod record_parts;
pub mod risk;
pub mod sales_summary;
mod search;
mod supply;
pub mod today;
mod usual_demand;
pub mod week;
pub mod week_counts;
pub mod week_money;
pub mod weight_loss;
