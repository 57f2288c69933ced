//! The demo.
use crate::database::Database;
use anyhow::Result;
/// Options.
#[derive(Debug, Clone, clap::Args)]
pub struct Options {}
/// Runs it.
///
/// # Errors
/// When it fails.
pub async fn run(_: &Database, _: Options) -> Result<()> {
    Ok(())
}
