//! What a stranger, or somebody who only reads, can make the program hold for good: its memory is watched.

use std::{fs, io::ErrorKind, time::Instant};

use anyhow::{Context, Result, ensure};
use gillbook_core::limits::{MAX_CONNECTIONS, MAX_SIGN_IN_BYTES, MAX_STOP_TIME};
use gillbook_testkit::{As, Farm};
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
};

use crate::common::{Serving, Watch, admin, home};

/// Memory of a process that is in use, in MiB (proc(5), `VmRSS`).
fn memory_mib(pid: u32) -> Result<u64> {
    let status = fs::read_to_string(format!("/proc/{pid}/status"))?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:")).context("no VmRSS")?;
    Ok(line.trim().trim_end_matches(" kB").parse::<u64>()? / 1024)
}

#[tokio::test(flavor = "multi_thread")]
async fn neither_names_nor_documents_stay_in_memory() -> Result<()> {
    let home = home()?;
    let _watch = Watch(home.path().to_owned());
    let serving = Serving::start(home.path())?;
    let farm = Farm::over(admin(home.path()).await?, vec![serving.address()]).await?;
    farm.set_up().await;
    let form = [("content-type", "application/x-www-form-urlencoded")];
    let name = async |n: usize| {
        let name = format!("{n}{}", "x".repeat(MAX_SIGN_IN_BYTES - 100));
        let body = format!("sign_in_name={name}&passphrase=four+words+do+well").into_bytes();
        farm.raw("POST", "/sign-in", &form, body).await.status
    };
    let record = async || farm.ask(&farm.owner, "GET", "/api/places/F1/temperature-record/pdf", &[], None).await.status;
    // The first of each makes what lasts: threads, fonts, buffers.
    for n in 0..5 {
        ensure!(name(n).await == 401);
    }
    ensure!(record().await == 200);
    let before = memory_mib(serving.child.id())?;
    for n in 5..1000 {
        ensure!(name(n).await == 401);
    }
    let after_names = memory_mib(serving.child.id())?;
    ensure!(after_names < before + 10, "16 MiB of names: {before} MiB, then {after_names} MiB");
    for _ in 0..12 {
        ensure!(record().await == 200);
    }
    let after_records = memory_mib(serving.child.id())?;
    ensure!(after_records < after_names + 60, "12 records: {after_names} MiB, then {after_records} MiB");
    ensure!(serving.stop()?);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_live_stream_holds_up_no_stop() -> Result<()> {
    let home = home()?;
    let _watch = Watch(home.path().to_owned());
    let serving = Serving::start(home.path())?;
    let farm = Farm::over(admin(home.path()).await?, vec![serving.address()]).await?;
    let As::Cookie(cookie) = farm.owner.clone() else { anyhow::bail!("a cookie") };
    let url = format!("http://{}/api/events", serving.address());
    let mut stream = reqwest::Client::new().get(url).header("cookie", cookie).send().await?.error_for_status()?;
    let began = Instant::now();
    ensure!(serving.stop()?);
    ensure!(began.elapsed() < MAX_STOP_TIME, "it was not waited for");
    ensure!(stream.chunk().await?.is_none(), "and ended in order");
    Ok(())
}

/// A request on a connection that stays open, and the beginning of its answer.
async fn ask_on(stream: &mut TcpStream) -> Result<()> {
    stream.write_all(b"GET /health/live HTTP/1.1\r\nHost: here\r\n\r\n").await?;
    let mut answer = [0; 512];
    let read = stream.read(&mut answer).await?;
    ensure!(answer[..read].starts_with(b"HTTP/1.1 204"), "{}", String::from_utf8_lossy(&answer[..read]));
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_last_connection_is_answered_and_the_one_after_waits_for_a_place() -> Result<()> {
    let home = home()?;
    let _watch = Watch(home.path().to_owned());
    // Started as a service manager may: with few files. It raises the limit for itself.
    let limit = getrlimit(Resource::Nofile);
    setrlimit(Resource::Nofile, Rlimit { current: Some(256), ..limit })?;
    let serving = Serving::start(home.path())?;
    gillbook::serve::allow_open_files();
    let mut open = Vec::with_capacity(MAX_CONNECTIONS);
    open.push(TcpStream::connect(serving.address()).await?);
    ask_on(&mut open[0]).await?;
    let before = memory_mib(serving.child.id())?;
    while open.len() < MAX_CONNECTIONS {
        let mut stream = TcpStream::connect(serving.address()).await?;
        ask_on(&mut stream).await?;
        open.push(stream);
    }
    let mut beyond = TcpStream::connect(serving.address()).await?;
    beyond.write_all(b"GET /health/live HTTP/1.1\r\nHost: here\r\n\r\n").await?;
    // Those that have a place are answered all the while, and it is not.
    for stream in open.iter_mut().rev().take(50) {
        ask_on(stream).await?;
    }
    let nothing = beyond.try_read(&mut [0; 1]);
    ensure!(nothing.as_ref().is_err_and(|e| e.kind() == ErrorKind::WouldBlock), "{nothing:?}");
    let after = memory_mib(serving.child.id())?;
    ensure!(after < before + 64, "{MAX_CONNECTIONS} connections: {before} MiB, then {after} MiB");
    open.pop();
    let mut answer = [0; 12];
    beyond.read_exact(&mut answer).await?;
    ensure!(&answer == b"HTTP/1.1 204");
    drop((open, beyond));
    ensure!(serving.stop()?);
    Ok(())
}
