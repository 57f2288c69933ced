//! Orders made of standing orders as their days come near, and changed with them while nobody has touched them.

use chrono::{DateTime, Utc};
use gillbook_core::{
    kinds::OrderStatus,
    selling::{
        order::PlannedLine,
        standing_order::StandingOrder,
        standing_schedule::{Step, plan_orders},
    },
    text::{OrderCode, StandingOrderCode},
};

use crate::{
    Actor, FarmId, Pagination, Result, Store, Tx,
    heads::Heads,
    selling::{
        orders::OrderRow,
        standing_orders::{Facts, MAX_STANDING_ORDERS},
    },
    transaction,
};

impl Store {
    /// Makes the orders of every farm's standing orders up to the horizon. Returns how many standing orders were looked at.
    ///
    /// # Errors
    /// When the database fails. What fails of one standing order is logged, and the others have theirs.
    #[tracing::instrument(level = "debug", name = "store.selling.make_standing_orders", skip_all)]
    pub async fn make_standing_orders(&self, now: DateTime<Utc>) -> Result<usize> {
        let mut looked_at = 0;
        for farm in self.farms_with_people().await? {
            looked_at += self.make_standing_orders_of(farm, now).await?;
        }
        Ok(looked_at)
    }

    async fn make_standing_orders_of(&self, farm: FarmId, now: DateTime<Utc>) -> Result<usize> {
        let signed = Actor::program(farm, "standing orders");
        let codes = transaction!(read, self, &signed, now, |tx| tx.active_standing_orders().await)?;
        for code in &codes {
            let updated = transaction!(write, self, &signed, now, |tx| tx.update_orders_of(Some(code)).await);
            if let Err(error) = updated {
                tracing::warn!(farm_id = farm.0, %code, %error, "orders of a standing order could not be made");
            }
        }
        Ok(codes.len())
    }
}

impl Tx {
    /// Makes the orders that one standing order, or every one of the farm, asks for and that are not there, and changes those that follow it.
    /// Gives the standing orders as they are then. All are locked at once, then all of their orders, so that two of these wait for each other.
    pub(super) async fn update_orders_of(&mut self, only: Option<&StandingOrderCode>) -> Result<Vec<StandingOrder>> {
        self.lock_standing_orders(only).await?;
        let all = Pagination { after: None, limit: MAX_STANDING_ORDERS };
        let mut found = self.standing_facts(only, &all).await?;
        let orders: Vec<OrderCode> = found.iter().flat_map(|facts| &facts.made).map(|m| m.order.clone()).collect();
        if !orders.is_empty() {
            self.lock(&Heads { orders: &orders, ..Heads::default() }).await?;
            // Behind the locks: what somebody did to an order meanwhile is seen.
            found = self.standing_facts(only, &all).await?;
        }
        let today = self.farm_day().await?;
        let closed = self.closed_days_ahead(today).await?;
        let products = self.products_of(&found).await?;
        let mut are_changed = false;
        for facts in &found {
            let lines = facts.planned(&products).ok();
            let deliveries = facts.deliveries(today, &closed);
            let steps = plan_orders(&deliveries, lines.as_deref(), &facts.note, &facts.made);
            are_changed |= !steps.is_empty();
            for step in steps {
                self.take_step(facts, lines.as_deref().unwrap_or_default(), &step).await?;
            }
        }
        let found = if are_changed { self.standing_facts(only, &all).await? } else { found };
        Ok(found.into_iter().map(|facts| facts.answer(today, &closed, &products)).collect())
    }

    async fn take_step(&mut self, facts: &Facts, lines: &[PlannedLine], step: &Step) -> Result<()> {
        let (order, status, delivery_day) = match step {
            Step::Make { day, delivery_day } => {
                let row = OrderRow {
                    customer: &facts.customer.customer,
                    delivery_day: *delivery_day,
                    status: OrderStatus::Confirmed,
                    note: &facts.note,
                    reference: "",
                    lines,
                    made_of: Some((&facts.standing_order, *day)),
                };
                self.insert_order(&row).await?;
                return Ok(());
            }
            Step::Renew { order, delivery_day } => {
                self.replace_lines(order, lines).await?;
                (order, OrderStatus::Confirmed, Some(*delivery_day))
            }
            Step::Cancel { order } => (order, OrderStatus::Cancelled, None),
        };
        sqlx::query!(
            "update customer_order set status = $3, delivery_day = coalesce($4, delivery_day), note = $5, version = version + 1
              where farm_id = $1 and order_code = $2 and follows_standing",
            self.farm.0,
            order.as_str(),
            status.as_str(),
            delivery_day,
            facts.note
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// Those that have not ended or have orders ahead.
    async fn active_standing_orders(&mut self) -> Result<Vec<StandingOrderCode>> {
        let today = self.farm_day().await?;
        Ok(sqlx::query_scalar!(
            r#"select s.standing_order as "code: StandingOrderCode" from standing_order s
                where s.farm_id = $1 and (s.until_day is null or s.until_day >= $2
                      or exists (select from customer_order o where o.farm_id = $1 and o.standing_order = s.standing_order and o.delivery_day >= $2))
                order by s.standing_order"#,
            self.farm.0,
            today
        )
        .fetch_all(&mut *self.db)
        .await?)
    }
}
