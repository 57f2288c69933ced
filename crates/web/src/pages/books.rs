//! The week, and what a block earns.

use askama::Template;
use axum::extract::State;
use gillbook_core::{
    Grams,
    calendar::{IsoWeek, day_of},
    reconciliation::Sheet,
};
use gillbook_store::reports::BatchEarnings;
use serde::Deserialize;

use super::{Head, Page, day_and_clock, kg, short_day, zone_of};
use crate::{App, body::Asked, problem::Problem, read, who::Who};

#[derive(Template)]
#[template(path = "week.html")]
pub(super) struct WeekPage {
    head: Head,
    week: String,
    before: String,
    after: String,
    harvested: String,
    against: String,
    standing: String,
    ins: Vec<(&'static str, i64)>,
    outs: Vec<(&'static str, i64)>,
    total_in: i64,
    total_out: i64,
    closing: i64,
    difference: i64,
    currency: String,
    money: Vec<(String, String, String, String)>,
    below_zero: Vec<String>,
    strains: Vec<(String, [i64; 6])>,
    lots: Vec<(String, [i64; 6])>,
}

#[derive(Debug, Deserialize)]
pub(super) struct WeekAsked {
    week: Option<IsoWeek>,
}

fn columns(s: &Sheet) -> [i64; 6] {
    [s.opening_g, s.harvested_g, s.sold_g, s.wasted_g, s.closing_g, s.difference_g].map(|g| g.0)
}

fn compared(now: Grams, before: Grams) -> String {
    if before <= Grams::ZERO {
        return "Nothing was harvested the week before.".into();
    }
    let percent = (now.kg() / before.kg() - 1.0) * 100.0;
    let word = if percent >= 0.0 { "more" } else { "less" };
    format!("{:.0} % {word} than the week before ({} kg).", percent.abs(), kg(before))
}

pub(super) async fn get_week(
    State(app): State<App>,
    who: Who,
    Asked(asked): Asked<WeekAsked>,
) -> Result<Page<WeekPage>, Problem> {
    let view = read!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let week = asked.week.unwrap_or_else(|| IsoWeek::of(day_of(tx.now(), zone)));
        let this = tx.week(week).await?;
        let last = tx.week(week.previous()).await?;
        let s = this.now.total;
        let closed = this.closed_at.map(|at| {
            let late = if this.after_close > 0 {
                format!(" {} entries came after close.", this.after_close)
            } else {
                String::new()
            };
            format!("Closed {}.{late}", day_and_clock(at, zone))
        });
        Ok(WeekPage {
            head: Head::new(&farm, &who, "/week"),
            week: week.to_string(),
            before: week.previous().to_string(),
            after: week.next().to_string(),
            harvested: kg(s.harvested_g),
            against: compared(s.harvested_g, last.now.total.harvested_g),
            standing: closed.unwrap_or_else(|| {
                if tx.now() < this.until { "Still going on.".into() } else { "Over, and not closed yet.".into() }
            }),
            ins: vec![
                ("In the stores before", s.opening_g.0),
                ("Harvested", s.harvested_g.0),
                ("Entered at opening", s.entered_g.0),
                ("Found", s.found_g.0),
                ("Made of other lots", s.from_lots_g.0),
            ],
            outs: vec![
                ("Sold", s.sold_g.0),
                ("Given away", s.given_g.0),
                ("Eaten at home", s.home_g.0),
                ("Wasted", s.wasted_g.0),
                ("Tested", s.tested_g.0),
                ("Trimmed", s.trimmed_g.0),
                ("Weight lost", s.weight_lost_g.0),
                ("Made into other lots", s.into_lots_g.0),
            ],
            total_in: s.total_in().0,
            total_out: (s.total_out() + s.closing_g).0,
            closing: s.closing_g.0,
            difference: s.difference_g.0,
            currency: this.now.currency,
            money: this
                .now
                .money
                .iter()
                .map(|m| {
                    let a_kilo = m.per_kg.map_or_else(|| "–".into(), |p| p.to_string());
                    (m.channel.to_string(), kg(m.grams_g), m.net.to_string(), a_kilo)
                })
                .collect(),
            below_zero: this
                .below_zero
                .iter()
                .map(|b| {
                    format!("{} in {}: {} g at {}", b.lot, b.place, signed(&b.grams_g.0), day_and_clock(b.at, zone))
                })
                .collect(),
            strains: this.now.strains.iter().map(|s| (s.strain.to_string(), columns(&s.sheet))).collect(),
            lots: this.now.lots.iter().map(|l| (l.lot.to_string(), columns(&l.sheet))).collect(),
        })
    })?;
    Ok(Page(view))
}

#[derive(Template)]
#[template(path = "blocks.html")]
pub(super) struct Blocks {
    head: Head,
    best: String,
    currency: String,
    rows: Vec<BlockRow>,
    growing: Vec<GrowingRow>,
}

/// A batch that nothing was harvested from yet.
struct GrowingRow {
    code: String,
    made: String,
    blocks: i32,
    lost: i32,
    cost: String,
}

struct BlockRow {
    code: String,
    shared: bool,
    blocks: i32,
    lost: i32,
    bars: Vec<(String, String)>,
    bars_text: String,
    per_block: String,
    yield_percent: String,
    money: String,
}

pub(super) async fn get_blocks(State(app): State<App>, who: Who) -> Result<Page<Blocks>, Problem> {
    let view = read!(app, who, |tx| {
        let farm = tx.farm().await?;
        let earnings = tx.earnings().await?;
        let finished: Vec<&BatchEarnings> =
            earnings.batches.iter().filter(|b| b.standing == 0 && b.harvested_g > Grams::ZERO).collect();
        let best = finished.iter().max_by_key(|b| b.contribution_per_block);
        let worst = finished.iter().min_by_key(|b| b.contribution_per_block);
        let most = earnings.batches.iter().filter_map(|b| b.per_block_g).fold(1.0, f64::max);
        let mut batches = earnings.batches.clone();
        batches.sort_by(|a, b| (b.made_on, &a.batch).cmp(&(a.made_on, &b.batch)));
        let (picked, growing): (Vec<_>, Vec<_>) = batches.into_iter().partition(|b| b.harvested_g > Grams::ZERO);
        let currency = earnings.currency;
        Ok(Blocks {
            head: Head::new(&farm, &who, "/blocks"),
            best: match (best, worst) {
                (Some(b), Some(w)) => format!(
                    "Of the finished batches {} earned most, {} {currency} a block; {} earned least, {} {currency}.",
                    b.batch,
                    b.contribution_per_block,
                    w.batch,
                    signed(&w.contribution_per_block)
                ),
                _ => "No batch is finished yet.".into(),
            },
            rows: picked.iter().map(|b| block_row(b, most)).collect(),
            growing: growing
                .iter()
                .map(|b| GrowingRow {
                    code: b.batch.to_string(),
                    made: short_day(b.made_on),
                    blocks: b.blocks,
                    lost: b.lost,
                    cost: b.cost.to_string(),
                })
                .collect(),
            currency,
        })
    })?;
    Ok(Page(view))
}

/// An amount with a true minus sign, as wide as a digit.
fn signed(amount: &impl ToString) -> String {
    amount.to_string().replace('-', "\u{2212}")
}

fn block_row(b: &BatchEarnings, most: f64) -> BlockRow {
    let mut x = 0.0;
    let bars = b
        .flushes
        .iter()
        .map(|f| {
            let width = f.grams_g.kg() * 1000.0 / f64::from(b.blocks.max(1)) / most * 118.0;
            let bar = (format!("{x:.1}"), format!("{:.1}", (width - 1.0).max(0.5)));
            x += width;
            bar
        })
        .collect();
    let text: Vec<String> = b.flushes.iter().map(|f| format!("flush {}: {} kg", f.flush, kg(f.grams_g))).collect();
    BlockRow {
        code: b.batch.to_string(),
        shared: b.rests_on_shares,
        blocks: b.blocks,
        lost: b.lost,
        bars,
        bars_text: if text.is_empty() { "nothing yet".into() } else { text.join(", ") },
        per_block: b.per_block_g.map_or_else(|| "–".into(), |g| format!("{g:.0}")),
        yield_percent: match (b.biological_efficiency, b.saleable_yield) {
            (Some(be), _) => format!("{be:.0}"),
            (None, Some(y)) => format!("{y:.0} c"),
            (None, None) => "–".into(),
        },
        money: signed(&b.contribution_per_block),
    }
}
