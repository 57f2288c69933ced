//! `gillbook`: see `gillbook help`.

use clap::Parser;
use gillbook::commands::Cli;

/// Many small pieces of memory are taken and given back for every request; this allocator does it with less work than the system's.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> anyhow::Result<()> {
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_env_filter(tracing_subscriber::EnvFilter::try_from_env("GILLBOOK_LOG").unwrap_or_else(|_| "warn".into()))
        .init();
    let cli = Cli::parse();
    tokio::runtime::Builder::new_multi_thread().enable_all().build()?.block_on(cli.run())
}
