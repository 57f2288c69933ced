//! What the database does by itself, on the same machine in the same run.

use std::{
    fmt::Write as _,
    process::Command,
    sync::atomic::{AtomicI64, Ordering},
    time::{Duration, Instant},
};

use anyhow::{Context, Result, ensure};
use futures::future::try_join_all;

use crate::service::Service;

/// A table of the readings' shape and key, without row security.
pub async fn table(service: &Service) -> Result<()> {
    let sql = "drop table if exists peer; drop sequence if exists peer_tick; create sequence peer_tick cache 1000;
         create table peer (like reading including constraints) partition by range (at);
         alter table peer add primary key (farm_id, probe_id, at);
         create table peer_all partition of peer for values from ('2000-01-01Z') to ('2100-01-01Z')";
    sqlx::raw_sql(sql).execute(&mut service.db().await?).await?;
    Ok(())
}

/// Single-row prepared INSERT transactions a second, by `pgbench`.
pub fn inserts(service: &Service, clients: u32, time: Duration) -> Result<f64> {
    let script = tempfile::Builder::new().suffix(".sql").tempfile()?;
    let insert = "insert into peer values (1, :client_id + 1, '2020-01-01Z'::timestamptz + nextval('peer_tick') * interval '1 millisecond', 2.5, null, now());\n";
    std::fs::write(script.path(), insert)?;
    let socket = service.admin.get_socket().context("the embedded database has a socket")?;
    let out = Command::new(Service::pgbench()?)
        .args(["--no-vacuum", "--protocol=prepared", "--jobs=2"])
        .args([format!("--client={clients}"), format!("--time={}", time.as_secs())])
        .arg("--file")
        .arg(script.path())
        .arg("--host")
        .arg(socket)
        .args(["--username=gillbook_admin", "gillbook"])
        .output()?;
    ensure!(out.status.success(), "pgbench: {}", String::from_utf8_lossy(&out.stderr));
    let text = String::from_utf8_lossy(&out.stdout);
    let line = text.lines().find_map(|l| l.strip_prefix("tps = ")).context("pgbench tells its rate")?;
    Ok(line.split_whitespace().next().context("a rate")?.parse()?)
}

/// Milliseconds that rows were copied at.
static COPIED: AtomicI64 = AtomicI64::new(0);

/// Rows a second by COPY of packs from so many connections, committed pack by pack.
pub async fn copies(service: &Service, connections: usize, records: i64, time: Duration) -> Result<f64> {
    let began = Instant::now();
    let copying = (0..connections).map(|_| copy(service, records, began + time));
    let rows: i64 = try_join_all(copying).await?.into_iter().sum();
    #[expect(clippy::cast_precision_loss, reason = "a count of rows")]
    Ok(rows as f64 / began.elapsed().as_secs_f64())
}

async fn copy(service: &Service, records: i64, until: Instant) -> Result<i64> {
    let mut db = service.db().await?;
    let mut rows = 0;
    while Instant::now() < until {
        let mut text = String::new();
        let first = COPIED.fetch_add(records, Ordering::SeqCst);
        for tick in first..first + records {
            let at = chrono::DateTime::from_timestamp_millis(1_400_000_000_000 + tick).unwrap_or_default();
            let _ = writeln!(text, "1\t1\t{}\t2.{}\t\\N\t2026-01-01 00:00:00Z", at.to_rfc3339(), tick % 10);
        }
        let mut copy = db.copy_in_raw("copy peer from stdin").await?;
        copy.send(text.into_bytes()).await?;
        copy.finish().await?;
        rows += records;
    }
    Ok(rows)
}
