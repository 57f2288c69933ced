//! Posts of readings, gathered into one commit.
//!
//! A commit costs the same for one reading as for a few dozen, so posts that come together share one. Somebody who posts alone commits at
//! once and in their own task. Where several post at the same time one commit is on its way while the next group gathers: it goes when as
//! many wait as are expected, judged by those who posted around the last commit, and after [`PATIENCE`] in any case. Each is answered only
//! after the commit that kept it.

use std::{
    collections::VecDeque,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::{Duration, Instant},
};

use gillbook_core::limits::{MAX_LARGE_POSTS_WAITING, MAX_POSTS_WAITING};
use gillbook_store::{
    Store,
    cold::readings::{Post, Receipt},
};
use tokio::sync::{Semaphore, oneshot};

use crate::{Clock, metrics::Metrics, problem::Problem};

/// The most records of one commit.
const MOST_RECORDS: usize = 20_000;
/// The longest that a group gathers.
const PATIENCE: Duration = Duration::from_millis(1);
/// The part of those who posted around the last commit that the next one waits for, in percent. The others are on their way meanwhile: their
/// requests are read and answered while the database works.
const EXPECTED_PERCENT: usize = 33;
/// A pack of so many records is a commit of its own, beside the line: it gains nothing from company, and the others would wait for it.
const LARGE: usize = 500;
/// Large packs that are kept at once.
const LARGE_AT_ONCE: usize = 2;
/// The longest that a commit may take. The database ends a statement long before; this is for one that has gone without a word.
const LONGEST: Duration = Duration::from_mins(1);

struct Waiting {
    post: Post,
    answer: oneshot::Sender<gillbook_store::Result<Receipt>>,
}

struct Line {
    waiting: VecDeque<Waiting>,
    /// Whether a commit is on its way.
    taken: bool,
    /// How many a commit is worth waiting for.
    expected: usize,
    /// When the last commit ended.
    ended: Instant,
}

struct Shared {
    store: Store,
    clock: Clock,
    metrics: Arc<Metrics>,
    line: Mutex<Line>,
    large: Semaphore,
    parsing: Semaphore,
    large_waiting: Semaphore,
}

/// Where posts are handed in.
#[derive(Clone)]
pub(crate) struct Ingest(Arc<Shared>);

/// What becomes of a post that comes in.
enum Place {
    /// It commits now, by itself.
    Turn(Turn, Post),
    /// It waits for its group's commit.
    Waits(oneshot::Receiver<gillbook_store::Result<Receipt>>),
}

/// The right to commit. Whoever lets it go, also by being dropped half-way because the client has gone, passes it on to those who wait.
struct Turn {
    ingest: Ingest,
    /// How many posts are committed in it.
    posts: usize,
}

impl Shared {
    /// Keeps posts in one commit, each with its own answer.
    async fn commit(&self, posts: Vec<Post>) -> Vec<gillbook_store::Result<Receipt>> {
        let (began, records) = (Instant::now(), posts.iter().map(|p| p.records.len()).sum());
        let receipts = self.store.keep_posts(posts, (self.clock)()).await;
        self.metrics.committed(records, began.elapsed());
        receipts
    }
}

impl Ingest {
    /// Posts and large posts that wait for a commit.
    pub(crate) fn queued(&self) -> (i64, i64) {
        let large = MAX_LARGE_POSTS_WAITING - self.0.large_waiting.available_permits().min(MAX_LARGE_POSTS_WAITING);
        let number = |n: usize| i64::try_from(n).unwrap_or(i64::MAX);
        (number(self.line().waiting.len()), number(large))
    }

    pub(crate) fn new(store: Store, clock: Clock, metrics: Arc<Metrics>) -> Self {
        let line = Line { waiting: VecDeque::new(), taken: false, expected: 0, ended: Instant::now() };
        Self(Arc::new(Shared {
            store,
            clock,
            metrics,
            line: Mutex::new(line),
            large: Semaphore::new(LARGE_AT_ONCE),
            parsing: Semaphore::new(LARGE_AT_ONCE),
            large_waiting: Semaphore::new(MAX_LARGE_POSTS_WAITING),
        }))
    }

    /// Keeps a post.
    pub(crate) async fn keep(&self, post: Post) -> Result<Receipt, Problem> {
        // Boxed, so that the many posts that wait do not carry the room for a commit.
        if post.records.len() >= LARGE {
            let _place = self.0.large_waiting.try_acquire().map_err(|_| Problem::busy())?;
            let _turn = self.0.large.acquire().await.map_err(|_| Problem::broken())?;
            return Box::pin(self.commit_alone(post)).await;
        }
        match self.stand_in_line(post)? {
            Place::Turn(_turn, post) => Box::pin(self.commit_alone(post)).await,
            Place::Waits(kept) => Ok(kept.await.map_err(|_| Problem::broken())??),
        }
    }

    /// Parses a large pack away from the threads that answer requests, a few at a time: a parsed pack takes a multiple of its bytes.
    pub(crate) async fn parse_large<T: Send + 'static>(
        &self,
        parse: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, Problem> {
        let _place = self.0.large_waiting.try_acquire().map_err(|_| Problem::busy())?;
        let _turn = self.0.parsing.acquire().await.map_err(|_| Problem::broken())?;
        tokio::task::spawn_blocking(parse).await.map_err(|_| Problem::broken())
    }

    async fn commit_alone(&self, post: Post) -> Result<Receipt, Problem> {
        let receipt = self.0.commit(vec![post]).await.pop();
        Ok(receipt.ok_or_else(Problem::broken)??)
    }

    fn stand_in_line(&self, post: Post) -> Result<Place, Problem> {
        let mut line = self.line();
        if !line.taken && line.waiting.is_empty() && !line.gathers() {
            line.taken = true;
            return Ok(Place::Turn(Turn { ingest: self.clone(), posts: 1 }, post));
        }
        if line.waiting.len() >= MAX_POSTS_WAITING {
            return Err(Problem::busy());
        }
        let (answer, kept) = oneshot::channel();
        line.waiting.push_back(Waiting { post, answer });
        if !line.taken && line.waiting.len() >= line.expected {
            self.commit_group(line);
        }
        Ok(Place::Waits(kept))
    }

    /// Begins the commit of those who wait, if anybody does.
    fn commit_group(&self, mut line: MutexGuard<'_, Line>) {
        let group = line.next_group();
        line.taken = !group.is_empty();
        drop(line);
        if !group.is_empty() {
            let turn = Turn { ingest: self.clone(), posts: group.len() };
            tokio::spawn(async move { turn.commit(group).await });
        }
    }

    /// Lets the group go that has gathered since a commit ended, if it has not gone yet.
    async fn end_gathering(self, ended: Instant) {
        tokio::time::sleep(PATIENCE).await;
        let line = self.line();
        if !line.taken && line.ended == ended {
            self.commit_group(line);
        }
    }

    fn line(&self) -> MutexGuard<'_, Line> {
        self.0.line.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Line {
    fn next_group(&mut self) -> Vec<Waiting> {
        let mut group = Vec::with_capacity(self.waiting.len());
        let mut records = 0;
        while records < MOST_RECORDS
            && let Some(next) = self.waiting.pop_front()
        {
            records += next.post.records.len();
            group.push(next);
        }
        group
    }

    /// Whether others are expected for the next commit.
    fn gathers(&self) -> bool {
        self.expected > 1 && self.ended.elapsed() < PATIENCE
    }
}

impl Turn {
    async fn commit(self, group: Vec<Waiting>) {
        let (posts, answers): (Vec<_>, Vec<_>) = group.into_iter().map(|w| (w.post, w.answer)).unzip();
        let Ok(receipts) = tokio::time::timeout(LONGEST, self.ingest.0.commit(posts)).await else {
            tracing::error!("a commit of readings did not end; whoever posted is told that it failed");
            return;
        };
        for (answer, receipt) in answers.into_iter().zip(receipts) {
            // Whoever posted may have gone; what was kept is kept.
            answer.send(receipt).ok();
        }
    }
}

impl Drop for Turn {
    fn drop(&mut self) {
        let mut line = self.ingest.line();
        line.taken = false;
        line.ended = Instant::now();
        line.expected = (self.posts + line.waiting.len()) * EXPECTED_PERCENT / 100;
        if line.waiting.len() >= line.expected {
            self.ingest.commit_group(line);
        } else {
            tokio::spawn(self.ingest.clone().end_gathering(line.ended));
        }
    }
}
