//! What sold in the last weeks, by which the coming days are expected.

use std::collections::BTreeSet;

use chrono::{Days, NaiveDate};
use gillbook_core::{
    selling::usual_demand::{MAX_WEEKS, PastSale, UsualDemand},
    text::{CustomerCode, StrainCode},
    units::calendar::day_of,
};
use sqlx::types::Json;

use crate::{Result, Tx};

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
                           where o.farm_id = $1 and o.delivery_day >= $3
                             and (o.status <> 'draft' or exists (select from set_aside a where a.farm_id = $1 and a.order_code = o.order_code))
                          union select customer, day, false from market_day where farm_id = $1 and day >= $3) s), '[]') as "settled!: Json<Vec<(CustomerCode, NaiveDate, bool)>>",
                      array(select day from closed_day where farm_id = $1 and day >= $3) as "closed_days!: Vec<NaiveDate>",
                      array(select distinct s.strain from product p join product_strain s using (farm_id, product)
                             where p.farm_id = $1 and p.form = 'dried') as "dried!: Vec<StrainCode>",
                      (select coalesce(jsonb_agg(jsonb_build_object(
                                  'customer', c.customer, 'name', c.name, 'is_stall', s.is_stall, 'day', s.day, 'grams', s.grams, 'pack', s.pack_g,
                                  'need', jsonb_build_object('strains', s.strains, 'least_rank', g.rank, 'form', s.form, 'packaging', s.packaging),
                                  -- A stall sells up to the last day, whatever its customer asks for.
                                  'least_days', case when s.is_stall then 0 else c.least_days end, 'freshest', c.freshest and not s.is_stall,
                                  'order_by_days', c.order_by_days, 'order_by_time', case when s.is_stall then '' else c.order_by_time end,
                                  'delivery_days', c.delivery_days)
                                  order by s.day, c.customer, s.strains, g.rank, s.grams, s.pack_g nulls first, s.packaging nulls first), '[]')
                         from (select o.customer, false as is_stall, o.delivery_day as day, l.grams, p.least_grade as grade, p.form, p.packaging, p.pack_g,
                                      array(select t.strain from product_strain t where t.farm_id = $1 and t.product = p.product order by t.strain) as strains
                                 from customer_order o join order_line l using (farm_id, order_code) join product p using (farm_id, product)
                                where o.farm_id = $1 and o.delivery_day >= $2 and o.delivery_day < $4 and o.status in ('dispatched', 'delivered')
                                  and o.standing_order is null
                                union all
                               select m.customer, true, m.day, s.grams, t.grade, t.form, null, null, array[t.strain]
                                 from market_day m join market_sale s using (farm_id, market_day) join lot t using (farm_id, lot)
                                where m.farm_id = $1 and m.day >= $2 and m.day < $4 and m.status = 'closed') s
                         join customer c on c.farm_id = $1 and c.customer = s.customer
                         join grade g on g.farm_id = $1 and g.grade = s.grade) as "past!: Json<Vec<PastSale>>""#,
            self.farm.0,
            today - Days::new(7 * MAX_WEEKS),
            today - Days::new(1),
            today
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
            past: found.past.0,
            ad_hoc: days.iter().filter(|(_, _, is_ad_hoc)| *is_ad_hoc).map(day).collect(),
            settled: days.iter().map(day).collect(),
            closed_days: found.closed_days.into_iter().collect(),
        };
        Ok(Habits { usual, dried: found.dried.into_iter().collect() })
    }
}
