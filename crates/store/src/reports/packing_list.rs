//! The packing list of a day.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use gillbook_core::{
    selling::{
        customer::Customer,
        order::Order,
        packing_list::{PackedLot, PackingList, packing_list},
    },
    text::{CustomerCode, LotCode},
};
use sqlx::types::Json;

use crate::{Pagination, Result, Tx};

/// The most orders of a day that are packed by one list.
const MAX_ORDERS: i64 = 1000;

impl Tx {
    /// What to take from where for a day, by round and stop: of its first thousand orders.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.packing_list", skip_all, fields(farm_id = self.farm.0))]
    pub async fn packing_list(&mut self, day: NaiveDate) -> Result<PackingList> {
        let page = Pagination { after: None, limit: MAX_ORDERS };
        let orders = self.orders(Some(day), Some(day), None, &page).await?;
        let customers: Vec<String> = orders.iter().map(|o| o.customer.to_string()).collect();
        let lots: Vec<String> = orders.iter().flat_map(Order::lots_set_aside).map(|lot| lot.to_string()).collect();
        let found = sqlx::query!(
            r#"select coalesce((select jsonb_object_agg(c.customer, to_jsonb(c)) from customer c where c.farm_id = $1 and c.customer = any ($2)), '{}')
                          as "customers!: Json<BTreeMap<CustomerCode, Customer>>",
                      coalesce((select jsonb_object_agg(l.lot, jsonb_build_object(
                               'strain', l.strain, 'grade', l.grade, 'harvest_day', l.harvest_day, 'best_before', l.best_before))
                           from lot l where l.farm_id = $1 and l.lot = any ($3)), '{}') as "lots!: Json<BTreeMap<LotCode, PackedLot>>""#,
            self.farm.0,
            &customers,
            &lots
        )
        .fetch_one(&mut *self.db)
        .await?;
        Ok(packing_list(day, orders, &found.customers.0, &found.lots.0))
    }
}
