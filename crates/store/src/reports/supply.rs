//! What is in the stores, and what is ordered of it: what dispatch is simulated over.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use gillbook_core::{
    Grams,
    kinds::{Form, OrderStatus, Packaging, PlaceKind},
    selling::{
        allocation::{AvailableLot, Goods, LineDemand, Need, Taken, best_before},
        order::missing,
        simulation::{Demand, Stock},
    },
    text::{GradeCode, LotCode, OrderCode, ProductCode, StrainCode},
    units::calendar::day_of,
};
use sqlx::types::Json;

use crate::{
    Result, Tx,
    ledger::{life::ends_at, lot_state::LotState, lots::LotAt},
    reports::risk::EndsBy,
};

/// An order's line as the simulation sees it, and what is said of it.
pub(super) struct Ordered {
    pub order: OrderCode,
    pub line: i32,
    pub product: ProductCode,
    pub demand: Demand,
    pub customer: String,
    pub least_grade: GradeCode,
    /// Some of it is packed.
    pub is_begun: bool,
}

/// Grams of a lot in a store, as the simulation sees them, and where that is from.
pub(super) struct GoodsIn<'a> {
    pub lot: &'a LotState,
    pub at: &'a LotAt,
    pub ends_by: EndsBy,
    pub stock: Stock,
}

/// Days from harvest by strain and packaging.
pub(super) type ShelfRules = BTreeMap<(StrainCode, Packaging), i32>;

fn last_days_by(rules: &ShelfRules, lots: &[LotState]) -> BTreeMap<LotCode, NaiveDate> {
    let keeps = lots.iter().filter(|l| l.form == Form::Fresh || l.best_before.is_some());
    let last_day = |lot: &LotState| {
        let by_rule = || best_before(lot.harvest_day, rules.get(&(lot.strain.clone(), lot.packaging)).copied());
        (lot.lot.clone(), lot.best_before.unwrap_or_else(by_rule))
    };
    keeps.map(last_day).collect()
}

/// The last day of grams, and what it follows from.
fn last_day(best_before: Option<NaiveDate>, life_ends: Option<NaiveDate>) -> (NaiveDate, EndsBy) {
    match (best_before.unwrap_or(NaiveDate::MAX), life_ends) {
        (by_rule, Some(ends)) if ends < by_rule => (ends, EndsBy::ShelfLife),
        (by_rule, _) => (by_rule, EndsBy::BestBefore),
    }
}

impl Tx {
    /// What of lots is in fridges and on shelves. Dried goods without a best-before day of their own have no last day.
    pub(super) async fn goods_in<'a>(
        &mut self,
        states: &'a [LotState],
        rules: &ShelfRules,
    ) -> Result<Vec<GoodsIn<'a>>> {
        let zone = self.farm_settings().await?.zone;
        let today = day_of(self.now, zone);
        let last_days = last_days_by(rules, states);
        let ranks = self.grade_ranks().await?;
        let mut there = Vec::new();
        for lot in states {
            for at in lot.places.iter().filter(|p| matches!(p.kind, PlaceKind::Fridge | PlaceKind::Shelf)) {
                let life_ends = at.life.map(|l| day_of(ends_at(self.now, l.days_left_low), zone).max(today));
                let best_before = last_days.get(&lot.lot).copied();
                let (expires_on, ends_by) = last_day(best_before, life_ends);
                let days = (best_before.unwrap_or(expires_on), expires_on);
                let stock = in_stock(lot, at, days, life_ends, ranks.get(&lot.grade).copied().unwrap_or(i32::MAX));
                there.push(GoodsIn { lot, at, ends_by, stock });
            }
        }
        Ok(there)
    }

    /// How good each grade of the farm is; 1 is the best.
    pub(super) async fn grade_ranks(&mut self) -> Result<BTreeMap<GradeCode, i32>> {
        Ok(self.farm().await?.grades.into_iter().map(|g| (g.grade, g.rank)).collect())
    }

    /// Days from harvest that each product keeps by the farm's rules, by packaging.
    pub(super) async fn rules_by_product(&mut self) -> Result<BTreeMap<ProductCode, BTreeMap<Packaging, i32>>> {
        let rules = sqlx::query!(
            r#"select distinct on (product, packaging) product as "product: ProductCode", packaging as "packaging: Packaging", days
                 from best_before_rule where farm_id = $1 and effective_from <= $2 order by product, packaging, effective_from desc"#,
            self.farm.0,
            self.now
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut by_product: BTreeMap<ProductCode, BTreeMap<Packaging, i32>> = BTreeMap::new();
        for r in rules {
            by_product.entry(r.product).or_default().insert(r.packaging, r.days);
        }
        Ok(by_product)
    }

    /// The shortest rule of the products that a strain is sold as, by packaging: days from harvest.
    pub(super) async fn shelf_rules(&mut self) -> Result<ShelfRules> {
        let rules = sqlx::query!(
            r#"select s.strain as "strain: StrainCode", b.packaging as "packaging: Packaging", min(b.days) as "days!"
                 from (select distinct on (product, packaging) product, packaging, days from best_before_rule
                        where farm_id = $1 and effective_from <= $2 order by product, packaging, effective_from desc) b
                 join product_strain s on s.farm_id = $1 and s.product = b.product group by s.strain, b.packaging"#,
            self.farm.0,
            self.now
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rules.into_iter().map(|r| ((r.strain, r.packaging), r.days)).collect())
    }

    /// The last day of each lot by the farm's own rule: the lot's best-before day where it was packed, else the shortest rule of the
    /// products that it could be sold as. Dried lots without a best-before day have none.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.last_days", skip_all, fields(farm_id = self.farm.0))]
    pub async fn last_days(&mut self, lots: &[LotState]) -> Result<BTreeMap<LotCode, NaiveDate>> {
        Ok(last_days_by(&self.shelf_rules().await?, lots))
    }

    /// The lines of all orders that have not gone out, with what is set aside for them. A draft promises only what is set aside for it.
    pub(super) async fn ordered(&mut self, today: NaiveDate) -> Result<Vec<Ordered>> {
        let rows = sqlx::query!(
            r#"select o.order_code as "order: OrderCode", l.line, o.delivery_day, o.status as "status: OrderStatus", c.name, c.least_days, c.freshest, c.under_percent,
                      l.grams as "grams: Grams", p.product as "product: ProductCode", p.pack_g, p.form as "form: Form",
                      p.packaging as "packaging: Packaging", p.least_grade as "least_grade: GradeCode", g.rank,
                      array(select s.strain from product_strain s where s.farm_id = $1 and s.product = p.product) as "strains!: Vec<StrainCode>",
                      coalesce((select jsonb_agg(jsonb_build_object('lot', s.lot, 'place', s.place, 'grams', s.grams))
                                  from set_aside s where s.farm_id = $1 and s.order_code = l.order_code and s.line = l.line), '[]') as "set_aside!: Json<Vec<Taken>>",
                      coalesce((select bool_and(s.packed_at is not null) from set_aside s
                                 where s.farm_id = $1 and s.order_code = l.order_code and s.line = l.line), false) as "is_packed!",
                      exists (select from set_aside s
                               where s.farm_id = $1 and s.order_code = l.order_code and s.packed_at is not null) as "is_begun!"
                 from customer_order o join order_line l using (farm_id, order_code) join customer c using (farm_id, customer)
                 join product p using (farm_id, product) join grade g on g.farm_id = p.farm_id and g.grade = p.least_grade
                where o.farm_id = $1 and o.status in ('draft', 'confirmed') order by o.delivery_day, o.order_code, l.line"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| {
                let set_aside = r.set_aside.0;
                let promised: Grams = set_aside.iter().map(|t| t.grams).sum();
                let open = match r.status {
                    OrderStatus::Confirmed => {
                        missing(r.grams, promised, r.is_packed, r.pack_g.is_none(), r.under_percent)
                    }
                    _ => Grams::ZERO,
                };
                let need =
                    Need { strains: r.strains, least_rank: r.rank, form: r.form, packaging: r.packaging, keeps: None };
                let wish = LineDemand {
                    grams: open,
                    pack: r.pack_g.map(|g| Grams(g.into())),
                    delivery_day: r.delivery_day.max(today),
                    least_days: r.least_days.unsigned_abs(),
                    freshest: r.freshest,
                };
                Ordered {
                    order: r.order,
                    line: r.line,
                    product: r.product,
                    demand: Demand { need, wish, set_aside },
                    customer: r.name,
                    least_grade: r.least_grade,
                    is_begun: r.is_begun,
                }
            })
            .collect())
    }
}

fn in_stock(
    lot: &LotState,
    at: &LotAt,
    (best_before, expires_on): (NaiveDate, NaiveDate),
    life_ends: Option<NaiveDate>,
    grade_rank: i32,
) -> Stock {
    let goods = Goods { strain: lot.strain.clone(), grade_rank, form: lot.form, packaging: lot.packaging };
    Stock {
        candidate: AvailableLot {
            lot: lot.lot.clone(),
            place: at.place.clone(),
            free: at.grams_g,
            expires_on,
            harvest_day: lot.harvest_day,
            goods,
        },
        best_before,
        own_best_before: lot.best_before,
        life_ends,
        on_hold: lot.on_hold(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lot_ends_on_the_earlier_of_its_day_and_its_life() {
        let day = |n: u32| NaiveDate::from_ymd_opt(2026, 5, n).unwrap();
        assert_eq!(last_day(Some(day(4)), Some(day(3))), (day(3), EndsBy::ShelfLife));
        assert_eq!(last_day(Some(day(3)), Some(day(3))), (day(3), EndsBy::BestBefore));
        assert_eq!(last_day(Some(day(2)), None), (day(2), EndsBy::BestBefore));
        assert_eq!(last_day(None, Some(day(9))), (day(9), EndsBy::ShelfLife));
    }
}
