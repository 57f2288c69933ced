//! Orders made of standing orders as their days come near, and changed with them while nobody has touched them.

use chrono::{DateTime, Utc};
use gillbook_core::{
    kinds::OrderStatus,
    selling::{
        order::PlannedLine,
        standing_order::{Step, reconcile},
    },
    text::{OrderCode, StandingOrderCode},
};

use crate::{
    Actor, FarmId, Pagination, Result, Store, Tx,
    heads::Heads,
    selling::{orders::OrderRow, standing_orders::Facts},
    transaction,
};

impl Store {
    /// Makes the orders of every farm's standing orders up to the horizon. Returns of how many farms it could.
    ///
    /// # Errors
    /// When the database fails. What fails of one farm is logged, and the others have theirs.
    #[tracing::instrument(level = "debug", name = "store.selling.make_standing_orders", skip_all)]
    pub async fn make_standing_orders(&self, now: DateTime<Utc>) -> Result<usize> {
        let mut made = 0;
        for farm in self.farms_with_people().await? {
            match self.make_standing_orders_of(farm, now).await {
                Ok(()) => made += 1,
                Err(error) => tracing::warn!(farm_id = farm.0, %error, "standing orders could not be made"),
            }
        }
        Ok(made)
    }

    async fn make_standing_orders_of(&self, farm: FarmId, now: DateTime<Utc>) -> Result<()> {
        let signed = Actor::program(farm, "standing orders");
        let codes = transaction!(read, self, &signed, now, |tx| tx.standing_order_codes().await)?;
        for code in codes {
            transaction!(write, self, &signed, now, |tx| tx.follow_standing_order(&code).await)?;
        }
        Ok(())
    }
}

impl Tx {
    /// Follows every standing order of the farm that has not ended.
    pub(super) async fn follow_standing_orders(&mut self) -> Result<()> {
        for code in self.standing_order_codes().await? {
            self.follow_standing_order(&code).await?;
        }
        Ok(())
    }

    /// Makes the orders that a standing order asks for and that are not there, and changes those that follow it.
    pub(super) async fn follow_standing_order(&mut self, code: &StandingOrderCode) -> Result<()> {
        self.lock_standing_order(code).await?;
        let one = Pagination { after: None, limit: 1 };
        let today = self.farm_day().await?;
        let made = self.standing_facts(Some(code), &one).await?.pop().map(|facts| facts.made).unwrap_or_default();
        let orders: Vec<OrderCode> = made.into_iter().map(|m| m.order).collect();
        self.lock(&Heads { orders: &orders, ..Heads::default() }).await?;
        // Behind the locks: what somebody did to an order meanwhile is seen.
        let Some(facts) = self.standing_facts(Some(code), &one).await?.pop() else { return Ok(()) };
        let closed = self.closed_days_ahead(today).await?;
        let products = self.products_of(std::slice::from_ref(&facts)).await?;
        let planned = facts.planned(&products).ok();
        let steps = reconcile(&facts.deliveries(today, &closed), planned.as_deref(), &facts.note, &facts.made);
        let lines = planned.unwrap_or_default();
        for step in steps {
            self.take_step(&facts, &lines, &step).await?;
        }
        Ok(())
    }

    async fn take_step(&mut self, facts: &Facts, lines: &[PlannedLine], step: &Step) -> Result<()> {
        let (order, status, delivery_day) = match step {
            Step::Make { day, delivery_day } => {
                let row = OrderRow {
                    customer: &facts.customer.customer,
                    delivery_day: *delivery_day,
                    status: OrderStatus::Confirmed,
                    note: &facts.note,
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

    /// Those that have not ended, in one order for everybody.
    async fn standing_order_codes(&mut self) -> Result<Vec<StandingOrderCode>> {
        let today = self.farm_day().await?;
        Ok(sqlx::query_scalar!(
            r#"select s.standing_order as "code: StandingOrderCode" from standing_order s
                where s.farm_id = $1 and (s.until_day is null or s.until_day >= $2
                      or exists (select from customer_order o where o.farm_id = $1 and o.standing_order = s.standing_order and o.standing_day >= $2))
                order by s.standing_order"#,
            self.farm.0,
            today
        )
        .fetch_all(&mut *self.db)
        .await?)
    }
}
