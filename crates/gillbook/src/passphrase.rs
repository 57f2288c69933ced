//! A passphrase asked for at the terminal, without showing it there.

use std::{
    io::{BufRead, IsTerminal, Write, stderr, stdin},
    os::fd::AsFd,
};

use anyhow::{Context, Result, ensure};
use gillbook_store::farm::people::Passphrase;
use rustix::termios::{LocalModes, OptionalActions, Termios, tcgetattr, tcsetattr};

/// A terminal that does not show what is typed until this is dropped.
struct Hidden(Termios);

impl Hidden {
    fn begin() -> Result<Self> {
        let shown = tcgetattr(stdin().as_fd()).context("asking the terminal how it is set")?;
        let mut hidden = shown.clone();
        hidden.local_modes.remove(LocalModes::ECHO);
        // What was typed before the question is dropped: it may have been shown.
        tcsetattr(stdin().as_fd(), OptionalActions::Flush, &hidden).context("hiding what is typed")?;
        Ok(Self(shown))
    }
}

impl Drop for Hidden {
    fn drop(&mut self) {
        if let Err(error) = tcsetattr(stdin().as_fd(), OptionalActions::Now, &self.0) {
            tracing::warn!(%error, "the terminal goes on hiding what is typed; `stty echo` ends that");
        }
    }
}

/// A passphrase: from `GILLBOOK_PASSPHRASE`, the terminal, where it is not shown, or the first line of what is piped in.
///
/// # Errors
/// When there is none.
pub fn ask() -> Result<Passphrase> {
    if let Ok(given) = std::env::var("GILLBOOK_PASSPHRASE") {
        return Ok(Passphrase::new(&given));
    }
    let mut line = String::new();
    if stdin().is_terminal() {
        let hidden = Hidden::begin()?;
        eprint!("Passphrase (at least 12 characters, not shown): ");
        stderr().flush()?;
        stdin().lock().read_line(&mut line)?;
        drop(hidden);
        eprintln!();
    } else {
        stdin().lock().read_line(&mut line)?;
    }
    let typed = line.trim_end_matches(['\n', '\r']);
    ensure!(!typed.is_empty(), "No passphrase was given. Type one, pipe one in, or set GILLBOOK_PASSPHRASE.");
    Ok(Passphrase::new(typed))
}
