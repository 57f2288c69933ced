//! Connections that stay out of the pool between commits.
//!
//! Returning a connection to the pool costs a ping and a reset (two round trips) and a task for them. A single-reading insert costs one, so
//! ingest pins up to two connections.

use std::{
    sync::{Arc, Mutex, PoisonError},
    time::{Duration, Instant},
};

use gillbook_core::{text::PlaceCode, units::calendar::Span};
use sqlx::{Connection, PgPool, Postgres, pool::PoolConnection};
use tokio::time::timeout;

use crate::{PING_AFTER_IDLE, Result, tenancy::FarmsSetting};

/// The longest that a connection may take to say that it lives.
const PING_TIMEOUT: Duration = Duration::from_secs(3);

/// The most connections that stay out of the pool.
const MAX_PINNED: usize = 2;

/// A connection that readings are kept on.
#[derive(Debug)]
pub(crate) struct PinnedConnection {
    pub(crate) connection: PoolConnection<Postgres>,
    /// The farms whose rows it sees between transactions.
    pub(crate) tenant_scope: FarmsSetting,
    /// A dirty range that was seen on it, of a single farm that it sees.
    pub(crate) dirty: Option<DirtyRange>,
}

/// A dirty range that was seen: its row stays until somebody leases ranges of its farm.
#[derive(Debug)]
pub(crate) struct DirtyRange {
    pub(crate) place: PlaceCode,
    /// Whole hours that it covers.
    pub(crate) hours: Span,
    /// How many leases there had been.
    pub(crate) leases: i64,
}

impl PinnedConnection {
    /// How many leases there had been when a dirty range was seen that covers these hours.
    pub(crate) fn known_dirty(&self, place: &PlaceCode, hours: Span) -> Option<i64> {
        self.dirty.as_ref().filter(|dirty| dirty.place == *place && dirty.hours == hours).map(|dirty| dirty.leases)
    }
}

/// Connections between commits.
#[derive(Debug, Clone, Default)]
pub(crate) struct PinnedPool(Arc<Mutex<Vec<Idle>>>);

#[derive(Debug)]
struct Idle {
    connection: PinnedConnection,
    since: Instant,
}

impl PinnedPool {
    /// Takes a connection that lives: an idle one, or else the pool's.
    pub(crate) async fn acquire(&self, pool: &PgPool) -> Result<PinnedConnection> {
        while let Some(mut idle) = self.pop() {
            if idle.since.elapsed() < PING_AFTER_IDLE
                || timeout(PING_TIMEOUT, idle.connection.connection.ping()).await.is_ok_and(|pong| pong.is_ok())
            {
                return Ok(idle.connection);
            }
            drop(idle.connection.connection.detach());
        }
        Ok(PinnedConnection { connection: pool.acquire().await?, tenant_scope: FarmsSetting::default(), dirty: None })
    }

    /// Keeps a connection for the next commit. One on which something failed is to be dropped instead, and the pool sees to it.
    pub(crate) fn put_back(&self, connection: PinnedConnection, pool: &PgPool) {
        let mut idle = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if idle.len() < MAX_PINNED && !pool.is_closed() {
            idle.push(Idle { connection, since: Instant::now() });
        }
    }

    /// Gives every one back, so that the pool can be closed.
    pub(crate) fn drain(&self) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }

    fn pop(&self) -> Option<Idle> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).pop()
    }
}
