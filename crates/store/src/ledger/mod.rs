//! The entries of the book and the lots that they are about.

pub(crate) mod action_lots;
pub mod batch_holds;
pub(crate) mod booked;
pub mod countersign;
pub mod counts;
pub mod entries;
pub mod excursion_actions;
pub mod holds;
pub(crate) mod life;
pub mod loss_watch;
pub mod lot_state;
pub mod lots;
pub mod packings;
pub(crate) mod posting;
pub(crate) mod reversals;
pub mod spells;
pub mod trace;
pub mod warm_spells;
pub mod weighings;
