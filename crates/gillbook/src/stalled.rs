//! A stream that fails when the other side takes nothing of what is written for too long.

use std::{
    io,
    pin::Pin,
    task::{Context, Poll, ready},
    time::Duration,
};

use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    time::{Instant, Sleep, sleep},
};

/// Whoever sends requests and never reads an answer would hold a connection for ever otherwise.
#[derive(Debug)]
pub(crate) struct Unstalled<S> {
    stream: S,
    max_wait: Duration,
    deadline: Pin<Box<Sleep>>,
    /// Whether a write waits for the other side.
    is_waiting: bool,
}

impl<S> Unstalled<S> {
    pub fn new(stream: S, max_wait: Duration) -> Self {
        Self { stream, max_wait, deadline: Box::pin(sleep(max_wait)), is_waiting: false }
    }

    /// Holds a write that waits against the deadline, which begins when it first waits.
    fn bound<T>(&mut self, written: Poll<io::Result<T>>, cx: &mut Context<'_>) -> Poll<io::Result<T>> {
        if written.is_ready() {
            self.is_waiting = false;
            return written;
        }
        if !self.is_waiting {
            self.is_waiting = true;
            self.deadline.as_mut().reset(Instant::now() + self.max_wait);
        }
        ready!(self.deadline.as_mut().poll(cx));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Unstalled<S> {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buffer: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buffer)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Unstalled<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(cx, bytes);
        self.bound(written, cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write_vectored(cx, parts);
        self.bound(written, cx)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let flushed = Pin::new(&mut self.stream).poll_flush(cx);
        self.bound(flushed, cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let closed = Pin::new(&mut self.stream).poll_shutdown(cx);
        self.bound(closed, cx)
    }
}

#[cfg(test)]
mod tests {
    use tokio::io::{AsyncReadExt, AsyncWriteExt, duplex};

    use super::*;

    #[tokio::test]
    async fn who_reads_nothing_is_given_up_and_who_reads_slowly_is_not() {
        let (ours, mut theirs) = duplex(8);
        let mut stream = Unstalled::new(ours, Duration::from_millis(200));
        let slow = tokio::spawn(async move {
            let mut taken = [0; 8];
            for _ in 0..8 {
                theirs.read_exact(&mut taken).await.unwrap();
            }
            theirs
        });
        stream.write_all(&[1; 64]).await.unwrap();
        let _theirs = slow.await.unwrap();
        let error = stream.write_all(&[2; 64]).await.unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
    }
}
