//! Readings: kept as the probe sent them, many posts in one commit.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::{
        Arc,
        atomic::{AtomicU32, Ordering},
    },
};

use chrono::{DateTime, Datelike, Months, TimeDelta, Utc};
use gillbook_core::{senml::Resolved, text::PlaceCode};
use quick_cache::Equivalent;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    Actor, Error, FarmId, Result, Store, Tx, cold::ingest::insert_batch::InsertBatch, farm::sessions::Principal,
    transaction,
};

/// The oldest reading that is taken: three years.
pub(crate) const MAX_READING_AGE: TimeDelta = TimeDelta::days(3 * 366);

/// The farthest that a probe's clock may run ahead.
pub(crate) const MAX_CLOCK_SKEW: TimeDelta = TimeDelta::minutes(10);

/// Whether a reading of an instant is taken.
fn is_taken_at(at: DateTime<Utc>, now: DateTime<Utc>) -> bool {
    at >= now - MAX_READING_AGE && at <= now + MAX_CLOCK_SKEW
}

/// A record that was not taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RefusedReading {
    /// Its place in the pack as it was sent, from 0.
    pub index: usize,
    /// Whether sending it again can ever help.
    pub remedy: Retryability,
    /// What is wrong and what to do.
    pub reason: String,
}

/// Whether sending a record again can help.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Retryability {
    /// It will never be taken as it is: drop it.
    Permanent,
    /// It is taken once the reason is mended, by adding the probe for instance: keep it and send it again.
    Retry,
}

/// What became of a pack.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct IngestReceipt {
    /// Readings that were new and are kept now.
    pub accepted: usize,
    /// Of those, kept as faults and not as temperatures.
    pub faults: usize,
    /// Humidities (`%RH`) and battery levels (`%EL`) that were kept, new or not. They are neither accepted nor duplicate, and nothing is
    /// evaluated from them.
    pub beside: usize,
    /// Readings that were there with the same value.
    pub duplicate: usize,
    /// Records that were not taken.
    pub refused: Vec<RefusedReading>,
}

/// A pack that was posted, resolved.
#[derive(Debug)]
pub struct ReadingPack {
    /// The farm.
    pub farm: FarmId,
    /// Who posts.
    pub standing: Principal,
    /// Its records.
    pub records: Vec<Resolved>,
    /// Whether times that are missing or relative to now are let pass.
    pub relative_allowed: bool,
}

/// A probe as it is known by its name. It keeps its number and its place for good.
#[derive(Debug)]
pub(crate) struct CachedProbe {
    pub(crate) number: i32,
    pub(crate) place: PlaceCode,
}

/// What a probe is known by.
#[derive(Debug, PartialEq, Eq, Hash)]
struct ProbeKey<'a>(FarmId, &'a str);

impl Equivalent<(FarmId, String)> for ProbeKey<'_> {
    fn equivalent(&self, key: &(FarmId, String)) -> bool {
        (self.0, self.1) == (key.0, key.1.as_str())
    }
}

/// A post and the probe that each of its records names, if there is one.
#[derive(Debug)]
pub(crate) struct Named<'a> {
    pub(crate) post: &'a ReadingPack,
    pub(crate) probes: Vec<Option<Arc<CachedProbe>>>,
}

/// Years and months from one instant's through another's.
fn months_between(first: DateTime<Utc>, last: DateTime<Utc>) -> impl Iterator<Item = (i32, u32)> {
    let month = |at: DateTime<Utc>| at.date_naive().with_day(1);
    std::iter::successors(month(first), |m| m.checked_add_months(Months::new(1)))
        .take_while(move |m| Some(*m) <= month(last))
        .map(|m| (m.year(), m.month()))
}

/// How many groups are looked at row by row after one of them held a reading that was there already.
const UPSERT_AFTER_DUPLICATE: u32 = 1000;

/// Whether the next groups are likely to hold readings that are there already: a board that sends its backlog twice does so for a while,
/// and the database's log tells of every broken key.
#[derive(Debug, Clone, Default)]
pub(crate) struct DuplicateBackoff(Arc<AtomicU32>);

impl DuplicateBackoff {
    fn next(&self) -> bool {
        self.0.fetch_update(Ordering::Relaxed, Ordering::Relaxed, |left| left.checked_sub(1)).is_ok()
    }

    fn begin(&self) {
        self.0.store(UPSERT_AFTER_DUPLICATE, Ordering::Relaxed);
    }
}

impl Store {
    /// Keeps posts of any number of farms in one commit, and tells each what became of it. If the database refuses the batch, it is
    /// parted until the one that it refuses stands alone, whose error is told to it only.
    ///
    /// # Errors
    /// One a post, when the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.insert_packs", skip_all)]
    pub async fn insert_packs(&self, posts: Vec<ReadingPack>, now: DateTime<Utc>) -> Vec<Result<IngestReceipt>> {
        let named = match self.named(&posts, now).await {
            Ok(named) => named,
            Err(error) => return posts.iter().map(|_| Err(error.clone_for_batch())).collect(),
        };
        let farms: BTreeSet<FarmId> = posts.iter().map(|post| post.farm).collect();
        let mut todo = vec![&named[..]];
        let mut done = Vec::new();
        while let Some(posts) = todo.pop() {
            let mut batch = InsertBatch::build(posts, now);
            match self.commit_batch(&mut batch, now).await {
                Ok(()) => done.extend(batch.receipts.into_iter().map(Ok)),
                Err(error) if posts.len() == 1 || error.is_transient() => {
                    done.extend(posts.iter().map(|_| Err(error.clone_for_batch())));
                }
                Err(_) => {
                    let (first, second) = posts.split_at(posts.len() / 2);
                    todo.extend([second, first]);
                }
            }
        }
        self.dirty_farms.notify(farms);
        done
    }

    async fn commit_batch(&self, batch: &mut InsertBatch, now: DateTime<Utc>) -> Result<()> {
        let Some((first, last)) = batch.span() else { return Ok(()) };
        self.ensure_months(first, last).await?;
        let mut tries = 0;
        let mut expect_duplicates = self.duplicate_backoff.next();
        loop {
            let mut db = self.pinned.acquire(&self.pool).await?;
            let mut kept = batch.commit_on(&mut db, now, expect_duplicates).await;
            if matches!(kept, Ok(false)) {
                self.duplicate_backoff.begin();
                expect_duplicates = true;
                kept = batch.commit_on(&mut db, now, expect_duplicates).await;
            }
            match kept {
                Ok(_) => {
                    self.pinned.put_back(db, &self.pool);
                    return Ok(());
                }
                Err(error) if error.is_retryable() && tries < crate::MAX_ATTEMPTS => tries += 1,
                Err(error) => return Err(error),
            }
        }
    }

    /// Makes the partitions that readings of a span go to, once a program and month.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.ensure_months", skip_all)]
    pub async fn ensure_months(&self, first: DateTime<Utc>, last: DateTime<Utc>) -> Result<()> {
        let months: Vec<_> = months_between(first, last).collect();
        if self.partition_cache.read().is_ok_and(|known| months.iter().all(|month| known.contains(month))) {
            return Ok(());
        }
        sqlx::query!("select ensure_reading_partitions($1, $2)", first, last).fetch_one(&self.pool).await?;
        if let Ok(mut known) = self.partition_cache.write() {
            known.extend(months);
        }
        Ok(())
    }

    /// Makes the partitions that a pack's readings go to, before the transaction that keeps them: making one is locked for all farms, and
    /// whoever held that lock to the end of a transaction would have all of them stand in one line.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.ensure_months_of", skip_all)]
    pub async fn ensure_months_of(&self, post: &ReadingPack, now: DateTime<Utc>) -> Result<()> {
        let taken = || post.records.iter().map(|r| r.at).filter(|at| is_taken_at(*at, now));
        match taken().min().zip(taken().max()) {
            Some((first, last)) => self.ensure_months(first, last).await,
            None => Ok(()),
        }
    }

    /// The probes that posts name. A probe keeps its number for good, so what was found once is remembered.
    async fn named<'a>(&self, posts: &'a [ReadingPack], now: DateTime<Utc>) -> Result<Vec<Named<'a>>> {
        let mut unknown: BTreeMap<FarmId, BTreeSet<String>> = BTreeMap::new();
        let known = |farm, name: &str| self.probe_cache.get(&ProbeKey(farm, name));
        let named = posts.iter().map(|post| {
            Named::of(post, known, |name| {
                unknown.entry(post.farm).or_default().insert(name.to_owned());
            })
        });
        let named: Vec<_> = named.collect();
        if unknown.is_empty() {
            return Ok(named);
        }
        // Boxed, so that the many posts of probes that are known do not carry the room for it.
        let found = Box::pin(self.look_probes_up(unknown, now)).await?;
        let found = |farm, name: &str| known(farm, name).or_else(|| found.get(&(farm, name.to_owned())).cloned());
        Ok(posts.iter().map(|post| Named::of(post, found, |_| {})).collect())
    }

    async fn look_probes_up(
        &self,
        unknown: BTreeMap<FarmId, BTreeSet<String>>,
        now: DateTime<Utc>,
    ) -> Result<BTreeMap<(FarmId, String), Arc<CachedProbe>>> {
        let mut all = BTreeMap::new();
        for (farm, names) in unknown {
            let signed = Actor::program(farm, "look-up");
            let names: Vec<String> = names.into_iter().collect();
            let found = transaction!(read, self, &signed, now, |tx| tx.probes_named(&names).await)?;
            for (name, probe) in found {
                self.probe_cache.insert((farm, name.clone()), probe.clone());
                all.insert((farm, name), probe);
            }
        }
        Ok(all)
    }
}

impl<'a> Named<'a> {
    /// Looks the probes of a post up. Records of one probe mostly stand together in a pack.
    fn of(
        post: &'a ReadingPack,
        known: impl Fn(FarmId, &str) -> Option<Arc<CachedProbe>>,
        mut unknown: impl FnMut(&str),
    ) -> Self {
        let mut before: Option<(&str, Option<Arc<CachedProbe>>)> = None;
        let probes = post.records.iter().map(|record| match &before {
            Some((name, probe)) if *name == record.name => probe.clone(),
            _ => {
                let probe = known(post.farm, &record.name);
                if probe.is_none() {
                    unknown(&record.name);
                }
                before = Some((&record.name, probe.clone()));
                probe
            }
        });
        Self { probes: probes.collect(), post }
    }
}

impl Tx {
    async fn probes_named(&mut self, names: &[String]) -> Result<BTreeMap<String, Arc<CachedProbe>>> {
        let rows = sqlx::query!(
            r#"select name, probe_id, place as "place: PlaceCode" from probe where farm_id = $1 and name = any ($2)"#,
            self.farm.0,
            names
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|r| (r.name, Arc::new(CachedProbe { number: r.probe_id, place: r.place }))).collect())
    }

    /// Keeps one pack in this transaction: for packs with a key, whose answer is kept beside it. The months are there already:
    /// [`Store::ensure_months_of`].
    ///
    /// # Errors
    /// When the database fails; what is wrong with single records stands in the receipt.
    #[tracing::instrument(level = "debug", name = "store.cold.insert_readings", skip_all, fields(farm_id = self.farm.0))]
    pub async fn insert_readings(&mut self, post: &ReadingPack) -> Result<IngestReceipt> {
        let names: Vec<String> =
            post.records.iter().map(|r| r.name.clone()).collect::<BTreeSet<_>>().into_iter().collect();
        let probes = self.probes_named(&names).await?;
        let named = Named::of(post, |_, name| probes.get(name).cloned(), |_| {});
        let mut batch = InsertBatch::build(&[named], self.now);
        batch.insert_in_tx(&mut self.db, self.now).await?;
        batch.receipts.pop().ok_or_else(|| Error::Stored("a post has a receipt".into()))
    }
}
