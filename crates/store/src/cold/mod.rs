//! Places and their air: readings, excursions, checks, and who is told.

pub(crate) mod air;
pub mod cold_lots;
pub mod evaluation;
pub mod excursions;
pub mod house_checks;
pub mod ingest;
pub mod notices;
pub mod places;
pub mod probe_checks;
pub mod readings;
pub mod temperature;
