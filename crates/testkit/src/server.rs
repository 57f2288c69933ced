//! Databases: one a test, cut from a template that has the schema.

use std::{
    fs::File,
    path::{Path, PathBuf},
    process::{Command, Stdio},
    str::FromStr,
    time::{Duration, Instant},
};

use anyhow::{Context, Result, bail};
use gillbook_store::migrate::migrate;
use sqlx::{Connection, PgConnection, postgres::PgConnectOptions};
use testcontainers::{
    GenericImage, ImageExt, ReuseDirective,
    core::{IntoContainerPort, WaitFor},
    runners::AsyncRunner,
};
use tokio::sync::OnceCell;
use uuid::Uuid;

static SERVER: OnceCell<PgConnectOptions> = OnceCell::const_new();

/// A new database with the schema, as its superuser sees it.
///
/// # Errors
/// When no server is to be had.
pub async fn database() -> Result<PgConnectOptions> {
    let admin = SERVER.get_or_try_init(server).await?;
    let name = format!("t_{}", Uuid::new_v4().simple());
    let mut db = PgConnection::connect_with(admin).await?;
    // One at a time: a template may not be in use by another copy.
    sqlx::query("select pg_advisory_lock(7011)").execute(&mut db).await?;
    sqlx::query(sqlx::AssertSqlSafe(format!("create database {name} template gillbook_template")))
        .execute(&mut db)
        .await?;
    db.close().await?;
    Ok(admin.clone().database(&name))
}

async fn server() -> Result<PgConnectOptions> {
    let admin = match std::env::var("GILLBOOK_TEST_DATABASE_URL") {
        Ok(url) => PgConnectOptions::from_str(&url)?,
        Err(_) => match gillbook::cluster::find_binaries() {
            Ok(bin) => throw_away(&bin).await?,
            Err(_) => container().await?,
        },
    };
    let mut db = PgConnection::connect_with(&admin).await?;
    sqlx::query("select pg_advisory_lock(7011)").execute(&mut db).await?;
    let there: bool = sqlx::query_scalar("select exists (select from pg_database where datname = 'gillbook_template')")
        .fetch_one(&mut db)
        .await?;
    if !there {
        sqlx::query("create database gillbook_building").execute(&mut db).await?;
        migrate(&admin.clone().database("gillbook_building")).await?;
        sqlx::query("alter database gillbook_building rename to gillbook_template").execute(&mut db).await?;
    }
    db.close().await?;
    Ok(admin)
}

/// Starts a cluster that lives as long as this process: its shell ends it when the process's end of the pipe closes.
async fn throw_away(bin: &Path) -> Result<PgConnectOptions> {
    // A process that was killed leaves its directory behind, and its number is given again.
    let home =
        PathBuf::from(format!("/tmp/gillbook-test-{}-{:.8}", std::process::id(), Uuid::new_v4().simple().to_string()));
    let script = r#"
        set -e
        mkdir -p "$2" && chmod 755 "$2"
        run() { exec "$@"; }
        if [ "$(id -u)" = 0 ]; then chown postgres "$2"; run() { exec setpriv --reuid=postgres --regid=postgres --clear-groups "$@"; }; fi
        ( run "$1/initdb" -D "$2/data" -U gillbook_admin -A trust --no-instructions --locale=C --encoding=UTF8 >/dev/null )
        # `exec` in the background shell, so that the number kept is the server's own.
        run "$1/postgres" -D "$2/data" -k "$2" -c listen_addresses= -c fsync=off -c full_page_writes=off -c synchronous_commit=off \
            -c max_connections=300 -c timezone=UTC -c deadlock_timeout=100ms >"$2/log" 2>&1 &
        server=$!
        read -r _ || true
        kill -QUIT $server; wait $server || true
        rm -rf "$2""#;
    let mut shell = Command::new("sh")
        .args(["-c", script, "sh"])
        .arg(bin)
        .arg(&home)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        // Nothing of ours stays open in it: whoever reads this process's output would wait for it.
        .stderr(Stdio::null())
        .spawn()
        .context("starting a throw-away database")?;
    // Kept open until the process ends.
    std::mem::forget(shell.stdin.take());
    let options = PgConnectOptions::new_without_pgpass().socket(&home).username("gillbook_admin").database("postgres");
    until_it_answers(&options, || Ok(shell.try_wait()?.is_none())).await?;
    Ok(options)
}

async fn until_it_answers(options: &PgConnectOptions, mut lives: impl FnMut() -> Result<bool>) -> Result<()> {
    let began = Instant::now();
    while PgConnection::connect_with(options).await.is_err() {
        if !lives()? || began.elapsed() > Duration::from_mins(1) {
            bail!("the throw-away database did not come up");
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    Ok(())
}

/// Where no server is installed: a container, started by the first test that needs it and shared by all, also of later runs.
/// `GILLBOOK_TEST_IMAGE` and `GILLBOOK_TEST_PORT` choose another image (`name:tag`) and another port of this machine.
async fn container() -> Result<PgConnectOptions> {
    let chosen = std::env::var("GILLBOOK_TEST_IMAGE").unwrap_or_else(|_| "postgres:17-alpine".into());
    let (name, tag) = chosen.rsplit_once(':').context("GILLBOOK_TEST_IMAGE is name:tag")?;
    // Mapped explicitly: not every engine tells which port it chose.
    let port: u16 = std::env::var("GILLBOOK_TEST_PORT").unwrap_or_else(|_| "54329".into()).parse()?;
    // One process at a time, or two would make it twice.
    let lock = File::create(std::env::temp_dir().join("gillbook-tests.lock"))?;
    lock.lock()?;
    let container = GenericImage::new(name, tag)
        .with_wait_for(WaitFor::Nothing)
        .with_container_name("gillbook-tests")
        .with_reuse(ReuseDirective::Always)
        .with_mapped_port(port, 5432.tcp())
        .with_env_var("POSTGRES_USER", "gillbook_admin")
        .with_env_var("POSTGRES_HOST_AUTH_METHOD", "trust")
        .with_cmd(["postgres", "-c", "fsync=off", "-c", "max_connections=300", "-c", "timezone=UTC", "-c", "deadlock_timeout=100ms"])
        .start()
        .await
        .context("No Postgres is installed and no container engine answers. Run ./tests/install, or name a server in GILLBOOK_TEST_DATABASE_URL")?;
    let options = PgConnectOptions::new_without_pgpass()
        .host("127.0.0.1")
        .port(port)
        .username("gillbook_admin")
        .database("postgres");
    let up = until_it_answers(&options, || Ok(true)).await;
    // It outlives this process on purpose.
    std::mem::forget(container);
    up?;
    Ok(options)
}

/// The statements by which a session of the service's role sees the rows of a farm.
#[must_use]
pub fn scope_of(farm: i32) -> String {
    format!("set gillbook.farm = {farm}; set gillbook.farms = '{{{farm}}}'")
}
