//! What can go wrong between the service and its database. Without HTTP: an outer sentence for whoever asked, an inner
//! one for the log.

use gillbook_core::refusal::{Refusal, RefusalKind};
use sqlx::postgres::{PgDatabaseError, PgSeverity};

use crate::constraints::refusal_for;

/// The store's result.
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// A refusal, or a failure.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Refused for a reason that the person can do something about.
    #[error("refused: {0}")]
    Refused(#[from] Refusal),
    /// The database failed.
    #[error("database: {0}")]
    Database(sqlx::Error),
    /// Stored data is not what the program wrote.
    #[error("stored data: {0}")]
    Stored(String),
    /// Too much of a kind of slow work is waiting already.
    #[error("too much is waiting")]
    Busy,
}

impl Error {
    /// What was stored, or is to be, is not what the program writes.
    pub(crate) fn stored(error: impl std::fmt::Display) -> Self {
        Self::Stored(error.to_string())
    }

    /// The same error once more, for everybody whose posts were kept together.
    pub(crate) fn clone_for_batch(&self) -> Self {
        match self {
            Self::Refused(refusal) => Self::Refused(refusal.clone()),
            other if other.is_transient() => Self::Database(sqlx::Error::WorkerCrashed),
            other => Self::Stored(other.to_string()),
        }
    }

    /// Whether the same transaction may well succeed when it is run again.
    #[must_use]
    pub fn is_retryable(&self) -> bool {
        // Serialisation failure and deadlock (PostgreSQL documentation, appendix A).
        matches!(self, Self::Database(sqlx::Error::Database(e)) if matches!(e.code().as_deref(), Some("40001" | "40P01")))
    }

    /// Whether the database is away or overloaded, so that trying again later may help.
    #[must_use]
    pub fn is_transient(&self) -> bool {
        self.is_retryable()
            || matches!(
                self,
                Self::Busy
                    | Self::Database(
                        sqlx::Error::PoolTimedOut
                            | sqlx::Error::PoolClosed
                            | sqlx::Error::Io(_)
                            | sqlx::Error::WorkerCrashed
                    )
            )
            || matches!(self, Self::Database(sqlx::Error::Database(e))
                if e.code().is_some_and(|code| is_transient_state(&code)) || let_none_in(e.as_ref()))
    }
}

/// Turns "there is no such thing" into the fault of the field that names it. Whatever else went wrong stays what it is: a deadlock is tried
/// again, and an outage is no mistake of who asked.
pub(crate) trait OrMissing<T> {
    fn or_missing(self, refusal: impl FnOnce() -> Refusal) -> Result<T>;
}

impl<T> OrMissing<T> for Result<T> {
    fn or_missing(self, refusal: impl FnOnce() -> Refusal) -> Self {
        self.map_err(|error| match error {
            Error::Refused(there_is_none) if there_is_none.kind == RefusalKind::NotFound => refusal().into(),
            other => other,
        })
    }
}

/// Whether the database let no session begin and has no state of its own for why: with a full disk it "could not write init file".
fn let_none_in(error: &dyn sqlx::error::DatabaseError) -> bool {
    let severity = error.try_downcast_ref::<PgDatabaseError>().map(PgDatabaseError::severity);
    matches!(severity, Some(PgSeverity::Fatal | PgSeverity::Panic)) && error.code().as_deref() == Some("XX000")
}

/// Whether a state of the database passes (`PostgreSQL` documentation, appendix A): class 53 is insufficient resources, a full disk, no memory,
/// too many connections; shutting down, crashed and cannot connect now are three of class 57, statement and lock time-outs one each.
fn is_transient_state(code: &str) -> bool {
    code.starts_with("53") || matches!(code, "57P01" | "57P02" | "57P03" | "57014" | "55P03")
}

impl From<sqlx::Error> for Error {
    fn from(error: sqlx::Error) -> Self {
        let refusal = match &error {
            sqlx::Error::Database(e) => match e.code().as_deref() {
                // Somebody else holds the row for longer than the bounded wait.
                Some("55P03") => Some(Refusal::new(
                    RefusalKind::InProgress,
                    "Somebody else is changing the same thing right now. Try again in a moment.",
                )),
                Some("22003") => Some(Refusal::new(
                    RefusalKind::Invalid,
                    "A number is larger than its field can hold. Check the numbers.",
                )),
                _ => e.constraint().and_then(|name| {
                    let detail =
                        e.try_downcast_ref::<PgDatabaseError>().and_then(PgDatabaseError::detail).unwrap_or_default();
                    refusal_for(e.table().unwrap_or_default(), name, detail)
                }),
            },
            _ => None,
        };
        refusal.map_or(Self::Database(error), Self::Refused)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_not_there_is_the_fault_of_the_field_that_names_it() {
        let blamed = |error: Error| Err::<(), _>(error).or_missing(|| Refusal::field("/lot", "Check the code."));
        let missing = blamed(Refusal::not_found("lot", "OY-1").into()).unwrap_err();
        assert!(matches!(missing, Error::Refused(r) if r.faults[0].pointer == "/lot"));
        assert!(blamed(sqlx::Error::PoolTimedOut.into()).unwrap_err().is_transient());
        let held = Refusal::new(RefusalKind::OnHold, "It is on hold.");
        assert!(matches!(blamed(held.clone().into()).unwrap_err(), Error::Refused(r) if r == held));
    }

    #[test]
    fn a_full_disk_and_no_memory_pass_and_a_broken_statement_does_not() {
        for passing in ["53100", "53200", "53300", "57P03", "55P03"] {
            assert!(is_transient_state(passing), "{passing}");
        }
        for lasting in ["42601", "23505", "22003", "XX000"] {
            assert!(!is_transient_state(lasting), "{lasting}");
        }
        assert!(Error::Busy.is_transient());
    }
}
