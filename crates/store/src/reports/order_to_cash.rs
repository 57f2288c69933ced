//! A week from order to cash.

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::{CustomerKind, OrderStatus, PriceUnit},
    selling::{
        journal::{JournalAccount, JournalKind, JournalLine},
        order_to_cash::{
            ReceivableMove, SoldGoods, Traded, WeekOrderLine, WeekOrderToCash, order_to_cash, week_orders,
        },
        pricing::ListPrice,
    },
    text::{CustomerCode, OrderCode},
    units::calendar::IsoWeek,
};
use rust_decimal::Decimal;
use sqlx::types::Json;

use crate::{Result, Tx};

/// More order lines than one grower packs in a week.
const MAX_ORDER_LINES: i64 = 20_000;

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
        let (channels, total) = order_to_cash(&orders, sold, self.receivable_moves(week).await?, coinage);
        Ok(WeekOrderToCash {
            week,
            currency: coinage.currency().to_owned(),
            channels,
            total,
            orders,
            receivables: self.booked_on_receivables(week).await?,
        })
    }

    /// The lines of the orders that are promised for days of a week, order by order.
    async fn week_order_lines(&mut self, week: IsoWeek) -> Result<Vec<WeekOrderLine>> {
        let zone = self.farm_settings().await?.zone;
        let now: DateTime<Utc> = self.now;
        let rows = sqlx::query!(
            r#"select o.order_code as "order: OrderCode", o.customer as "customer: CustomerCode", c.kind as "channel: CustomerKind", o.delivery_day,
                      o.status as "status: OrderStatus", l.grams as "ordered_g: Grams", p.pack_g, p.tax_percent,
                      (select coalesce(jsonb_agg(jsonb_build_object('from_g', x.from_grams, 'amount', x.amount::text, 'unit', x.unit, 'tax_included', x.tax_included)), '[]')
                         from prices_in_force($1, least($4, o.delivery_day::timestamp at time zone $5)) x
                        where x.price_list = c.price_list and x.product = l.product) as "prices!: Json<Vec<ListPrice>>",
                      d.price as "sent_price?", d.unit as "sent_unit?: PriceUnit", d.grams as "sent_g!: Grams", d.net as "sent_net!"
                 from customer_order o join customer c using (farm_id, customer) join order_line l using (farm_id, order_code) join product p using (farm_id, product)
                cross join lateral (
                      select min(s.price) as price, min(s.unit) as unit, coalesce(sum(s.grams), 0)::bigint as grams, coalesce(sum(s.amount), 0) as net
                        from docket k join docket_line s using (farm_id, docket)
                       where k.farm_id = $1 and k.order_code = o.order_code and s.order_line = l.line
                         and not exists (select from act x where x.farm_id = $1 and x.reverses = k.act_id)) d
                where o.farm_id = $1 and o.delivery_day between $2 and $3 and o.status not in ('draft', 'cancelled')
                order by o.delivery_day, o.customer, o.order_code, l.line limit $6"#,
            self.farm.0,
            week.monday(),
            week.sunday(),
            now,
            zone.name(),
            MAX_ORDER_LINES
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

    /// What was booked on what customers owe until the end of a week, by channel: all before it together, and in it by what it was.
    async fn receivable_moves(&mut self, week: IsoWeek) -> Result<Vec<(CustomerKind, ReceivableMove, Decimal)>> {
        let rows = sqlx::query!(
            r#"select c.kind as "channel: CustomerKind", m.moved as "moved!: ReceivableMove", sum(m.amount) as "amount!"
                 from (select j.customer, j.amount,
                              case when j.booked_on < $2 then 'opening' when j.kind = 'invoice' then 'invoiced' when j.kind = 'credit_note' then 'credited'
                                   when p.method = 'write_off' then 'written_off' else 'paid' end as moved
                         from journal_line j left join payment p on p.farm_id = $1 and p.payment = j.document and j.booked_on >= $2
                        where j.farm_id = $1 and j.account = 'receivables' and j.booked_on <= $3) m
                 join customer c on c.farm_id = $1 and c.customer = m.customer
                group by c.kind, m.moved"#,
            self.farm.0,
            week.monday(),
            week.sunday()
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|r| (r.channel, r.moved, r.amount)).collect())
    }

    /// The journal's lines of what customers owe, of a week.
    async fn booked_on_receivables(&mut self, week: IsoWeek) -> Result<Vec<JournalLine>> {
        let coinage = self.farm_settings().await?.coinage;
        let rows = sqlx::query!(
            r#"select booked_on, kind as "kind: JournalKind", document, customer as "customer: CustomerCode", amount
                 from journal_line where farm_id = $1 and account = 'receivables' and booked_on between $2 and $3 order by booked_on, document, line"#,
            self.farm.0,
            week.monday(),
            week.sunday()
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| JournalLine {
                booked_on: r.booked_on,
                kind: r.kind,
                document: r.document,
                account: JournalAccount::Receivables,
                customer: r.customer,
                amount: coinage.round(r.amount),
            })
            .collect())
    }
}
