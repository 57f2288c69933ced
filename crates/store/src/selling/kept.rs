//! What a customer kept of a docket: what went out, less what was refused at the door and what came back later.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::ActKind,
    selling::earnings::settle,
    text::{DocketCode, ProductCode},
    units::money::CurrencyRules,
};
use serde::Serialize;

use crate::{
    Result, Tx,
    selling::dockets::{DocketLine, DocketStatus, OrderedLine},
};

/// What an act handed over of a docket's line or brought back, or the reversal of that.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Part {
    /// When. A reversal is dated as what it takes back.
    pub at: DateTime<Utc>,
    /// The kind of the act; of a reversal, that of what it takes back.
    pub kind: ActKind,
    /// What the customer has more by it; below zero for less.
    pub grams: Grams,
}

/// The parts of docket lines, by docket and line, each in the order in which they were written down.
pub(crate) type Parts = BTreeMap<(DocketCode, i32), Vec<Part>>;

/// What an act handed over of a docket's line, or brought back, in the book.
#[derive(Serialize)]
pub(crate) struct PartRow {
    pub line: i32,
    pub grams: Grams,
}

impl PartRow {
    /// All of a line.
    pub(crate) fn whole(line: &DocketLine) -> Self {
        Self { line: line.line, grams: line.grams_g }
    }
}

impl Tx {
    /// What was handed over and what came back of some dockets.
    pub(crate) async fn parts_of(&mut self, dockets: &[String]) -> Result<Parts> {
        let rows = sqlx::query!(
            r#"select p.docket as "docket: DocketCode", p.line, a.kind as "kind: ActKind", e.happened_at as "at!",
                      case when (a.kind = 'return') = e.taken_back then p.grams else -p.grams end as "grams!: Grams"
                 from docket_part p join act a using (farm_id, act_id)
                cross join lateral (
                      select a.happened_at, a.recorded_at, false as taken_back
                      union all
                      select x.happened_at, x.recorded_at, true from act x where x.farm_id = a.farm_id and x.reverses = a.act_id) e
                where p.farm_id = $1 and p.docket = any ($2)
                order by p.docket, p.line, e.recorded_at, a.kind = 'return', a.act_id, e.taken_back"#,
            self.farm.0,
            dockets
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut parts = Parts::new();
        for r in rows {
            parts.entry((r.docket, r.line)).or_default().push(Part { at: r.at, kind: r.kind, grams: r.grams });
        }
        Ok(parts)
    }

    /// What was ordered on the orders of some dockets, by docket.
    pub(crate) async fn ordered_on(&mut self, dockets: &[String]) -> Result<Vec<(DocketCode, OrderedLine)>> {
        let rows = sqlx::query!(
            r#"select d.docket as "docket: DocketCode", l.line, l.product as "product: ProductCode", p.name, l.grams as "grams: Grams", l.packs
                 from docket d join order_line l on l.farm_id = d.farm_id and l.order_code = d.order_code
                 join product p on p.farm_id = l.farm_id and p.product = l.product
                where d.farm_id = $1 and d.docket = any ($2) order by d.docket, l.line"#,
            self.farm.0,
            dockets
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| {
                let ordered = OrderedLine {
                    order_line: r.line,
                    product: r.product,
                    product_name: r.name,
                    grams_g: r.grams,
                    packs: r.packs,
                    short_g: Grams::ZERO,
                };
                (r.docket, ordered)
            })
            .collect())
    }
}

/// Writes into the lines of a docket what the customer kept of each and owes for it. Of a docket that is on its way nothing is missing yet,
/// and of one that is void nobody has anything.
pub(crate) fn keep(
    lines: &mut [DocketLine],
    status: DocketStatus,
    parts: impl Fn(i32) -> Vec<Part>,
    coinage: CurrencyRules,
) {
    for line in lines {
        let parts = parts(line.line);
        let steps: Vec<Grams> = match status {
            DocketStatus::Dispatched => vec![line.grams_g],
            DocketStatus::Delivered => parts.iter().map(|p| p.grams).collect(),
            DocketStatus::Void => Vec::new(),
        };
        line.kept_g = steps.iter().copied().sum();
        line.kept_amount = coinage.round(settle(line.amount, line.grams_g, &steps, coinage).into_iter().sum());
        line.returned_g = -parts.iter().filter(|p| p.kind == ActKind::Return).map(|p| p.grams).sum::<Grams>();
        line.refused_g = match status {
            DocketStatus::Delivered => line.grams_g - line.returned_g - line.kept_g,
            DocketStatus::Dispatched | DocketStatus::Void => Grams::ZERO,
        };
    }
}

/// Writes into the lines of an order how much of each did not go out.
pub(crate) fn shorten(ordered: &mut [OrderedLine], lines: &[DocketLine]) {
    for line in ordered {
        let sent: Grams = lines.iter().filter(|l| l.order_line == line.order_line).map(|l| l.grams_g).sum();
        line.short_g = (line.grams_g - sent).max(Grams::ZERO);
    }
}
