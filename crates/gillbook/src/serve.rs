//! Serving HTTP: bounded in connections and in time, and stopped in order.

use std::{net::IpAddr, pin::pin, time::Duration};

use anyhow::Result;
use axum::Router;
use gillbook_core::limits::{
    MAX_CONNECTIONS, MAX_CONNECTIONS_PER_ADDRESS, MAX_HEAD_TIME, MAX_STOP_TIME, MAX_WRITE_TIME,
};
use gillbook_web::Peer;
use hyper::server::conn::http1;
use hyper_util::{
    rt::{TokioIo, TokioTimer},
    server::graceful::{GracefulShutdown, Watcher},
    service::TowerToHyperService,
};
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
use tokio::{
    io::{AsyncRead, AsyncWrite},
    signal::unix::{SignalKind, signal},
};
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;

use crate::{
    listen::{Listener, Stream},
    places::Places,
    self_wake::self_wake,
    stalled::Unstalled,
    tls::{Begun, Tls},
};

/// Files that are open beside the connections: the database's, the program's own.
const OTHER_FILES: u64 = 256;

/// Lets the process have as many files open as there may be connections: the limit that it is started with is often lower than it may be.
pub fn allow_open_files() {
    let wanted = MAX_CONNECTIONS as u64 + OTHER_FILES;
    let limit = getrlimit(Resource::Nofile);
    let allowed = limit.maximum.map_or(wanted, |max| max.min(wanted));
    if limit.current.is_some_and(|now| now < allowed) {
        let raised = Rlimit { current: Some(allowed), maximum: limit.maximum };
        if let Err(error) = setrlimit(Resource::Nofile, raised) {
            tracing::warn!(%error, "the limit of open files could not be raised");
        }
    }
    if allowed < wanted {
        tracing::warn!("no more than {allowed} files may be open: some of {MAX_CONNECTIONS} connections will wait");
    }
}

/// Serves until `stop` is done, then lets open requests end.
///
/// # Errors
/// When accepting connections fails for good.
pub async fn serve(listener: Listener, router: Router, stop: impl Future<Output = ()>) -> Result<()> {
    serve_in(Places::new(MAX_CONNECTIONS, MAX_CONNECTIONS_PER_ADDRESS), listener, router, stop).await
}

async fn serve_in(places: Places, listener: Listener, router: Router, stop: impl Future<Output = ()>) -> Result<()> {
    let mut stop = pin!(stop);
    let tls = listener.tls();
    let graceful = GracefulShutdown::new();
    loop {
        // Both in what can be stopped: with every place taken the word to stop is heard as well.
        let next = async {
            let place = places.one().await;
            (place, listener.accept().await)
        };
        let (place, accepted) = tokio::select! {
            next = next => next,
            () = &mut stop => break,
        };
        let (stream, address) = match accepted {
            Ok(accepted) => accepted,
            // Out of file descriptors, or a connection that was reset at once: the next may do.
            Err(error) => {
                tracing::warn!(%error, "a connection was not accepted");
                tokio::time::sleep(Duration::from_millis(50)).await;
                continue;
            }
        };
        let Ok(address_place) = places.of(address) else {
            tracing::debug!(?address, "an address has all of its connections");
            continue;
        };
        let (router, tls, watcher) = (router.clone(), tls.clone(), graceful.watcher());
        tokio::spawn(async move {
            if let Err(error) = answer(stream, address, router, tls, watcher).await {
                tracing::debug!(%error, "a connection ended early");
            }
            drop((place, address_place));
        });
    }
    drop(listener);
    if tokio::time::timeout(MAX_STOP_TIME, graceful.shutdown()).await.is_err() {
        tracing::warn!("some requests did not end in time and were cut");
    }
    Ok(())
}

/// Answers a connection until it ends. TLS is begun here and not where connections are taken, so that one which never says a word keeps nobody
/// waiting.
async fn answer(
    stream: Stream,
    address: Option<IpAddr>,
    router: Router,
    tls: Option<Tls>,
    watcher: Watcher,
) -> Result<()> {
    match tls {
        None => self_wake(watcher.watch(connection(stream, address, router))).await?,
        Some(tls) => match tokio::time::timeout(MAX_HEAD_TIME, tls.begin(stream)).await?? {
            Begun::Secure(stream) => self_wake(watcher.watch(connection(*stream, address, router))).await?,
            Begun::Plain(stream) => self_wake(watcher.watch(connection(stream, address, tls.plain()))).await?,
        },
    }
    Ok(())
}

type Connection<IO, S> = http1::Connection<TokioIo<Unstalled<IO>>, TowerToHyperService<S>>;

fn connection<IO: AsyncRead + AsyncWrite + Unpin + Send>(
    stream: IO,
    address: Option<IpAddr>,
    router: Router,
) -> Connection<
    IO,
    impl tower::Service<
        hyper::Request<hyper::body::Incoming>,
        Response = axum::response::Response,
        Error = std::convert::Infallible,
        Future: Send,
    > + Clone
    + Send,
> {
    let service = router.map_request(move |mut request: hyper::Request<hyper::body::Incoming>| {
        request.extensions_mut().insert(Peer(address));
        request
    });
    http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(MAX_HEAD_TIME)
        .serve_connection(TokioIo::new(Unstalled::new(stream, MAX_WRITE_TIME)), TowerToHyperService::new(service))
}

/// Cancelled when the program is told to stop (SIGINT or SIGTERM). Told again, the process ends on the spot: it does not wait for what hangs.
///
/// It listens from this call on: made before anything is started, it leaves no moment at which the first signal does that.
///
/// # Errors
/// When the system does not let it listen.
pub fn stop_on_signal() -> Result<CancellationToken> {
    let (mut interrupt, mut terminate) = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
    let stop = CancellationToken::new();
    let told = stop.clone();
    tokio::spawn(async move {
        let mut next = async || {
            tokio::select! {
                _ = interrupt.recv() => {}
                _ = terminate.recv() => {}
            }
        };
        next().await;
        eprintln!("Stopping. Once more ends it on the spot.");
        told.cancel();
        next().await;
        // The database server goes on and is taken over by the next start.
        std::process::exit(130);
    });
    Ok(stop)
}

#[cfg(test)]
mod tests {
    use axum::routing::get;
    use tokio::{
        io::{AsyncReadExt, AsyncWriteExt},
        net::TcpStream,
        sync::oneshot,
    };

    use super::*;
    use crate::listen::{ListenAddr, listen};

    #[tokio::test]
    async fn with_every_place_taken_the_word_to_stop_is_heard() {
        let listener = listen(&ListenAddr::Address("127.0.0.1:0".parse().unwrap())).await.unwrap();
        let ListenAddr::Address(address) = listener.place().unwrap() else { panic!("an address") };
        let (stop, stopped) = oneshot::channel::<()>();
        let router = Router::new().route("/", get(|| async { "here" }));
        let serving = tokio::spawn(serve_in(Places::new(2, 1), listener, router, async { stopped.await.unwrap() }));
        let mut open = Vec::new();
        for _ in 0..2 {
            let mut stream = TcpStream::connect(address).await.unwrap();
            stream.write_all(b"GET / HTTP/1.1\r\nHost: here\r\n\r\n").await.unwrap();
            let mut answer = [0; 12];
            stream.read_exact(&mut answer).await.unwrap();
            assert_eq!(&answer, b"HTTP/1.1 200");
            open.push(stream);
        }
        // A third one waits for a place, which nobody gives.
        let _waits = TcpStream::connect(address).await.unwrap();
        stop.send(()).unwrap();
        serving.await.unwrap().unwrap();
    }
}
