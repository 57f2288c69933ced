//! Serving HTTP: bounded in connections and in time, and stopped in order.

use std::{pin::pin, sync::Arc, time::Duration};

use anyhow::{Context, Result};
use axum::Router;
use hyper::server::conn::http1;
use hyper_util::{
    rt::{TokioIo, TokioTimer},
    server::graceful::GracefulShutdown,
    service::TowerToHyperService,
};
use tokio::sync::Semaphore;

use crate::{at_once::at_once, listen::Listener};

/// The most connections at once.
const MOST_CONNECTIONS: usize = 1024;
/// The longest that a request's head may take to arrive.
const HEAD_TIME: Duration = Duration::from_secs(10);
/// The longest that open requests are waited for when stopping.
const STOP_TIME: Duration = Duration::from_secs(20);

/// Serves until `stop` is done, then lets open requests end.
///
/// # Errors
/// When accepting connections fails for good.
pub async fn serve(listener: Listener, router: Router, stop: impl Future<Output = ()>) -> Result<()> {
    let mut stop = pin!(stop);
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    let graceful = GracefulShutdown::new();
    loop {
        let place = places.clone().acquire_owned().await.context("the semaphore is never closed")?;
        let stream = tokio::select! {
            accepted = listener.accept() => match accepted {
                Ok(stream) => stream,
                // Out of file descriptors, or a connection that was reset at once: the next may do.
                Err(error) => {
                    tracing::warn!(%error, "a connection was not accepted");
                    tokio::time::sleep(Duration::from_millis(50)).await;
                    continue;
                }
            },
            () = &mut stop => break,
        };
        let service = TowerToHyperService::new(router.clone());
        let connection = http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(HEAD_TIME)
            .serve_connection(TokioIo::new(stream), service);
        let watched = graceful.watch(connection);
        tokio::spawn(async move {
            if let Err(error) = at_once(watched).await {
                tracing::debug!(%error, "a connection ended early");
            }
            drop(place);
        });
    }
    drop(listener);
    if tokio::time::timeout(STOP_TIME, graceful.shutdown()).await.is_err() {
        tracing::warn!("some requests did not end in time and were cut");
    }
    Ok(())
}

/// Done when the program is asked to stop (SIGINT or SIGTERM).
pub async fn asked_to_stop() {
    let terminate = async {
        match tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()) {
            Ok(mut signal) => {
                signal.recv().await;
            }
            Err(_) => std::future::pending().await,
        }
    };
    tokio::select! {
        _ = tokio::signal::ctrl_c() => {}
        () = terminate => {}
    }
}
