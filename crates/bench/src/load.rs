//! Load over HTTP: kept-alive connections, each with one request at a time.
//!
//! The clients share the machine with the service, as the peer's share it with the database. They write requests out and read answers with
//! `httparse` alone, so that what is measured is the service and not a client.

use std::{
    fmt::Write as _,
    io::Write as _,
    ops::RangeInclusive,
    os::unix::net::UnixStream,
    path::Path,
    sync::{
        Arc, LazyLock,
        atomic::{AtomicI64, AtomicUsize, Ordering},
    },
    time::{Duration, Instant},
};

use anyhow::{Context, Result, ensure};
use chrono::{DateTime, Utc};
use futures::future::try_join_all;
use gillbook::listen::ListenAddr;
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::{TcpStream, unix::pipe},
    sync::oneshot,
};
use tokio_util::either::Either;

use crate::service::secret;

/// The most headers of an answer.
const MAX_HEADERS: usize = 32;

/// A client's end of a Unix socket. It wakes for what comes, as the peer's client does: a socket that the runtime also asks whether it can be
/// written to wakes whenever the service has read.
struct Socket {
    come: pipe::Receiver,
    go: UnixStream,
}

impl Socket {
    fn connect(path: &Path) -> Result<Self> {
        let go = UnixStream::connect(path)?;
        go.set_nonblocking(true)?;
        Ok(Self { come: pipe::Receiver::from_owned_fd_unchecked(go.try_clone()?.into())?, go })
    }
}

/// A kept-alive connection.
pub struct Connection {
    stream: Either<TcpStream, Socket>,
    request: Vec<u8>,
    answer: Vec<u8>,
}

/// What came back.
struct Answer<'a> {
    status: u16,
    head: &'a [u8],
    body: &'a [u8],
}

impl Connection {
    /// Opens one.
    pub async fn open(place: &ListenAddr) -> Result<Self> {
        let stream = match place {
            ListenAddr::Address(address) => {
                let stream = TcpStream::connect(address).await?;
                stream.set_nodelay(true)?;
                Either::Left(stream)
            }
            ListenAddr::Socket(path) => Either::Right(Socket::connect(path)?),
        };
        Ok(Self { stream, request: Vec::new(), answer: Vec::with_capacity(64 * 1024) })
    }

    /// Sends a request line with further header lines and a body, and reads the whole answer.
    async fn send(&mut self, line: std::fmt::Arguments<'_>, body: &str) -> Result<Answer<'_>> {
        self.request.clear();
        write!(self.request, "{line}\r\nhost: gillbook.example\r\ncontent-length: {}\r\n\r\n{body}", body.len())?;
        match &mut self.stream {
            Either::Left(stream) => stream.write_all(&self.request).await?,
            // One request is on its way at a time, and a socket has room for it.
            Either::Right(socket) => socket.go.write_all(&self.request)?,
        }
        self.answer.clear();
        loop {
            let read = match &mut self.stream {
                Either::Left(stream) => stream.read_buf(&mut self.answer).await?,
                Either::Right(socket) => socket.come.read_buf(&mut self.answer).await?,
            };
            ensure!(read > 0, "the service closed the connection");
            if let Some((status, head, length)) = whole(&self.answer)? {
                let (head, body) = self.answer.split_at(head);
                return Ok(Answer { status, head, body: &body[..length] });
            }
        }
    }

    /// Asks for a page as somebody signed in, and reads the whole answer.
    pub async fn get(&mut self, path: &str, cookie: &str) -> Result<()> {
        let answer = self.send(format_args!("GET {path} HTTP/1.1\r\ncookie: {cookie}"), "").await?;
        ensure!(answer.status == 200, "{path}: {} {}", answer.status, String::from_utf8_lossy(answer.body));
        Ok(())
    }

    /// Asks for something as somebody signed in, and gives the answer's text.
    pub async fn text(&mut self, path: &str, cookie: &str) -> Result<String> {
        let answer = self.send(format_args!("GET {path} HTTP/1.1\r\ncookie: {cookie}"), "").await?;
        ensure!(answer.status == 200, "{path}: {} {}", answer.status, String::from_utf8_lossy(answer.body));
        Ok(String::from_utf8(answer.body.to_vec())?)
    }

    /// Signs somebody in and gives their cookie.
    pub async fn sign_in(&mut self, body: &str) -> Result<String> {
        let line = format_args!("POST /sign-in HTTP/1.1\r\ncontent-type: application/x-www-form-urlencoded");
        let answer = self.send(line, body).await?;
        let mut headers = [httparse::EMPTY_HEADER; MAX_HEADERS];
        httparse::Response::new(&mut headers).parse(answer.head)?;
        let cookie = headers.iter().find(|h| h.name.eq_ignore_ascii_case("set-cookie")).context("a cookie")?;
        Ok(String::from_utf8(cookie.value.to_vec())?)
    }

    /// Posts readings as a probe.
    pub async fn post(&mut self, token: &str, body: &str) -> Result<()> {
        let line = format_args!(
            "POST /api/readings HTTP/1.1\r\ncontent-type: application/senml+json\r\nauthorization: Bearer {token}"
        );
        let answer = self.send(line, body).await?;
        ensure!(
            answer.status == 200 && answer.body.ends_with(b"\"refused\":[]}"),
            "{}: {}",
            answer.status,
            String::from_utf8_lossy(answer.body)
        );
        Ok(())
    }
}

/// Status, length of the head and length of the body, once all of an answer is there.
fn whole(answer: &[u8]) -> Result<Option<(u16, usize, usize)>> {
    let mut headers = [httparse::EMPTY_HEADER; MAX_HEADERS];
    let mut parsed = httparse::Response::new(&mut headers);
    let httparse::Status::Complete(head) = parsed.parse(answer)? else { return Ok(None) };
    let status = parsed.code.context("a status")?;
    let length = parsed.headers.iter().find(|h| h.name.eq_ignore_ascii_case("content-length"));
    let length: usize = std::str::from_utf8(length.context("every answer tells its length")?.value)?.parse()?;
    Ok((answer.len() >= head + length).then_some((status, head, length)))
}

/// The most connections that post.
const MAX_CONNECTIONS: usize = 32;
/// When the first reading was: 300 days ago.
static FIRST: LazyLock<i64> = LazyLock::new(|| chrono::Utc::now().timestamp() / 60 * 60 - 300 * 86_400);
/// By probe: seconds since the first reading that no reading was posted for yet.
static POSTED: [AtomicI64; MAX_CONNECTIONS + 1] = [const { AtomicI64::new(0) }; MAX_CONNECTIONS + 1];

/// A pack of so many readings of a probe, so many seconds apart, that goes on where its last one ended.
fn pack(probe: usize, records: i64, apart: i64) -> String {
    let first = POSTED[probe].fetch_add(records * apart, Ordering::SeqCst);
    let mut text = format!("[{{\"bn\":\"p{probe}\",\"bu\":\"Cel\",\"bt\":{},", *FIRST);
    for i in 0..records {
        if i > 0 {
            text.push_str(",{");
        }
        let _ = write!(text, "\"t\":{},\"v\":2.{}}}", first + i * apart, i % 10);
    }
    text.push(']');
    text
}

/// Posts packs of readings so many seconds apart from so many connections for a while, each as a probe of its own, and gives posts a second.
pub async fn posts(place: &ListenAddr, connections: i32, records: i64, apart: i64, time: Duration) -> Result<f64> {
    let began = Instant::now();
    let place = place.clone();
    let done = on_threads(connections, move |connection| {
        let place = place.clone();
        async move {
            let probe = connection + 1;
            let mut connection = Connection::open(&place).await?;
            let (token, number) = (secret(1, probe), usize::try_from(probe)?);
            let mut done = 0_usize;
            while began.elapsed() < time {
                connection.post(&token, &pack(number, records, apart)).await?;
                done += 1;
            }
            Ok(done)
        }
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
        let (tell, told) = oneshot::channel();
        let work = move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
            let mine = (thread..clients).step_by(2).map(client);
            runtime.block_on(try_join_all(mine))
        };
        std::thread::Builder::new().name("load".into()).spawn(move || drop(tell.send(work()))).map(|_| told)
    });
    let mut sum = 0;
    for told in threads.collect::<Result<Vec<_>, _>>()? {
        sum += told.await??.iter().sum::<usize>();
    }
    Ok(sum)
}

/// Posts one reading for each of two probes of every farm, as a minute brings them, and gives how long that took.
pub async fn fleet(
    place: &ListenAddr,
    farms: RangeInclusive<i32>,
    connections: i32,
    minute: DateTime<Utc>,
) -> Result<Duration> {
    let next = Arc::new(AtomicUsize::new(0));
    let (first, probes) = (*farms.start(), farms.count() * 2);
    let began = Instant::now();
    let place = place.clone();
    on_threads(connections, move |_| {
        let (place, next) = (place.clone(), next.clone());
        async move {
            let mut connection = Connection::open(&place).await?;
            let mut done = 0;
            loop {
                let n = next.fetch_add(1, Ordering::SeqCst);
                if n >= probes {
                    return Ok(done);
                }
                let (farm, probe) = (first + i32::try_from(n / 2)?, 1 + i32::try_from(n % 2)?);
                let body = format!("[{{\"n\":\"p{probe}\",\"u\":\"Cel\",\"t\":{},\"v\":2.5}}]", minute.timestamp());
                connection.post(&secret(farm, probe), &body).await?;
                done += 1;
            }
        }
    })
    .await?;
    Ok(began.elapsed())
}

/// The times within which half and 99 of 100 requests are answered, milliseconds.
pub async fn median_and_p99(place: &ListenAddr, cookie: &str, path: &str, times: usize) -> Result<(f64, f64)> {
    let mut connection = Connection::open(place).await?;
    let mut took = Vec::with_capacity(times);
    for n in 0..times + 10 {
        let began = Instant::now();
        connection.get(path, cookie).await?;
        // The first ones fill caches on both sides.
        if n >= 10 {
            took.push(began.elapsed().as_secs_f64() * 1000.0);
        }
    }
    took.sort_by(f64::total_cmp);
    Ok((took[times / 2], took[times * 99 / 100]))
}
