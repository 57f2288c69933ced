//! What can go wrong between the service and its database. Without HTTP: an outer sentence for whoever asked, an inner
//! one for the log.

use gillbook_core::refusal::{Kind, Refusal};

use crate::schema_names::refusal_for;

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
}

impl Error {
    /// The same error once more, for everybody whose posts were kept together.
    pub(crate) fn told_again(&self) -> Self {
        match self {
            Self::Refused(refusal) => Self::Refused(refusal.clone()),
            other if other.is_passing() => Self::Database(sqlx::Error::WorkerCrashed),
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
    pub fn is_passing(&self) -> bool {
        self.is_retryable()
            || matches!(
                self,
                Self::Database(sqlx::Error::PoolTimedOut | sqlx::Error::PoolClosed | sqlx::Error::Io(_) | sqlx::Error::WorkerCrashed)
            )
            // Shutting down, crashed, cannot connect now, too many connections, statement time-out, lock time-out.
            || matches!(self, Self::Database(sqlx::Error::Database(e))
                if matches!(e.code().as_deref(), Some("57P01" | "57P02" | "57P03" | "53300" | "57014" | "55P03")))
    }
}

impl From<sqlx::Error> for Error {
    fn from(error: sqlx::Error) -> Self {
        let refusal = match &error {
            sqlx::Error::Database(e) => match e.code().as_deref() {
                // Somebody else holds the row for longer than the bounded wait.
                Some("55P03") => Some(Refusal::new(
                    Kind::InProgress,
                    "Somebody else is changing the same thing right now. Try again in a moment.",
                )),
                _ => e.constraint().and_then(|name| {
                    let detail = e
                        .try_downcast_ref::<sqlx::postgres::PgDatabaseError>()
                        .and_then(sqlx::postgres::PgDatabaseError::detail)
                        .unwrap_or_default();
                    refusal_for(e.table().unwrap_or_default(), name, detail)
                }),
            },
            _ => None,
        };
        refusal.map_or(Self::Database(error), Self::Refused)
    }
}
