//! What a customer kept of a docket: what went out, less what was refused at the door and what came back later.

use std::collections::BTreeMap;

use gillbook_core::{
    Grams,
    money::Coinage,
    quantity::share_by_largest_remainder,
    text::{DocketCode, LotCode, ProductCode},
    words::ActKind,
};
use rust_decimal::Decimal;

use crate::{
    Result, Tx,
    dockets::{DocketLine, OrderedLine},
};

/// What became of one lot of a docket.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Fate {
    /// Handed over at the door.
    pub delivered: Grams,
    /// Came back afterwards.
    pub returned: Grams,
}

/// Fates by docket and lot.
pub(crate) type Fates = BTreeMap<(DocketCode, LotCode), Fate>;

impl Tx {
    /// What was handed over and what came back of some dockets, by lot. Reversed acts do not count.
    pub(crate) async fn fates(&mut self, dockets: &[String]) -> Result<Fates> {
        let rows = sqlx::query!(
            r#"select a.document as "docket!: DocketCode", m.lot as "lot: LotCode", a.kind as "kind: ActKind", sum(m.grams)::bigint as "grams!: Grams"
                 from act a join movement m using (farm_id, act_id)
                where a.farm_id = $1 and a.document = any ($2) and a.kind in ('delivery', 'return')
                  and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id)
                group by a.document, m.lot, a.kind"#,
            self.farm.0,
            dockets
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut fates = Fates::new();
        for r in rows {
            let fate = fates.entry((r.docket, r.lot)).or_default();
            match r.kind {
                ActKind::Return => fate.returned += r.grams,
                _ => fate.delivered += r.grams,
            }
        }
        Ok(fates)
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

/// Writes into the lines of one docket what the customer kept and owes. What came back is known by lot: lines of the same lot share it
/// by their weights. The amount of a lot is lowered in proportion and rounded once.
pub(crate) fn settle(
    lines: &mut [DocketLine],
    fate_of: impl Fn(&LotCode) -> Fate,
    handed_over: bool,
    coinage: Coinage,
) {
    let lots: std::collections::BTreeSet<LotCode> = lines.iter().map(|l| l.lot.clone()).collect();
    for lot in lots {
        let fate = fate_of(&lot);
        let mut of_lot: Vec<&mut DocketLine> = lines.iter_mut().filter(|l| l.lot == lot).collect();
        let weights: Vec<i64> = of_lot.iter().map(|l| l.grams_g.0).collect();
        let sent: Grams = of_lot.iter().map(|l| l.grams_g).sum();
        let amount: Decimal = of_lot.iter().map(|l| l.amount).sum();
        let refused = if handed_over { sent - fate.delivered } else { Grams::ZERO };
        let kept = sent - refused - fate.returned;
        let refused = share_by_largest_remainder(refused.0, &weights);
        let returned = share_by_largest_remainder(fate.returned.0, &weights);
        for ((line, refused), returned) in of_lot.iter_mut().zip(refused).zip(returned) {
            (line.refused_g, line.returned_g) = (Grams(refused), Grams(returned));
            line.kept_g = line.grams_g - line.refused_g - line.returned_g;
            line.kept_amount = line.amount;
        }
        if kept < sent && sent > Grams::ZERO {
            let owed = coinage.round(amount * Decimal::from(kept.0) / Decimal::from(sent.0));
            let kept: Vec<Grams> = of_lot.iter().map(|l| l.kept_g).collect();
            for (line, owed) in of_lot.iter_mut().zip(coinage.share(owed, &kept)) {
                line.kept_amount = owed;
            }
        }
    }
}

/// Writes into the lines of an order how much of each did not go out.
pub(crate) fn shorten(ordered: &mut [OrderedLine], lines: &[DocketLine]) {
    for line in ordered {
        let sent: Grams = lines.iter().filter(|l| l.order_line == line.order_line).map(|l| l.grams_g).sum();
        line.short_g = (line.grams_g - sent).max(Grams::ZERO);
    }
}
