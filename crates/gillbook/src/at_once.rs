//! A future that is polled again at once when it wakes itself.
//!
//! The HTTP library wakes a connection's task, from within the task, when a request's body has been read. A runtime of several threads
//! answers that by waking another thread that may take the task over, which costs more than all else that a small request does.

use std::{
    future::poll_fn,
    pin::{Pin, pin},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    task::{Context, Poll, Wake, Waker},
};

use futures::task::AtomicWaker;

/// How often it is polled again before the runtime is asked to: it decides who else is to have a turn.
const AGAIN: usize = 4;

#[derive(Default)]
struct Bell {
    /// Whether the future is being polled.
    polled: AtomicBool,
    /// Whether it was woken since its last poll began.
    rung: AtomicBool,
    task: AtomicWaker,
}

impl Wake for Bell {
    fn wake(self: Arc<Self>) {
        self.wake_by_ref();
    }

    fn wake_by_ref(self: &Arc<Self>) {
        // In this order, and the other way round in `poll`: either the poll sees that it was rung, or the task is woken.
        self.rung.store(true, Ordering::SeqCst);
        if !self.polled.load(Ordering::SeqCst) {
            self.task.wake();
        }
    }
}

impl Bell {
    fn poll<F: Future>(&self, waker: &Waker, mut future: Pin<&mut F>, cx: &Context<'_>) -> Poll<F::Output> {
        self.task.register(cx.waker());
        for _ in 0..=AGAIN {
            self.polled.store(true, Ordering::SeqCst);
            self.rung.store(false, Ordering::SeqCst);
            let poll = future.as_mut().poll(&mut Context::from_waker(waker));
            self.polled.store(false, Ordering::SeqCst);
            if poll.is_ready() || !self.rung.load(Ordering::SeqCst) {
                return poll;
            }
        }
        cx.waker().wake_by_ref();
        Poll::Pending
    }
}

/// Drives a future, and polls it again at once when it wakes itself.
pub(crate) async fn at_once<F: Future>(future: F) -> F::Output {
    let mut future = pin!(future);
    let bell = Arc::new(Bell::default());
    let waker = Waker::from(bell.clone());
    poll_fn(|cx| bell.poll(&waker, future.as_mut(), cx)).await
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    /// Counts how often the runtime polls a future.
    async fn polls<F: Future>(future: F) -> (usize, F::Output) {
        let (mut future, mut polls) = (pin!(future), 0);
        let done = poll_fn(|cx| {
            polls += 1;
            future.as_mut().poll(cx)
        })
        .await;
        (polls, done)
    }

    /// Wakes itself so many times.
    async fn wakes_itself(mut times: usize) {
        poll_fn(|cx| {
            if times == 0 {
                return Poll::Ready(());
            }
            times -= 1;
            cx.waker().wake_by_ref();
            Poll::Pending
        })
        .await;
    }

    #[tokio::test]
    async fn who_wakes_itself_is_polled_again_and_not_for_ever() {
        assert_eq!(polls(wakes_itself(3)).await.0, 4);
        assert_eq!(polls(at_once(wakes_itself(3))).await.0, 1);
        assert_eq!(polls(at_once(wakes_itself(AGAIN))).await.0, 1);
        // A turn of the runtime for every AGAIN + 1 polls.
        assert_eq!(polls(at_once(wakes_itself(10 * (AGAIN + 1)))).await.0, 11);
    }

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn no_wake_from_elsewhere_is_lost() {
        let (there, mut came) = tokio::sync::mpsc::unbounded_channel();
        let (back, mut answers) = tokio::sync::mpsc::unbounded_channel();
        // Handed to and fro between two threads, so that wakes meet polls at every moment.
        let echo = tokio::spawn(at_once(async move {
            while let Some(n) = came.recv().await {
                let _ = back.send(n);
            }
        }));
        let asking = at_once(async {
            for n in 0..100_000 {
                there.send(n).expect("it listens");
                assert_eq!(answers.recv().await, Some(n));
            }
            drop(there);
        });
        tokio::time::timeout(Duration::from_mins(1), asking).await.expect("no wake is lost");
        echo.await.expect("it ends");
    }
}
