//! How fast the pages and reports of a farm of sixteen weeks answer, each against the limit of a moment that nobody notices.

use std::path::PathBuf;

use anyhow::{Context, Result};
use chrono::{DateTime, Utc};
use clap::Parser;
use gillbook::{database::Database, demo, notices::choose_crypto};
use serde_json::Value;

use crate::{
    Figure,
    load::{Connection, median_and_p99},
    service::Service,
};

/// Milliseconds within which 99 of 100 answers come.
const LIMIT_MS: f64 = 20.0;
/// When the measured season ends.
const UNTIL: &str = "2026-11-25T09:00:00Z";
/// The demo's owner.
const OWNER: &str = "mirel";

/// What is measured.
#[derive(Debug, clap::Args)]
pub struct Extent {
    /// Requests of each page.
    #[arg(long, default_value_t = 2000)]
    requests: usize,
    /// Weeks of the season.
    #[arg(long, default_value_t = 16)]
    weeks: u32,
    /// Only pages whose path contains this; `/` is the first page alone.
    #[arg(long, default_value = "")]
    only: String,
    /// A directory that keeps the season: lived in the first run, taken as it is afterwards.
    #[arg(long)]
    data_dir: Option<PathBuf>,
}

#[derive(Debug, Parser)]
struct Demo {
    #[command(flatten)]
    options: demo::Options,
}

/// Lives the season where it was not yet, and measures every page of it.
pub async fn run(extent: &Extent) -> Result<Vec<Figure>> {
    choose_crypto();
    let until: DateTime<Utc> = UNTIL.parse()?;
    let home = if extent.data_dir.is_none() { Some(Service::home()?) } else { None };
    let kept = extent.data_dir.clone().or_else(|| home.as_ref().map(|h| h.path().to_owned())).context("a directory")?;
    if !kept.join("database").exists() {
        let weeks = extent.weeks.to_string();
        let words = ["demo", "--once", "--weeks", &weeks, "--until", UNTIL, "--listen", "127.0.0.1:0"];
        let database = Database { data_dir: Some(kept.clone()), ..Database::default() };
        demo::run(&database, Demo::try_parse_from(words)?.options).await?;
    }
    let service = Service::resume(home, &kept, until).await?;
    let figures = pages(&service, extent).await;
    service.stop().await?;
    figures
}

async fn pages(service: &Service, extent: &Extent) -> Result<Vec<Figure>> {
    let mut connection = Connection::open(&service.place).await?;
    let passphrase = demo::PASSPHRASE.replace(' ', "+");
    let cookie = connection.sign_in(&format!("sign_in_name={OWNER}&passphrase={passphrase}")).await?;
    println!("idle, {:.0} MiB; {:<44} {:>8} {:>8}", Service::memory_mib(), "path", "ms p99", "limit");
    let mut figures = Vec::new();
    for path in paths(&mut connection, &cookie)
        .await?
        .into_iter()
        .filter(|p| *p == extent.only || extent.only != "/" && p.contains(&extent.only))
    {
        let (median, ours) = median_and_p99(&service.place, &cookie, &path, extent.requests).await?;
        println!("{path:<44} {median:>8.1} ms in the middle");
        figures.push(Figure::new(path, &[(ours, LIMIT_MS)], "ms p99"));
    }
    println!("after it, {:.0} MiB", Service::memory_mib());
    Ok(figures)
}

/// The pages and reports, those of one thing for the first that a list has.
async fn paths(connection: &mut Connection, cookie: &str) -> Result<Vec<String>> {
    let mut first = async |list: &str, field: &str| -> Result<String> {
        let text = connection.text(list, cookie).await?;
        let answer: Value = serde_json::from_str(&text)?;
        let found = answer.pointer(&format!("/rows/0/{field}")).and_then(Value::as_str);
        Ok(found.with_context(|| format!("{list} has no {field}: {text}"))?.to_owned())
    };
    let lot = first("/api/lots?in_stock=true&limit=1", "lot").await?;
    let order = first("/api/orders?limit=1", "order").await?;
    let docket = first("/api/dockets?limit=1", "docket").await?;
    let excursion =
        first("/api/excursions?from=2026-08-10T00:00:00Z&until=2026-11-25T09:00:00Z", "excursion_id").await?;
    let plain = [
        "/",
        "/weigh",
        "/stock",
        "/orders",
        "/fridge",
        "/fridge/record",
        "/fridge/by-hand",
        "/checks",
        "/week",
        "/blocks",
        "/notices",
        "/food-safety",
    ];
    let reports = [
        "/api/stock",
        "/api/lots?in_stock=true&limit=200",
        "/api/reports/shelf-life",
        "/api/reports/earnings",
        "/api/reports/weeks/2026-W47",
        "/api/reports/weeks/2026-W47/sales",
    ];
    let mut paths: Vec<String> = plain.iter().chain(&reports).map(|p| (*p).to_owned()).collect();
    paths.extend([
        format!("/lots/{lot}"),
        format!("/orders/{order}"),
        format!("/dockets/{docket}"),
        format!("/excursions/{excursion}"),
        format!("/api/lots/{lot}/trace"),
    ]);
    Ok(paths)
}
