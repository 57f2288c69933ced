//! Readings in, pages and records out.

use std::{sync::atomic::AtomicI64, time::Duration};

use anyhow::{Context, Result, ensure};
use chrono::Utc;

use crate::{Figure, history, load, peers, service::Service};

/// Rounds in turn, ours and the peer's; the middle one counts.
const ROUNDS: usize = 5;
/// Posts a second of 10,000 farms with two probes that read once a minute.
const FLEET: f64 = 10_000.0 * 2.0 / 60.0;

/// All of it, on a fresh embedded database.
pub async fn run(seconds: u64, years: i32) -> Result<Vec<Figure>> {
    let time = Duration::from_secs(seconds);
    println!("starting on a fresh database …");
    let service = Service::start().await?;
    let mut figures = Vec::new();
    service.fleet(1..=10_000, 2, Utc::now() - chrono::TimeDelta::days(366)).await?;
    // Thirty more probes on the first farm, so that each connection has one of its own.
    let mut db = service.db().await?;
    sqlx::raw_sql("insert into probe (farm_id, probe_id, name, place, position) select 1, p, 'p' || p, 'F1', '' from generate_series(3, 32) p")
        .execute(&mut db)
        .await?;
    for probe in 3..=32 {
        let hash: [u8; 32] = sha2::Digest::finalize(sha2::Digest::chain_update(
            <sha2::Sha256 as sha2::Digest>::new(),
            crate::service::secret(1, probe),
        ))
        .into();
        sqlx::query("insert into token values (1, gen_random_uuid(), 'board', 'readings', $1, $2, now(), now() + interval '1 year')")
            .bind(probe)
            .bind(&hash[..])
            .execute(&mut db)
            .await?;
    }
    peers::table(&service).await?;

    for (name, connections) in [("single-post-32", 32), ("single-post-1", 1)] {
        println!("{name}: posts over HTTP against pgbench …");
        let mut rounds = Vec::new();
        for _ in 0..ROUNDS {
            let ours = load::posts(service.address, connections, 1, time).await?;
            rounds.push((ours, peers::inserts(&service, connections.unsigned_abs(), time)?));
        }
        figures.push(Figure::new(name, &rounds, "posts/s"));
    }
    println!("pack-1000: packs over HTTP against COPY …");
    let mut rounds = Vec::new();
    for _ in 0..ROUNDS {
        let ours = load::posts(service.address, 2, 1000, time).await? * 1000.0;
        rounds.push((ours, peers::copies(&service, 1000, time).await?));
    }
    figures.push(Figure::new("pack-1000", &rounds, "rows/s"));

    println!("fleet-headroom: 10,000 farms with two probes …");
    let minute = AtomicI64::new(0);
    load::fleet(service.address, 10_000, 32, time, &minute).await?;
    let before = Service::memory_mib();
    let mut rates = Vec::new();
    for _ in 0..4 {
        rates.push(load::fleet(service.address, 10_000, 32, time, &minute).await?);
    }
    let grown = Service::memory_mib() - before;
    println!(
        "    memory {before:.0} MiB before, {grown:+.0} MiB after {:.0} posts",
        rates.iter().sum::<f64>() * time.as_secs_f64()
    );
    let rounds: Vec<_> = rates.into_iter().map(|rate| (rate, FLEET)).collect();
    figures.push(Figure::new("fleet-headroom", &rounds, "posts/s"));

    println!("history: one year against {years} …");
    let now = Utc::now();
    let mut cookies = Vec::new();
    for (owner, history) in [("short", 1), ("long", years)] {
        sqlx::query("select setval('farm_number', 20000 + $1)").bind(i64::from(history)).execute(&mut db).await?;
        let farm = service.farm(owner).await?;
        history::fill(&service, farm, history, now).await?;
        cookies.push(sign_in(&service, owner).await?);
    }
    let until = now.date_naive();
    let record =
        format!("/api/places/F1/temperature-record?from={}&until={until}", until - chrono::TimeDelta::days(29));
    for (name, path) in [("fridge-page-history", "/fridge"), ("record-history", record.as_str())] {
        let mut rounds = Vec::new();
        for _ in 0..ROUNDS {
            let short = load::p99(service.address, &cookies[0], path, 100).await?;
            rounds.push((load::p99(service.address, &cookies[1], path, 100).await?, short));
        }
        figures.push(Figure::new(name, &rounds, "ms p99"));
    }
    service.stop().await?;
    Ok(figures)
}

async fn sign_in(service: &Service, owner: &str) -> Result<String> {
    let mut connection = load::Connection::open(service.address).await?;
    let body = format!("sign_in_name={owner}&passphrase=four+words+do+well");
    let cookie = connection.sign_in(body).await?;
    ensure!(cookie.starts_with("gillbook="), "{cookie}");
    cookie.split(';').next().map(str::to_owned).context("a cookie")
}
