//! Readings in, pages and records out.

use std::time::Duration;

use anyhow::{Context, Result, ensure};
use chrono::{DateTime, TimeDelta, Utc};
use clap::Args;

use crate::{Figure, history, load, peers, service::Service};

/// What is measured.
const NAMES: [&str; 6] =
    ["single-post-32", "single-post-1", "pack-1000", "fridge-page-history", "record-history", "fleet-headroom"];
/// Rounds in turn, ours and the peer's; the middle one counts.
const ROUNDS: usize = 5;
/// Farms of the fleet.
const FARMS: i32 = 10_000;
/// Minutes that the fleet posts.
const MINUTES: i64 = 4;
/// Posts a second of as many farms with two probes that read once a minute.
const FLEET: f64 = FARMS as f64 * 2.0 / 60.0;

/// How much of it, and for how long.
#[derive(Debug, Args)]
pub struct Extent {
    /// Seconds of each round of load.
    #[arg(long, default_value_t = 3)]
    seconds: u64,
    /// Speak HTTP over TCP. Else over a Unix socket, which is what the peer speaks to the database over.
    #[arg(long)]
    tcp: bool,
    /// Years of the long history.
    #[arg(long, default_value_t = 10)]
    years: i32,
    /// Measure only this; may be given several times.
    #[arg(long, value_parser = NAMES)]
    only: Vec<String>,
}

impl Extent {
    fn wants(&self, name: &str) -> bool {
        self.only.is_empty() || self.only.iter().any(|o| o == name)
    }

    fn time(&self) -> Duration {
        Duration::from_secs(self.seconds)
    }
}

/// All of it, on a fresh embedded database.
pub async fn run(extent: &Extent) -> Result<Vec<Figure>> {
    println!("starting on a fresh database …");
    let service = Service::start(extent.tcp).await?;
    let since = Utc::now() - TimeDelta::days(366);
    // A probe for each connection.
    service.fleet(1..=1, 32, since).await?;
    peers::table(&service).await?;

    let mut figures = Vec::new();
    for (name, connections) in [("single-post-32", 32), ("single-post-1", 1)] {
        if extent.wants(name) {
            figures.push(singles(&service, name, connections, extent.time()).await?);
        }
    }
    if extent.wants("pack-1000") {
        figures.push(packs(&service, extent.time()).await?);
    }
    if extent.wants("fleet-headroom") {
        figures.push(fleet(&service, since).await?);
    }
    if ["fridge-page-history", "record-history"].iter().any(|name| extent.wants(name)) {
        figures.extend(histories(&service, extent).await?);
    }
    service.stop().await?;
    Ok(figures)
}

/// Tells of a round while the others are run.
fn told(round: (f64, f64)) -> (f64, f64) {
    println!("    {:.1} against {:.1}: {:.2}", round.0, round.1, round.0 / round.1);
    round
}

async fn singles(service: &Service, name: &'static str, connections: i32, time: Duration) -> Result<Figure> {
    println!("{name}: posts over HTTP against pgbench …");
    let mut rounds = Vec::new();
    for _ in 0..ROUNDS {
        let ours = load::posts(&service.place, connections, 1, 60, time).await?;
        // The peer has the machine to itself.
        service.until_evaluated().await?;
        rounds.push(told((ours, peers::inserts(service, connections.unsigned_abs(), time)?)));
    }
    Ok(Figure::new(name, &rounds, "posts/s"))
}

async fn packs(service: &Service, time: Duration) -> Result<Figure> {
    println!("pack-1000: packs over HTTP against COPY …");
    let mut rounds = Vec::new();
    for _ in 0..ROUNDS {
        let ours = load::posts(&service.place, 2, 1000, 1, time).await? * 1000.0;
        service.until_evaluated().await?;
        rounds.push(told((ours, peers::copies(service, 2, 1000, time).await?)));
    }
    Ok(Figure::new("pack-1000", &rounds, "rows/s"))
}

async fn fleet(service: &Service, began: DateTime<Utc>) -> Result<Figure> {
    println!("fleet-headroom: {FARMS} farms with two probes …");
    let farms = 2..=FARMS + 1;
    service.fleet(farms.clone(), 2, began).await?;
    let minute = |n| began + TimeDelta::days(100) + TimeDelta::minutes(n);
    load::fleet(&service.place, farms.clone(), 32, minute(0)).await?;
    let before = Service::memory_mib();
    let mut took = Duration::ZERO;
    for n in 1..=MINUTES {
        // A token is looked up again after two minutes: at every second post of a probe that posts once a minute.
        if n % 2 == 0 {
            service.store.invalidate_token_cache();
        }
        took += load::fleet(&service.place, farms.clone(), 32, minute(n)).await?;
    }
    let grown = Service::memory_mib() - before;
    println!("    memory {before:.0} MiB before, {grown:+.0} MiB after {MINUTES} minutes of posts");
    println!("    all of it judged {:.0} s after the last post", service.until_evaluated().await?.as_secs_f64());
    #[expect(clippy::cast_precision_loss, reason = "a few minutes")]
    let rate = FLEET * 60.0 * MINUTES as f64 / took.as_secs_f64();
    Ok(Figure::new("fleet-headroom", &[(rate, FLEET)], "posts/s"))
}

async fn histories(service: &Service, extent: &Extent) -> Result<Vec<Figure>> {
    println!("history: one year against {} …", extent.years);
    let now = Utc::now();
    let mut cookies = Vec::new();
    for (owner, years) in [("short", 1), ("long", extent.years)] {
        let farm = service.farm(owner).await?;
        history::fill(service, farm, years, now).await?;
        cookies.push(sign_in(service, owner).await?);
    }
    let until = now.date_naive();
    let record = format!("/api/places/F1/temperature-record?from={}&until={until}", until - TimeDelta::days(29));
    let mut figures = Vec::new();
    for (name, path) in [("fridge-page-history", "/fridge"), ("record-history", record.as_str())] {
        if !extent.wants(name) {
            continue;
        }
        let mut rounds = Vec::new();
        for _ in 0..ROUNDS {
            let (_, short) = load::median_and_p99(&service.place, &cookies[0], path, 100).await?;
            let (_, long) = load::median_and_p99(&service.place, &cookies[1], path, 100).await?;
            rounds.push(told((long, short)));
        }
        figures.push(Figure::new(name, &rounds, "ms p99"));
    }
    Ok(figures)
}

async fn sign_in(service: &Service, owner: &str) -> Result<String> {
    let mut connection = load::Connection::open(&service.place).await?;
    let body = format!("sign_in_name={owner}&passphrase=four+words+do+well");
    let cookie = connection.sign_in(&body).await?;
    ensure!(cookie.starts_with("gillbook="), "{cookie}");
    cookie.split(';').next().map(str::to_owned).context("a cookie")
}
