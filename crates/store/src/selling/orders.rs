//! Orders, and what is set aside for them.

use crate::selling::set_aside::SetAside;
use crate::{
    Page, Result, Tx,
    error::OrMissing,
    farm::farms::expect_version,
    selling::{customers::Customer, dockets::DocketStatus},
};
use chrono::{DateTime, Days, NaiveDate, Utc};
use gillbook_core::{
    Grams,
    refusal::{Kind, Refusal},
    text::{CustomerCode, LotCode, Note, OrderCode, PlaceCode, ProductCode},
    units::calendar::{Day, day_of},
    words::OrderStatus,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Days from harvest that a product is taken to last for the order of lots, until the farm sets its own best-before rule.
pub const DAYS_WITHOUT_RULE: u64 = 7;

/// A line to be ordered.
#[derive(Debug, Clone, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewOrderLine {
    /// The product.
    pub product: ProductCode,
    /// Grams, for what is sold loose.
    pub grams_g: Option<Grams>,
    /// Packs, for what is sold in packs.
    #[schema(minimum = 1, maximum = 100_000)]
    pub packs: Option<i32>,
}

/// An order to be written down.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewOrder {
    /// The customer.
    pub customer: CustomerCode,
    /// The day it is wanted: today or later, unless `past_day` says otherwise.
    pub delivery_day: Day,
    /// Whether a day that is past is meant, as for an order that is written down late.
    #[serde(default)]
    pub past_day: bool,
    /// What is wanted.
    #[schema(min_items = 1, max_items = 100)]
    pub lines: Vec<NewOrderLine>,
    /// Promised at once, or a draft.
    #[serde(default)]
    pub draft: bool,
    /// Anything worth knowing.
    #[serde(default)]
    pub note: Note,
}

/// Changes of an order that has not gone out.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OrderChange {
    /// The day it is wanted: today or later, unless `past_day` says otherwise.
    pub delivery_day: Option<Day>,
    /// Whether a day that is past is meant.
    #[serde(default)]
    pub past_day: bool,
    /// `confirmed` promises a draft, `cancelled` calls it off. What is set aside is released when it is called off.
    pub status: Option<OrderStatus>,
    /// Lines that take the place of the old ones. What was set aside is released.
    pub lines: Option<Vec<NewOrderLine>>,
    /// Anything worth knowing.
    pub note: Option<Note>,
}

/// A line of an order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct OrderLine {
    /// Its number.
    pub line: i32,
    /// The product.
    pub product: ProductCode,
    /// Name of the product.
    pub name: String,
    /// How much.
    pub grams_g: Grams,
    /// How many packs.
    pub packs: Option<i32>,
    /// What is set aside for it.
    pub set_aside: Vec<SetAside>,
    /// What is not set aside yet.
    pub short_g: Grams,
}

/// An order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Order {
    /// Code.
    pub order: OrderCode,
    /// The customer.
    pub customer: CustomerCode,
    /// Name of the customer.
    pub customer_name: String,
    /// The day it is wanted.
    pub delivery_day: NaiveDate,
    /// Where it stands.
    pub status: OrderStatus,
    /// When it was placed.
    pub placed_at: DateTime<Utc>,
    /// Anything worth knowing.
    pub note: String,
    /// What is wanted.
    pub lines: Vec<OrderLine>,
    /// Goes up with every change.
    pub version: i32,
}

impl Tx {
    /// Writes down an order.
    ///
    /// # Errors
    /// Names the line that cannot be, or the least weight that is not reached.
    pub async fn place_order(&mut self, new: &NewOrder) -> Result<Order> {
        let customer = self.customer(&new.customer).await.or_missing(|| {
            Refusal::field("/customer", format!("There is no customer {} on this farm. Check the code.", new.customer))
        })?;
        self.expect_day_to_come(new.delivery_day.0, new.past_day).await?;
        let lines = self.order_lines(&customer, &new.lines).await?;
        let number = self.next_number("order").await?;
        let code: OrderCode = format!("O-{number}").parse().map_err(crate::Error::Stored)?;
        sqlx::query!(
            "insert into customer_order (farm_id, order_code, customer, delivery_day, status, note, placed_at) values ($1, $2, $3, $4, $5, $6, $7)",
            self.farm.0,
            code.as_str(),
            new.customer.as_str(),
            new.delivery_day.0,
            if new.draft { OrderStatus::Draft } else { OrderStatus::Confirmed }.as_str(),
            new.note.as_str(),
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        self.insert_lines(&code, &lines).await?;
        self.order(&code).await
    }

    /// Refuses a delivery day that is past, unless it is meant: a wrong month hides an order from everybody.
    async fn expect_day_to_come(&mut self, day: NaiveDate, past_day: bool) -> Result<()> {
        let today = day_of(self.now, self.ways().await?.zone);
        if day >= today || past_day {
            return Ok(());
        }
        Err(Refusal::field(
            "/delivery_day",
            format!("{day} is past. Check the date, or say that it is meant (\"past_day\": true)."),
        )
        .into())
    }

    async fn order_lines(
        &mut self,
        customer: &Customer,
        lines: &[NewOrderLine],
    ) -> Result<Vec<(ProductCode, Grams, Option<i32>)>> {
        if lines.is_empty() || lines.len() > 100 {
            return Err(Refusal::field("/lines", "An order has 1 to 100 lines.").into());
        }
        let mut checked = Vec::with_capacity(lines.len());
        for (i, line) in lines.iter().enumerate() {
            let at = |field: &str| format!("/lines/{i}/{field}");
            let product = self.product(&line.product).await.or_missing(|| {
                Refusal::field(
                    at("product"),
                    format!("There is no product {} on this farm. Check the code.", line.product),
                )
            })?;
            let grams = match (product.pack_g, line.grams_g, line.packs) {
                (None, Some(grams), None) if (Grams(1)..=Grams(10_000_000)).contains(&grams) => grams,
                (Some(pack), None, Some(packs))
                    if (1..=100_000).contains(&packs) && i64::from(pack) * i64::from(packs) <= 10_000_000 =>
                {
                    Grams(i64::from(pack) * i64::from(packs))
                }
                (None, _, _) => {
                    return Err(Refusal::field(
                        at("grams_g"),
                        format!("{} is sold loose. Give grams above zero, up to 10 tonnes.", product.name),
                    )
                    .into());
                }
                (Some(pack), _, _) => {
                    return Err(Refusal::field(
                        at("packs"),
                        format!("{} is sold in packs of {pack} g. Give a number of packs above zero.", product.name),
                    )
                    .into());
                }
            };
            checked.push((line.product.clone(), grams, line.packs));
        }
        let total: Grams = checked.iter().map(|l| l.1).sum();
        if total < customer.min_order_g {
            return Err(Refusal::field(
                "/lines",
                format!("The order comes to {total}, and {} takes at least {}.", customer.name, customer.min_order_g),
            )
            .into());
        }
        Ok(checked)
    }

    async fn insert_lines(&mut self, code: &OrderCode, lines: &[(ProductCode, Grams, Option<i32>)]) -> Result<()> {
        for (n, (product, grams, packs)) in (1..).zip(lines) {
            sqlx::query!(
                "insert into order_line (farm_id, order_code, line, product, grams, packs) values ($1, $2, $3, $4, $5, $6)",
                self.farm.0,
                code.as_str(),
                n,
                product.as_str(),
                grams.0,
                *packs
            )
            .execute(&mut *self.db)
            .await?;
        }
        Ok(())
    }

    /// Locks an order against other changes and returns it.
    pub(crate) async fn order_for_change(&mut self, code: &OrderCode) -> Result<Order> {
        sqlx::query!(
            "select order_code from customer_order where farm_id = $1 and order_code = $2 for update",
            self.farm.0,
            code.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?
        .ok_or_else(|| Refusal::not_found(OrderCode::WHAT, code))?;
        self.order(code).await
    }

    pub(crate) async fn set_order_status(&mut self, code: &OrderCode, status: OrderStatus) -> Result<()> {
        sqlx::query!(
            "update customer_order set status = $3, version = version + 1 where farm_id = $1 and order_code = $2",
            self.farm.0,
            code.as_str(),
            status.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// Changes an order that has not gone out.
    ///
    /// # Errors
    /// Refuses a stale version, and an order that has gone out or was called off.
    pub async fn change_order(&mut self, code: &OrderCode, change: &OrderChange, read_version: i32) -> Result<Order> {
        let order = self.order_for_change(code).await?;
        expect_version(order.version, read_version)?;
        if *change == OrderChange::default() {
            return Ok(order);
        }
        if let Some(day) = change.delivery_day {
            self.expect_day_to_come(day.0, change.past_day).await?;
        }
        if !matches!(order.status, OrderStatus::Draft | OrderStatus::Confirmed) {
            return Err(Refusal::new(
                Kind::Closed,
                format!("Order {code} is {} and is not changed any more. Write a new one.", order.status),
            )
            .into());
        }
        let status = match (order.status, change.status) {
            (was, None) => was,
            (_, Some(to @ (OrderStatus::Confirmed | OrderStatus::Cancelled))) => to,
            (OrderStatus::Draft, Some(OrderStatus::Draft)) => OrderStatus::Draft,
            (_, Some(to)) => {
                return Err(Refusal::field(
                    "/status",
                    format!("An order becomes {to} by its docket or not at all. Give confirmed or cancelled."),
                )
                .into());
            }
        };
        self.lock_set_aside(&order).await?;
        if let Some(lines) = &change.lines {
            self.expect_no_docket(code).await?;
            let customer = self.customer(&order.customer).await?;
            let lines = self.order_lines(&customer, lines).await?;
            self.release_set_aside(code).await?;
            sqlx::query!("delete from order_line where farm_id = $1 and order_code = $2", self.farm.0, code.as_str())
                .execute(&mut *self.db)
                .await?;
            self.insert_lines(code, &lines).await?;
        }
        if status == OrderStatus::Cancelled {
            self.release_set_aside(code).await?;
        }
        sqlx::query!(
            "update customer_order set status = $3, delivery_day = coalesce($4, delivery_day), note = coalesce($5, note), version = version + 1
              where farm_id = $1 and order_code = $2",
            self.farm.0,
            code.as_str(),
            status.as_str(),
            change.delivery_day.map(|d| d.0),
            change.note.as_ref().map(Note::as_str)
        )
        .execute(&mut *self.db)
        .await?;
        self.order(code).await
    }

    /// Refuses to change the lines of an order that went out: its docket says what was ordered.
    async fn expect_no_docket(&mut self, code: &OrderCode) -> Result<()> {
        for docket in self.dockets_of(code).await? {
            if self.docket(&docket).await?.status != DocketStatus::Void {
                return Err(Refusal::new(
                    Kind::Closed,
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
    pub async fn order(&mut self, code: &OrderCode) -> Result<Order> {
        self.orders_where(Some(code), None, None, None, &Page { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(OrderCode::WHAT, code).into())
    }

    /// Orders by delivery day, of a span of days and a status where said.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn orders(
        &mut self,
        from: Option<NaiveDate>,
        until: Option<NaiveDate>,
        status: Option<OrderStatus>,
        page: &Page,
    ) -> Result<Vec<Order>> {
        self.orders_where(None, from, until, status, page).await
    }

    async fn orders_where(
        &mut self,
        only: Option<&OrderCode>,
        from: Option<NaiveDate>,
        until: Option<NaiveDate>,
        status: Option<OrderStatus>,
        page: &Page,
    ) -> Result<Vec<Order>> {
        let rows = sqlx::query!(
            r#"select o.order_code as "order: OrderCode", o.customer as "customer: CustomerCode", c.name, o.delivery_day, o.status as "status: OrderStatus",
                      o.placed_at, o.note, o.version
                 from customer_order o join customer c using (farm_id, customer)
                where o.farm_id = $1 and ($2::text is null or o.order_code = $2)
                  and ($3::date is null or o.delivery_day >= $3) and ($4::date is null or o.delivery_day <= $4)
                  and ($5::text is null or o.status = $5)
                  and ($6::text is null or (o.delivery_day, o.order_code) > (select delivery_day, order_code from customer_order where farm_id = $1 and order_code = $6))
                order by o.delivery_day, o.order_code limit $7"#,
            self.farm.0,
            only.map(OrderCode::as_str),
            from,
            until,
            status.map(OrderStatus::as_str),
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        let codes: Vec<String> = rows.iter().map(|r| r.order.to_string()).collect();
        let lines = sqlx::query!(
            r#"select l.order_code as "order: OrderCode", l.line, l.product as "product: ProductCode", p.name, l.grams as "grams: Grams", l.packs
                 from order_line l join product p using (farm_id, product) where l.farm_id = $1 and l.order_code = any ($2) order by l.order_code, l.line"#,
            self.farm.0,
            &codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        let aside = sqlx::query!(
            r#"select order_code as "order: OrderCode", line, lot as "lot: LotCode", place as "place: PlaceCode", grams as "grams: Grams", reason
                 from set_aside where farm_id = $1 and order_code = any ($2) order by order_code, line, lot, place"#,
            self.farm.0,
            &codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        let lots: Vec<LotCode> = aside.iter().map(|s| s.lot.clone()).collect();
        let warm = self.warm_spells_of(&lots).await?;
        let line_of = |order: &OrderCode| {
            lines
                .iter()
                .filter(|l| &l.order == order)
                .map(|l| {
                    let set_aside: Vec<SetAside> = aside
                        .iter()
                        .filter(|s| &s.order == order && s.line == l.line)
                        .map(|s| SetAside {
                            lot: s.lot.clone(),
                            place: s.place.clone(),
                            grams_g: s.grams,
                            reason: s.reason.clone(),
                            warm_spell: warm.get(&s.lot).cloned(),
                        })
                        .collect();
                    let short = l.grams - set_aside.iter().map(|s| s.grams_g).sum();
                    OrderLine {
                        line: l.line,
                        product: l.product.clone(),
                        name: l.name.clone(),
                        grams_g: l.grams,
                        packs: l.packs,
                        set_aside,
                        short_g: short.max(Grams::ZERO),
                    }
                })
                .collect()
        };
        Ok(rows
            .into_iter()
            .map(|r| Order {
                lines: line_of(&r.order),
                order: r.order,
                customer: r.customer,
                customer_name: r.name,
                delivery_day: r.delivery_day,
                status: r.status,
                placed_at: r.placed_at,
                note: r.note,
                version: r.version,
            })
            .collect())
    }
}

/// The last day by the farm's rule, or by [`DAYS_WITHOUT_RULE`].
pub(crate) fn expires(harvest_day: NaiveDate, days: Option<i32>) -> NaiveDate {
    harvest_day + Days::new(days.and_then(|d| u64::try_from(d).ok()).unwrap_or(DAYS_WITHOUT_RULE))
}

pub(crate) fn expect_open(order: &Order) -> Result<(), Refusal> {
    match order.status {
        OrderStatus::Draft | OrderStatus::Confirmed => Ok(()),
        status => Err(Refusal::new(
            Kind::Closed,
            format!("Order {} is {status}. Nothing is set aside for it any more.", order.order),
        )),
    }
}
