//! What people do, at the HTTP surface.

mod allocation_plan;
mod at_the_door;
mod availability;
mod batch_holds;
mod bodies;
mod day_by_hand;
mod despatch;
mod emails;
mod farm_by_hand;
mod find;
mod forms;
mod invoicing;
mod labels;
mod metrics;
mod packing;
mod pages;
mod prices;
mod recalls;
mod refusals;
mod setup;
mod stall;
mod standing_orders;
mod statements;
mod week;
