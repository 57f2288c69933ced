//! Standing orders, and the orders that are made of them.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use gillbook_core::{
    kinds::ClosedDayPolicy,
    limits::{MAX_RULE_CHECKS, MAX_RULE_CHECKS_WAITING},
    refusal::Refusal,
    selling::{
        customer::Customer,
        order::{NewOrderLine, PlannedLine, plan_lines},
        product::Product,
        standing_order::{
            NewStandingOrder, Pause, StandingOrder, StandingOrderChange, StandingOrderLine, ensure_days,
            ensure_first_day, first_delivery, last_day_given, rule_given,
        },
        standing_schedule::{MAX_MOVE, MadeOrder, Schedule, days_to_come},
    },
    text::{Note, ProductCode, StandingOrderCode},
    units::recurrence::Recurrence,
};
use sqlx::types::Json;

use crate::{
    Pagination, Result, Tx,
    bounded::BoundedWork,
    error::{Error, OrMissing},
    versions::ensure_version,
};

/// The most standing orders of a farm whose orders are made.
pub(super) const MAX_STANDING_ORDERS: i64 = 10_000;
const ONE: Pagination = Pagination { after: None, limit: 1 };

static CHECKING: BoundedWork = BoundedWork::new(MAX_RULE_CHECKS, MAX_RULE_CHECKS_WAITING);

/// A standing order as it is stored, with what its orders are decided on.
pub(super) struct Facts {
    pub standing_order: StandingOrderCode,
    pub customer: Customer,
    from: NaiveDate,
    until: Option<NaiveDate>,
    rule: Recurrence,
    on_closed_day: ClosedDayPolicy,
    lines: Vec<StandingOrderLine>,
    pub note: String,
    pauses: Vec<Pause>,
    pub made: Vec<MadeOrder>,
    version: i32,
}

impl Facts {
    pub(super) fn deliveries(&self, today: NaiveDate, closed: &BTreeSet<NaiveDate>) -> BTreeMap<NaiveDate, NaiveDate> {
        let Self { rule, from, until, on_closed_day, pauses, .. } = self;
        Schedule { rule, from: *from, until: *until, on_closed_day: *on_closed_day, pauses, closed }.deliveries(today)
    }

    pub(super) fn planned(&self, products: &BTreeMap<ProductCode, Product>) -> Result<Vec<PlannedLine>, Refusal> {
        let lines: Vec<NewOrderLine> = self.lines.iter().map(StandingOrderLine::wanted).collect();
        plan_lines(&lines, products, &self.customer)
    }

    pub(super) fn answer(
        self,
        today: NaiveDate,
        closed: &BTreeSet<NaiveDate>,
        products: &BTreeMap<ProductCode, Product>,
    ) -> StandingOrder {
        StandingOrder {
            next: days_to_come(&self.deliveries(today, closed), &self.made, today, &self.customer),
            blocked_by: self.planned(products).err().map(|refusal| refusal.detail),
            standing_order: self.standing_order,
            customer: self.customer.customer,
            customer_name: self.customer.name,
            from: self.from,
            until: self.until,
            rule: self.rule,
            on_closed_day: self.on_closed_day,
            lines: self.lines,
            note: self.note,
            pauses: self.pauses,
            version: self.version,
        }
    }
}

/// Refuses a rule without days, see [`ensure_days`]: to find that a rule has none takes half a second.
async fn ensure_occurs(
    rule: &Recurrence,
    from: NaiveDate,
    until: Option<NaiveDate>,
    earliest: NaiveDate,
) -> Result<()> {
    let rule = rule.clone();
    Ok(CHECKING.run(move || ensure_days(&rule, from, until, earliest)).await??)
}

impl Tx {
    /// Writes down a standing order, and makes the orders of the coming days.
    ///
    /// # Errors
    /// Names the line that cannot be, or the days that never come.
    #[tracing::instrument(level = "debug", name = "store.selling.place_standing_order", skip_all, fields(farm_id = self.farm.0))]
    pub async fn place_standing_order(&mut self, new: &NewStandingOrder) -> Result<StandingOrder> {
        let customer = self.customer(&new.customer).await.or_missing(|| {
            Refusal::field("/customer", format!("There is no customer {} on this farm. Check the code.", new.customer))
        })?;
        let today = self.farm_day().await?;
        let rule = rule_given(&new.weekdays, new.every_weeks, new.rule.as_ref())?
            .ok_or_else(|| Refusal::field("/weekdays", "Choose the weekdays on which they take it."))?;
        ensure_first_day(new.from.0, today)?;
        let (from, until) = (first_delivery(&rule, new.from.0), new.until.map(|day| day.0));
        ensure_occurs(&rule, from, until, from).await?;
        // Whether they can be: what they weigh is worked out for each order.
        self.order_lines(&customer, &new.lines).await?;
        self.lock_closed_days(false).await?;
        let code = sqlx::query_scalar!(
            r#"insert into standing_order (farm_id, standing_order, customer, from_day, until_day, rule, on_closed_day, note)
               values ($1, format('SO-%s', next_code_number($1, 'standing_order')), $2, $3, $4, $5, $6, $7)
               returning standing_order as "code: StandingOrderCode""#,
            self.farm.0,
            new.customer.as_str(),
            from,
            until,
            rule.as_str(),
            new.on_closed_day.unwrap_or(ClosedDayPolicy::Skip).as_str(),
            new.note.as_str()
        )
        .fetch_one(&mut *self.db)
        .await?;
        self.insert_standing_lines(&code, &new.lines).await?;
        self.updated(&code).await
    }

    /// Changes a standing order. Orders of today and later that follow it are changed with it.
    ///
    /// # Errors
    /// Refuses a stale version, lines that cannot be, and days that never come.
    #[tracing::instrument(level = "debug", name = "store.selling.change_standing_order", skip_all, fields(farm_id = self.farm.0))]
    pub async fn change_standing_order(
        &mut self,
        code: &StandingOrderCode,
        change: &StandingOrderChange,
        read_version: i32,
    ) -> Result<StandingOrder> {
        self.lock_standing_orders(Some(code)).await?;
        let now = self.standing_facts(Some(code), &ONE).await?.pop();
        let now = now.ok_or_else(|| Refusal::not_found(StandingOrderCode::NOUN, code))?;
        ensure_version(now.version, read_version)?;
        if *change == StandingOrderChange::default() {
            return self.standing_order(code).await;
        }
        let today = self.farm_day().await?;
        let until = last_day_given(change, today)?;
        if let Some(rule) = rule_given(&change.weekdays, change.every_weeks, change.rule.as_ref())? {
            let last = if change.until_further_notice { None } else { until.or(now.until) };
            // Of one that has ended, the days are for when it goes on.
            ensure_occurs(&rule, now.from, last.filter(|last| *last >= today), today.max(now.from)).await?;
            self.replace_rule(code, &rule).await?;
        }
        if let Some(lines) = &change.lines {
            self.order_lines(&now.customer, lines).await?;
            sqlx::query!(
                "delete from standing_order_line where farm_id = $1 and standing_order = $2",
                self.farm.0,
                code.as_str()
            )
            .execute(&mut *self.db)
            .await?;
            self.insert_standing_lines(code, lines).await?;
        }
        sqlx::query!(
            "update standing_order set until_day = case when not $6 then coalesce($3, until_day) end, on_closed_day = coalesce($4, on_closed_day),
                    note = coalesce($5, note), version = version + 1
              where farm_id = $1 and standing_order = $2",
            self.farm.0,
            code.as_str(),
            until,
            change.on_closed_day.map(ClosedDayPolicy::as_str),
            change.note.as_ref().map(Note::as_str),
            change.until_further_notice
        )
        .execute(&mut *self.db)
        .await?;
        self.updated(code).await
    }

    async fn replace_rule(&mut self, code: &StandingOrderCode, rule: &Recurrence) -> Result<()> {
        sqlx::query!(
            "update standing_order set rule = $3 where farm_id = $1 and standing_order = $2",
            self.farm.0,
            code.as_str(),
            rule.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// The standing order, with its orders as they are after a change of it.
    pub(super) async fn updated(&mut self, code: &StandingOrderCode) -> Result<StandingOrder> {
        let updated = self.update_orders_of(Some(code)).await?.pop();
        Ok(updated.ok_or_else(|| Refusal::not_found(StandingOrderCode::NOUN, code))?)
    }

    /// One standing order.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.selling.standing_order", skip_all, fields(farm_id = self.farm.0))]
    pub async fn standing_order(&mut self, code: &StandingOrderCode) -> Result<StandingOrder> {
        self.standing_orders_where(Some(code), &ONE)
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(StandingOrderCode::NOUN, code).into())
    }

    /// Standing orders, by the number in their code.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.standing_orders", skip_all, fields(farm_id = self.farm.0))]
    pub async fn standing_orders(&mut self, page: &Pagination) -> Result<Vec<StandingOrder>> {
        self.standing_orders_where(None, page).await
    }

    /// Locks one standing order, or all of the farm, against whatever else changes them or makes orders of them: behind the farm's weeks and its
    /// closed days, before the heads of the orders.
    ///
    /// # Errors
    /// Refuses one that is not there.
    pub(super) async fn lock_standing_orders(&mut self, only: Option<&StandingOrderCode>) -> Result<()> {
        self.lock_closed_days(false).await?;
        let locked = sqlx::query!(
            r#"select 1 as "found!" from standing_order where farm_id = $1 and ($2::text is null or standing_order = $2)
                order by standing_order for update"#,
            self.farm.0,
            only.map(StandingOrderCode::as_str)
        )
        .fetch_all(&mut *self.db)
        .await?;
        match only {
            Some(code) if locked.is_empty() => Err(Refusal::not_found(StandingOrderCode::NOUN, code).into()),
            _ => Ok(()),
        }
    }

    async fn insert_standing_lines(&mut self, code: &StandingOrderCode, lines: &[NewOrderLine]) -> Result<()> {
        let products: Vec<String> = lines.iter().map(|l| l.product.to_string()).collect();
        let grams: Vec<Option<i64>> = lines.iter().map(|l| l.grams_g.map(|g| g.0)).collect();
        let packs: Vec<Option<i32>> = lines.iter().map(|l| l.packs).collect();
        sqlx::query!(
            "insert into standing_order_line (farm_id, standing_order, line, product, grams, packs)
             select $1, $2, n::int, p, g, k from unnest($3::text[], $4::bigint[], $5::int[]) with ordinality as u(p, g, k, n)",
            self.farm.0,
            code.as_str(),
            &products,
            &grams as &[Option<i64>],
            &packs as &[Option<i32>]
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    pub(super) async fn products_of(&mut self, standing: &[Facts]) -> Result<BTreeMap<ProductCode, Product>> {
        let codes: BTreeSet<ProductCode> =
            standing.iter().flat_map(|s| &s.lines).map(|line| line.product.clone()).collect();
        self.products_named(&codes.into_iter().collect::<Vec<_>>()).await
    }

    async fn standing_orders_where(
        &mut self,
        only: Option<&StandingOrderCode>,
        page: &Pagination,
    ) -> Result<Vec<StandingOrder>> {
        let today = self.farm_day().await?;
        let standing = self.standing_facts(only, page).await?;
        let closed = self.closed_days_ahead(today).await?;
        let products = self.products_of(&standing).await?;
        Ok(standing.into_iter().map(|facts| facts.answer(today, &closed, &products)).collect())
    }

    /// Standing orders with the orders of the days of their rules that may still be delivered.
    pub(super) async fn standing_facts(
        &mut self,
        only: Option<&StandingOrderCode>,
        page: &Pagination,
    ) -> Result<Vec<Facts>> {
        let today = self.farm_day().await?;
        let rows = sqlx::query!(
            r#"select s.standing_order as "code: StandingOrderCode", s.from_day, s.until_day, s.rule, s.on_closed_day as "on_closed_day: ClosedDayPolicy",
                      s.note, s.version, to_jsonb(c) as "customer!: Json<Customer>",
                      (select jsonb_agg(jsonb_build_object('product', l.product, 'name', p.name, 'grams_g', l.grams, 'packs', l.packs) order by l.line)
                         from standing_order_line l join product p using (farm_id, product)
                        where l.farm_id = $1 and l.standing_order = s.standing_order) as "lines!: Json<Vec<StandingOrderLine>>",
                      coalesce((select jsonb_agg(jsonb_build_object('from', x.from_day, 'until', x.until_day, 'reason', x.reason)
                                                 order by x.from_day, x.until_day)
                                  from standing_order_pause x
                                 where x.farm_id = $1 and x.standing_order = s.standing_order and x.until_day >= $5), '[]')
                          as "pauses!: Json<Vec<Pause>>",
                      coalesce((select jsonb_agg(jsonb_build_object('order', o.order_code, 'day', o.standing_day, 'delivery_day', o.delivery_day,
                                                   'status', o.status, 'note', o.note,
                                                   -- What went out or was to go out by now is not changed any more.
                                                   'follows', o.follows_standing and o.status in ('confirmed', 'cancelled') and o.delivery_day >= $5,
                                                   'lines', (select coalesce(jsonb_agg(jsonb_build_object('product', l.product, 'name', p.name,
                                                                      'grams_g', l.grams, 'packs', l.packs) order by l.line), '[]')
                                                               from order_line l join product p using (farm_id, product)
                                                              where l.farm_id = $1 and l.order_code = o.order_code)) order by o.standing_day)
                                  from customer_order o
                                 where o.farm_id = $1 and o.standing_order = s.standing_order and o.standing_day >= $6), '[]')
                          as "made!: Json<Vec<MadeOrder>>"
                 from standing_order s join customer c using (farm_id, customer)
                where s.farm_id = $1 and ($2::text is null or s.standing_order = $2)
                  and ($3::text is null or (length(s.standing_order), s.standing_order) > (length($3), $3))
                order by length(s.standing_order), s.standing_order limit $4"#,
            self.farm.0,
            only.map(StandingOrderCode::as_str),
            page.after,
            page.limit,
            today,
            today - MAX_MOVE
        )
        .fetch_all(&mut *self.db)
        .await?;
        let facts = rows.into_iter().map(|r| {
            Ok(Facts {
                standing_order: r.code,
                customer: r.customer.0,
                from: r.from_day,
                until: r.until_day,
                rule: r.rule.parse().map_err(Error::stored)?,
                on_closed_day: r.on_closed_day,
                lines: r.lines.0,
                note: r.note,
                pauses: r.pauses.0,
                made: r.made.0,
                version: r.version,
            })
        });
        facts.collect()
    }
}
