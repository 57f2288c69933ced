//! The ledger in Postgres: the only crate that knows SQL.
//!
//! One way in: [`transaction!`] runs one transaction for one farm and hands out a [`Tx`]. What a thing
//! needs of the database stands in the module of that thing, as methods of `Tx`.
//!
//! *Invariant:* nothing outside this crate holds a connection, and no query of a farm runs before `gillbook.farm` is set.

mod authority;
mod backlog;
pub mod bounded;
pub mod check;
pub mod cold;
mod constraints;
pub mod error;
pub mod farm;
pub mod growing;
mod heads;
pub mod idempotency;
pub mod ledger;
pub mod migrate;
mod ranges;
pub mod reports;
pub mod secret;
pub mod selling;
mod tenancy;
mod transaction;
mod versions;

pub use transaction::{FarmSettings, Tx};

use std::{
    collections::BTreeSet,
    sync::{
        Arc, Mutex, RwLock,
        atomic::{AtomicU64, Ordering},
    },
    time::Duration,
};

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{SignedWith, text::PlaceCode};
use quick_cache::{UnitWeighter, sync::Cache};
use rand::SeedableRng;
use rand_chacha::ChaCha12Rng;
use sqlx::{
    ConnectOptions, Connection, PgPool,
    postgres::{PgConnectOptions, PgPoolOptions},
};
use tokio::{sync::broadcast, time::timeout};

pub use constraints::refusal_for;
pub use error::{Error, Result};

/// A farm's number.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    Hash,
    PartialOrd,
    Ord,
    serde::Serialize,
    serde::Deserialize,
    sqlx::Type,
    utoipa::ToSchema,
)]
#[serde(transparent)]
#[sqlx(transparent)]
pub struct FarmId(pub i32);

/// Who is signed in, as far as the store needs to know.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Actor {
    /// The farm that they belong to.
    pub farm: FarmId,
    /// Initials of a person, or `token` and its name: the `entered_by` of an act.
    pub name: String,
    /// Unique in the farm, for idempotency keys.
    pub key: String,
    /// What they are signed in with.
    pub with: SignedWith,
}

impl Actor {
    /// The program itself, at work for a farm: `judge`, `notices`.
    #[must_use]
    pub fn program(farm: FarmId, name: &str) -> Self {
        Self { farm, name: name.into(), key: name.into(), with: SignedWith::Machine }
    }
}

/// How often a transaction is run again after a deadlock or a serialisation failure.
#[doc(hidden)]
pub const MAX_ATTEMPTS: u32 = 5;

/// How long a connection may rest without being asked whether it still lives. Shorter than a database takes to come back from a crash.
const PING_AFTER_IDLE: Duration = Duration::from_millis(300);

/// The longest that a connection may take to come back: a statement that was given up may run for thirty seconds.
const RELEASE_TIMEOUT: Duration = Duration::from_secs(35);

/// How long a probe's token is taken as good without asking again. A token that was removed by another program may be used as much
/// longer.
const TOKEN_CACHE_TTL: TimeDelta = TimeDelta::minutes(2);

/// The most probes, and the most of their tokens, that are remembered.
const PROBE_CACHE_CAPACITY: u64 = 200_000;

/// A session, and until when it is believed to be good.
type CachedSession = (Arc<farm::sessions::Session>, DateTime<Utc>);

/// A pool of connections of the service's role.
#[derive(Debug, Clone)]
pub struct Store {
    pool: PgPool,
    /// Connections that readings are kept on.
    pinned: cold::ingest::pinned::PinnedPool,
    /// Whether readings are likely to be there already.
    duplicate_backoff: cold::readings::DuplicateBackoff,
    /// Months whose partitions are known to be there.
    partition_cache: Arc<RwLock<BTreeSet<(i32, u32)>>>,
    /// Numbers and places of probes by farm and name.
    probe_cache: Arc<Cache<(FarmId, String), Arc<cold::readings::CachedProbe>>>,
    /// Probes' tokens that were good a moment ago and until when that is believed, so that a reading need not ask twice.
    token_cache: Arc<Cache<[u8; 32], CachedSession>>,
    /// How often they were forgotten.
    token_cache_epoch: Arc<AtomicU64>,
    /// What was touched and must be judged.
    dirty_farms: Arc<cold::evaluation::DirtyFarms>,
    /// Where the chance in ids comes from.
    id_rng: Arc<Mutex<ChaCha12Rng>>,
    /// Tells of every place that was judged.
    evaluated_tx: broadcast::Sender<(FarmId, PlaceCode)>,
}

impl Store {
    /// Connects. `most` bounds the number of connections.
    ///
    /// # Errors
    /// When the database cannot be reached.
    pub async fn connect(options: PgConnectOptions, most: u32) -> Result<Self> {
        // Every wait is bounded: a lock for ten seconds, a statement for thirty. No plan is compiled: that takes longer than ours run.
        let options = options
            .application_name("gillbook")
            .options([("lock_timeout", "10s"), ("statement_timeout", "30s"), ("jit", "off")])
            .log_statements(tracing::log::LevelFilter::Trace);
        let pool = PgPoolOptions::new()
            .max_connections(most)
            .acquire_timeout(Duration::from_secs(10))
            // A connection that has just been used is not asked whether it still lives: that would cost a round trip a request.
            .test_before_acquire(false)
            .before_acquire(|connection, used| {
                Box::pin(async move {
                    if used.idle_for > PING_AFTER_IDLE {
                        connection.ping().await?;
                    }
                    Ok(true)
                })
            })
            // A request that is given up while its transaction begins leaves it open: the library takes one as begun only once it has been
            // told so. Whoever had the connection next would work in it. Where none is open this begins one and ends it, without the warning
            // that a bare rollback gives. One that has failed refuses the begin. What fails or does not end is closed by the pool. A
            // connection that readings were kept on goes on seeing farms, which whoever has it next is not to see.
            .after_release(|connection, _| {
                Box::pin(async move {
                    let ended =
                        sqlx::raw_sql("begin; rollback; reset gillbook.farm; reset gillbook.farms").execute(connection);
                    timeout(RELEASE_TIMEOUT, ended).await.map_err(|_| sqlx::Error::PoolTimedOut)??;
                    Ok(true)
                })
            })
            .connect_with(options)
            .await?;
        Ok(Self {
            pool,
            pinned: cold::ingest::pinned::PinnedPool::default(),
            duplicate_backoff: cold::readings::DuplicateBackoff::default(),
            partition_cache: Arc::default(),
            probe_cache: Arc::new(Cache::with_weighter(1000, PROBE_CACHE_CAPACITY, UnitWeighter)),
            token_cache: Arc::new(Cache::with_weighter(1000, PROBE_CACHE_CAPACITY, UnitWeighter)),
            token_cache_epoch: Arc::default(),
            dirty_farms: Arc::default(),
            id_rng: Arc::new(Mutex::new(ChaCha12Rng::from_rng(&mut rand::rng()))),
            evaluated_tx: broadcast::channel(1024).0,
        })
    }

    /// Takes the chance in ids from a seed, so that a demo's are the same every time. Never for secrets, and never in service.
    #[must_use]
    pub fn with_ids_from(mut self, seed: u64) -> Self {
        self.id_rng = Arc::new(Mutex::new(ChaCha12Rng::seed_from_u64(seed)));
        self
    }

    /// Forgets which tokens were good a moment ago: one was removed.
    pub fn invalidate_token_cache(&self) {
        self.token_cache_epoch.fetch_add(1, Ordering::SeqCst);
        self.token_cache.clear();
    }

    /// Closes every connection.
    pub async fn close(&self) {
        let closed = self.pool.close();
        self.pinned.drain();
        closed.await;
    }

    /// Whether the database answers.
    ///
    /// # Errors
    /// When it does not.
    pub async fn ping(&self) -> Result<()> {
        sqlx::query_scalar!(r#"select 1 as "one!""#).fetch_one(&self.pool).await?;
        Ok(())
    }

    /// Begins a transaction that may write. [`transaction!`] is how to run one.
    ///
    /// # Errors
    /// When the database cannot be reached.
    #[doc(hidden)]
    pub async fn begin_write(&self, actor: &Actor, now: DateTime<Utc>) -> Result<Tx> {
        let db = self.begin_of_farm("begin", actor.farm).await?;
        Ok(Tx::new(db, actor, now, self.id_rng.clone()))
    }

    /// Begins a transaction that only reads, on one snapshot. [`transaction!`] is how to run one.
    ///
    /// # Errors
    /// When the database cannot be reached.
    #[doc(hidden)]
    pub async fn begin_read(&self, actor: &Actor, now: DateTime<Utc>) -> Result<Tx> {
        let db = self.begin_of_farm("begin isolation level repeatable read read only", actor.farm).await?;
        let mut tx = Tx::new(db, actor, now, self.id_rng.clone());
        tx.memo.one_snapshot = true;
        Ok(tx)
    }
}

/// Runs one transaction of one farm: `transaction!(write, store, &signed, now, |tx| work)`, where `work` gives a [`Result`].
///
/// A transaction that writes is committed once, when `work` succeeds, and rolled back when it does not; after a deadlock or a serialisation
/// failure `work` is run again, a bounded number of times. One that reads sees one snapshot.
///
/// A macro and not a function with an async closure, because the compiler cannot yet see that such a closure's future may move
/// between threads when it borrows.
#[macro_export]
macro_rules! transaction {
    (write, $store:expr, $actor:expr, $now:expr, |$tx:ident| $work:expr) => {
        async {
            let mut tried = 0;
            loop {
                let mut transaction = $store.begin_write($actor, $now).await?;
                let outcome: $crate::Result<_> = async {
                    let $tx = &mut transaction;
                    $work
                }
                .await;
                tried += 1;
                match transaction.end(outcome).await {
                    Err(error) if error.is_retryable() && tried < $crate::MAX_ATTEMPTS => {}
                    done => break done,
                }
            }
        }
        .await
    };
    (read, $store:expr, $actor:expr, $now:expr, |$tx:ident| $work:expr) => {
        async {
            let mut transaction = $store.begin_read($actor, $now).await?;
            let outcome: $crate::Result<_> = async {
                let $tx = &mut transaction;
                $work
            }
            .await;
            transaction.end(outcome).await
        }
        .await
    };
}

/// A page of a list: at most `limit` rows that come after `after`.
#[derive(Debug, Clone)]
pub struct Pagination {
    /// The last key of the page before.
    pub after: Option<String>,
    /// The most rows.
    pub limit: i64,
}
