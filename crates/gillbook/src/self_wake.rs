//! A future that is polled again at once when it wakes itself.
//!
//! The HTTP library wakes a connection's task, from within the task, when a request's body has been read. A runtime of several threads
//! answers that by waking another thread, which may take the task over: one more switch between threads for every post, at the moment
//! when the database is about to work.

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

/// How often the future is polled again before the runtime is asked instead, so that other tasks have a turn.
const AGAIN: usize = 4;

#[derive(Default)]
struct Bell {
    /// Whether the future is being polled now.
    polling: AtomicBool,
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
        if !self.polling.load(Ordering::SeqCst) {
            self.task.wake();
        }
    }
}

impl Bell {
    fn poll<F: Future>(&self, waker: &Waker, mut future: Pin<&mut F>, cx: &Context<'_>) -> Poll<F::Output> {
        self.task.register(cx.waker());
        for _ in 0..=AGAIN {
            self.polling.store(true, Ordering::SeqCst);
            // A swap and not a store: what was written before the wake that it takes back is then seen by the poll.
            self.rung.swap(false, Ordering::SeqCst);
            let poll = future.as_mut().poll(&mut Context::from_waker(waker));
            self.polling.store(false, Ordering::SeqCst);
            if poll.is_ready() || !self.rung.load(Ordering::SeqCst) {
                return poll;
            }
        }
        cx.waker().wake_by_ref();
        Poll::Pending
    }
}

/// Drives a future, and polls it again at once when it wakes itself.
pub(crate) async fn self_wake<F: Future>(future: F) -> F::Output {
    let mut future = pin!(future);
    let bell = Arc::new(Bell::default());
    let waker = Waker::from(bell.clone());
    poll_fn(|cx| bell.poll(&waker, future.as_mut(), cx)).await
}

#[cfg(test)]
mod tests {
    use std::{sync::atomic::AtomicUsize, time::Duration};

    use super::*;

    /// A runtime that only counts how often it is asked to poll.
    #[derive(Default)]
    struct CountingWaker(AtomicUsize);

    impl Wake for CountingWaker {
        fn wake(self: Arc<Self>) {
            self.0.fetch_add(1, Ordering::SeqCst);
        }
    }

    impl CountingWaker {
        /// Polls a future once and gives whether it is done, and how often the runtime was asked meanwhile.
        fn poll<F: Future>(self: &Arc<Self>, future: Pin<&mut F>) -> (bool, usize) {
            let before = self.0.load(Ordering::SeqCst);
            let done = future.poll(&mut Context::from_waker(&Waker::from(self.clone()))).is_ready();
            (done, self.0.load(Ordering::SeqCst) - before)
        }
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

    #[test]
    fn who_wakes_itself_is_polled_again_without_the_runtime_and_not_for_ever() {
        let runtime = Arc::new(CountingWaker::default());
        assert_eq!(runtime.poll(pin!(wakes_itself(1))), (false, 1));
        assert_eq!(runtime.poll(pin!(self_wake(wakes_itself(AGAIN)))), (true, 0));
        let mut restless = pin!(self_wake(wakes_itself(AGAIN + 1)));
        assert_eq!(runtime.poll(restless.as_mut()), (false, 1));
        assert_eq!(runtime.poll(restless), (true, 0));
    }

    #[test]
    fn who_waits_is_polled_once_a_wake() {
        let runtime = Arc::new(CountingWaker::default());
        let (polls, theirs) = (AtomicUsize::new(0), AtomicWaker::new());
        let mut waits = pin!(self_wake(poll_fn(|cx| {
            polls.fetch_add(1, Ordering::SeqCst);
            theirs.register(cx.waker());
            Poll::<()>::Pending
        })));
        for woken in 0..3 {
            assert_eq!(runtime.poll(waits.as_mut()), (false, 0));
            assert_eq!(polls.load(Ordering::SeqCst), woken + 1);
            theirs.wake();
            assert_eq!(runtime.0.load(Ordering::SeqCst), woken + 1);
        }
    }

    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn no_wake_from_elsewhere_is_lost() {
        let (there, mut came) = tokio::sync::mpsc::unbounded_channel();
        let (back, mut answers) = tokio::sync::mpsc::unbounded_channel();
        // Handed to and fro between two threads, so that wakes meet polls at every moment.
        let echo = tokio::spawn(self_wake(async move {
            while let Some(n) = came.recv().await {
                let _ = back.send(n);
            }
        }));
        let asking = self_wake(async {
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
