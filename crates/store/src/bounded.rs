//! Slow work of the processor: a little at once, a short queue, and beyond it a refusal that says come again.

use tokio::sync::Semaphore;

use crate::{Error, Result};

/// A kind of slow work, such as hashing a passphrase. Whoever waits for it holds no thread.
#[derive(Debug)]
pub struct BoundedWork {
    running: Semaphore,
    waiting: Semaphore,
}

impl BoundedWork {
    /// So much of it at once, and so many that have it done or wait.
    #[must_use]
    pub const fn new(max_running: usize, max_waiting: usize) -> Self {
        Self { running: Semaphore::const_new(max_running), waiting: Semaphore::const_new(max_waiting) }
    }

    /// Does it away from the threads that answer requests.
    ///
    /// # Errors
    /// [`Error::Busy`] when too many wait; when the work panics.
    pub async fn run<T: Send + 'static>(&'static self, work: impl FnOnce() -> T + Send + 'static) -> Result<T> {
        let place = self.waiting.try_acquire().map_err(|_| Error::Busy)?;
        let turn = self.running.acquire().await.map_err(|_| Error::Busy)?;
        let done = tokio::task::spawn_blocking(move || {
            // Until it is done, also where whoever asked has gone meanwhile.
            let _held = (place, turn);
            work()
        });
        done.await.map_err(|e| Error::Stored(format!("slow work was interrupted: {e}")))
    }
}

#[cfg(test)]
mod tests {
    use std::sync::{
        Barrier,
        atomic::{AtomicUsize, Ordering},
    };

    use super::*;

    static RUNNING: AtomicUsize = AtomicUsize::new(0);
    static MAX_SEEN: AtomicUsize = AtomicUsize::new(0);
    static WORK: BoundedWork = BoundedWork::new(2, 4);
    static GATE: Barrier = Barrier::new(2);

    #[tokio::test]
    async fn two_at_once_two_that_wait_and_no_more() {
        let work = || {
            MAX_SEEN.fetch_max(RUNNING.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
            // Only two together get through.
            GATE.wait();
            RUNNING.fetch_sub(1, Ordering::SeqCst);
        };
        let asked: Vec<_> = (0..5).map(|_| WORK.run(work)).collect();
        let done = futures::future::join_all(asked).await;
        assert_eq!(done.iter().filter(|d| d.is_ok()).count(), 4);
        assert!(matches!(done[4], Err(Error::Busy)));
        assert_eq!(MAX_SEEN.load(Ordering::SeqCst), 2);
        // Its places are free again, also those of work that nobody waited for.
        let (one, other) = tokio::join!(WORK.run(work), WORK.run(work));
        one.and(other).unwrap();
    }
}
