//! Versions: a change is made of what was read, or not at all.

use gillbook_core::refusal::{Refusal, RefusalKind};

use crate::Result;

/// Turns "no row had that version" into a refusal.
pub(crate) fn ensure_version_matches(rows: u64) -> Result<()> {
    if rows == 0 {
        return Err(Refusal::new(
            RefusalKind::Stale,
            "Somebody changed it after you read it. Read it again, look at what changed, and send your change with the new version.",
        )
        .into());
    }
    Ok(())
}

/// Refuses a change that was made from another version than the one that is there. For a change that says nothing.
pub(crate) fn ensure_version(version: i32, read_version: i32) -> Result<()> {
    ensure_version_matches(u64::from(version == read_version))
}
