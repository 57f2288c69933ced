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
use hyper::{
    Method, Request, Uri,
    client::conn::http1::SendRequest,
    header::{AUTHORIZATION, CONTENT_TYPE, COOKIE, HOST, HeaderValue, SET_COOKIE},
};
use hyper_util::rt::TokioIo;
use tokio::net::TcpStream;

use crate::service::secret;

/// A kept-alive connection.
pub struct Connection {
    sender: SendRequest<Full<Bytes>>,
    host: HeaderValue,
}

impl Connection {
    /// Opens one.
    pub async fn open(address: SocketAddr) -> Result<Self> {
        let stream = TcpStream::connect(address).await?;
        stream.set_nodelay(true)?;
        let (sender, connection) = hyper::client::conn::http1::handshake(TokioIo::new(stream)).await?;
        tokio::spawn(async move { drop(connection.await) });
        Ok(Self { sender, host: address.to_string().parse()? })
    }

    async fn send(&mut self, mut request: Request<Full<Bytes>>) -> Result<(u16, Bytes)> {
        request.headers_mut().insert(HOST, self.host.clone());
        self.sender.ready().await?;
        let answer = self.sender.send_request(request).await?;
        let status = answer.status().as_u16();
        Ok((status, answer.into_body().collect().await?.to_bytes()))
    }

    /// Asks for a page as somebody signed in, and reads the whole answer.
    pub async fn get(&mut self, path: &str, cookie: &str) -> Result<(u16, Bytes)> {
        self.send(Request::get(path).header(COOKIE, cookie).body(Full::default())?).await
    }

    /// Signs somebody in and gives their cookie.
    pub async fn sign_in(&mut self, body: String) -> Result<String> {
        let request = Request::post("/sign-in")
            .header(HOST, self.host.clone())
            .header(CONTENT_TYPE, "application/x-www-form-urlencoded")
            .body(Full::from(body))?;
        let answer = self.sender.send_request(request).await?;
        Ok(answer.headers().get(SET_COOKIE).and_then(|c| c.to_str().ok()).unwrap_or_default().to_owned())
    }

    /// Posts readings as a probe.
    pub async fn post(&mut self, token: &HeaderValue, body: String) -> Result<()> {
        let mut request = Request::new(Full::from(body));
        *request.method_mut() = Method::POST;
        *request.uri_mut() = Uri::from_static("/api/readings");
        request.headers_mut().insert(AUTHORIZATION, token.clone());
        request.headers_mut().insert(CONTENT_TYPE, HeaderValue::from_static("application/senml+json"));
        let (status, answer) = self.send(request).await?;
        ensure!(
            status == 200 && answer.windows(12).any(|w| w == b"\"refused\":[]"),
            "{status}: {}",
            String::from_utf8_lossy(&answer)
        );
        Ok(())
    }
}

/// The header that shows a probe's token.
fn token(farm: i32, probe: i32) -> Result<HeaderValue> {
    Ok(format!("Bearer {}", secret(farm, probe)).parse()?)
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
    let began = Instant::now();
    let done = on_threads(connections, move |connection| async move {
        let probe = connection + 1;
        let mut connection = Connection::open(address).await?;
        let token = token(1, probe)?;
        let mut done = 0_usize;
        while began.elapsed() < time {
            connection.post(&token, pack(probe, records)).await?;
            done += 1;
        }
        Ok(done)
    })
    .await?;
    #[expect(clippy::cast_precision_loss, reason = "a count of posts")]
    Ok(done as f64 / began.elapsed().as_secs_f64())
}

/// Runs clients, numbered from 0, on threads beside the service's own, as the peer's clients are; at most two threads, as the peer has.
/// Gives the sum of what they did.
async fn on_threads<F, D>(clients: i32, client: F) -> Result<usize>
where
    F: Fn(i32) -> D + Clone + Send + 'static,
    D: Future<Output = Result<usize>>,
{
    let threads = (0..clients.min(2)).map(|thread| {
        let client = client.clone();
        tokio::task::spawn_blocking(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
            let mine = (thread..clients).step_by(2).map(client);
            runtime.block_on(try_join_all(mine))
        })
    });
    let mut sum = 0;
    for done in try_join_all(threads).await? {
        sum += done?.iter().sum::<usize>();
    }
    Ok(sum)
}

/// Posts one reading each for probe after probe of a fleet, as the minutes of many farms come in, and gives posts a second.
pub async fn fleet(
    address: SocketAddr,
    farms: i32,
    connections: i32,
    time: Duration,
    minute: &AtomicI64,
) -> Result<f64> {
    let next = Arc::new(AtomicUsize::new(0));
    let base = chrono::Utc::now().timestamp() / 60 * 60 - 200 * 86_400;
    let began = Instant::now();
    let first = minute.load(Ordering::SeqCst);
    let probes = usize::try_from(farms)? * 2;
    let of_all = next.clone();
    on_threads(connections, move |_| {
        let next = of_all.clone();
        async move {
            let mut connection = Connection::open(address).await?;
            while began.elapsed() < time {
                let n = next.fetch_add(1, Ordering::SeqCst);
                let round = first + i64::try_from(n / probes)?;
                let (farm, probe) = (1 + i32::try_from(n % probes / 2)?, 1 + i32::try_from(n % 2)?);
                let body = format!("[{{\"n\":\"p{probe}\",\"u\":\"Cel\",\"t\":{},\"v\":2.5}}]", base + round * 60);
                connection.post(&token(farm, probe)?, body).await?;
            }
            Ok(0)
        }
    })
    .await?;
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
        let (status, body) = connection.get(path, cookie).await?;
        ensure!(status == 200, "{path}: {status} {}", String::from_utf8_lossy(&body));
        // The first ones fill caches on both sides.
        if n >= 10 {
            took.push(began.elapsed().as_secs_f64() * 1000.0);
        }
    }
    took.sort_by(f64::total_cmp);
    Ok(took[times * 99 / 100])
}
