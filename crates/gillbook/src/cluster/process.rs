//! The server's process: whether the one that runs is of this data directory, and how it is ended.
//!
//! A server works in its data directory, which is how it is told from any other process, also from one that was given its number after a
//! crash. Where the system does not show what a process works in, a server that was left running is not taken over.

use std::{
    fs,
    os::unix::fs::MetadataExt,
    path::{Path, PathBuf},
    process::Child,
};

use anyhow::Result;
use rustix::process::{Pid, Signal, kill_process};

/// A directory, whatever its name is by now: device and inode.
type DirectoryId = (u64, u64);

fn id_of(directory: &Path) -> Option<DirectoryId> {
    fs::metadata(directory).ok().map(|found| (found.dev(), found.ino()))
}

/// What a running server wrote down in its data directory (`PostgreSQL` documentation, "Database File Layout": `postmaster.pid`).
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct PidFile {
    pub pid: Pid,
    /// Where its socket is; empty while it starts.
    pub socket: PathBuf,
}

impl PidFile {
    pub fn read(data: &Path) -> Option<Self> {
        Self::parse(&fs::read_to_string(data.join("postmaster.pid")).ok()?)
    }

    /// What a server wrote down beside its socket.
    pub fn beside_socket(socket: &Path) -> Option<Self> {
        Self::parse(&fs::read_to_string(socket.join(".s.PGSQL.5432.lock")).ok()?)
    }

    fn parse(text: &str) -> Option<Self> {
        let mut lines = text.lines();
        let pid = Pid::from_raw(lines.next()?.trim().parse().ok().filter(|number| *number > 0)?)?;
        Some(Self { pid, socket: lines.nth(3).unwrap_or_default().trim().into() })
    }
}

/// A server that this program did not start itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Running {
    pub pid: Pid,
    works_in: DirectoryId,
}

impl Running {
    /// The process, if it lives and works in the directory.
    pub fn in_directory(pid: Pid, directory: &Path) -> Option<Self> {
        let running = Self { pid, works_in: id_of(directory)? };
        running.lives().then_some(running)
    }

    /// Any server process that works in the directory: the server, or a part of one that has died.
    pub fn any_in_directory(directory: &Path) -> Option<Self> {
        let numbers = fs::read_dir("/proc").into_iter().flatten().flatten();
        numbers
            .filter_map(|entry| Pid::from_raw(entry.file_name().to_str()?.parse().ok()?))
            .filter(|pid| fs::read_to_string(format!("/proc/{pid}/comm")).is_ok_and(|name| name.trim() == "postgres"))
            .find_map(|pid| Self::in_directory(pid, directory))
    }

    pub fn lives(&self) -> bool {
        id_of(Path::new(&format!("/proc/{}/cwd", self.pid))) == Some(self.works_in)
    }
}

/// The server that a cluster is served by.
#[derive(Debug)]
pub(super) enum Server {
    Started(Child),
    /// Left running by a predecessor that was killed.
    Adopted(Running),
}

impl Server {
    pub fn has_ended(&mut self) -> Result<bool> {
        Ok(match self {
            Self::Started(child) => child.try_wait()?.is_some(),
            Self::Adopted(running) => !running.lives(),
        })
    }

    /// Asks for a fast shutdown (`PostgreSQL` documentation, "Shutting Down the Server"), if it still runs.
    pub fn ask_to_stop(&mut self) -> Result<()> {
        if !self.has_ended()? {
            let pid = match self {
                Self::Started(child) => Pid::from_child(child),
                Self::Adopted(running) => running.pid,
            };
            kill_process(pid, Signal::INT)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_taken_for_a_server_only_where_its_process_works_in_the_directory() {
        let (data, elsewhere) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let mut process = std::process::Command::new("sleep").arg("60").current_dir(data.path()).spawn().unwrap();
        let pid = Pid::from_child(&process);
        let running = Running::in_directory(pid, data.path()).unwrap();
        assert_eq!(Running::in_directory(pid, elsewhere.path()), None);
        assert_eq!(Running::any_in_directory(data.path()), None, "sleep is no server");
        // Moved aside it is still the same directory.
        let moved = elsewhere.path().join("aside");
        fs::rename(data.path(), &moved).unwrap();
        assert!(running.lives() && Running::in_directory(pid, &moved).is_some());
        process.kill().unwrap();
        process.wait().unwrap();
        assert!(!running.lives());
    }

    #[test]
    fn the_pid_file_of_a_server_is_read() {
        let whole = PidFile::parse("4711\n/book/database\n1790000000\n5432\n/book/run\n\n  1 2\nready   \n").unwrap();
        assert_eq!((whole.pid.as_raw_nonzero().get(), whole.socket), (4711, "/book/run".into()));
        assert_eq!(PidFile::parse("4711\n/book/database\n179\n5432\n").unwrap().socket, PathBuf::new());
        for none in ["", "x", "-4711\n/book", "0"] {
            assert_eq!(PidFile::parse(none), None, "{none}");
        }
    }
}
