//! Killed at random moments while readings come in: what was acknowledged is there once, and judged as one judging of it all would.

use std::{
    collections::BTreeSet,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, AtomicI64, Ordering},
    },
    time::Duration,
};

use crate::common::{Serving, Watch, admin, home};
use anyhow::{Context, Result, ensure};
use gillbook_core::kinds::ExcursionKind;
use gillbook_testkit::Farm;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rustix::process::{Signal, kill_process};
use serde_json::json;
use sqlx::{Connection, PgConnection, Row};

/// Boards that post at once.
const BOARDS: i64 = 8;

/// How often it is killed: few times in every run, more for a long one.
fn times(usual: usize) -> usize {
    std::env::var("GILLBOOK_KILLS").ok().and_then(|n| n.parse().ok()).unwrap_or(usual)
}

/// Boards that post readings, one after another, and remember what was acknowledged.
struct Boards {
    stop: Arc<AtomicBool>,
    acknowledged: Arc<Mutex<BTreeSet<i64>>>,
    tasks: Vec<tokio::task::JoinHandle<()>>,
}

impl Boards {
    fn start(base: &str, token: &str, tick: &Arc<AtomicI64>) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let acknowledged = Arc::new(Mutex::new(BTreeSet::new()));
        let first = chrono::Utc::now().timestamp() - 20 * 86_400;
        let tasks = (0..BOARDS)
            .map(|_| {
                let (stop, acknowledged, tick) = (stop.clone(), acknowledged.clone(), tick.clone());
                let (url, token) = (format!("{base}/api/readings"), token.to_owned());
                tokio::spawn(async move {
                    let http = reqwest::Client::new();
                    while !stop.load(Ordering::SeqCst) {
                        let n = tick.fetch_add(1, Ordering::SeqCst);
                        let at = first + n * 37;
                        let c = if n % 200 < 90 { 2.0 } else { 9.0 };
                        let body = json!([{"n": "p1", "u": "Cel", "t": at, "v": c}]).to_string();
                        let kind = ("content-type", "application/senml+json");
                        let posted = http.post(&url).bearer_auth(&token).header(kind.0, kind.1).body(body).send().await;
                        if let Ok(answer) = posted
                            && answer.status().is_success()
                            && let Ok(mut acknowledged) = acknowledged.lock()
                        {
                            acknowledged.insert(at);
                        }
                    }
                })
            })
            .collect();
        Self { stop, acknowledged, tasks }
    }

    /// Lets them post for a while that chance decides.
    async fn work(&self, chance: &mut ChaCha8Rng) {
        let enough = chance.random_range(20..200);
        let before = self.count();
        let mut pace = tokio::time::interval(Duration::from_millis(2));
        while self.count() < before + enough {
            pace.tick().await;
        }
    }

    fn count(&self) -> usize {
        self.acknowledged.lock().map_or(0, |a| a.len())
    }

    async fn stop(self) -> Result<BTreeSet<i64>> {
        self.stop.store(true, Ordering::SeqCst);
        for task in self.tasks {
            task.await?;
        }
        Ok(self.acknowledged.lock().map_or_else(|_| BTreeSet::new(), |a| a.clone()))
    }
}

/// Every acknowledged reading is there once; hours and excursions are those of one judging of the raw rows.
async fn ensure_all(farm: &Farm, acknowledged: &BTreeSet<i64>) -> Result<()> {
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    let rows = sqlx::query("select extract(epoch from at)::bigint as at, count(*) as n from reading group by 1")
        .fetch_all(&mut db)
        .await?;
    let there: BTreeSet<i64> = rows.iter().map(|r| r.get("at")).collect();
    ensure!(rows.iter().all(|r| r.get::<i64, _>("n") == 1), "each once");
    ensure!(acknowledged.is_subset(&there), "lost: {:?}", acknowledged.difference(&there).collect::<Vec<_>>());
    // Silence goes on while it is judged twice.
    farm.ensure_evaluated_as_once(&[ExcursionKind::NoData]).await
}

async fn farm_with_token(home: &std::path::Path, serving: &Serving) -> Result<(Farm, String)> {
    let farm = Farm::over(admin(home).await?, vec![serving.address()]).await?;
    farm.set_up().await;
    let long_ago = chrono::Utc::now() - chrono::TimeDelta::days(30);
    let limit = json!({"limit": {"name": "Cold", "warm_c": 5, "cold_c": 0, "effective_from": long_ago}});
    farm.ask(&farm.owner, "PATCH", "/api/places/F1", &[("if-match", "\"1\"")], Some(limit)).await.expect(200);
    let token = farm.create("/api/tokens", json!({"name": "board", "scope": "readings", "probe": "p1"})).await;
    Ok((farm, token["secret"].as_str().context("a secret")?.to_owned()))
}

#[tokio::test(flavor = "multi_thread")]
async fn the_program_killed_while_readings_come_in_loses_none() -> Result<()> {
    let home = home()?;
    let _watch = Watch(home.path().to_owned());
    let mut serving = Serving::start(home.path())?;
    let (mut farm, token) = farm_with_token(home.path(), &serving).await?;
    let mut chance = ChaCha8Rng::seed_from_u64(9);
    let tick = Arc::new(AtomicI64::new(0));
    let mut acknowledged = BTreeSet::new();
    for _ in 0..times(10) {
        let boards = Boards::start(&format!("http://{}", serving.address()), &token, &tick);
        boards.work(&mut chance).await;
        serving.kill()?;
        acknowledged.extend(boards.stop().await?);
        serving = Serving::start(home.path())?;
    }
    farm = farm.moved_to(vec![serving.address()]);
    ensure_all(&farm, &acknowledged).await?;
    ensure!(serving.stop()?);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_database_killed_while_readings_come_in_loses_none_and_comes_back() -> Result<()> {
    let home = home()?;
    let watch = Watch(home.path().to_owned());
    let serving = Serving::start(home.path())?;
    let (farm, token) = farm_with_token(home.path(), &serving).await?;
    let mut chance = ChaCha8Rng::seed_from_u64(11);
    let tick = Arc::new(AtomicI64::new(0));
    let boards = Boards::start(&format!("http://{}", serving.address()), &token, &tick);
    for _ in 0..times(5) {
        boards.work(&mut chance).await;
        kill_process(watch.server().context("a server runs")?, Signal::KILL)?;
        // Nobody helps: the next posts are taken when the program has brought the database back.
        serving.ready().await?;
    }
    boards.work(&mut chance).await;
    let acknowledged = boards.stop().await?;
    ensure_all(&farm, &acknowledged).await?;
    ensure!(serving.stop()?);
    Ok(())
}
