//! What was handed over of dockets and what came back, as the book has it.

use std::collections::BTreeMap;

use gillbook_core::{
    Grams,
    kinds::ActKind,
    selling::docket::{OrderedLine, Part},
    text::{DocketCode, ProductCode},
};

use crate::{Result, Tx};

/// The parts of docket lines, by docket and line, each in the order in which they were written down.
pub(crate) type Parts = BTreeMap<(DocketCode, i32), Vec<Part>>;

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
