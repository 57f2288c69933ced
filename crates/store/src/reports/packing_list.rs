//! The packing list of a day.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use gillbook_core::{
    selling::{
        customer::Customer,
        order::Order,
        packing_list::{LotLabel, PackingFacts, PackingList, SentDocket, packing_list},
    },
    text::{CustomerCode, LotCode, OrderCode},
};
use sqlx::types::Json;

use crate::{Result, Tx};

/// The most orders of a day that are packed by one list.
const MAX_ORDERS: i64 = 1000;

impl Tx {
    /// What to take from where for a day, by round and stop: of its first thousand orders.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.packing_list", skip_all, fields(farm_id = self.farm.0))]
    pub async fn packing_list(&mut self, day: NaiveDate) -> Result<PackingList> {
        let orders = self.promised_orders(day, MAX_ORDERS).await?;
        let codes: Vec<String> = orders.iter().map(|o| o.order.to_string()).collect();
        let customers: Vec<String> = orders.iter().map(|o| o.customer.to_string()).collect();
        let lots: Vec<String> = orders.iter().flat_map(Order::lots_set_aside).map(|lot| lot.to_string()).collect();
        let found = sqlx::query!(
            r#"select coalesce((select jsonb_object_agg(c.customer, to_jsonb(c)) from customer c where c.farm_id = $1 and c.customer = any ($2)), '{}')
                          as "customers!: Json<BTreeMap<CustomerCode, Customer>>",
                      coalesce((select jsonb_object_agg(l.lot, jsonb_build_object(
                               'strain', l.strain, 'grade', l.grade, 'harvest_day', l.harvest_day, 'best_before', l.best_before))
                           from lot l where l.farm_id = $1 and l.lot = any ($3)), '{}') as "lots!: Json<BTreeMap<LotCode, LotLabel>>",
                      coalesce((select jsonb_object_agg(order_code, sent) from (
                               select d.order_code, jsonb_agg(jsonb_build_object('docket', d.docket, 'grams_g',
                                          (select sum(l.grams)::bigint from docket_line l where l.farm_id = $1 and l.docket = d.docket)) order by d.number) as sent
                                 from docket d where d.farm_id = $1 and d.order_code = any ($4)
                                  and not exists (select from act x where x.farm_id = $1 and x.reverses = d.act_id) group by d.order_code) s), '{}')
                          as "dockets!: Json<BTreeMap<OrderCode, Vec<SentDocket>>>""#,
            self.farm.0,
            &customers,
            &lots,
            &codes
        )
        .fetch_one(&mut *self.db)
        .await?;
        let facts = PackingFacts { orders, customers: found.customers.0, lots: found.lots.0, dockets: found.dockets.0 };
        Ok(packing_list(day, facts))
    }
}
