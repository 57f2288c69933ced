//! What must be sold first, and why nobody has ordered it.

use std::borrow::Cow;

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use gillbook_core::{
    Grams,
    cold::{CAUTION, shelf_life::LifeLeft},
    kinds::{Form, OrderStatus, Packaging, PlaceKind},
    selling::{
        allocation::{AvailableLot, Goods, LineDemand, Need, Taken},
        risk::{Demand, Reason, Stock, at_risk, urgency},
    },
    text::{GradeCode, LotCode, OrderCode, PlaceCode, ProductCode, StrainCode},
    units::calendar::day_of,
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use sqlx::types::Json;
use utoipa::ToSchema;

use crate::{
    Result, Tx,
    ledger::{life::ends_at, lot_state::LotState, lots::LotAt},
};

/// How far ahead a last day is still told of, in days.
const HORIZON_DAYS: u64 = 14;

/// What a lot's last day follows from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum EndsBy {
    /// The farm's own best-before rule.
    BestBefore,
    /// The low end of its shelf life by the temperatures on its way.
    ShelfLife,
}

/// Grams of a lot in a fridge or on a shelf that no order takes in time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RiskRow {
    /// The lot.
    pub lot: LotCode,
    /// Its strain.
    pub strain: StrainCode,
    /// Where it is.
    pub place: PlaceCode,
    /// Grams of it there.
    pub stock_g: Grams,
    /// Of those, grams that no order takes by the last day.
    pub at_risk_g: Grams,
    /// What they would bring, at the mean price of the last four weeks.
    #[schema(value_type = Option<String>)]
    pub money: Option<Decimal>,
    /// The last day: the earlier of its best-before day and the day on which the low end of its shelf life falls, that one today at the
    /// earliest. A lot without a best-before day of its own has the one that the farm's shortest rule gives for its strain and packaging,
    /// 7 days from harvest where there is no rule.
    pub last_day: NaiveDate,
    /// Which of the two that is.
    pub ends_by: EndsBy,
    /// `past its day`, `today`, `tomorrow` or `later`.
    pub when: Cow<'static, str>,
    /// Shelf life left of the grams there.
    pub life: Option<LifeLeft>,
    /// Whether it is on hold: nothing of it is sold before that is decided.
    pub on_hold: bool,
    /// Why no order takes it.
    pub why: String,
    /// What would save it.
    pub remedy: String,
}

/// What must be sold first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ShelfLife {
    /// The farm's day.
    pub today: NaiveDate,
    /// Lots at risk, soonest first.
    pub lots: Vec<RiskRow>,
    /// Grams at risk in all.
    pub at_risk_g: Grams,
    /// What they would bring.
    #[schema(value_type = String)]
    pub money: Decimal,
    /// ISO 4217 letters.
    pub currency: String,
    /// The usual caution.
    pub caution: Cow<'static, str>,
}

/// An order's line as the simulation sees it, and what is said of it.
struct Ordered {
    demand: Demand,
    customer: String,
    least_grade: GradeCode,
}

/// The last day of grams, and what it follows from.
fn last_day(best_before: Option<NaiveDate>, life_ends: Option<NaiveDate>) -> (NaiveDate, EndsBy) {
    match (best_before.unwrap_or(NaiveDate::MAX), life_ends) {
        (by_rule, Some(ends)) if ends < by_rule => (ends, EndsBy::ShelfLife),
        (by_rule, _) => (by_rule, EndsBy::BestBefore),
    }
}

impl Tx {
    /// What must be sold first: dispatch simulated over all that is ordered and has not gone out, overdue or far off.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.shelf_life", skip_all, fields(farm_id = self.farm.0))]
    pub async fn shelf_life(&mut self) -> Result<ShelfLife> {
        let lots = self.lots_in_stock().await?;
        self.shelf_life_of(&lots).await
    }

    /// Likewise, of the lots in stock.
    pub(crate) async fn shelf_life_of(&mut self, states: &[LotState]) -> Result<ShelfLife> {
        let settings = self.farm_settings().await?;
        let today = day_of(self.now, settings.zone);
        // Dried goods spoil by their own best-before day or not at all.
        let lots = states.iter().filter(|l| l.form == Form::Fresh || l.best_before.is_some());
        let last_days = self.last_days(states).await?;
        let ranks: BTreeMap<GradeCode, i32> =
            self.farm().await?.grades.into_iter().map(|g| (g.grade, g.rank)).collect();
        let mut there: Vec<(&LotState, &LotAt, EndsBy)> = Vec::new();
        let mut stock: Vec<Stock> = Vec::new();
        for lot in lots {
            for at in lot.places.iter().filter(|p| matches!(p.kind, PlaceKind::Fridge | PlaceKind::Shelf)) {
                let life_ends = at.life.map(|l| day_of(ends_at(self.now, l.days_left_low), settings.zone).max(today));
                let best_before = last_days.get(&lot.lot).copied();
                let (expires_on, ends_by) = last_day(best_before, life_ends);
                let days = (best_before.unwrap_or(expires_on), expires_on);
                stock.push(in_stock(lot, at, days, ranks.get(&lot.grade).copied().unwrap_or(i32::MAX)));
                there.push((lot, at, ends_by));
            }
        }
        let ordered = self.ordered(today).await?;
        let demand: Vec<Demand> = ordered.iter().map(|o| o.demand.clone()).collect();
        let price = self.mean_prices(self.now).await?;
        let mut rows = Vec::new();
        for risk in at_risk(&stock, &demand) {
            let found = there.iter().find(|(lot, at, _)| lot.lot == risk.lot && at.place == risk.place);
            let Some((lot, at, ends_by)) = found.filter(|_| risk.last_day <= today + Days::new(HORIZON_DAYS)) else {
                continue;
            };
            rows.push(RiskRow {
                strain: lot.strain.clone(),
                stock_g: at.grams_g,
                at_risk_g: risk.grams,
                money: price.get(&lot.strain).map(|p| settings.coinage.by_weight(risk.grams, *p)),
                last_day: risk.last_day,
                ends_by: *ends_by,
                when: urgency(risk.last_day, today).into(),
                life: at.life,
                on_hold: lot.on_hold(),
                why: why(risk.reason, &ordered),
                remedy: remedy(risk.last_day, today, *ends_by, lot.on_hold()).to_owned(),
                lot: risk.lot,
                place: risk.place,
            });
        }
        Ok(ShelfLife {
            today,
            at_risk_g: rows.iter().map(|r| r.at_risk_g).sum(),
            money: settings.coinage.round(rows.iter().filter_map(|r| r.money).sum()),
            lots: rows,
            currency: self.farm_settings().await?.coinage.currency().to_owned(),
            caution: CAUTION.into(),
        })
    }

    /// The last day of each lot by the farm's own rule: the lot's best-before day where it was packed, else the shortest rule of the
    /// products that it could be sold as. Dried lots without a best-before day have none.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.last_days", skip_all, fields(farm_id = self.farm.0))]
    pub async fn last_days(&mut self, lots: &[LotState]) -> Result<BTreeMap<LotCode, NaiveDate>> {
        let rules = sqlx::query!(
            r#"select s.strain as "strain: StrainCode", b.packaging as "packaging: gillbook_core::kinds::Packaging", min(b.days) as "days!"
                 from (select distinct on (product, packaging) product, packaging, days from best_before_rule
                        where farm_id = $1 and effective_from <= $2 order by product, packaging, effective_from desc) b
                 join product_strain s on s.farm_id = $1 and s.product = b.product group by s.strain, b.packaging"#,
            self.farm.0,
            self.now
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(lots
            .iter()
            .filter(|l| l.form == Form::Fresh || l.best_before.is_some())
            .map(|lot| {
                let by_rule = || {
                    let days =
                        rules.iter().find(|r| r.strain == lot.strain && r.packaging == lot.packaging).map(|r| r.days);
                    gillbook_core::selling::allocation::best_before(lot.harvest_day, days)
                };
                (lot.lot.clone(), lot.best_before.unwrap_or_else(by_rule))
            })
            .collect())
    }

    /// The lines of all orders that have not gone out, with what is set aside for them. A draft promises only what is set aside for it.
    async fn ordered(&mut self, today: NaiveDate) -> Result<Vec<Ordered>> {
        let rows = sqlx::query!(
            r#"select o.order_code as "order: OrderCode", l.line, o.delivery_day, o.status as "status: OrderStatus", c.name, c.least_days, c.freshest,
                      l.grams as "grams: Grams", p.product as "product: ProductCode", p.pack_g, p.form as "form: Form",
                      p.packaging as "packaging: Packaging", p.least_grade as "least_grade: GradeCode", g.rank,
                      array(select s.strain from product_strain s where s.farm_id = $1 and s.product = p.product) as "strains!: Vec<StrainCode>",
                      coalesce((select jsonb_agg(jsonb_build_object('lot', s.lot, 'place', s.place, 'grams', s.grams))
                                  from set_aside s where s.farm_id = $1 and s.order_code = l.order_code and s.line = l.line), '[]') as "set_aside!: Json<Vec<Taken>>"
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
                let open = if r.status == OrderStatus::Confirmed { r.grams - promised } else { Grams::ZERO };
                let need = Need { strains: r.strains, least_rank: r.rank, form: r.form, packaging: r.packaging };
                let wish = LineDemand {
                    grams: open.max(Grams::ZERO),
                    pack: r.pack_g.map(|g| Grams(g.into())),
                    delivery_day: r.delivery_day.max(today),
                    least_days: r.least_days.unsigned_abs(),
                    freshest: r.freshest,
                };
                Ordered { demand: Demand { need, wish, set_aside }, customer: r.name, least_grade: r.least_grade }
            })
            .collect())
    }
}

fn in_stock(lot: &LotState, at: &LotAt, (best_before, expires_on): (NaiveDate, NaiveDate), grade_rank: i32) -> Stock {
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
        on_hold: lot.on_hold(),
    }
}

fn why(reason: Reason, ordered: &[Ordered]) -> String {
    let day = |o: &Ordered| o.demand.wish.delivery_day.format("%-d %b").to_string();
    match reason {
        Reason::OnHold => "It is on hold.".into(),
        Reason::SetAsideTooLong(n) => {
            format!("Set aside for {} on {}, after its last day.", ordered[n].customer, day(&ordered[n]))
        }
        Reason::TooFewDays(n) => {
            let days = ordered[n].demand.wish.least_days;
            let days = if days == 1 { "1 day".to_owned() } else { format!("{days} days") };
            format!("{} asks for {days} left at delivery on {}.", ordered[n].customer, day(&ordered[n]))
        }
        Reason::Grade(n) => {
            format!(
                "{} asks for grade {} or better on {}.",
                ordered[n].customer,
                ordered[n].least_grade,
                day(&ordered[n])
            )
        }
        Reason::AfterLastDay(n) => {
            format!("The next order for it is {}'s on {}, after its last day.", ordered[n].customer, day(&ordered[n]))
        }
        Reason::NotOrdered => "No order is left for it.".into(),
    }
}

fn remedy(last_day: NaiveDate, today: NaiveDate, ends_by: EndsBy, on_hold: bool) -> &'static str {
    if on_hold {
        "Decide on the hold first."
    } else if last_day < today {
        "It is past the farm's own day. Take it out of sale."
    } else if last_day == today && ends_by == EndsBy::ShelfLife {
        "By its temperatures it may not keep. Look at it today: sell, dry or waste it."
    } else if last_day == today {
        "Offer it today, dry it, or give it away."
    } else {
        "Offer it with the next orders, or take it to the market."
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
