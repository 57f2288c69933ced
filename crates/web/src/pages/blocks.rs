//! What a block earns.

use askama::Template;
use axum::extract::State;
use gillbook_core::selling::earnings::BatchStage;
use gillbook_store::reports::earnings::{BatchEarnings, Earnings};

use super::{Html, Layout, date, kg};
use crate::{App, auth::Authenticated, problem::Problem, read_tx};

#[derive(Template)]
#[template(path = "blocks.html")]
pub(super) struct Blocks {
    head: Layout,
    best: String,
    currency: String,
    groups: Vec<Group>,
    growing: Vec<GrowingRow>,
}

/// Batches whose figures mean the same.
struct Group {
    title: &'static str,
    note: &'static str,
    rows: Vec<BlockRow>,
}

/// A batch that nothing was harvested from.
struct GrowingRow {
    code: String,
    on_hold: bool,
    made: String,
    blocks: i32,
    lost: i32,
    cost: String,
}

struct BlockRow {
    code: String,
    on_hold: bool,
    mixed: bool,
    blocks: i32,
    lost: i32,
    bars: Vec<(String, String)>,
    bars_text: String,
    per_block: String,
    yield_percent: String,
    money: String,
}

fn best_line(earnings: &Earnings) -> String {
    let find = |code: &Option<_>| code.as_ref().and_then(|c| earnings.batches.iter().find(|b| &b.batch == c));
    let currency = &earnings.currency;
    match (find(&earnings.best), find(&earnings.worst)) {
        (Some(b), Some(w)) => format!(
            "Of the finished batches {} earned most, {} {currency} per block; {} earned least, {} {currency}.",
            b.batch,
            signed(&b.contribution_per_block),
            w.batch,
            signed(&w.contribution_per_block)
        ),
        _ => "No batch is finished yet.".into(),
    }
}

pub(super) async fn get_blocks(State(app): State<App>, who: Authenticated) -> Result<Html<Blocks>, Problem> {
    let view = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let earnings = tx.earnings().await?;
        let widest = earnings.batches.iter().filter_map(|b| b.per_block_g).fold(1.0, f64::max);
        let best = best_line(&earnings);
        let mut batches = earnings.batches;
        batches.sort_by(|a, b| (b.made_on, &a.batch).cmp(&(a.made_on, &b.batch)));
        let rows = |stage| batches.iter().filter(|b| b.stage == stage).map(|b| block_row(b, widest)).collect();
        let groups = [
            ("Finished", "", BatchStage::Finished),
            ("Still fruiting", "More is to come; the whole cost is in already.", BatchStage::Fruiting),
            (
                "Here before the book was",
                "What they gave before the book was opened is not in it; their whole cost is. Not compared.",
                BatchStage::Opening,
            ),
        ];
        Ok(Blocks {
            head: Layout::new(&farm, &who, "/blocks"),
            best,
            groups: groups
                .into_iter()
                .map(|(title, note, stage)| Group { title, note, rows: rows(stage) })
                .filter(|g| !g.rows.is_empty())
                .collect(),
            growing: batches
                .iter()
                .filter(|b| b.stage == BatchStage::Growing)
                .map(|b| GrowingRow {
                    code: b.batch.to_string(),
                    on_hold: b.on_hold && b.standing > 0,
                    made: date(b.made_on),
                    blocks: b.blocks,
                    lost: b.lost,
                    cost: b.cost.to_string(),
                })
                .collect(),
            currency: earnings.currency,
        })
    })?;
    Ok(Html(view))
}

/// An amount with a true minus sign, as wide as a digit.
fn signed(amount: &impl ToString) -> String {
    amount.to_string().replace('-', "\u{2212}")
}

fn block_row(b: &BatchEarnings, widest: f64) -> BlockRow {
    let mut x = 0.0;
    let bars = b
        .flushes
        .iter()
        .map(|f| {
            let width = f.grams_g.kg() * 1000.0 / f64::from(b.blocks.max(1)) / widest * 118.0;
            let bar = (format!("{x:.1}"), format!("{:.1}", (width - 1.0).max(0.5)));
            x += width;
            bar
        })
        .collect();
    let text: Vec<String> = b.flushes.iter().map(|f| format!("flush {}: {} kg", f.flush, kg(f.grams_g))).collect();
    BlockRow {
        code: b.batch.to_string(),
        on_hold: b.on_hold && b.standing > 0,
        mixed: b.rests_on_shares,
        blocks: b.blocks,
        lost: b.lost,
        bars,
        bars_text: if text.is_empty() { "nothing".into() } else { text.join(", ") },
        per_block: b.per_block_g.map_or_else(|| "–".into(), |g| format!("{g:.0}")),
        yield_percent: match (b.biological_efficiency, b.saleable_yield) {
            (Some(be), _) => format!("{be:.0}"),
            (None, Some(y)) => format!("{y:.0} trimmed"),
            (None, None) => "–".into(),
        },
        money: signed(&b.contribution_per_block),
    }
}
