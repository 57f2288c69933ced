//! Group commit of posted readings.
//!
//! A commit costs the same for one reading as for a few dozen, so posts that come together share one. A post that comes alone commits at once,
//! in its own task. While a commit is in flight the next group queues; it is flushed when the queue reaches its target size, which follows the
//! number of clients around the last commit, and after [`LINGER`] in any case. A post is answered after the commit that kept it.

use std::{
    collections::VecDeque,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::{Duration, Instant},
};

use chrono::{DateTime, Utc};
use gillbook_core::limits::{MAX_LARGE_POSTS_WAITING, MAX_POSTS_WAITING};
use tokio::sync::{Semaphore, oneshot};

use crate::{
    Error, Result, Store,
    cold::readings::{IngestReceipt, ReadingPack},
};

/// What is told of each commit: its records, and how long it took.
pub type Observer = Arc<dyn Fn(usize, Duration) + Send + Sync>;
/// What time it is.
pub type Clock = Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>;

/// The most records of one commit.
const MAX_RECORDS_PER_COMMIT: usize = 20_000;
/// The longest that a queue lingers below its target size.
const LINGER: Duration = Duration::from_millis(1);
/// The queue is flushed when it reaches this share of the clients around the last commit, in percent. Waiting for all of them would leave the
/// database idle while the rest are still being parsed.
const TARGET_SHARE_PERCENT: usize = 33;
/// A pack of so many records is a commit of its own, beside the queue: it gains nothing from company, and the others would wait for it.
const LARGE_PACK_RECORDS: usize = 500;
/// Large packs that are kept at once.
const MAX_LARGE_IN_FLIGHT: usize = 2;
/// The longest that a commit may take. The database ends a statement long before; this is for a database that is gone without a word.
const COMMIT_TIMEOUT: Duration = Duration::from_mins(1);

struct Pending {
    post: ReadingPack,
    answer: oneshot::Sender<Result<IngestReceipt>>,
}

struct Queue {
    waiting: VecDeque<Pending>,
    /// Whether a commit is on its way.
    in_flight: bool,
    /// How many a commit is worth waiting for.
    target_size: usize,
    /// When the last commit ended.
    ended: Instant,
}

struct Shared {
    store: Store,
    clock: Clock,
    committed: Observer,
    queue: Mutex<Queue>,
    large: Semaphore,
    parsing: Semaphore,
    large_waiting: Semaphore,
}

/// Where posts are handed in.
#[derive(Clone)]
pub struct GroupCommit(Arc<Shared>);

impl std::fmt::Debug for GroupCommit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("GroupCommit").finish_non_exhaustive()
    }
}

/// For a commit whose task is gone: nobody knows what became of it, and sending the post again is harmless.
fn ended_without_answer() -> Error {
    Error::stored("a commit of readings ended without an answer")
}

/// What becomes of a post that comes in.
enum Admission {
    /// It commits now, by itself.
    Commits(CommitPermit, ReadingPack),
    /// It waits for its group's commit.
    Waits(oneshot::Receiver<Result<IngestReceipt>>),
}

/// The permit to commit; at most one exists. Dropping it, also by cancellation, starts the next group.
struct CommitPermit {
    group_commit: GroupCommit,
    /// How many posts are committed in it.
    posts: usize,
}

impl Shared {
    /// Keeps posts in one commit, each with its own answer.
    async fn commit(&self, posts: Vec<ReadingPack>) -> Vec<Result<IngestReceipt>> {
        let (began, records) = (Instant::now(), posts.iter().map(|p| p.records.len()).sum());
        let receipts = self.store.insert_packs(posts, (self.clock)()).await;
        (self.committed)(records, began.elapsed());
        receipts
    }
}

impl GroupCommit {
    /// Posts and large posts that wait for a commit.
    #[must_use]
    pub fn queued(&self) -> (i64, i64) {
        let large = MAX_LARGE_POSTS_WAITING - self.0.large_waiting.available_permits().min(MAX_LARGE_POSTS_WAITING);
        let number = |n: usize| i64::try_from(n).unwrap_or(i64::MAX);
        (number(self.queue().waiting.len()), number(large))
    }

    /// A queue over a store.
    #[must_use]
    pub fn new(store: Store, clock: Clock, committed: Observer) -> Self {
        let queue = Queue { waiting: VecDeque::new(), in_flight: false, target_size: 0, ended: Instant::now() };
        Self(Arc::new(Shared {
            store,
            clock,
            committed,
            queue: Mutex::new(queue),
            large: Semaphore::new(MAX_LARGE_IN_FLIGHT),
            parsing: Semaphore::new(MAX_LARGE_IN_FLIGHT),
            large_waiting: Semaphore::new(MAX_LARGE_POSTS_WAITING),
        }))
    }

    /// Commits a post, with others that come together.
    ///
    /// # Errors
    /// When too many wait, and when the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.keep", skip_all)]
    pub async fn keep(&self, post: ReadingPack) -> Result<IngestReceipt> {
        // Boxed, so that the many posts that wait do not carry the room for a commit.
        if post.records.len() >= LARGE_PACK_RECORDS {
            let _queued = self.0.large_waiting.try_acquire().map_err(|_| Error::Busy)?;
            let _permit = self.0.large.acquire().await.map_err(|_| ended_without_answer())?;
            return Box::pin(self.commit_alone(post)).await;
        }
        match self.enqueue(post)? {
            Admission::Commits(_permit, post) => Box::pin(self.commit_alone(post)).await,
            Admission::Waits(kept) => kept.await.map_err(|_| ended_without_answer())?,
        }
    }

    /// Parses a large pack away from the threads that answer requests, a few at a time: a parsed pack takes a multiple of its bytes.
    ///
    /// # Errors
    /// When too many wait.
    #[tracing::instrument(level = "debug", name = "store.cold.parse_large", skip_all)]
    pub async fn parse_large<T: Send + 'static>(&self, parse: impl FnOnce() -> T + Send + 'static) -> Result<T> {
        let _queued = self.0.large_waiting.try_acquire().map_err(|_| Error::Busy)?;
        let _permit = self.0.parsing.acquire().await.map_err(|_| ended_without_answer())?;
        tokio::task::spawn_blocking(parse).await.map_err(|_| ended_without_answer())
    }

    async fn commit_alone(&self, post: ReadingPack) -> Result<IngestReceipt> {
        let receipt = self.0.commit(vec![post]).await.pop();
        receipt.ok_or_else(ended_without_answer)?
    }

    fn enqueue(&self, post: ReadingPack) -> Result<Admission> {
        let mut queue = self.queue();
        if !queue.in_flight && queue.waiting.is_empty() && !queue.is_batching() {
            queue.in_flight = true;
            return Ok(Admission::Commits(CommitPermit { group_commit: self.clone(), posts: 1 }, post));
        }
        if queue.waiting.len() >= MAX_POSTS_WAITING {
            return Err(Error::Busy);
        }
        let (answer, kept) = oneshot::channel();
        queue.waiting.push_back(Pending { post, answer });
        if !queue.in_flight && queue.waiting.len() >= queue.target_size {
            self.commit_group(queue);
        }
        Ok(Admission::Waits(kept))
    }

    /// Begins the commit of those who wait, if anybody does.
    fn commit_group(&self, mut queue: MutexGuard<'_, Queue>) {
        let group = queue.next_group();
        queue.in_flight = !group.is_empty();
        drop(queue);
        if !group.is_empty() {
            let permit = CommitPermit { group_commit: self.clone(), posts: group.len() };
            tokio::spawn(async move { permit.commit(group).await });
        }
    }

    /// Lets the group go that has gathered since a commit ended, if it has not gone yet.
    async fn flush_after_linger(self, ended: Instant) {
        tokio::time::sleep(LINGER).await;
        let queue = self.queue();
        if !queue.in_flight && queue.ended == ended {
            self.commit_group(queue);
        }
    }

    fn queue(&self) -> MutexGuard<'_, Queue> {
        self.0.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Queue {
    fn next_group(&mut self) -> Vec<Pending> {
        let mut group = Vec::with_capacity(self.waiting.len());
        let mut records = 0;
        while records < MAX_RECORDS_PER_COMMIT
            && let Some(next) = self.waiting.pop_front()
        {
            records += next.post.records.len();
            group.push(next);
        }
        group
    }

    /// Whether others are expected for the next commit.
    fn is_batching(&self) -> bool {
        self.target_size > 1 && self.ended.elapsed() < LINGER
    }
}

impl CommitPermit {
    async fn commit(self, group: Vec<Pending>) {
        let (posts, answers): (Vec<_>, Vec<_>) = group.into_iter().map(|w| (w.post, w.answer)).unzip();
        let Ok(receipts) = tokio::time::timeout(COMMIT_TIMEOUT, self.group_commit.0.commit(posts)).await else {
            tracing::error!("a commit of readings did not end; its clients are told that it failed");
            return;
        };
        for (answer, receipt) in answers.into_iter().zip(receipts) {
            // Whoever posted may have gone; what was kept is kept.
            answer.send(receipt).ok();
        }
    }
}

impl Drop for CommitPermit {
    fn drop(&mut self) {
        let mut queue = self.group_commit.queue();
        queue.in_flight = false;
        queue.ended = Instant::now();
        queue.target_size = (self.posts + queue.waiting.len()) * TARGET_SHARE_PERCENT / 100;
        if queue.waiting.len() >= queue.target_size {
            self.group_commit.commit_group(queue);
        } else {
            tokio::spawn(self.group_commit.clone().flush_after_linger(queue.ended));
        }
    }
}
