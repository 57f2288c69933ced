//! Periods that are locked: what the books say of them is with the tax office, and stays.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{refusal::Refusal, units::calendar::Day};

/// The books to be locked up to a day.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPeriodLock {
    /// The last day that is locked: yesterday at the latest. An earlier day than the one before unlocks the days behind it.
    pub locked_until: Day,
}

/// That the books were locked up to a day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PeriodLock {
    /// The last day that is locked.
    pub locked_until: NaiveDate,
    /// When it was locked.
    pub locked_at: DateTime<Utc>,
    /// Who locked it.
    pub entered_by: String,
}

/// Refuses to lock a day that is not over.
///
/// # Errors
/// Names the field.
pub fn ensure_over(new: &NewPeriodLock, today: NaiveDate) -> Result<(), Refusal> {
    if new.locked_until.0 < today {
        return Ok(());
    }
    Err(Refusal::field("/locked_until", "That day is not over. Lock the books up to yesterday or an earlier day."))
}
