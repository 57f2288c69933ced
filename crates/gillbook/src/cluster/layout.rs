//! Where a cluster's files are, who owns them, and how they are made.
//!
//! *Invariant:* nobody but the two users concerned, this program's and the server's, can put anything where one of these files is looked
//! for. The home directory belongs to this program's user and nobody else may write there; everything else stands below it, or where its
//! name would be too long for a socket in a directory of the system's that only this user may write to.

use std::{
    fs::{self, DirBuilder},
    os::unix::fs::{DirBuilderExt, MetadataExt, lchown},
    path::{Path, PathBuf},
    process::Command,
};

use anyhow::{Context, Result, bail};
use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};
use sha2::{Digest, Sha256};
use sqlx::{Connection, PgConnection, postgres::PgConnectOptions};

use super::{ADMIN, binaries::binaries_of};

/// The beginning of the name of data that `initdb` has not finished.
const UNFINISHED: &str = "database.unfinished-";

/// The longest path of a socket's directory: a whole path has 104 bytes on some systems, the socket's own name takes 14 of them and a
/// slash one.
const MAX_SOCKET_DIRECTORY_BYTES: usize = 88;

/// Where a cluster's files are.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    bin: PathBuf,
    pub home: PathBuf,
    pub data: PathBuf,
    /// The directory of the server's socket.
    pub socket: PathBuf,
    /// The user that the server runs as, when we are root.
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

fn own_uid() -> u32 {
    rustix::process::geteuid().as_raw()
}

/// The user of the server when we are root: the one that the system's package made. Not `nobody`, whose files would be those of every
/// program that runs as nobody.
fn unprivileged() -> Result<Option<User>> {
    if own_uid() != 0 {
        return Ok(None);
    }
    let passwd = fs::read_to_string("/etc/passwd").context("reading /etc/passwd")?;
    let found = passwd.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next().filter(|name| *name == "postgres")?;
        let uid = fields.nth(1)?.parse().ok()?;
        Some(User { name: name.to_owned(), uid, gid: fields.next()?.parse().ok()? })
    });
    found.map(Some).context(
        "The database does not run as root, and there is no user `postgres` for it. Make one \
         (useradd --system --shell /usr/sbin/nologin postgres), or run Gillbook as a user of its own.",
    )
}

fn current_user() -> Result<String> {
    let out = Command::new("id").arg("-un").output().context("asking `id` for the user's name")?;
    Ok(String::from_utf8_lossy(&out.stdout).trim().to_owned())
}

/// Makes the home directory, and refuses one in which somebody else could put things.
fn make_home(home: &Path) -> Result<PathBuf> {
    DirBuilder::new().recursive(true).mode(0o755).create(home).with_context(|| format!("making {}", home.display()))?;
    let home = home.canonicalize().with_context(|| format!("looking for {}", home.display()))?;
    let found = fs::metadata(&home)?;
    if found.mode() & 0o002 != 0 || (found.uid() != own_uid() && found.uid() != 0) {
        bail!(
            "{} can be changed by other users of this machine. Choose a --data-dir that belongs to {} and that others may not write to.",
            home.display(),
            current_user()?
        );
    }
    Ok(home)
}

/// Where the server's socket stands: in the home directory, or where that has too long a name in one of the system's that is this
/// user's alone.
fn socket_directory(home: &Path) -> Result<PathBuf> {
    let name =
        format!("gillbook-{}", &URL_SAFE_NO_PAD.encode(Sha256::digest(home.as_os_str().as_encoded_bytes()))[..16]);
    let own = |directory: &PathBuf| {
        fs::symlink_metadata(directory).is_ok_and(|d| d.is_dir() && d.uid() == own_uid() && d.mode() & 0o022 == 0)
    };
    let system =
        if own_uid() == 0 { Some("/run".into()) } else { std::env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from) };
    [Some(home.join("run")), system.filter(own).map(|directory| directory.join(name))]
        .into_iter()
        .flatten()
        .find(|path| path.as_os_str().len() <= MAX_SOCKET_DIRECTORY_BYTES)
        .with_context(|| {
            format!(
                "{} is too long a name for the database's socket. Choose a --data-dir of at most {} bytes.",
                home.display(),
                MAX_SOCKET_DIRECTORY_BYTES - "/run".len()
            )
        })
}

impl Layout {
    pub fn of(home: &Path) -> Result<Self> {
        let user = unprivileged()?;
        let home = make_home(home)?;
        let data = home.join("database");
        Ok(Self { bin: binaries_of(&data)?, socket: socket_directory(&home)?, data, home, user })
    }

    /// A program of the server, run as the server's user.
    pub fn command(&self, program: &str) -> Command {
        use std::os::unix::process::CommandExt;

        let mut command = Command::new(self.bin.join(program));
        command.env_clear().env("PATH", "/usr/bin:/bin").env("LC_ALL", "C").current_dir("/");
        if let Some(user) = &self.user {
            command.uid(user.uid).gid(user.gid);
        }
        command
    }

    /// Makes what is not there yet.
    pub fn prepare(&self) -> Result<()> {
        if !self.data.join("PG_VERSION").is_file() {
            self.initialise()?;
        }
        // Beside the data and not in it: the data belongs to the server's user, who could put a link where root writes.
        fs::write(self.hba_file(), "local all all peer map=gillbook\n")?;
        fs::write(self.ident_file(), self.ident()?)?;
        self.private_directory(&self.socket)
    }

    pub fn hba_file(&self) -> PathBuf {
        self.home.join("pg_hba.conf")
    }

    pub fn ident_file(&self) -> PathBuf {
        self.home.join("pg_ident.conf")
    }

    /// Removes what earlier programs did not finish, as far as nobody writes into it any more.
    fn clear_unfinished(&self) -> Result<()> {
        for entry in fs::read_dir(&self.home)? {
            let entry = entry?;
            if entry.file_name().to_string_lossy().starts_with(UNFINISHED)
                && let Err(error) = fs::remove_dir_all(entry.path())
            {
                tracing::warn!(%error, path = %entry.path().display(), "an unfinished database could not be removed");
            }
        }
        Ok(())
    }

    /// Makes the data under another name first, so that a program which is killed meanwhile leaves nothing that looks like a book.
    fn initialise(&self) -> Result<()> {
        // One of its own each time: the `initdb` of a program that was killed may still be writing into the last one.
        self.clear_unfinished()?;
        let new = self.home.join(format!("{UNFINISHED}{}", std::process::id()));
        self.private_directory(&new)?;
        let mut initdb = self.command("initdb");
        initdb.arg("--pgdata").arg(&new).args(["--username", ADMIN, "--auth=peer", "--locale=C", "--encoding=UTF8"]);
        let out = initdb.args(["--data-checksums", "--no-instructions"]).output().context("running initdb")?;
        if !out.status.success() {
            bail!("initdb failed: {}", String::from_utf8_lossy(&out.stderr).trim());
        }
        fs::rename(&new, &self.data).with_context(|| {
            format!(
                "{} is there and holds no database. Move it away, or choose another --data-dir.",
                self.data.display()
            )
        })?;
        // The renaming is on disk before anybody is told that something was kept in it.
        fs::File::open(&self.home)?.sync_all()?;
        Ok(())
    }

    /// Peer authentication: the kernel says who is at the other end of the socket, and this says who they may be.
    fn ident(&self) -> Result<String> {
        let me = current_user()?;
        let server = self.user.iter().map(|user| user.name.clone()).filter(|name| *name != me);
        let users: Vec<String> = server.chain([me.clone()]).collect();
        let roles = [ADMIN, "gillbook_app", "gillbook_audit"];
        Ok(users.iter().flat_map(|user| roles.map(|role| format!("gillbook {user} {role}\n"))).collect())
    }

    /// Makes a directory that only the server's user may enter, or finds that it is one.
    fn private_directory(&self, path: &Path) -> Result<()> {
        if let Err(error) = DirBuilder::new().mode(0o700).create(path)
            && error.kind() != std::io::ErrorKind::AlreadyExists
        {
            return Err(error).with_context(|| format!("making {}", path.display()));
        }
        let is_ours = |uid: u32| -> Result<bool> {
            let found = fs::symlink_metadata(path)?;
            Ok(found.is_dir() && found.uid() == uid && found.mode() & 0o777 == 0o700)
        };
        if let Some(user) = &self.user {
            // Ours a moment ago, or left half-way by a program that was killed: nobody else can write where it stands.
            if is_ours(own_uid())? {
                lchown(path, Some(user.uid), Some(user.gid))?;
            }
        }
        if !is_ours(self.user.as_ref().map_or_else(own_uid, |user| user.uid))? {
            bail!(
                "{} is not a directory that the database's user alone may enter. Look who put it there, and remove it.",
                path.display()
            );
        }
        Ok(())
    }

    pub fn options(&self, role: &str) -> PgConnectOptions {
        PgConnectOptions::new_without_pgpass().socket(&self.socket).username(role).database("gillbook")
    }

    /// Whether a server answers.
    pub async fn answers(&self) -> bool {
        match PgConnection::connect_with(&self.options(ADMIN).database("postgres")).await {
            Ok(connection) => connection.close().await.is_ok(),
            Err(_) => false,
        }
    }
}
