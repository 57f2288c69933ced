//! The whole service on a fresh embedded database, with farms to post for.

use std::{
    path::Path,
    sync::Arc,
    time::{Duration, Instant},
};

use anyhow::{Result, ensure};
use chrono::{DateTime, TimeDelta, Utc};
use gillbook::{
    cluster::{ADMIN, Cluster, Durability},
    keeper::run_evaluator,
    listen::{ListenAddr, listen},
    serve::serve,
};
use gillbook_store::{
    FarmId, Store,
    farm::{
        farms::NewFarm,
        people::{NewPerson, Passphrase},
    },
    migrate::migrate,
};
use gillbook_web::{App, Clock, Settings};
use sha2::{Digest, Sha256};
use sqlx::{Connection, PgConnection, postgres::PgConnectOptions};
use tempfile::TempDir;
use tokio::task::JoinHandle;

/// The longest that the judge may be behind.
const JUDGED_WITHIN: Duration = Duration::from_mins(10);

/// A running service.
pub struct Service {
    /// Where it listens.
    pub place: ListenAddr,
    /// Its database, as its administrator.
    pub admin: PgConnectOptions,
    /// Its store.
    pub store: Store,
    cluster: Cluster,
    tasks: Vec<JoinHandle<()>>,
    /// Its directory, where it is to be removed with it.
    home: Option<TempDir>,
}

/// A probe's secret, by farm and probe.
pub fn secret(farm: i32, probe: i32) -> String {
    format!("{farm}.{:043}", farm * 10 + probe)
}

impl Service {
    /// A directory for one.
    pub fn home() -> Result<TempDir> {
        let home = tempfile::Builder::new().prefix("gillbook-bench-").tempdir()?;
        // The server's unprivileged user enters it.
        std::fs::set_permissions(home.path(), std::os::unix::fs::PermissionsExt::from_mode(0o755))?;
        Ok(home)
    }

    /// Starts one that speaks HTTP over TCP, or else over a Unix socket.
    pub async fn start(tcp: bool) -> Result<Self> {
        let home = Self::home()?;
        let path = home.path().to_owned();
        Self::open(Some(home), &path, tcp, Arc::new(Utc::now)).await
    }

    /// Starts one over a data directory whose farm has lived until an instant, from which its clock goes on.
    pub async fn resume(home: Option<TempDir>, path: &Path, until: DateTime<Utc>) -> Result<Self> {
        let began = Instant::now();
        let clock: Clock = Arc::new(move || until + TimeDelta::from_std(began.elapsed()).unwrap_or_default());
        Self::open(home, path, false, clock).await
    }

    async fn open(home: Option<TempDir>, path: &Path, tcp: bool, clock: Clock) -> Result<Self> {
        let cluster = Cluster::start(path, Durability::Durable).await?;
        let admin = cluster.options(ADMIN);
        migrate(&admin).await?;
        let store = Store::connect(cluster.options("gillbook_app"), 16).await?;
        store.ensure_trustworthy(true).await?;
        let router = gillbook_web::router(App::new(store.clone(), clock.clone(), Settings::default()));
        let place =
            if tcp { ListenAddr::Address("127.0.0.1:0".parse()?) } else { ListenAddr::Socket(path.join("http")) };
        let listener = listen(&place).await?;
        let place = listener.place()?;
        let served = async move { drop(serve(listener, router, std::future::pending()).await) };
        let tasks = vec![tokio::spawn(served), tokio::spawn(run_evaluator(store.clone(), clock))];
        Ok(Self { place, admin, store, cluster, tasks, home })
    }

    /// A connection to its database, as its administrator.
    pub async fn db(&self) -> Result<PgConnection> {
        Ok(PgConnection::connect_with(&self.admin).await?)
    }

    /// A farm with an owner who can sign in.
    pub async fn farm(&self, owner: &str) -> Result<FarmId> {
        let text = |t: &str| gillbook_core::text::Text::new(t).map_err(anyhow::Error::msg);
        let farm = NewFarm {
            name: text(owner)?,
            zone: chrono_tz::Europe::Paris,
            currency: "EUR".into(),
            owner: NewPerson {
                name: text(owner)?,
                initials: gillbook_core::text::Text::new("AB").map_err(anyhow::Error::msg)?,
                role: gillbook_core::kinds::Role::Owner,
                sign_in_name: gillbook_core::text::Text::new(owner).map_err(anyhow::Error::msg)?,
                passphrase: Passphrase::new("four words do well"),
            },
        };
        Ok(self.store.open_farm(&farm, Utc::now()).await?)
    }

    /// Farms from one number to another, each with a fridge, its limit and so many probes with their tokens.
    pub async fn fleet(&self, farms: std::ops::RangeInclusive<i32>, probes: i32, since: DateTime<Utc>) -> Result<()> {
        let mut db = self.db().await?;
        let (first, last) = (*farms.start(), *farms.end());
        sqlx::raw_sql(sqlx::AssertSqlSafe(format!(
            "insert into farm (farm_id, name, currency, zone, opened_at)
                 select n, 'Farm ' || n, 'EUR', 'Europe/Paris', '{since}' from generate_series({first}, {last}) n on conflict do nothing;
             -- Somebody who can sign in where nobody can: whether time alone opens anything is looked at for such farms only.
             insert into person (farm_id, person_id, name, initials, role, passphrase_hash, added_at)
                 select n, gen_random_uuid(), 'Owner', 'OW', 'owner', '-', '{since}' from generate_series({first}, {last}) n
                  where n not in (select farm_id from sign_in_name);
             insert into sign_in_name (sign_in_name, farm_id, person_id) select 'owner' || farm_id, farm_id, person_id from person
                 where farm_id between {first} and {last} and farm_id not in (select farm_id from sign_in_name);
             insert into place (farm_id, place, name, kind, humidity_percent) select n, 'F1', 'Fridge', 'fridge', 90 from generate_series({first}, {last}) n;
             insert into place_limit (farm_id, place, effective_from, name, warm_c, air_c, cold_c, grace_minutes, hysteresis_c, gap_minutes,
                                      silence_minutes, lag_minutes, rule_text, example, recorded_at)
                 select n, 'F1', '{since}', 'Cold', 5, 10, 0, 30, 0.5, 15, 30, 20, '', true, '{since}' from generate_series({first}, {last}) n;
             insert into probe (farm_id, probe_id, name, place, position)
                 select n, p, 'p' || p, 'F1', '' from generate_series({first}, {last}) n, generate_series(1, {probes}) p;
             -- Farms that are opened later have the numbers after these.
             select setval('farm_number', {last});"
        )))
        .execute(&mut db)
        .await?;
        let keys: Vec<(i32, i32)> = farms.flat_map(|farm| (1..=probes).map(move |probe| (farm, probe))).collect();
        tokens(&mut db, &keys).await
    }

    /// Waits until every store that was touched is judged, and gives how long that took.
    pub async fn until_evaluated(&self) -> Result<Duration> {
        let mut db = self.db().await?;
        let began = Instant::now();
        while sqlx::query_scalar("select exists (select from dirty_range)").fetch_one(&mut db).await? {
            ensure!(began.elapsed() < JUDGED_WITHIN, "stores are still not judged after {JUDGED_WITHIN:?}");
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        Ok(began.elapsed())
    }

    /// Resident memory of this process, MiB.
    pub fn memory_mib() -> f64 {
        let pages: f64 = std::fs::read_to_string("/proc/self/statm")
            .ok()
            .and_then(|s| s.split_whitespace().nth(1)?.parse().ok())
            .unwrap_or_default();
        pages * 4096.0 / 1024.0 / 1024.0
    }

    /// Where `pgbench` is.
    pub fn pgbench() -> Result<std::path::PathBuf> {
        Ok(gillbook::cluster::find_binaries()?.join("pgbench"))
    }

    /// Stops it and removes everything.
    pub async fn stop(self) -> Result<()> {
        for task in self.tasks {
            task.abort();
        }
        self.store.close().await;
        self.cluster.stop().await?;
        drop(self.home);
        Ok(())
    }
}

/// Tokens of probes, by farm and probe.
async fn tokens(db: &mut PgConnection, keys: &[(i32, i32)]) -> Result<()> {
    for chunk in keys.chunks(5000) {
        let hashes: Vec<Vec<u8>> = chunk.iter().map(|(f, p)| Sha256::digest(secret(*f, *p)).to_vec()).collect();
        sqlx::query(
            "insert into token (farm_id, token_id, name, scope, probe_id, secret_hash, made_at, ends_at)
             select f, gen_random_uuid(), 'board', 'readings', p, h, now(), now() + interval '1 year'
               from unnest($1::int[], $2::int[], $3::bytea[]) as u(f, p, h)",
        )
        .bind(chunk.iter().map(|k| k.0).collect::<Vec<_>>())
        .bind(chunk.iter().map(|k| k.1).collect::<Vec<_>>())
        .bind(hashes)
        .execute(&mut *db)
        .await?;
    }
    Ok(())
}
