//! Which Postgres server: the one that made the data, or for new data the newest that is installed.

use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
};

use anyhow::{Result, anyhow, bail};

/// The oldest major version that is taken.
const MIN_VERSION: u32 = 15;

/// A directory with a server's programs, and their major version.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Installed {
    version: u32,
    bin: PathBuf,
}

/// Finds the newest installed server binaries.
///
/// # Errors
/// Says what to install, on which system.
pub fn find_binaries() -> Result<PathBuf> {
    newest(installed())
}

/// Finds the binaries for a data directory: of the version that made it, so that a newer one that is installed beside stops nothing.
pub(super) fn binaries_of(data: &Path) -> Result<PathBuf> {
    let Ok(made) = fs::read_to_string(data.join("PG_VERSION")) else { return find_binaries() };
    let made: u32 = made.trim().parse().map_err(|_| anyhow!("{} holds no Postgres version", data.display()))?;
    of_version(installed(), made, data)
}

fn newest(installed: Vec<Installed>) -> Result<PathBuf> {
    installed.into_iter().filter(|i| i.version >= MIN_VERSION).max_by_key(|i| i.version).map(|i| i.bin).ok_or_else(|| {
        anyhow!(
            "No Postgres server of version {MIN_VERSION} or newer is installed.\n\
             Debian, Ubuntu:  sudo apt-get install postgresql\n\
             Fedora:          sudo dnf install postgresql-server\n\
             Arch:            sudo pacman -S postgresql\n\
             macOS:           brew install postgresql@17\n\
             Elsewhere, point GILLBOOK_POSTGRES_BIN at the directory that holds `postgres` and `initdb`, or DATABASE_URL at a server."
        )
    })
}

fn of_version(installed: Vec<Installed>, made: u32, data: &Path) -> Result<PathBuf> {
    let mut others: Vec<String> = installed.iter().map(|i| i.version.to_string()).collect();
    if let Some(same) = installed.into_iter().find(|i| i.version == made) {
        return Ok(same.bin);
    }
    others.sort_unstable();
    others.dedup();
    let found = if others.is_empty() { "none".to_owned() } else { others.join(", ") };
    bail!(
        "{} was made by Postgres {made}, which is not installed (found: {found}). Install version {made} again, or point \
         GILLBOOK_POSTGRES_BIN at it. How to move a book to a newer version stands in deploy/README.md under “A newer Postgres”.",
        data.display()
    )
}

/// Every server that is installed where systems put them, or in `GILLBOOK_POSTGRES_BIN` alone where that is set.
fn installed() -> Vec<Installed> {
    let mut places: Vec<PathBuf> = std::env::var_os("GILLBOOK_POSTGRES_BIN").map(PathBuf::from).into_iter().collect();
    if places.is_empty() {
        if let Some(path) = std::env::var_os("PATH") {
            places.extend(std::env::split_paths(&path));
        }
        for parent in ["/usr/lib/postgresql", "/opt/homebrew/opt", "/usr/local/opt"] {
            places.extend(children_of(parent).map(|child| child.join("bin")));
        }
        // Fedora and its kin: /usr/pgsql-17/bin.
        let named = |child: &PathBuf| child.file_name().is_some_and(|n| n.to_string_lossy().starts_with("pgsql-"));
        places.extend(children_of("/usr").filter(named).map(|child| child.join("bin")));
    }
    places.retain(|bin| bin.join("postgres").is_file() && bin.join("initdb").is_file());
    places.into_iter().filter_map(|bin| version_of(&bin).map(|version| Installed { version, bin })).collect()
}

fn children_of(parent: &str) -> impl Iterator<Item = PathBuf> {
    fs::read_dir(parent).into_iter().flatten().flatten().map(|entry| entry.path())
}

fn version_of(bin: &Path) -> Option<u32> {
    let out = Command::new(bin.join("postgres")).arg("--version").output().ok()?;
    let text = String::from_utf8_lossy(&out.stdout);
    text.split_whitespace().find_map(|w| w.split('.').next()?.parse().ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn some() -> Vec<Installed> {
        [15, 17, 14].map(|version| Installed { version, bin: format!("/pg/{version}").into() }).into()
    }

    #[test]
    fn data_is_served_by_the_version_that_made_it_and_new_data_by_the_newest() {
        assert_eq!(newest(some()).unwrap(), PathBuf::from("/pg/17"));
        assert_eq!(of_version(some(), 15, Path::new("/book")).unwrap(), PathBuf::from("/pg/15"));
        let gone = of_version(some(), 16, Path::new("/book")).unwrap_err().to_string();
        assert!(gone.contains("made by Postgres 16") && gone.contains("found: 14, 15, 17"), "{gone}");
        assert!(newest(Vec::new()).unwrap_err().to_string().contains("apt-get install postgresql"));
    }
}
