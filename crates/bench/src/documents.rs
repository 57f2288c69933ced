//! What a document takes to set, and what is left of it in memory.

use std::time::Instant;

use anyhow::{Context, Result};
use clap::Args;
use gillbook_core::{Grams, kinds::PaperSize};
use gillbook_documents::docket::{Docket, Line};

use crate::{Figure, service::Service};

/// A docket takes no longer than this once the first was set, in milliseconds.
const LIMIT_MS: f64 = 50.0;
/// All that are set leave no more than this behind, in mebibytes.
const LIMIT_MIB: f64 = 16.0;
/// How many are set before anything is measured.
const WARM_UP: usize = 100;

/// How much is measured.
#[derive(Debug, Clone, Args)]
pub struct Extent {
    /// How many dockets are set.
    #[arg(long, default_value_t = 10_000)]
    dockets: usize,
}

fn docket(n: usize) -> Docket {
    let line = |i: usize| Line {
        product: format!("Grey oyster {i}"),
        grade: "A".into(),
        packs: i.is_multiple_of(2).then_some(12),
        lot: format!("OY-{n}-{i}"),
        harvested: "4 May 2026".into(),
        best_before: Some("11 May 2026".into()),
        grams: Grams(1235),
        price: "17.50".into(),
        unit: "kg".into(),
        amount: "21.61".into(),
        came_back: None,
    };
    Docket {
        farm: "Lantern Hollow".into(),
        farm_address: "Hollow Lane 4, Lower Fell".into(),
        paper_size: PaperSize::A4,
        farm_telephone: "555 0107".into(),
        storage_line: "Keep at 0 to 4 °C".into(),
        with_prices: true,
        word: "Docket".into(),
        docket: format!("D-{n}"),
        order: format!("O-{n}"),
        reference: String::new(),
        customer: "The Plum".into(),
        address: "Market Street\nLower Fell".into(),
        telephone: String::new(),
        delivery_day: "Tue 5 May 2026".into(),
        sent_at: "5 May 2026 07:12".into(),
        void: false,
        lines: (0..8).map(line).collect(),
        grams: Grams(8 * 1235),
        net: "172.88".into(),
        kept: None,
        short: vec!["Lion's mane: 2 short of 5 packs".into()],
        tax: Some("VAT 5.5 %".into()),
        currency: "EUR".into(),
        delivery: None,
        warnings: Vec::new(),
        caution: "Planning aid.".into(),
    }
}

/// Sets dockets one after the other.
pub fn run(extent: &Extent) -> Result<Vec<Figure>> {
    for n in 0..WARM_UP {
        docket(n).pdf()?;
    }
    let before = Service::memory_mib();
    let mut times = Vec::with_capacity(extent.dockets);
    for n in WARM_UP..WARM_UP + extent.dockets {
        let begun = Instant::now();
        docket(n).pdf()?;
        times.push(begun.elapsed().as_secs_f64() * 1000.0);
    }
    times.sort_by(f64::total_cmp);
    let at = |share: usize| times.get(times.len() * share / 100).copied().context("no docket was set");
    Ok(vec![
        Figure::new("a docket of eight lines, p50", &[(at(50)?, LIMIT_MS)], "ms"),
        Figure::new("a docket of eight lines, p99", &[(at(99)?, LIMIT_MS)], "ms"),
        Figure::new("left behind of all of them", &[(Service::memory_mib() - before, LIMIT_MIB)], "MiB"),
    ])
}
