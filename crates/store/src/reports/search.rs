//! Searching for things on the farm by their codes and names.

use gillbook_core::{
    kinds::{HitKind, OrderStatus},
    search::{Closeness, Hit, MAX_OF_A_KIND, Query, rank},
};

use crate::{Result, Tx};

/// The most of a kind that are looked at more closely, of those that have the query in their code: those that begin with it first, then the
/// newest.
const MAX_CANDIDATES: i64 = 200;

/// The most customers, and the most products, whose names are looked at, by code. No farm of the size that this is for has so many.
const MAX_NAMES: i64 = 5000;

impl Tx {
    /// Lots, batches, orders, dockets, customers and products that a query means, as [`rank`] orders them. By the name of their strain or
    /// customer the newest lots, batches, orders and dockets of each are found.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.search", skip_all, fields(farm_id = self.farm.0))]
    pub async fn search(&mut self, query: &Query) -> Result<Vec<(Closeness, Hit)>> {
        if query.is_empty() {
            return Ok(Vec::new());
        }
        let newest = i64::try_from(MAX_OF_A_KIND).unwrap_or(i64::MAX);
        let rows = sqlx::query!(
            r#"with coded as (
                   select 'lot' as kind, l.lot as code, s.name, l.harvest_day as day, null as status
                     from lot l join strain s on s.farm_id = l.farm_id and s.strain = l.strain where l.farm_id = $1
                   union all
                   select 'batch', b.batch, s.name, b.made_on, null
                     from batch b join strain s on s.farm_id = b.farm_id and s.strain = b.strain where b.farm_id = $1
                   union all
                   select 'order', o.order_code, c.name, o.delivery_day, o.status
                     from customer_order o join customer c on c.farm_id = o.farm_id and c.customer = o.customer where o.farm_id = $1
                   union all
                   select 'docket', d.docket, d.customer_name, d.delivery_day, null from docket d where d.farm_id = $1),
               by_code as (
                   select *, row_number() over (partition by kind order by starts_with(replace(code, '-', ''), $2) desc, day desc, code) as n
                     from coded where $2 <> '' and strpos(translate(code, 'OIL-', '011'), $3) > 0),
               named as (
                   select n.*, s.name, null as status
                     from (select * from strain where farm_id = $1) s cross join lateral (
                          (select 'lot' as kind, l.lot as code, l.harvest_day as day from lot l
                            where l.farm_id = $1 and l.strain = s.strain order by l.harvest_day desc, l.lot desc limit $5)
                          union all
                          (select 'batch', b.batch, b.made_on from batch b
                            where b.farm_id = $1 and b.strain = s.strain order by b.made_on desc, b.batch desc limit $5)) n
                   union all
                   select n.kind, n.code, n.day, c.name, n.status
                     from (select * from customer where farm_id = $1 order by customer limit $6) c cross join lateral (
                          (select 'order' as kind, o.order_code as code, o.delivery_day as day, o.status from customer_order o
                            where o.farm_id = $1 and o.customer = c.customer order by o.delivery_day desc, o.order_code desc limit $5)
                          union all
                          (select 'docket', d.docket, d.delivery_day, null from docket d
                            where d.farm_id = $1 and d.customer = c.customer order by d.delivery_day desc, d.docket desc limit $5)) n)
               select kind as "kind!: HitKind", code as "code!", name as "name!", day, status as "status: OrderStatus" from (
                   select kind, code, name, day, status from by_code where n <= $4
                   union
                   select kind, code, name, day, status from named
                   union all
                   (select 'customer', customer, name, null, null from customer where farm_id = $1 order by customer limit $6)
                   union all
                   (select 'product', product, name, null, null from product where farm_id = $1 order by product limit $6)) x"#,
            self.farm.0,
            query.code(),
            query.code_alike(),
            MAX_CANDIDATES,
            newest,
            MAX_NAMES
        )
        .fetch_all(&mut *self.db)
        .await?;
        let candidates =
            rows.into_iter().map(|r| Hit { kind: r.kind, code: r.code, name: r.name, day: r.day, status: r.status });
        Ok(rank(query, candidates.collect()))
    }
}
