//! What a stranger, or somebody who only reads, can make the program hold for good: its memory is watched.

use std::{fs, time::Instant};

use anyhow::{Context, Result, ensure};
use gillbook_core::limits::{MAX_BODY_BYTES, MAX_STOP_TIME};
use gillbook_testkit::{As, Farm};

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
        let name = format!("{n}{}", "x".repeat(MAX_BODY_BYTES - 100));
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
    for n in 5..60 {
        ensure!(name(n).await == 401);
    }
    let after_names = memory_mib(serving.child.id())?;
    ensure!(after_names < before + 40, "110 MiB of names: {before} MiB, then {after_names} MiB");
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
