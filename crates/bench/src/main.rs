//! Measurements, each against a peer or a limit in the same run.

mod cold_chain;
mod history;
mod load;
mod peers;
mod service;

use std::path::PathBuf;

use anyhow::Result;
use clap::{Parser, Subcommand};
use serde::Serialize;

/// Measures Gillbook on this machine.
#[derive(Debug, Parser)]
#[command(name = "bench")]
struct Cli {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Readings in, pages and records out.
    ColdChain {
        /// Write the figures to this file as JSON.
        #[arg(long)]
        json: Option<PathBuf>,
        /// Seconds of each round of load.
        #[arg(long, default_value_t = 5)]
        seconds: u64,
        /// Years of the long history.
        #[arg(long, default_value_t = 10)]
        years: i32,
    },
}

/// One measurement: ours beside its reference.
#[derive(Debug, Clone, Serialize)]
pub struct Figure {
    /// What was measured.
    pub name: &'static str,
    /// What we reach.
    pub ours: f64,
    /// What the peer or the limit reaches.
    pub reference: f64,
    /// Of both.
    pub unit: &'static str,
    /// Ours over the reference.
    pub ratio: f64,
}

impl Figure {
    fn new(name: &'static str, ours: f64, reference: f64, unit: &'static str) -> Self {
        let figure = Self { name, ours, reference, unit, ratio: ours / reference };
        println!("{:<20} {:>12.1} {:>12.1} {:<10} {:>7.2}", name, ours, reference, unit, figure.ratio);
        figure
    }
}

#[tokio::main]
async fn main() -> Result<()> {
    let What::ColdChain { json, seconds, years } = Cli::parse().what;
    let figures = cold_chain::run(seconds, years).await?;
    println!("\n{:<20} {:>12} {:>12} {:<10} {:>7}", "measurement", "ours", "reference", "unit", "ratio");
    for f in &figures {
        println!("{:<20} {:>12.1} {:>12.1} {:<10} {:>7.2}", f.name, f.ours, f.reference, f.unit, f.ratio);
    }
    if let Some(file) = json {
        std::fs::write(file, serde_json::to_vec_pretty(&figures)?)?;
    }
    Ok(())
}
