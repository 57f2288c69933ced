//! Measurements, each against a peer or a limit in the same run.

mod cold_chain;
mod documents;
mod history;
mod load;
mod pages;
mod peers;
mod service;

use std::path::PathBuf;

use anyhow::Result;
use clap::{Parser, Subcommand};
use serde::Serialize;

/// As in the program itself.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

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
        #[command(flatten)]
        extent: cold_chain::Extent,
    },
    /// Dockets as PDF.
    Documents {
        /// Write the figures to this file as JSON.
        #[arg(long)]
        json: Option<PathBuf>,
        #[command(flatten)]
        extent: documents::Extent,
    },
    /// Pages and reports of a farm that has lived a season.
    Pages {
        /// Write the figures to this file as JSON.
        #[arg(long)]
        json: Option<PathBuf>,
        #[command(flatten)]
        extent: pages::Extent,
    },
}

/// One measurement: ours beside its reference.
#[derive(Debug, Clone, Serialize)]
pub struct Figure {
    /// What was measured.
    pub name: String,
    /// What we reach.
    pub ours: f64,
    /// What the peer or the limit reaches.
    pub reference: f64,
    /// Of both.
    pub unit: &'static str,
    /// Ours over the reference: of rounds in turn, the middle one of their ratios.
    pub ratio: f64,
}

impl Figure {
    /// Of rounds that took turns, ours and the reference's: each pair met the same weather on the machine.
    fn new(name: impl Into<String>, rounds: &[(f64, f64)], unit: &'static str) -> Self {
        let middle = |of: fn(&(f64, f64)) -> f64| {
            let mut values: Vec<f64> = rounds.iter().map(of).collect();
            values.sort_by(f64::total_cmp);
            values[values.len() / 2]
        };
        let figure = Self {
            name: name.into(),
            ours: middle(|r| r.0),
            reference: middle(|r| r.1),
            unit,
            ratio: middle(|r| r.0 / r.1),
        };
        figure.print();
        figure
    }

    fn print(&self) {
        println!(
            "{:<40} {:>12.1} {:>12.1} {:<10} {:>7.2}",
            self.name, self.ours, self.reference, self.unit, self.ratio
        );
    }
}

#[tokio::main]
async fn main() -> Result<()> {
    let (figures, json) = match Cli::parse().what {
        What::ColdChain { json, extent } => (cold_chain::run(&extent).await?, json),
        What::Documents { json, extent } => (documents::run(&extent)?, json),
        What::Pages { json, extent } => (pages::run(&extent).await?, json),
    };
    println!("\n{:<40} {:>12} {:>12} {:<10} {:>7}", "measurement", "ours", "reference", "unit", "ratio");
    figures.iter().for_each(Figure::print);
    if let Some(file) = json {
        std::fs::write(file, serde_json::to_vec_pretty(&figures)?)?;
    }
    Ok(())
}
