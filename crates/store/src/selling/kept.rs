//! What was handed over of dockets and what came back, as the book has it.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::ActKind,
    selling::docket::{OrderedLine, Part},
    text::{DocketCode, ProductCode},
};

use uuid::Uuid;

use crate::{Result, Tx};

/// The parts of docket lines, by docket and line, each in the order in which they were written down.
pub(crate) type Parts = BTreeMap<(DocketCode, i32), Vec<Part>>;

/// The order in which what was handed over and what came back was written down.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Written {
    recorded_at: DateTime<Utc>,
    is_return: bool,
    act_id: Uuid,
    is_taken_back: bool,
}

impl Tx {
    /// What was handed over and what came back of some dockets.
    pub(crate) async fn parts_of(&mut self, dockets: &[String]) -> Result<Parts> {
        let rows = sqlx::query!(
            r#"select p.docket as "docket: DocketCode", p.line, p.grams as "grams: Grams", a.act_id, a.kind as "kind: ActKind", a.happened_at, a.recorded_at,
                      x.happened_at as "taken_back_at?", x.recorded_at as "taken_back_recorded_at?"
                 from docket_part p join act a on a.farm_id = $1 and a.act_id = p.act_id
                 left join act x on x.farm_id = $1 and x.reverses = p.act_id
                where p.farm_id = $1 and p.docket = any ($2)"#,
            self.farm.0,
            dockets
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut steps: BTreeMap<_, Vec<_>> = BTreeMap::new();
        for r in rows {
            let is_return = r.kind == ActKind::Return;
            let line = steps.entry((r.docket, r.line)).or_default();
            let grams = if is_return { -r.grams } else { r.grams };
            let written = Written { recorded_at: r.recorded_at, is_return, act_id: r.act_id, is_taken_back: false };
            line.push((written, Part { at: r.happened_at, kind: r.kind, grams }));
            if let Some((at, recorded_at)) = r.taken_back_at.zip(r.taken_back_recorded_at) {
                let written = Written { recorded_at, is_taken_back: true, ..written };
                line.push((written, Part { at, kind: r.kind, grams: -grams }));
            }
        }
        let in_order = |mut line: Vec<(Written, Part)>| {
            line.sort_by_key(|(written, _)| *written);
            line.into_iter().map(|(_, part)| part).collect()
        };
        Ok(steps.into_iter().map(|(line, steps)| (line, in_order(steps))).collect())
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
