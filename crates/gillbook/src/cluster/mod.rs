//! A Postgres of our own: found, initialised, started, restarted and stopped.
//!
//! The installed server's binaries run on a data directory of ours, listen on a private socket only, and always with fsync,
//! `full_page_writes` and `synchronous_commit` on. Started as root, the server runs as an unprivileged user. After a kill of this program
//! the server that is still running is adopted, if it is the one of this data directory; after a kill of the server it is started again.

mod binaries;
mod layout;
mod log;
mod process;

use std::{
    fs::File,
    os::unix::process::CommandExt,
    path::Path,
    process::{Child, Stdio},
    time::{Duration, Instant},
};

use anyhow::{Context, Result, bail};
use gillbook_store::migrate::ensure_database;
use sqlx::postgres::PgConnectOptions;

pub use self::{binaries::find_binaries, layout::default_home};
use self::{
    layout::Layout,
    log::Log,
    process::{PidFile, Running, Server},
};

/// The cluster's administrator.
pub const ADMIN: &str = "gillbook_admin";
/// How long a server may take to come up: long enough for crash recovery on a slow disk.
const START_TIMEOUT: Duration = Duration::from_secs(90);
/// How long it may take to stop.
const STOP_TIMEOUT: Duration = Duration::from_mins(1);

/// Whether a cluster keeps what it acknowledged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Durability {
    /// Always, but for a throw-away cluster of a test.
    Durable,
    /// Faster, and loses everything with the machine's power. Tests only.
    ThrowAway,
}

/// A running server. It is asked to stop when this is dropped; [`Cluster::stop`] also waits until it has.
#[derive(Debug)]
pub struct Cluster {
    layout: Layout,
    log: Log,
    durability: Durability,
    server: Option<Server>,
    /// Held while this program owns the data directory.
    _lock: File,
}

impl Drop for Cluster {
    fn drop(&mut self) {
        // A start that fails half-way leaves no server behind.
        if let Some(Err(error)) = self.server.as_mut().map(Server::ask_to_stop) {
            tracing::warn!(%error, "the database could not be asked to stop");
        }
    }
}

impl Cluster {
    /// Starts the cluster of a home directory, or adopts the server that a killed predecessor left running.
    ///
    /// # Errors
    /// Says what to install, or what holds the directory and how to end it.
    pub async fn start(home: &Path, durability: Durability) -> Result<Self> {
        let layout = Layout::of(home)?;
        let lock = File::create(layout.home.join("gillbook.lock")).context("opening the lock of the data directory")?;
        if lock.try_lock().is_err() {
            bail!("Another gillbook is using {}. Stop it first, or choose another --data-dir.", home.display());
        }
        layout.prepare()?;
        let log = Log::of(&layout.home);
        let mut cluster = Self { layout, log, durability, server: None, _lock: lock };
        match cluster.left_running()? {
            Some(running) => cluster.adopt(running).await?,
            None => cluster.spawn().await?,
        }
        ensure_database(&cluster.options(ADMIN).database("postgres")).await?;
        Ok(cluster)
    }

    /// Options to connect to a cluster that another gillbook keeps running, if one does.
    ///
    /// # Errors
    /// When no server binaries are installed.
    pub async fn running(home: &Path, role: &str) -> Result<Option<PgConnectOptions>> {
        let layout = Layout::of(home)?;
        let held = File::create(layout.home.join("gillbook.lock"))?.try_lock().is_err();
        Ok((held && layout.answers().await).then(|| layout.options(role)))
    }

    /// Options to connect as a role.
    #[must_use]
    pub fn options(&self, role: &str) -> PgConnectOptions {
        self.layout.options(role)
    }

    /// The server of this very directory that a killed predecessor left running.
    ///
    /// Refuses to go on where one runs on another directory, or listens elsewhere: what is kept there would not be kept here.
    fn left_running(&self) -> Result<Option<Running>> {
        let Layout { data, socket, .. } = &self.layout;
        if let Some(file) = PidFile::read(data)
            && let Some(running) = Running::in_directory(file.pid, data)
        {
            // Empty while it starts.
            if file.socket == *socket || file.socket.as_os_str().is_empty() {
                return Ok(Some(running));
            }
            bail!(
                "A database server, process {}, runs on {} and listens in {}. Stop it (kill -INT {0}), then start again.",
                file.pid,
                data.display(),
                file.socket.display()
            );
        }
        if std::os::unix::net::UnixStream::connect(socket.join(".s.PGSQL.5432")).is_ok() {
            let process = PidFile::beside_socket(socket).map_or_else(|| "?".to_owned(), |file| file.pid.to_string());
            // An orderly stop would write its last checkpoint to the old name of its directory, over what stands there now.
            bail!(
                "A database server, process {process}, listens in {} and is not the one of {}: was the directory replaced while it ran? \
                 End it with kill -QUIT {process} (what it has acknowledged stays in its own directory), then start again.",
                socket.display(),
                data.display()
            );
        }
        Ok(None)
    }

    async fn adopt(&mut self, running: Running) -> Result<()> {
        tracing::info!(pid = %running.pid, "a database server was left running and is taken over");
        self.server = Some(Server::Adopted(running));
        let began = Instant::now();
        while !self.layout.answers().await {
            if !running.lives() {
                return self.spawn().await;
            }
            if began.elapsed() > START_TIMEOUT {
                bail!(
                    "The database, process {}, does not answer. Its log is {}.",
                    running.pid,
                    self.log.path().display()
                );
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        Ok(())
    }

    async fn spawn(&mut self) -> Result<()> {
        let began = Instant::now();
        let mut known = self.left_running()?;
        while known.is_none() || began.elapsed() < START_TIMEOUT {
            // A server that was just killed leaves parts of it that hold its memory for about a second.
            known = Running::any_in_directory(&self.layout.data);
            if known.is_none() {
                self.remove_stale_pid_file()?;
                self.server = Some(Server::Started(self.launch()?));
                if self.comes_up(began).await? {
                    return Ok(());
                }
                self.server = None;
                if began.elapsed() > START_TIMEOUT {
                    bail!("The database does not start. Its log is {}.", self.log.path().display());
                }
            }
            tokio::time::sleep(Duration::from_millis(300)).await;
        }
        let process = known.map(|running| running.pid.to_string()).unwrap_or_default();
        bail!(
            "A database process, {process}, still works in {}. Stop it (kill -QUIT {process}), then start again.",
            self.layout.data.display()
        )
    }

    /// Waits until the server that was launched answers. False if it ends instead.
    async fn comes_up(&mut self, began: Instant) -> Result<bool> {
        while !self.layout.answers().await {
            if self.server.as_mut().is_none_or(|server| server.has_ended().unwrap_or(true)) {
                return Ok(false);
            }
            if began.elapsed() > START_TIMEOUT {
                bail!(
                    "The database did not come up in {} s. Its log is {}.",
                    START_TIMEOUT.as_secs(),
                    self.log.path().display()
                );
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        Ok(true)
    }

    /// Removes what a server left that was killed, where its number is some other process's by now: Postgres would take that one for its
    /// predecessor and not start. Where nobody has the number it finds that out itself.
    fn remove_stale_pid_file(&self) -> Result<()> {
        if let Some(file) = PidFile::read(&self.layout.data)
            && rustix::process::test_kill_process(file.pid).is_ok()
            && Path::new("/proc/self/cwd").exists()
        {
            tracing::warn!(pid = %file.pid, "the number of a server that was killed belongs to another process now");
            std::fs::remove_file(self.layout.data.join("postmaster.pid"))?;
        }
        Ok(())
    }

    fn launch(&self) -> Result<Child> {
        self.log.truncate()?;
        let log = self.log.open()?;
        let safe = if self.durability == Durability::Durable { "on" } else { "off" };
        let mut command = self.layout.command("postgres");
        command.arg("-D").arg(&self.layout.data).arg("-k").arg(&self.layout.socket);
        for setting in [
            "listen_addresses=".to_owned(),
            format!("hba_file={}", self.layout.hba_file().display()),
            format!("ident_file={}", self.layout.ident_file().display()),
            format!("fsync={safe}"),
            format!("full_page_writes={safe}"),
            format!("synchronous_commit={safe}"),
            "max_connections=100".into(),
            "shared_buffers=128MB".into(),
            "timezone=UTC".into(),
            "log_timezone=UTC".into(),
            "max_wal_size=1GB".into(),
            // A book begins empty and grows by the hundred rows a day: without fresh statistics the planner would go on taking
            // every table for a handful of rows.
            "autovacuum_naptime=5s".into(),
            "autovacuum_analyze_scale_factor=0.02".into(),
        ] {
            command.arg("-c").arg(setting);
        }
        // Its own process group: a Ctrl-C at the terminal is ours to turn into an orderly stop.
        command
            .process_group(0)
            .stdin(Stdio::null())
            .stdout(log.try_clone()?)
            .stderr(log)
            .spawn()
            .context("starting postgres")
    }

    /// Restores a dump that `pg_dump --format=custom` made, into the database that is there and empty.
    ///
    /// # Errors
    /// What `pg_restore` said; nothing of the dump is kept then.
    pub async fn restore(&self, dump: File) -> Result<()> {
        let mut restore = tokio::process::Command::from(self.layout.command("pg_restore"));
        restore.args(["--single-transaction", "--exit-on-error", "--no-password", "--dbname=gillbook"]);
        restore.arg("--username").arg(ADMIN).arg("--host").arg(&self.layout.socket);
        let out = restore.stdin(dump).output().await.context("running pg_restore")?;
        if !out.status.success() {
            bail!("The dump was not restored: {}", String::from_utf8_lossy(&out.stderr).trim());
        }
        Ok(())
    }

    /// Starts the server again if it has died, and keeps its log short. Returns whether it had.
    ///
    /// # Errors
    /// When it does not come up again.
    pub async fn keep_alive(&mut self) -> Result<bool> {
        self.log.truncate()?;
        let dead = match &mut self.server {
            Some(server) => server.has_ended()?,
            None => true,
        };
        if dead {
            tracing::warn!("the database has died and is started again");
            self.server = None;
            self.spawn().await?;
        }
        Ok(dead)
    }

    /// Stops the server: open transactions are rolled back, everything that was acknowledged is on disk.
    ///
    /// # Errors
    /// When it does not stop within a minute.
    pub async fn stop(mut self) -> Result<()> {
        let Some(mut server) = self.server.take() else { return Ok(()) };
        server.ask_to_stop()?;
        let began = Instant::now();
        while !server.has_ended()? {
            if began.elapsed() > STOP_TIMEOUT {
                bail!("The database did not stop within a minute.");
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        Ok(())
    }
}
