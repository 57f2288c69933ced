//! Posts of readings, gathered into one commit.
//!
//! While one commit is on its way to the disk the posts that arrive meanwhile wait together and share the next. A lone post waits for
//! nobody. Each is answered only after the commit that kept it.

use chrono::{DateTime, Utc};
use gillbook_store::{
    Store,
    readings::{Post, Receipt},
};
use tokio::sync::{mpsc, oneshot};

use crate::{Clock, problem::Problem};

/// The most posts that wait. Beyond them whoever posts is asked to come again.
const QUEUE: usize = 4096;
/// The most records of one commit.
const MOST_RECORDS: usize = 20_000;
/// Commits on their way at once: while one waits for the disk the next is made ready.
const AT_ONCE: usize = 2;

struct Waiting {
    post: Post,
    answer: oneshot::Sender<gillbook_store::Result<Receipt>>,
}

/// Where posts are handed in.
#[derive(Debug, Clone)]
pub(crate) struct Ingest(mpsc::Sender<Waiting>);

impl Ingest {
    /// Begins to gather. Ends when every handle is gone.
    pub(crate) fn start(store: &Store, clock: &Clock) -> Self {
        let (sender, receiver) = mpsc::channel(QUEUE);
        let receiver = std::sync::Arc::new(tokio::sync::Mutex::new(receiver));
        for _ in 0..AT_ONCE {
            tokio::spawn(gather(receiver.clone(), store.clone(), clock.clone()));
        }
        Self(sender)
    }

    /// Keeps a post.
    pub(crate) async fn keep(&self, post: Post) -> Result<Receipt, Problem> {
        let (answer, kept) = oneshot::channel();
        self.0.try_send(Waiting { post, answer }).map_err(|_| Problem::busy())?;
        match kept.await {
            Ok(receipt) => Ok(receipt?),
            Err(_) => Err(Problem::broken()),
        }
    }
}

async fn gather(receiver: std::sync::Arc<tokio::sync::Mutex<mpsc::Receiver<Waiting>>>, store: Store, clock: Clock) {
    loop {
        let mut group = Vec::new();
        {
            let mut receiver = receiver.lock().await;
            let Some(first) = receiver.recv().await else { return };
            let mut records = first.post.records.len();
            group.push(first);
            while records < MOST_RECORDS
                && let Ok(next) = receiver.try_recv()
            {
                records += next.post.records.len();
                group.push(next);
            }
        }
        let now: DateTime<Utc> = clock();
        let (posts, answers): (Vec<_>, Vec<_>) = group.into_iter().map(|w| (w.post, w.answer)).unzip();
        for (answer, receipt) in answers.into_iter().zip(store.keep_posts(posts, now).await) {
            // Whoever posted may have gone; what was kept is kept.
            answer.send(receipt).ok();
        }
    }
}
