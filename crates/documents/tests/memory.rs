//! Setting documents keeps nothing of them. In a process of its own, as memory is that of a process.

use gillbook_core::{Grams, kinds::PaperSize};
use gillbook_documents::docket::{Docket, Line};

/// What the process has in memory, in bytes (proc(5), `statm`: the second figure, in pages of 4 KiB).
fn resident() -> Option<usize> {
    let told = std::fs::read_to_string("/proc/self/statm").ok()?;
    let pages: usize = told.split_whitespace().nth(1)?.parse().ok()?;
    Some(pages * 4096)
}

fn docket(n: usize) -> Docket {
    Docket {
        farm: "Näckrosen Svamp".into(),
        farm_address: "Lane 1\nHollow".into(),
        paper_size: PaperSize::A4,
        farm_telephone: String::new(),
        storage_line: "Keep cold.".into(),
        with_prices: true,
        word: "Docket".into(),
        docket: format!("D-{n}"),
        order: format!("O-{n}"),
        reference: String::new(),
        customer: format!("Customer {n}"),
        address: "Quay 3".into(),
        telephone: String::new(),
        delivery_day: "Tue 5 May 2026".into(),
        sent_at: "5 May 2026 07:12".into(),
        void: false,
        lines: vec![Line {
            product: format!("Grey oyster {n}"),
            grade: "A".into(),
            packs: None,
            lot: format!("OY-{n}"),
            harvested: "4 May 2026".into(),
            best_before: Some("11 May 2026".into()),
            grams: Grams(1235),
            price: "17.50".into(),
            unit: "kg".into(),
            amount: "21.61".into(),
            came_back: None,
        }],
        grams: Grams(1235),
        net: "21.61".into(),
        kept: None,
        short: Vec::new(),
        tax: None,
        currency: "EUR".into(),
        delivery: None,
        warnings: Vec::new(),
        caution: "Planning aid.".into(),
    }
}

/// What is set up once, fonts and library, is there after the first. Sixteen kilobytes kept of each later one would be found.
#[test]
fn three_hundred_dockets_take_no_more_memory_than_thirty() {
    let set = |mut numbers: std::ops::Range<usize>| assert!(numbers.all(|n| docket(n).pdf().is_ok()));
    set(0..30);
    let before = resident().expect("a kernel that tells");
    set(30..300);
    let grown = resident().expect("a kernel that tells").saturating_sub(before);
    assert!(grown < 4 << 20, "{grown} bytes more");
}
