//! A week from order to cash.

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::{CustomerKind, OrderStatus, PriceUnit},
    selling::{
        journal::{JournalAccount, JournalKind, JournalLine},
        order_to_cash::{
            BookedReceivable, SoldGoods, Traded, WeekOrderLine, WeekOrderToCash, order_to_cash, week_orders,
        },
        pricing::ListPrice,
    },
    text::{CustomerCode, OrderCode},
    units::calendar::IsoWeek,
};
use rust_decimal::Decimal;
use sqlx::types::Json;

use crate::{Result, Tx};

impl Tx {
    /// A week from order to cash, as the book has it now.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.order_to_cash", skip_all, fields(farm_id = self.farm.0))]
    pub async fn order_to_cash(&mut self, week: IsoWeek) -> Result<WeekOrderToCash> {
        let settings = self.farm_settings().await?;
        let coinage = settings.coinage;
        let orders = week_orders(&self.week_order_lines(week).await?, coinage);
        let sold: Vec<SoldGoods> = self
            .sales(Some(week.span(settings.zone)))
            .await?
            .into_iter()
            .map(|r| SoldGoods { channel: r.channel, kind: r.kind, grams: r.grams, net: r.amount, tax: r.tax })
            .collect();
        let opening = self.owed_before(week).await?;
        let booked = self.booked_on_receivables(week).await?;
        let (channels, total) = order_to_cash(&orders, sold, opening, &booked, coinage);
        Ok(WeekOrderToCash {
            week,
            currency: coinage.currency().to_owned(),
            channels,
            total,
            orders,
            receivables: booked.into_iter().map(|b| b.line).collect(),
        })
    }

    /// The lines of the orders that are promised for days of a week, order by order.
    async fn week_order_lines(&mut self, week: IsoWeek) -> Result<Vec<WeekOrderLine>> {
        let zone = self.farm_settings().await?.zone;
        let now: DateTime<Utc> = self.now;
        let rows = sqlx::query!(
            r#"with wanted as (
                   select o.order_code, o.customer, c.kind, c.price_list, o.delivery_day, o.status,
                          least(greatest($4, o.delivery_day::timestamp at time zone $5), (o.delivery_day + 1)::timestamp at time zone $5) as priced_at
                     from customer_order o join customer c using (farm_id, customer)
                    where o.farm_id = $1 and o.delivery_day between $2 and $3 and o.status not in ('draft', 'cancelled')),
               listed as (
                   select w.price_list, w.priced_at, x.product,
                          jsonb_agg(jsonb_build_object('from_g', x.from_grams, 'amount', x.amount::text, 'unit', x.unit, 'tax_included', l.tax_included)) as prices
                     from (select distinct price_list, priced_at from wanted) w join price_list l on l.farm_id = $1 and l.price_list = w.price_list
                    cross join lateral prices_in_force($1, w.price_list, w.priced_at) x
                    group by w.price_list, w.priced_at, x.product)
               select o.order_code as "order: OrderCode", o.customer as "customer: CustomerCode", o.kind as "channel: CustomerKind", o.delivery_day,
                      o.status as "status: OrderStatus", l.grams as "ordered_g: Grams", p.pack_g, p.tax_percent,
                      coalesce(x.prices, '[]') as "prices!: Json<Vec<ListPrice>>",
                      d.price as "sent_price?", d.unit as "sent_unit?: PriceUnit", d.grams as "sent_g!: Grams", d.net as "sent_net!"
                 from wanted o join order_line l on l.farm_id = $1 and l.order_code = o.order_code
                 join product p on p.farm_id = $1 and p.product = l.product
                 left join listed x on x.price_list = o.price_list and x.priced_at = o.priced_at and x.product = l.product
                cross join lateral (
                      -- All that one docket has of an order's line is at one price, and one docket of an order stands.
                      select min(s.price) as price, min(s.unit) as unit, coalesce(sum(s.grams), 0)::bigint as grams, coalesce(sum(s.amount), 0) as net
                        from docket k join docket_line s using (farm_id, docket)
                       where k.farm_id = $1 and k.order_code = o.order_code and s.order_line = l.line
                         and not exists (select from act x where x.farm_id = $1 and x.reverses = k.act_id)) d
                order by o.delivery_day, o.customer, o.order_code, l.line"#,
            self.farm.0,
            week.monday(),
            week.sunday(),
            now,
            zone.name()
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| WeekOrderLine {
                order: r.order,
                customer: r.customer,
                channel: r.channel,
                delivery_day: r.delivery_day,
                status: r.status,
                ordered_g: r.ordered_g,
                pack_g: r.pack_g,
                tax_percent: r.tax_percent,
                prices: r.prices.0,
                sent_price: r.sent_price.zip(r.sent_unit),
                sent: Traded { grams_g: r.sent_g, net: r.sent_net },
            })
            .collect())
    }

    /// What customers owed when a week began, by channel.
    async fn owed_before(&mut self, week: IsoWeek) -> Result<Vec<(CustomerKind, Decimal)>> {
        let rows = sqlx::query!(
            r#"select c.kind as "channel: CustomerKind", sum(j.amount) as "amount!"
                 from (select customer, sum(amount) as amount from journal_line
                        where farm_id = $1 and account = 'receivables' and booked_on < $2 group by customer) j
                 join customer c on c.farm_id = $1 and c.customer = j.customer
                group by c.kind"#,
            self.farm.0,
            week.monday()
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|r| (r.channel, r.amount)).collect())
    }

    /// The journal's lines of what customers owe, of a week.
    async fn booked_on_receivables(&mut self, week: IsoWeek) -> Result<Vec<BookedReceivable>> {
        let coinage = self.farm_settings().await?.coinage;
        let rows = sqlx::query!(
            r#"select j.booked_on, j.kind as "kind: JournalKind", j.document, j.customer as "customer: CustomerCode", j.amount,
                      c.kind as "channel: CustomerKind", coalesce(p.method = 'write_off', false) as "is_write_off!"
                 from journal_line j join customer c using (farm_id, customer) left join payment p on p.farm_id = j.farm_id and p.payment = j.document
                where j.farm_id = $1 and j.account = 'receivables' and j.booked_on between $2 and $3 order by j.booked_on, j.document, j.line"#,
            self.farm.0,
            week.monday(),
            week.sunday()
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| BookedReceivable {
                channel: r.channel,
                is_write_off: r.is_write_off,
                line: JournalLine {
                    booked_on: r.booked_on,
                    kind: r.kind,
                    document: r.document,
                    account: JournalAccount::Receivables,
                    customer: r.customer,
                    amount: coinage.round(r.amount),
                },
            })
            .collect())
    }
}
