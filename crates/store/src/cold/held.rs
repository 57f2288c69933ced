//! Connections that are held between commits.
//!
//! A connection that comes back to the pool is asked whether it still lives and rid of what was left open on it: two round trips to the
//! database and a task for them, each time. A post of one reading is no more than such a round trip itself, so the few connections that
//! readings are kept on are not given back between commits.

use std::{
    sync::{Arc, Mutex, PoisonError},
    time::{Duration, Instant},
};

use gillbook_core::{text::PlaceCode, units::calendar::Span};
use sqlx::{Connection, PgPool, Postgres, pool::PoolConnection};
use tokio::time::timeout;

use crate::{PING_AFTER_IDLE, Result};

/// The longest that a connection may take to say that it lives.
const PING_TIMEOUT: Duration = Duration::from_secs(3);

/// The most connections that are held.
const MAX_PINNED: usize = 2;

/// A connection that readings are kept on.
#[derive(Debug)]
pub(crate) struct HeldConnection {
    pub(crate) connection: PoolConnection<Postgres>,
    /// The farms whose rows it sees between transactions, as the setting has them.
    pub(crate) sees: String,
    /// A mark that was seen on it, of a single farm that it sees.
    pub(crate) mark: Option<Mark>,
}

/// A mark that was seen: it stands until somebody leases marks of its farm.
#[derive(Debug)]
pub(crate) struct Mark {
    pub(crate) place: PlaceCode,
    /// Whole hours that it covers.
    pub(crate) hours: Span,
    /// How many leases there had been.
    pub(crate) leases: i64,
}

impl HeldConnection {
    /// How many leases there had been when a mark was seen that covers these hours.
    pub(crate) fn marked(&self, place: &PlaceCode, hours: Span) -> Option<i64> {
        self.mark.as_ref().filter(|mark| mark.place == *place && mark.hours == hours).map(|mark| mark.leases)
    }
}

/// Connections that rest between commits.
#[derive(Debug, Clone, Default)]
pub(crate) struct Held(Arc<Mutex<Vec<Resting>>>);

#[derive(Debug)]
struct Resting {
    held: HeldConnection,
    since: Instant,
}

impl Held {
    /// Takes a connection that lives: one that rests, or else the pool's.
    pub(crate) async fn take(&self, pool: &PgPool) -> Result<HeldConnection> {
        while let Some(mut resting) = self.pop() {
            if resting.since.elapsed() < PING_AFTER_IDLE
                || timeout(PING_TIMEOUT, resting.held.connection.ping()).await.is_ok_and(|pong| pong.is_ok())
            {
                return Ok(resting.held);
            }
            drop(resting.held.connection.detach());
        }
        Ok(HeldConnection { connection: pool.acquire().await?, sees: String::new(), mark: None })
    }

    /// Lets a connection rest. One on which something failed is to be dropped instead, and the pool sees to it.
    pub(crate) fn rest(&self, held: HeldConnection, pool: &PgPool) {
        let mut resting = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if resting.len() < MAX_PINNED && !pool.is_closed() {
            resting.push(Resting { held, since: Instant::now() });
        }
    }

    /// Gives every one back, so that the pool can be closed.
    pub(crate) fn give_back(&self) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }

    fn pop(&self) -> Option<Resting> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).pop()
    }
}
