//! Every figure that the interface gives, worked out a second time from the raw rows by programs that share nothing with ours.

use std::process::Command;

use anyhow::{Context, Result, ensure};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use clap::Parser;
use gillbook::{
    cluster::{ADMIN, Cluster, Durability},
    database::Database,
    demo,
    notices::choose_crypto,
};
use gillbook_testkit::Farm;
use gillbook_tests::{
    audit::{Audited, audit},
    python, top,
    troubled::troubled_farm,
};
use sqlx::{Connection, PgConnection};

/// Families of figures that are compared: modules of `tests/outside/audit`.
const COMPARED: &[&str] = &[
    "counts",
    "days",
    "dockets",
    "earnings",
    "excursions",
    "exposure",
    "gaps",
    "inside",
    "ledger",
    "life",
    "order_to_cash",
    "risk",
    "stalls",
    "week",
    "week_counted",
    "week_money",
    "weight_loss",
];

/// A figure of a family, for proof that another one in its place is noticed.
const CHANGED: &[(&str, &str)] = &[
    ("ledger", "free_g"),
    ("counts", "counted_g"),
    ("week", "closing_g"),
    ("dockets", "net"),
    ("stalls", "takings"),
    ("week_money", "returned_g"),
    ("order_to_cash", "closing"),
    ("exposure", "readings"),
    ("days", "probe_spread_c"),
    ("excursions", "beyond_degree_minutes"),
    ("inside", "grams_g"),
    ("life", "used_share"),
    ("risk", "at_risk_g"),
    ("earnings", "cost"),
    ("weight_loss", "likely_percent"),
];

#[derive(Parser)]
struct Demo {
    #[command(flatten)]
    options: demo::Options,
}

/// A cluster's data directory. Whatever happens to the test, no server outlives it.
struct Home(tempfile::TempDir);

impl Home {
    fn new() -> Result<Self> {
        let home = tempfile::Builder::new().prefix("gillbook-audit-").tempdir()?;
        // The server's unprivileged user enters it.
        std::fs::set_permissions(home.path(), std::os::unix::fs::PermissionsExt::from_mode(0o755))?;
        Ok(Self(home))
    }
}

impl Drop for Home {
    fn drop(&mut self) {
        let Ok(text) = std::fs::read_to_string(self.0.path().join("database/postmaster.pid")) else { return };
        if let Some(pid) = text.lines().next() {
            let _ = Command::new("kill").args(["-QUIT", pid.trim()]).status();
        }
    }
}

#[test]
fn every_family_is_compared_or_waits() -> Result<()> {
    let mut families = Vec::new();
    for file in std::fs::read_dir(top().join("tests/outside/audit"))? {
        let path = file?.path();
        if path.extension().is_some_and(|e| e == "py") && std::fs::read_to_string(&path)?.contains("\ndef compare(") {
            families.extend(path.file_stem().map(|s| s.to_string_lossy().into_owned()));
        }
    }
    families.sort();
    assert_eq!(families, COMPARED);
    Ok(())
}

#[test]
fn the_programs_give_the_figures_of_standards_and_papers() -> Result<()> {
    let output = python("audit/vectors.py", "")?;
    ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(String::from_utf8(output.stdout)?.trim(), "16");
    Ok(())
}

/// A short season of the demo, from a seed, and then everything that it can be asked.
async fn season(seed: &str) -> Result<()> {
    choose_crypto();
    let until: DateTime<Utc> = "2026-11-25T09:00:00Z".parse()?;
    let home = Home::new()?;
    let database = Database { data_dir: Some(home.0.path().to_owned()), ..Database::default() };
    let words =
        ["demo", "--once", "--weeks", "3", "--until", &until.to_rfc3339(), "--listen", "127.0.0.1:0", "--seed", seed];
    demo::run(&database, Demo::try_parse_from(words)?.options).await?;

    let cluster = Cluster::start(home.0.path(), Durability::ThrowAway).await?;
    let admin = cluster.options(ADMIN);
    let mut db = PgConnection::connect_with(&admin).await?;
    let owner = "select sign_in_name from sign_in_name join person using (farm_id, person_id) where role = 'owner'";
    let owner: String = sqlx::query_scalar(owner).fetch_one(&mut db).await?;
    db.close().await?;
    let farm = Farm::resumed(admin, until, &owner, demo::PASSPHRASE).await?;
    let compared = audit(&format!("demo-{seed}"), &farm, COMPARED).await;
    farm.store.close().await;
    cluster.stop().await?;
    enough(&compared?, &["excursions"])
}

/// That each family compared enough to tell, but for those of which such a farm has little.
fn enough(audited: &Audited, little: &[&str]) -> Result<()> {
    for family in COMPARED {
        let figures = audited.compared[*family].as_u64().context("a number of figures")?;
        ensure!(figures > 15 || little.contains(family), "{family}: too little to tell, {figures} figures");
    }
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_season_of_the_demo_is_what_its_rows_say() -> Result<()> {
    season("7").await
}

#[tokio::test(flavor = "multi_thread")]
async fn another_season_of_the_demo_is_what_its_rows_say() -> Result<()> {
    season("20").await
}

/// Two weeks of a farm that has nothing but trouble, in a zone and a currency of so many decimals.
async fn trouble(name: &str, zone: Tz, currency: &str, decimals: u32, monday: &str, seed: u64) -> Result<Audited> {
    let farm = troubled_farm(zone, currency, decimals, monday.parse()?, seed).await?;
    let audited = audit(name, &farm, COMPARED).await?;
    enough(&audited, &[])?;
    Ok(audited)
}

/// The clocks go forward on the second Sunday of it.
#[tokio::test(flavor = "multi_thread")]
async fn trouble_over_a_day_of_23_hours() -> Result<()> {
    let audited = trouble("paris", Tz::Europe__Paris, "EUR", 2, "2026-03-16", 1).await?;
    for (family, field) in CHANGED.iter().filter(|(family, _)| COMPARED.contains(family)) {
        ensure!(audited.notices(COMPARED, family, field)?, "{family}: another {field} is not noticed");
    }
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn trouble_in_a_zone_of_quarter_hours_and_a_currency_of_three_decimals() -> Result<()> {
    trouble("kathmandu", Tz::Asia__Kathmandu, "TND", 3, "2026-10-05", 2).await?;
    Ok(())
}

/// The clocks go back on the first Sunday of it.
#[tokio::test(flavor = "multi_thread")]
async fn trouble_in_a_zone_of_half_hours_and_a_currency_without_decimals() -> Result<()> {
    trouble("lord-howe", Tz::Australia__Lord_Howe, "JPY", 0, "2026-03-30", 3).await?;
    Ok(())
}
