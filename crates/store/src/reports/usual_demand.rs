//! What sold in the last weeks, by which the coming days are expected.

use std::collections::BTreeSet;

use chrono::{Days, NaiveDate};
use gillbook_core::{
    Grams,
    kinds::{Form, Packaging},
    selling::{
        allocation::Need,
        usual_demand::{MAX_WEEKS, PastSale, UsualDemand},
    },
    text::{CustomerCode, StrainCode},
    units::calendar::day_of,
};
use sqlx::types::Json;

use crate::{Error, Result, Tx};

/// What usually sells, and what can be dried.
pub(super) struct Habits {
    /// What the coming days are expected by.
    pub usual: UsualDemand,
    /// Strains that the farm sells dried, too.
    pub dried: BTreeSet<StrainCode>,
}

impl Tx {
    /// What usually sells. Standing orders are left out: what they ask for is ordered already.
    pub(super) async fn habits(&mut self) -> Result<Habits> {
        let zone = self.farm_settings().await?.zone;
        let today = day_of(self.now, zone);
        let found = sqlx::query!(
            r#"select least((select min(delivery_day) from customer_order where farm_id = $1 and status in ('dispatched', 'delivered')),
                            (select min(day) from market_day where farm_id = $1 and status = 'closed')) as first_day,
                      coalesce((select jsonb_agg(jsonb_build_array(s.customer, s.day)) from (
                          select customer, delivery_day as day from customer_order where farm_id = $1 and delivery_day >= $2 and status <> 'draft'
                          union select customer, day from market_day where farm_id = $1 and day >= $2) s), '[]') as "settled!: Json<BTreeSet<(CustomerCode, NaiveDate)>>",
                      array(select distinct s.strain from product p join product_strain s using (farm_id, product)
                             where p.farm_id = $1 and p.form = 'dried') as "dried!: Vec<StrainCode>""#,
            self.farm.0,
            today - Days::new(1)
        )
        .fetch_one(&mut *self.db)
        .await?;
        let usual = UsualDemand {
            now: self.now,
            zone,
            today,
            first_day: found.first_day,
            past: self.past_sales(today).await?,
            settled: found.settled.0,
            closed_days: self.closed_days_ahead(today).await?,
        };
        Ok(Habits { usual, dried: found.dried.into_iter().collect() })
    }

    /// What customers took without a standing order in the last weeks, and what stalls sold, by day.
    async fn past_sales(&mut self, today: NaiveDate) -> Result<Vec<PastSale>> {
        let rows = sqlx::query!(
            r#"select c.customer as "customer!: CustomerCode", c.name as "name!", s.is_stall as "is_stall!", s.day as "day!", s.grams as "grams!: Grams",
                      s.strains as "strains!: Vec<StrainCode>", g.rank as "rank!", s.form as "form!: Form", s.packaging as "packaging?: Packaging", s.pack_g,
                      -- A stall sells up to the last day, whatever its customer asks for.
                      case when s.is_stall then 0 else c.least_days end as "least_days!", c.freshest and not s.is_stall as "freshest!",
                      c.order_by_days, case when s.is_stall then '' else c.order_by_time end as "order_by_time!"
                 from (select o.customer, false as is_stall, o.delivery_day as day, l.grams, p.least_grade as grade, p.form, p.packaging, p.pack_g,
                              array(select t.strain from product_strain t where t.farm_id = $1 and t.product = p.product) as strains
                         from customer_order o join order_line l using (farm_id, order_code) join product p using (farm_id, product)
                        where o.farm_id = $1 and o.delivery_day >= $2 and o.delivery_day < $3 and o.status in ('dispatched', 'delivered')
                          and o.standing_order is null
                        union all
                       select m.customer, true, m.day, s.grams, t.grade, t.form, null, null, array[t.strain]
                         from market_day m join market_sale s using (farm_id, market_day) join lot t using (farm_id, lot)
                        where m.farm_id = $1 and m.day >= $2 and m.day < $3 and m.status = 'closed') s
                 join customer c on c.farm_id = $1 and c.customer = s.customer join grade g on g.farm_id = $1 and g.grade = s.grade
                order by s.day, c.customer, s.strains, g.rank, s.grams"#,
            self.farm.0,
            today - Days::new(7 * MAX_WEEKS),
            today
        )
        .fetch_all(&mut *self.db)
        .await?;
        rows.into_iter()
            .map(|r| {
                Ok(PastSale {
                    customer: r.customer,
                    name: r.name,
                    is_stall: r.is_stall,
                    day: r.day,
                    need: Need {
                        strains: r.strains,
                        least_rank: r.rank,
                        form: r.form,
                        packaging: r.packaging,
                        keeps: None,
                    },
                    pack: r.pack_g.map(|g| Grams(g.into())),
                    least_days: r.least_days.unsigned_abs(),
                    freshest: r.freshest,
                    order_by_days: r.order_by_days,
                    order_by_time: r.order_by_time.parse().map_err(Error::Stored)?,
                    grams: r.grams,
                })
            })
            .collect()
    }
}
