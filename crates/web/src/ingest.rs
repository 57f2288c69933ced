//! Posts of readings, gathered into one commit.
//!
//! A post that finds a turn free commits by itself, at once and in its own task. While every turn is taken the posts that arrive wait
//! together and share the next commit. Each is answered only after the commit that kept it.

use std::{
    collections::VecDeque,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use gillbook_store::{
    Store,
    readings::{Post, Receipt},
};
use tokio::sync::oneshot;

use crate::{Clock, problem::Problem};

/// The most posts that wait. Beyond them whoever posts is asked to come again.
const QUEUE: usize = 4096;
/// The most records of one commit.
const MOST_RECORDS: usize = 20_000;
/// Commits on their way at once: while one waits for the disk the next is made ready.
const TURNS: usize = 2;

struct Waiting {
    post: Post,
    answer: oneshot::Sender<gillbook_store::Result<Receipt>>,
}

#[derive(Default)]
struct Line {
    waiting: VecDeque<Waiting>,
    turns_taken: usize,
}

struct Shared {
    store: Store,
    clock: Clock,
    line: Mutex<Line>,
}

/// Where posts are handed in.
#[derive(Clone)]
pub(crate) struct Ingest(Arc<Shared>);

/// What becomes of a post that comes in.
enum Place {
    /// It may commit now.
    Turn(Turn, Post),
    /// It shares somebody's next commit.
    Waits(oneshot::Receiver<gillbook_store::Result<Receipt>>),
}

/// The right to commit. Whoever lets it go, also by being dropped half-way because the client has gone, passes it on to those who wait.
struct Turn(Ingest);

impl Ingest {
    pub(crate) fn new(store: Store, clock: Clock) -> Self {
        Self(Arc::new(Shared { store, clock, line: Mutex::default() }))
    }

    /// Keeps a post.
    pub(crate) async fn keep(&self, post: Post) -> Result<Receipt, Problem> {
        match self.stand_in_line(post)? {
            Place::Turn(_turn, post) => {
                let receipt = self.0.store.keep_posts(vec![post], (self.0.clock)()).await.pop();
                Ok(receipt.ok_or_else(Problem::broken)??)
            }
            Place::Waits(kept) => Ok(kept.await.map_err(|_| Problem::broken())??),
        }
    }

    fn stand_in_line(&self, post: Post) -> Result<Place, Problem> {
        let mut line = self.line();
        if line.turns_taken < TURNS {
            line.turns_taken += 1;
            return Ok(Place::Turn(Turn(self.clone()), post));
        }
        if line.waiting.len() >= QUEUE {
            return Err(Problem::busy());
        }
        let (answer, kept) = oneshot::channel();
        line.waiting.push_back(Waiting { post, answer });
        Ok(Place::Waits(kept))
    }

    fn line(&self) -> MutexGuard<'_, Line> {
        self.0.line.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Line {
    fn next_group(&mut self) -> Vec<Waiting> {
        let mut group = Vec::new();
        let mut records = 0;
        while records < MOST_RECORDS
            && let Some(next) = self.waiting.pop_front()
        {
            records += next.post.records.len();
            group.push(next);
        }
        group
    }
}

impl Turn {
    async fn commit(self, group: Vec<Waiting>) {
        let (posts, answers): (Vec<_>, Vec<_>) = group.into_iter().map(|w| (w.post, w.answer)).unzip();
        let Shared { store, clock, .. } = &*self.0.0;
        for (answer, receipt) in answers.into_iter().zip(store.keep_posts(posts, clock()).await) {
            // Whoever posted may have gone; what was kept is kept.
            answer.send(receipt).ok();
        }
    }
}

impl Drop for Turn {
    fn drop(&mut self) {
        let mut line = self.0.line();
        let group = line.next_group();
        if group.is_empty() {
            line.turns_taken -= 1;
            return;
        }
        drop(line);
        let ingest = self.0.clone();
        tokio::spawn(async move { Self(ingest).commit(group).await });
    }
}
