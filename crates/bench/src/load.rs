//! Load over HTTP: kept-alive connections, each with one request at a time.

use std::{
    fmt::Write as _,
    net::SocketAddr,
    sync::{
        Arc,
        atomic::{AtomicI64, AtomicUsize, Ordering},
    },
    time::{Duration, Instant},
};

use anyhow::{Result, ensure};
use bytes::Bytes;
use futures::future::try_join_all;
use http_body_util::{BodyExt, Full};
use hyper::{Request, client::conn::http1::SendRequest};
use hyper_util::rt::TokioIo;
use tokio::net::TcpStream;

use crate::service::secret;

/// A kept-alive connection.
pub struct Connection {
    sender: SendRequest<Full<Bytes>>,
    host: String,
}

impl Connection {
    /// Opens one.
    pub async fn open(address: SocketAddr) -> Result<Self> {
        let stream = TcpStream::connect(address).await?;
        stream.set_nodelay(true)?;
        let (sender, connection) = hyper::client::conn::http1::handshake(TokioIo::new(stream)).await?;
        tokio::spawn(async move { drop(connection.await) });
        Ok(Self { sender, host: address.to_string() })
    }

    /// Sends a request and reads the whole answer.
    pub async fn ask(
        &mut self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: Bytes,
    ) -> Result<(u16, Bytes)> {
        let mut request = Request::builder().method(method).uri(path).header("host", &self.host);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        self.sender.ready().await?;
        let answer = self.sender.send_request(request.body(Full::new(body))?).await?;
        let status = answer.status().as_u16();
        Ok((status, answer.into_body().collect().await?.to_bytes()))
    }

    /// Signs somebody in and gives their cookie.
    pub async fn sign_in(&mut self, headers: &[(&str, &str)], body: Bytes) -> Result<String> {
        let mut request = Request::builder().method("POST").uri("/sign-in").header("host", &self.host);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let answer = self.sender.send_request(request.body(Full::new(body))?).await?;
        Ok(answer.headers().get("set-cookie").and_then(|c| c.to_str().ok()).unwrap_or_default().to_owned())
    }

    /// Posts readings as a probe.
    pub async fn post(&mut self, token: &str, body: String) -> Result<()> {
        let bearer = format!("Bearer {token}");
        let headers = [("authorization", bearer.as_str()), ("content-type", "application/senml+json")];
        let (status, answer) = self.ask("POST", "/api/readings", &headers, body.into()).await?;
        ensure!(
            status == 200 && answer.windows(12).any(|w| w == b"\"refused\":[]"),
            "{status}: {}",
            String::from_utf8_lossy(&answer)
        );
        Ok(())
    }
}

/// Milliseconds that no reading was posted for yet: every post has a time of its own.
static TICK: AtomicI64 = AtomicI64::new(0);

/// A pack of so many readings, each at a time that none was at before.
pub fn pack(probe: i32, records: i64) -> String {
    let first = TICK.fetch_add(records, Ordering::SeqCst);
    // From a year ago on, a millisecond apart.
    let base = chrono::Utc::now().timestamp() - 300 * 86_400;
    let mut text = format!("[{{\"bn\":\"p{probe}\",\"bu\":\"Cel\",\"bt\":{base},");
    for i in first..first + records {
        if i > first {
            text.push_str(",{");
        }
        let _ = write!(text, "\"t\":{}.{:03},\"v\":2.{}}}", i / 1000, i % 1000, i % 10);
    }
    text.push(']');
    text
}

/// Posts from so many connections for a while, each as a probe of its own, and gives posts a second.
pub async fn posts(address: SocketAddr, connections: i32, records: i64, time: Duration) -> Result<f64> {
    let done = Arc::new(AtomicUsize::new(0));
    let began = Instant::now();
    let clients = (1..=connections).map(|probe| {
        let done = done.clone();
        async move {
            let mut connection = Connection::open(address).await?;
            let token = secret(1, probe);
            while began.elapsed() < time {
                connection.post(&token, pack(probe, records)).await?;
                done.fetch_add(1, Ordering::Relaxed);
            }
            anyhow::Ok(())
        }
    });
    try_join_all(clients).await?;
    #[expect(clippy::cast_precision_loss, reason = "a count of posts")]
    Ok(done.load(Ordering::SeqCst) as f64 / began.elapsed().as_secs_f64())
}

/// Posts one reading each for probe after probe of a fleet, as the minutes of many farms come in, and gives posts a second.
pub async fn fleet(
    address: SocketAddr,
    farms: i32,
    connections: usize,
    time: Duration,
    minute: &AtomicI64,
) -> Result<f64> {
    let next = Arc::new(AtomicUsize::new(0));
    let base = chrono::Utc::now().timestamp() / 60 * 60 - 200 * 86_400;
    let began = Instant::now();
    let first = minute.load(Ordering::SeqCst);
    let probes = usize::try_from(farms)? * 2;
    let clients = (0..connections).map(|_| {
        let next = next.clone();
        async move {
            let mut connection = Connection::open(address).await?;
            while began.elapsed() < time {
                let n = next.fetch_add(1, Ordering::SeqCst);
                let round = first + i64::try_from(n / probes)?;
                let (farm, probe) = (1 + i32::try_from(n % probes / 2)?, 1 + i32::try_from(n % 2)?);
                let body = format!("[{{\"n\":\"p{probe}\",\"u\":\"Cel\",\"t\":{},\"v\":2.5}}]", base + round * 60);
                connection.post(&secret(farm, probe), body).await?;
            }
            anyhow::Ok(())
        }
    });
    try_join_all(clients).await?;
    let posts = next.load(Ordering::SeqCst);
    minute.fetch_add(i64::try_from(posts / probes)? + 1, Ordering::SeqCst);
    #[expect(clippy::cast_precision_loss, reason = "a count of posts")]
    Ok(posts as f64 / began.elapsed().as_secs_f64())
}

/// The time under which 99 of 100 requests are answered, milliseconds.
pub async fn p99(address: SocketAddr, cookie: &str, path: &str, times: usize) -> Result<f64> {
    let mut connection = Connection::open(address).await?;
    let mut took = Vec::with_capacity(times);
    for n in 0..times + 10 {
        let began = Instant::now();
        let (status, body) = connection.ask("GET", path, &[("cookie", cookie)], Bytes::new()).await?;
        ensure!(status == 200, "{path}: {status} {}", String::from_utf8_lossy(&body));
        // The first ones fill caches on both sides.
        if n >= 10 {
            took.push(began.elapsed().as_secs_f64() * 1000.0);
        }
    }
    took.sort_by(f64::total_cmp);
    Ok(took[times * 99 / 100])
}
