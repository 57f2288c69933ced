//! The server's log: beside the data, where only this program's user can put anything, and bounded.

use std::{
    fs::{self, File},
    os::unix::fs::OpenOptionsExt,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result};
use gillbook_core::limits::MAX_DATABASE_LOG_BYTES;

/// A log that is kept twice: what is written now, and what was written before.
#[derive(Debug, Clone)]
pub(super) struct Log(PathBuf);

impl Log {
    pub fn of(home: &Path) -> Self {
        Self(home.join("database.log"))
    }

    pub fn path(&self) -> &Path {
        &self.0
    }

    pub fn open(&self) -> Result<File> {
        let no_link = rustix::fs::OFlags::NOFOLLOW.bits().cast_signed();
        let mut options = File::options();
        options.create(true).append(true).mode(0o600).custom_flags(no_link);
        options.open(&self.0).with_context(|| format!("opening {}", self.0.display()))
    }

    /// Begins it anew if it has grown too long. The server has it open to append, so it goes on in the same file.
    pub fn truncate(&self) -> Result<()> {
        if fs::symlink_metadata(&self.0).is_ok_and(|log| log.len() > MAX_DATABASE_LOG_BYTES) {
            fs::copy(&self.0, self.0.with_extension("log.before"))?;
            self.open()?.set_len(0)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    #[test]
    fn a_log_is_kept_short_while_it_is_written() {
        let home = tempfile::tempdir().unwrap();
        let log = Log::of(home.path());
        let mut server = log.open().unwrap();
        let size = || fs::metadata(log.path()).unwrap().len();
        let line = vec![b'x'; usize::try_from(MAX_DATABASE_LOG_BYTES).unwrap()];
        server.write_all(&line).unwrap();
        log.truncate().unwrap();
        assert_eq!(size(), MAX_DATABASE_LOG_BYTES);
        server.write_all(b"y").unwrap();
        log.truncate().unwrap();
        assert_eq!(size(), 0);
        server.write_all(b"z").unwrap();
        assert_eq!(fs::read(log.path()).unwrap(), b"z");
        assert_eq!(fs::metadata(home.path().join("database.log.before")).unwrap().len(), MAX_DATABASE_LOG_BYTES + 1);
        // A link that somebody put there is not followed.
        fs::remove_file(log.path()).unwrap();
        std::os::unix::fs::symlink(home.path().join("mine"), log.path()).unwrap();
        assert!(log.open().is_err());
    }
}
