//! Orders, and what is set aside for them.

use chrono::NaiveDate;
use gillbook_core::{
    Grams,
    kinds::OrderStatus,
    refusal::{Refusal, RefusalKind},
    selling::{
        customer::Customer,
        docket::DocketStatus,
        order::{
            MAX_LINES, NewOrder, NewOrderLine, Order, OrderChange, OrderLine, PlannedLine, ensure_day_to_come,
            next_status, plan_lines,
        },
        usual::{ORDERS_LOOKED_AT, PastLine},
    },
    text::{CustomerCode, LotCode, Note, OrderCode, ProductCode, StandingOrderCode, Text},
    units::calendar::day_of,
};
use sqlx::types::Json;

use crate::{Pagination, Result, Tx, error::OrMissing, heads::Heads, versions::ensure_version};

impl Tx {
    /// Writes down an order.
    ///
    /// # Errors
    /// Names the line that cannot be, or the least weight that is not reached.
    #[tracing::instrument(level = "debug", name = "store.selling.place_order", skip_all, fields(farm_id = self.farm.0))]
    pub async fn place_order(&mut self, new: &NewOrder) -> Result<Order> {
        let customer = self.customer(&new.customer).await.or_missing(|| {
            Refusal::field("/customer", format!("There is no customer {} on this farm. Check the code.", new.customer))
        })?;
        let today = day_of(self.now, self.farm_settings().await?.zone);
        ensure_day_to_come(new.delivery_day.0, today, new.past_day)?;
        let lines = self.order_lines(&customer, &new.lines).await?;
        let status = if new.draft { OrderStatus::Draft } else { OrderStatus::Confirmed };
        let order = self
            .insert_order(&OrderRow {
                customer: &new.customer,
                delivery_day: new.delivery_day.0,
                status,
                note: new.note.as_str(),
                reference: new.reference.as_str(),
                lines: &lines,
                made_of: None,
            })
            .await?;
        let lines = (1..).zip(lines).map(|(line, l)| OrderLine {
            line,
            product: l.product,
            name: l.name,
            grams_g: l.grams_g,
            packs: l.packs,
            set_aside: Vec::new(),
            short_g: l.grams_g,
        });
        Ok(Order {
            order,
            customer: customer.customer,
            customer_name: customer.name,
            delivery_day: new.delivery_day.0,
            status,
            placed_at: self.now,
            note: new.note.to_string(),
            under_percent: customer.under_percent,
            reference: new.reference.to_string(),
            standing_order: None,
            lines: lines.collect(),
            version: 1,
        })
    }

    /// Writes an order with its lines, and gives it its number.
    pub(super) async fn insert_order(&mut self, new: &OrderRow<'_>) -> Result<OrderCode> {
        let (products, grams, packs) = columns(new.lines);
        Ok(sqlx::query_scalar!(
            r#"with numbered as (select format('O-%s', next_code_number($1, 'order')) as code),
                    placed as (
                        insert into customer_order (farm_id, order_code, customer, delivery_day, status, note, placed_at, standing_order, standing_day,
                                                    follows_standing, reference)
                        select $1, code, $2, $3, $4, $5, $6, $10::text, $11::date, $10 is not null, $12 from numbered),
                    lines as (
                        insert into order_line (farm_id, order_code, line, product, grams, packs)
                        select $1, code, n::int, p, g, k from numbered, unnest($7::text[], $8::bigint[], $9::int[]) with ordinality as u(p, g, k, n))
               select code as "code!: OrderCode" from numbered"#,
            self.farm.0,
            new.customer.as_str(),
            new.delivery_day,
            new.status.as_str(),
            new.note,
            self.now,
            &products,
            &grams,
            &packs as &[Option<i32>],
            new.made_of.map(|(standing_order, _)| standing_order.as_str()),
            new.made_of.map(|(_, day)| day),
            new.reference
        )
        .fetch_one(&mut *self.db)
        .await?)
    }

    /// Decides on the lines of an order, by the products that they name.
    pub(super) async fn order_lines(
        &mut self,
        customer: &Customer,
        lines: &[NewOrderLine],
    ) -> Result<Vec<PlannedLine>> {
        let codes: Vec<ProductCode> = lines.iter().take(MAX_LINES).map(|l| l.product.clone()).collect();
        let products = self.products_named(&codes).await?;
        Ok(plan_lines(lines, &products, customer)?)
    }

    /// Puts lines in place of an order's. Nothing may be set aside for it.
    pub(super) async fn replace_lines(&mut self, code: &OrderCode, lines: &[PlannedLine]) -> Result<()> {
        sqlx::query!("delete from order_line where farm_id = $1 and order_code = $2", self.farm.0, code.as_str())
            .execute(&mut *self.db)
            .await?;
        let (products, grams, packs) = columns(lines);
        sqlx::query!(
            "insert into order_line (farm_id, order_code, line, product, grams, packs)
             select $1, $2, n::int, p, g, k from unnest($3::text[], $4::bigint[], $5::int[]) with ordinality as u(p, g, k, n)",
            self.farm.0,
            code.as_str(),
            &products,
            &grams,
            &packs as &[Option<i32>]
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// Locks an order against other changes and returns it.
    pub(crate) async fn order_for_change(&mut self, code: &OrderCode) -> Result<Order> {
        self.lock(&Heads { orders: std::slice::from_ref(code), ..Heads::default() }).await?;
        self.order(code).await
    }

    /// Changes an order that has not gone out.
    ///
    /// # Errors
    /// Refuses a stale version, and an order that has gone out or was called off.
    #[tracing::instrument(level = "debug", name = "store.selling.change_order", skip_all, fields(farm_id = self.farm.0))]
    pub async fn change_order(&mut self, code: &OrderCode, change: &OrderChange, read_version: i32) -> Result<Order> {
        let order = self.order_for_change(code).await?;
        ensure_version(order.version, read_version)?;
        if *change == OrderChange::default() {
            return Ok(order);
        }
        if let Some(day) = change.delivery_day {
            let today = day_of(self.now, self.farm_settings().await?.zone);
            ensure_day_to_come(day.0, today, change.past_day)?;
        }
        let status = next_status(code, order.status, change.status)?;
        self.lock_set_aside(&order).await?;
        if let Some(lines) = &change.lines {
            self.ensure_no_docket(code).await?;
            let customer = self.customer(&order.customer).await?;
            let lines = self.order_lines(&customer, lines).await?;
            self.release_set_aside(code).await?;
            self.replace_lines(code, &lines).await?;
        }
        if status == OrderStatus::Cancelled {
            self.release_set_aside(code).await?;
        }
        sqlx::query!(
            "update customer_order set status = $3, delivery_day = coalesce($4, delivery_day), note = coalesce($5, note), reference = coalesce($6, reference),
                    follows_standing = false, version = version + 1
              where farm_id = $1 and order_code = $2",
            self.farm.0,
            code.as_str(),
            status.as_str(),
            change.delivery_day.map(|d| d.0),
            change.note.as_ref().map(Note::as_str),
            change.reference.as_ref().map(Text::as_str)
        )
        .execute(&mut *self.db)
        .await?;
        self.order(code).await
    }

    /// Refuses to change the lines of an order that went out: its docket says what was ordered.
    async fn ensure_no_docket(&mut self, code: &OrderCode) -> Result<()> {
        for docket in self.dockets_of(code).await? {
            if self.docket(&docket).await?.status != DocketStatus::Void {
                return Err(Refusal::new(
                    RefusalKind::Closed,
                    format!(
                        "Order {code} went out with docket {docket}, which says what was ordered. Write a new order."
                    ),
                )
                .at("/lines")
                .into());
            }
        }
        Ok(())
    }

    /// One order.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.selling.order", skip_all, fields(farm_id = self.farm.0))]
    pub async fn order(&mut self, code: &OrderCode) -> Result<Order> {
        self.orders_where(
            OrdersWanted { only: Some(code), ..OrdersWanted::default() },
            &Pagination { after: None, limit: 1 },
        )
        .await?
        .pop()
        .ok_or_else(|| Refusal::not_found(OrderCode::NOUN, code).into())
    }

    /// Orders by delivery day, of a span of days and a status where said.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.orders", skip_all, fields(farm_id = self.farm.0))]
    pub async fn orders(
        &mut self,
        from: Option<NaiveDate>,
        until: Option<NaiveDate>,
        status: Option<OrderStatus>,
        page: &Pagination,
    ) -> Result<Vec<Order>> {
        self.orders_where(OrdersWanted { from, until, status, ..OrdersWanted::default() }, page).await
    }

    /// The orders of a span of days, and every other that is still to be set aside, sent out or handed over, however old or far off; by
    /// delivery day and customer.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.orders_to_see", skip_all, fields(farm_id = self.farm.0))]
    pub async fn orders_to_see(&mut self, from: NaiveDate, until: NaiveDate) -> Result<Vec<Order>> {
        let wanted =
            OrdersWanted { from: Some(from), until: Some(until), or_unfinished: true, ..OrdersWanted::default() };
        let mut orders = self.orders_where(wanted, &Pagination { after: None, limit: 10_000 }).await?;
        orders.sort_by(|a, b| {
            (a.delivery_day, &a.customer_name, &a.order).cmp(&(b.delivery_day, &b.customer_name, &b.order))
        });
        Ok(orders)
    }

    /// The orders of a day that are confirmed or have gone out.
    pub(crate) async fn promised_orders(&mut self, day: NaiveDate, limit: i64) -> Result<Vec<Order>> {
        let wanted = OrdersWanted { from: Some(day), until: Some(day), only_promised: true, ..OrdersWanted::default() };
        self.orders_where(wanted, &Pagination { after: None, limit }).await
    }

    /// What the customer ordered last, line by line, of orders that were promised.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.past_lines", skip_all, fields(farm_id = self.farm.0))]
    pub async fn past_lines(&mut self, customer: &CustomerCode) -> Result<Vec<PastLine>> {
        let rows = sqlx::query!(
            r#"select past.orders_ago as "orders_ago!", l.product as "product: ProductCode", l.grams, l.packs
                 from (select order_code, row_number() over (order by delivery_day desc, placed_at desc, order_code desc) as orders_ago
                         from customer_order
                        where farm_id = $1 and customer = $2 and status in ('confirmed', 'dispatched', 'delivered')
                        order by delivery_day desc, placed_at desc, order_code desc limit $3) past
                 join order_line l on l.farm_id = $1 and l.order_code = past.order_code
                order by past.orders_ago, l.line"#,
            self.farm.0,
            customer.as_str(),
            ORDERS_LOOKED_AT
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| PastLine { orders_ago: r.orders_ago, product: r.product, grams_g: Grams(r.grams), packs: r.packs })
            .collect())
    }

    async fn orders_where(&mut self, wanted: OrdersWanted<'_>, page: &Pagination) -> Result<Vec<Order>> {
        let mut orders = self.orders_without_spells(wanted, page).await?;
        let lots: Vec<LotCode> = orders.iter().flat_map(Order::lots_set_aside).collect();
        let warm = self.warm_spells_of(&lots).await?;
        for s in orders.iter_mut().flat_map(|o| &mut o.lines).flat_map(|l| &mut l.set_aside) {
            s.warm_spell = warm.get(&s.lot).cloned();
        }
        Ok(orders)
    }

    async fn orders_without_spells(&mut self, wanted: OrdersWanted<'_>, page: &Pagination) -> Result<Vec<Order>> {
        let rows = sqlx::query!(
            r#"select o.order_code as "order!: OrderCode", o.customer as "customer!: CustomerCode", o.customer_name as "customer_name!",
                      o.delivery_day as "delivery_day!", o.status as "status!: OrderStatus", o.placed_at as "placed_at!", o.note as "note!",
                      o.reference as "reference!", o.under_percent as "under_percent!", o.version as "version!", o.standing_order as "standing_order: StandingOrderCode", o.lines as "lines!: Json<Vec<OrderLine>>"
                 from order_with_lines o
                where o.farm_id = $1 and ($2::text is null or o.order_code = $2)
                  and ((($3::date is null or o.delivery_day >= $3) and ($4::date is null or o.delivery_day <= $4))
                       or ($8 and o.status in ('draft', 'confirmed', 'dispatched')))
                  and ($5::text is null or o.status = $5) and (not $9 or o.status in ('confirmed', 'dispatched', 'delivered'))
                  and ($6::text is null or (o.delivery_day, o.order_code) > (select delivery_day, order_code from customer_order where farm_id = $1 and order_code = $6))
                order by o.delivery_day, o.order_code limit $7"#,
            self.farm.0,
            wanted.only.map(OrderCode::as_str),
            wanted.from,
            wanted.until,
            wanted.status.map(OrderStatus::as_str),
            page.after,
            page.limit,
            wanted.or_unfinished,
            wanted.only_promised
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut orders: Vec<Order> = rows
            .into_iter()
            .map(|r| Order {
                lines: r.lines.0,
                order: r.order,
                customer: r.customer,
                customer_name: r.customer_name,
                delivery_day: r.delivery_day,
                status: r.status,
                placed_at: r.placed_at,
                note: r.note,
                under_percent: r.under_percent.normalize(),
                reference: r.reference,
                standing_order: r.standing_order,
                version: r.version,
            })
            .collect();
        orders.iter_mut().for_each(Order::count_short);
        Ok(orders)
    }
}

/// An order to be written.
#[derive(Debug)]
pub(super) struct OrderRow<'a> {
    pub customer: &'a CustomerCode,
    pub delivery_day: NaiveDate,
    pub status: OrderStatus,
    pub note: &'a str,
    pub reference: &'a str,
    pub lines: &'a [PlannedLine],
    /// The standing order that it is made of, and the day of its rule.
    pub made_of: Option<(&'a StandingOrderCode, NaiveDate)>,
}

/// Which orders are read.
#[derive(Debug, Default)]
struct OrdersWanted<'a> {
    only: Option<&'a OrderCode>,
    from: Option<NaiveDate>,
    until: Option<NaiveDate>,
    status: Option<OrderStatus>,
    /// Also those outside the days that are neither handed over nor cancelled.
    or_unfinished: bool,
    /// Neither drafts nor what was called off.
    only_promised: bool,
}

/// Products, grams and packs of lines.
fn columns(lines: &[PlannedLine]) -> (Vec<String>, Vec<i64>, Vec<Option<i32>>) {
    let products = lines.iter().map(|l| l.product.to_string()).collect();
    (products, lines.iter().map(|l| l.grams_g.0).collect(), lines.iter().map(|l| l.packs).collect())
}
