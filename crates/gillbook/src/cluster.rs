//! A Postgres of our own: found, initialised, started, restarted and stopped.
//!
//! The installed server's binaries run on a data directory of ours, listen on a private socket only, and always with fsync,
//! `full_page_writes` and `synchronous_commit` on. Started as root, the server runs as an unprivileged user. After a kill of this program
//! the server that is still running is adopted; after a kill of the server it is started again.

use std::{
    fs::{self, File},
    os::unix::{fs::PermissionsExt, process::CommandExt},
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    time::{Duration, Instant},
};

use anyhow::{Context, Result, anyhow, bail};
use gillbook_store::migrate::ensure_database;
use sqlx::{Connection, PgConnection, postgres::PgConnectOptions};

/// The cluster's administrator.
pub const ADMIN: &str = "gillbook_admin";
/// The oldest server that is taken.
const OLDEST: u32 = 15;
/// How long a server may take to come up: long enough for crash recovery on a slow disk.
const START: Duration = Duration::from_secs(90);

/// Whether a cluster keeps what it acknowledged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Durability {
    /// Always, but for a throw-away cluster of a test.
    Durable,
    /// Faster, and loses everything with the machine's power. Tests only.
    ThrowAway,
}

/// A running server.
#[derive(Debug)]
pub struct Cluster {
    layout: Layout,
    durability: Durability,
    child: Option<Child>,
    /// Held while this program owns the data directory.
    _lock: File,
}

/// Where a cluster's files are.
#[derive(Debug, Clone)]
struct Layout {
    bin: PathBuf,
    data: PathBuf,
    socket: PathBuf,
    user: Option<User>,
}

/// The unprivileged user that the server runs as when we are root.
#[derive(Debug, Clone)]
struct User {
    name: String,
    uid: u32,
    gid: u32,
}

/// The directory that data is kept in unless said: the user's own, for root the system's.
#[must_use]
pub fn default_home() -> PathBuf {
    if rustix::process::geteuid().is_root() {
        return "/var/lib/gillbook".into();
    }
    let home = || std::env::var_os("HOME").map_or_else(|| PathBuf::from("."), PathBuf::from);
    std::env::var_os("XDG_DATA_HOME").map_or_else(|| home().join(".local/share"), PathBuf::from).join("gillbook")
}

/// Finds the newest installed server binaries.
///
/// # Errors
/// Says what to install, on which system.
pub fn find_binaries() -> Result<PathBuf> {
    let mut places: Vec<PathBuf> = std::env::var_os("GILLBOOK_POSTGRES_BIN").map(PathBuf::from).into_iter().collect();
    if places.is_empty() {
        if let Some(path) = std::env::var_os("PATH") {
            places.extend(std::env::split_paths(&path));
        }
        for (parent, tail) in [
            ("/usr/lib/postgresql", "bin"),
            ("/usr/pgsql", "bin"),
            ("/opt/homebrew/opt", "bin"),
            ("/usr/local/opt", "bin"),
        ] {
            places.extend(fs::read_dir(parent).into_iter().flatten().flatten().map(|entry| entry.path().join(tail)));
        }
    }
    places
        .into_iter()
        .filter(|p| p.join("postgres").is_file() && p.join("initdb").is_file())
        .filter_map(|p| version(&p).filter(|v| *v >= OLDEST).map(|v| (v, p)))
        .max_by_key(|(v, _)| *v)
        .map(|(_, p)| p)
        .ok_or_else(|| {
            anyhow!(
                "No Postgres server of version {OLDEST} or newer is installed.\n\
                 Debian, Ubuntu:  sudo apt-get install postgresql\n\
                 Fedora:          sudo dnf install postgresql-server\n\
                 Arch:            sudo pacman -S postgresql\n\
                 macOS:           brew install postgresql@17\n\
                 Elsewhere, point GILLBOOK_POSTGRES_BIN at the directory that holds `postgres` and `initdb`, or DATABASE_URL at a server."
            )
        })
}

fn version(bin: &Path) -> Option<u32> {
    let out = Command::new(bin.join("postgres")).arg("--version").output().ok()?;
    let text = String::from_utf8_lossy(&out.stdout);
    text.split_whitespace().find_map(|w| w.split('.').next()?.parse().ok())
}

fn unprivileged() -> Result<Option<User>> {
    if !rustix::process::geteuid().is_root() {
        return Ok(None);
    }
    let passwd = fs::read_to_string("/etc/passwd").context("reading /etc/passwd")?;
    let find = |name: &str| {
        passwd.lines().find_map(|line| {
            let mut fields = line.split(':');
            (fields.next()? == name).then_some(())?;
            let uid = fields.nth(1)?.parse().ok()?;
            Some(User { name: name.to_owned(), uid, gid: fields.next()?.parse().ok()? })
        })
    };
    find("postgres")
        .or_else(|| find("nobody"))
        .map(Some)
        .ok_or_else(|| anyhow!("There is no user `postgres` or `nobody` to run the database as."))
}

fn current_user() -> Result<String> {
    let out = Command::new("id").arg("-un").output().context("asking `id` for the user's name")?;
    Ok(String::from_utf8_lossy(&out.stdout).trim().to_owned())
}

impl Layout {
    fn new(home: &Path) -> Result<Self> {
        let bin = find_binaries()?;
        fs::create_dir_all(home).with_context(|| format!("making {}", home.display()))?;
        let home = home.canonicalize()?;
        // A socket's path has about 100 bytes, so the sockets of all data directories stand in a short place, told apart by a hash.
        let mut hash = std::hash::DefaultHasher::new();
        std::hash::Hash::hash(&home, &mut hash);
        let uid = rustix::process::geteuid().as_raw();
        let runtime =
            std::env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from).filter(|p| p.is_dir() && p.as_os_str().len() < 50);
        let socket = runtime
            .unwrap_or_else(std::env::temp_dir)
            .join(format!("gillbook-{uid}-{:08x}", std::hash::Hasher::finish(&hash) & 0xffff_ffff));
        Ok(Self { bin, data: home.join("database"), socket, user: unprivileged()? })
    }

    fn command(&self, program: &str) -> Command {
        let mut command = Command::new(self.bin.join(program));
        command.env_clear().env("PATH", "/usr/bin:/bin").env("LC_ALL", "C").current_dir("/");
        if let Some(user) = &self.user {
            command.uid(user.uid).gid(user.gid);
        }
        command
    }

    /// Makes a directory that only the server's user may enter.
    fn private_dir(&self, path: &Path) -> Result<()> {
        fs::create_dir_all(path).with_context(|| format!("making {}", path.display()))?;
        if let Some(user) = &self.user {
            std::os::unix::fs::chown(path, Some(user.uid), Some(user.gid))?;
        }
        fs::set_permissions(path, fs::Permissions::from_mode(0o700))?;
        Ok(())
    }

    fn init(&self) -> Result<()> {
        if self.data.join("PG_VERSION").is_file() {
            return self.expect_same_version();
        }
        self.private_dir(&self.data)?;
        let out = self
            .command("initdb")
            .args(["--pgdata"])
            .arg(&self.data)
            .args([
                "--username",
                ADMIN,
                "--data-checksums",
                "--encoding=UTF8",
                "--locale=C",
                "--auth=peer",
                "--no-instructions",
            ])
            .output()
            .context("running initdb")?;
        if !out.status.success() {
            bail!("initdb failed: {}", String::from_utf8_lossy(&out.stderr).trim());
        }
        // Peer authentication: the kernel says who is at the other end of the socket.
        let me = current_user()?;
        let mut names = vec![me.clone()];
        names.extend(self.user.iter().map(|u| u.name.clone()).filter(|n| *n != me));
        let map: String = names
            .iter()
            .flat_map(|name| [ADMIN, "gillbook_app", "gillbook_audit"].map(|role| format!("gillbook {name} {role}\n")))
            .collect();
        self.write("pg_ident.conf", &map)?;
        self.write("pg_hba.conf", "local all all peer map=gillbook\n")
    }

    fn write(&self, name: &str, text: &str) -> Result<()> {
        fs::write(self.data.join(name), text).with_context(|| format!("writing {name}"))
    }

    fn expect_same_version(&self) -> Result<()> {
        let made: u32 = fs::read_to_string(self.data.join("PG_VERSION"))?.trim().parse().unwrap_or(0);
        let have = version(&self.bin).unwrap_or(0);
        if made != have {
            bail!(
                "{} was made by Postgres {made} and Postgres {have} was found. Install version {made} again, or point GILLBOOK_POSTGRES_BIN at it.",
                self.data.display()
            );
        }
        Ok(())
    }

    fn options(&self, role: &str) -> PgConnectOptions {
        PgConnectOptions::new_without_pgpass().socket(&self.socket).username(role).database("gillbook")
    }

    async fn answers(&self) -> bool {
        match PgConnection::connect_with(&self.options(ADMIN).database("postgres")).await {
            Ok(connection) => connection.close().await.is_ok(),
            Err(_) => false,
        }
    }

    /// The running server's process, from its own file.
    fn running(&self) -> Option<rustix::process::Pid> {
        let text = fs::read_to_string(self.data.join("postmaster.pid")).ok()?;
        rustix::process::Pid::from_raw(text.lines().next()?.trim().parse().ok()?)
    }
}

impl Cluster {
    /// Starts the cluster of a home directory, or adopts the server that a killed predecessor left running.
    ///
    /// # Errors
    /// Says what to install or what holds the directory.
    pub async fn start(home: &Path, durability: Durability) -> Result<Self> {
        let layout = Layout::new(home)?;
        let lock = File::create(home.join("gillbook.lock")).context("opening the lock of the data directory")?;
        if lock.try_lock().is_err() {
            bail!("Another gillbook is using {}. Stop it first, or choose another --data-dir.", home.display());
        }
        layout.init()?;
        layout.private_dir(&layout.socket)?;
        let mut cluster = Self { layout, durability, child: None, _lock: lock };
        if !cluster.layout.answers().await {
            cluster.spawn().await?;
        }
        ensure_database(&cluster.options(ADMIN).database("postgres")).await?;
        Ok(cluster)
    }

    /// Options to connect to a cluster that another gillbook keeps running, if one does.
    ///
    /// # Errors
    /// When no server binaries are installed.
    pub async fn running(home: &Path, role: &str) -> Result<Option<PgConnectOptions>> {
        let layout = Layout::new(home)?;
        let held = File::create(home.join("gillbook.lock"))?.try_lock().is_err();
        Ok((held && layout.answers().await).then(|| layout.options(role)))
    }

    /// Options to connect as a role.
    #[must_use]
    pub fn options(&self, role: &str) -> PgConnectOptions {
        self.layout.options(role)
    }

    async fn spawn(&mut self) -> Result<()> {
        let began = Instant::now();
        loop {
            let mut child = self.launch()?;
            loop {
                if self.layout.answers().await {
                    self.child = Some(child);
                    return Ok(());
                }
                // A server that was just killed may leave children that hold its lock for about a second: try again.
                if child.try_wait()?.is_some() {
                    break;
                }
                if began.elapsed() > START {
                    bail!(
                        "The database did not come up in {} s. Its log is {}.",
                        START.as_secs(),
                        self.log().display()
                    );
                }
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
            if began.elapsed() > START {
                bail!("The database does not start. Its log is {}.", self.log().display());
            }
            tokio::time::sleep(Duration::from_millis(300)).await;
        }
    }

    fn log(&self) -> PathBuf {
        self.layout.data.join("gillbook.log")
    }

    fn launch(&self) -> Result<Child> {
        let log = File::options().create(true).append(true).open(self.log())?;
        let safe = if self.durability == Durability::Durable { "on" } else { "off" };
        let mut command = self.layout.command("postgres");
        command.arg("-D").arg(&self.layout.data).arg("-k").arg(&self.layout.socket);
        for setting in [
            "listen_addresses=".to_owned(),
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

    /// Starts the server again if it has died. Returns whether it had.
    ///
    /// # Errors
    /// When it does not come up again.
    pub async fn keep_alive(&mut self) -> Result<bool> {
        let dead = match &mut self.child {
            Some(child) => child.try_wait()?.is_some(),
            None => self.layout.running().is_none_or(|pid| rustix::process::test_kill_process(pid).is_err()),
        };
        if dead {
            tracing::warn!("the database has died and is started again");
            self.child = None;
            self.spawn().await?;
        }
        Ok(dead)
    }

    /// Stops the server: open transactions are rolled back, everything that was acknowledged is on disk.
    ///
    /// # Errors
    /// When it does not stop within a minute.
    pub async fn stop(mut self) -> Result<()> {
        let Some(pid) = self.layout.running() else { return Ok(()) };
        // Fast shutdown (PostgreSQL documentation, "Shutting Down the Server").
        rustix::process::kill_process(pid, rustix::process::Signal::INT).ok();
        for _ in 0..600 {
            let gone = match &mut self.child {
                Some(child) => child.try_wait()?.is_some(),
                None => rustix::process::test_kill_process(pid).is_err(),
            };
            if gone {
                return Ok(());
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        bail!("The database did not stop within a minute.")
    }
}
