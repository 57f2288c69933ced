//! The real program, started and stopped as a person would.

use std::{
    io::{BufRead, BufReader},
    net::SocketAddr,
    path::{Path, PathBuf},
    process::{Child, Command, Output, Stdio},
    time::Duration,
};

use anyhow::{Context, Result};
use gillbook::cluster::{ADMIN, Cluster};
use rustix::process::{Pid, Signal, kill_process};
use tempfile::TempDir;

/// A data directory that the server's unprivileged user may enter.
pub fn home() -> Result<TempDir> {
    let dir = tempfile::Builder::new().prefix("gillbook-home-").tempdir()?;
    std::fs::set_permissions(dir.path(), std::os::unix::fs::PermissionsExt::from_mode(0o755))?;
    Ok(dir)
}

/// A command of the program on a data directory.
pub fn gillbook(home: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_gillbook"));
    command.env_remove("DATABASE_URL").env("GILLBOOK_DATA_DIR", home).env("RUST_LOG", "error").stdin(Stdio::null());
    command
}

/// What it wrote.
pub fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// A program that serves.
pub struct Serving {
    /// Its process.
    pub child: Child,
    /// Where it listens, in its own words; empty while it has not said so.
    place: String,
}

impl Serving {
    /// Starts one on an address and waits until it says where it is.
    pub fn start(home: &Path) -> Result<Self> {
        Self::start_at(home, "127.0.0.1:0")
    }

    /// Starts one and waits until it says where it is.
    pub fn start_at(home: &Path, listen: &str) -> Result<Self> {
        let mut serving = Self::spawn(home, listen)?;
        let mut line = String::new();
        BufReader::new(serving.child.stdout.take().context("no output")?).read_line(&mut line)?;
        line.trim()
            .strip_prefix("Gillbook is at ")
            .context("it did not say where it is")?
            .clone_into(&mut serving.place);
        Ok(serving)
    }

    /// Starts one and does not wait for it.
    pub fn spawn(home: &Path, listen: &str) -> Result<Self> {
        gillbook::notices::choose_crypto();
        let child =
            gillbook(home).args(["serve", "--listen", listen]).stdout(Stdio::piped()).stderr(Stdio::null()).spawn()?;
        Ok(Self { child, place: String::new() })
    }

    /// The address that it listens on.
    pub fn address(&self) -> SocketAddr {
        self.place.trim_start_matches("http://").parse().expect("it listens on an address")
    }

    /// Kills it as a power cut would.
    pub fn kill(mut self) -> Result<()> {
        self.child.kill()?;
        self.child.wait()?;
        Ok(())
    }

    /// Asks it to stop, as a service manager does.
    pub fn stop(mut self) -> Result<bool> {
        kill_process(Pid::from_child(&self.child), Signal::TERM)?;
        Ok(self.child.wait()?.success())
    }

    /// Asks until it answers that it is ready.
    pub async fn ready(&self) -> Result<()> {
        let client = reqwest::Client::new();
        let ask = async {
            let mut pace = tokio::time::interval(Duration::from_millis(20));
            loop {
                pace.tick().await;
                let answer = client.get(format!("http://{}/health/ready", self.address())).send().await;
                if answer.is_ok_and(|a| a.status() == 204) {
                    break;
                }
            }
        };
        tokio::time::timeout(Duration::from_mins(1), ask).await.context("it did not become ready")
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Ends a cluster that a test's failure left running, so that nothing outlives the test.
pub struct Watch(pub PathBuf);

impl Watch {
    /// The database server's process.
    pub fn server(&self) -> Option<Pid> {
        let text = std::fs::read_to_string(self.0.join("database/postmaster.pid")).ok()?;
        Pid::from_raw(text.lines().next()?.trim().parse().ok()?)
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        if let Some(pid) = self.server() {
            let _ = kill_process(pid, Signal::QUIT);
        }
    }
}

/// Options of the administrator of a running cluster.
pub async fn admin(home: &Path) -> Result<sqlx::postgres::PgConnectOptions> {
    Cluster::running(home, ADMIN).await?.context("no cluster is running there")
}
