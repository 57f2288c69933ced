//! Finding things on the farm by their codes and names.

use gillbook_core::{
    find::{Found, code_of, rank},
    kinds::FoundKind,
};

use crate::{Result, Tx};

/// The most of a kind that are looked at more closely: of those that are found by a part of their code, the newest.
const MAX_CANDIDATES: i64 = 200;

/// The most customers, and the most products, whose names are looked at. No farm has so many.
const MAX_NAMES: i64 = 5000;

impl Tx {
    /// Lots, batches, orders, dockets, customers and products that a query means, as [`rank`] orders them. Orders and dockets are found by
    /// their customer's name as well.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.find", skip_all, fields(farm_id = self.farm.0))]
    pub async fn find(&mut self, query: &str) -> Result<Vec<Found>> {
        let code = code_of(query);
        let rows = sqlx::query!(
            r#"select kind as "kind!: FoundKind", code as "code!", name as "name!", day from (
                   (select 'lot' as kind, l.lot as code, s.name, l.harvest_day as day
                      from lot l join strain s on s.farm_id = l.farm_id and s.strain = l.strain
                     where l.farm_id = $1 and $2 <> '' and strpos(replace(l.lot, '-', ''), $2) > 0
                     order by replace(l.lot, '-', '') = $2 desc, l.harvest_day desc, l.lot limit $3)
                   union all
                   (select 'batch', b.batch, s.name, b.made_on from batch b join strain s on s.farm_id = b.farm_id and s.strain = b.strain
                     where b.farm_id = $1 and $2 <> '' and strpos(replace(b.batch, '-', ''), $2) > 0
                     order by replace(b.batch, '-', '') = $2 desc, b.made_on desc, b.batch limit $3)
                   union all
                   (select 'docket', d.docket, d.customer_name, d.delivery_day from docket d
                     where d.farm_id = $1 and $2 <> '' and strpos(replace(d.docket, '-', ''), $2) > 0
                     order by replace(d.docket, '-', '') = $2 desc, d.delivery_day desc, d.docket limit $3)
                   union all
                   (select 'order', o.order_code, c.name, o.delivery_day
                      from customer_order o join customer c on c.farm_id = o.farm_id and c.customer = o.customer
                     where o.farm_id = $1 and $2 <> '' and strpos(replace(o.order_code, '-', ''), $2) > 0
                     order by replace(o.order_code, '-', '') = $2 desc, o.delivery_day desc, o.order_code limit $3)
                   union all
                   select 'order', o.order_code, c.name, o.delivery_day
                     from (select * from customer where farm_id = $1 order by customer limit $4) c cross join lateral (select o.order_code, o.delivery_day from customer_order o
                                                          where o.farm_id = $1 and o.customer = c.customer
                                                          order by o.delivery_day desc, o.order_code desc limit 3) o
                   union all
                   (select 'customer', customer, name, null from customer where farm_id = $1 order by customer limit $4)
                   union all
                   (select 'product', product, name, null from product where farm_id = $1 order by product limit $4)) x"#,
            self.farm.0,
            code,
            MAX_CANDIDATES,
            MAX_NAMES
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut found: Vec<Found> =
            rows.into_iter().map(|r| Found { kind: r.kind, code: r.code, name: r.name, day: r.day }).collect();
        found.sort_by(|a, b| (a.kind, &a.code).cmp(&(b.kind, &b.code)));
        found.dedup_by(|a, b| (a.kind, &a.code) == (b.kind, &b.code));
        Ok(rank(query, found))
    }
}
