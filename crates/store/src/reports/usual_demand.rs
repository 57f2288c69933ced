//! What sold in the last weeks, by which the coming days are expected.

use std::collections::BTreeSet;

use chrono::{Days, NaiveDate};
use gillbook_core::{
    Grams,
    kinds::{Form, Packaging, Weekday},
    selling::{
        allocation::Need,
        usual_demand::{MAX_WEEKS, PastSale, UsualDemand},
    },
    text::{CustomerCode, StrainCode},
    units::{calendar::day_of, clock::ClockTime},
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
    /// What usually sells: what customers took without a standing order in the last weeks, and what stalls sold. What standing orders ask for
    /// is ordered already.
    pub(super) async fn habits(&mut self) -> Result<Habits> {
        let zone = self.farm_settings().await?.zone;
        let today = day_of(self.now, zone);
        let found = sqlx::query!(
            r#"select least((select min(delivery_day) from customer_order where farm_id = $1 and status in ('dispatched', 'delivered')),
                            (select min(day) from market_day where farm_id = $1 and status = 'closed')) as first_day,
                      coalesce((select jsonb_agg(jsonb_build_array(s.customer, s.day, s.is_ad_hoc)) from (
                          select o.customer, o.delivery_day as day, o.standing_order is null as is_ad_hoc from customer_order o
                           where o.farm_id = $1 and o.delivery_day >= $2
                             and (o.status <> 'draft' or exists (select from set_aside a where a.farm_id = $1 and a.order_code = o.order_code))
                          union select customer, day, false from market_day where farm_id = $1 and day >= $2) s), '[]') as "settled!: Json<Vec<(CustomerCode, NaiveDate, bool)>>",
                      array(select day from closed_day where farm_id = $1 and day >= $2) as "closed_days!: Vec<NaiveDate>",
                      array(select distinct s.strain from product p join product_strain s using (farm_id, product)
                             where p.farm_id = $1 and p.form = 'dried') as "dried!: Vec<StrainCode>""#,
            self.farm.0,
            today - Days::new(1)
        )
        .fetch_one(&mut *self.db)
        .await?;
        let days = found.settled.0;
        let day = |(customer, day, _): &(CustomerCode, NaiveDate, bool)| (customer.clone(), *day);
        let usual = UsualDemand {
            now: self.now,
            zone,
            today,
            first_day: found.first_day,
            past: self.past_sales(today).await?,
            ad_hoc: days.iter().filter(|(_, _, is_ad_hoc)| *is_ad_hoc).map(day).collect(),
            settled: days.iter().map(day).collect(),
            closed_days: found.closed_days.into_iter().collect(),
        };
        Ok(Habits { usual, dried: found.dried.into_iter().collect() })
    }

    /// What was taken without a standing order in the last weeks before a day, and what stalls sold.
    async fn past_sales(&mut self, today: NaiveDate) -> Result<Vec<PastSale>> {
        let rows = sqlx::query!(
            r#"select s.customer as "customer!: CustomerCode", c.name as "name!", s.is_stall as "is_stall!", s.day as "day!", s.grams as "grams!: Grams",
                      s.pack_g as "pack_g: Grams", s.strains as "strains!: Vec<StrainCode>", g.rank as "least_rank!", s.form as "form!: Form",
                      s.packaging as "packaging: Packaging", c.least_days as "least_days!", c.freshest as "freshest!", c.order_by_days as "order_by_days!",
                      c.order_by_time as "order_by_time!", c.delivery_days as "delivery_days!: Vec<Weekday>"
                 from (select o.customer, false as is_stall, o.delivery_day as day, l.grams, p.least_grade as grade, p.form, p.packaging, p.pack_g,
                              array(select t.strain from product_strain t where t.farm_id = $1 and t.product = p.product order by t.strain) as strains
                         from customer_order o join order_line l using (farm_id, order_code) join product p using (farm_id, product)
                        where o.farm_id = $1 and o.delivery_day >= $2 and o.delivery_day < $3 and o.status in ('dispatched', 'delivered')
                          and o.standing_order is null
                        union all
                       select m.customer, true, m.day, s.grams, t.grade, t.form, null, null, array[t.strain]
                         from market_day m join market_sale s using (farm_id, market_day) join lot t using (farm_id, lot)
                        where m.farm_id = $1 and m.day >= $2 and m.day < $3 and m.status = 'closed') s
                 join customer c on c.farm_id = $1 and c.customer = s.customer
                 join grade g on g.farm_id = $1 and g.grade = s.grade
                order by s.day, s.customer, s.strains, g.rank, s.grams, s.pack_g nulls first, s.packaging nulls first"#,
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
                        least_rank: r.least_rank,
                        form: r.form,
                        packaging: r.packaging,
                        keeps: None,
                    },
                    pack: r.pack_g,
                    // A stall sells up to the last day and at any time, whatever its customer asks for.
                    least_days: if r.is_stall { 0 } else { u32::try_from(r.least_days).map_err(Error::stored)? },
                    freshest: r.freshest && !r.is_stall,
                    order_by_days: r.order_by_days,
                    order_by_time: if r.is_stall {
                        ClockTime(None)
                    } else {
                        r.order_by_time.parse().map_err(Error::Stored)?
                    },
                    delivery_days: r.delivery_days,
                    grams: r.grams,
                })
            })
            .collect()
    }
}
