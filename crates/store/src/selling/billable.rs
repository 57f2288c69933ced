//! What is billable: docket lines by what the customer has of them and what of that is on invoices.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::PriceUnit,
    selling::billable::BillableLine,
    text::{CustomerCode, DocketCode},
    units::calendar::day_of,
};
use rust_decimal::Decimal;

use crate::{Result, Tx};

/// A docket line and whose it is.
pub(crate) struct Billable {
    pub customer: CustomerCode,
    /// Whether its docket is on its way still.
    pub under_way: bool,
    pub line: BillableLine,
}

struct Row {
    customer: CustomerCode,
    docket: DocketCode,
    line: i32,
    order_reference: String,
    product_name: String,
    pack_g: Option<i64>,
    price: Decimal,
    unit: PriceUnit,
    tax_percent: Decimal,
    sent_g: Grams,
    sent_net: Decimal,
    kept_g: Grams,
    billed_g: Grams,
    billed_net: Decimal,
    handed_over_at: DateTime<Utc>,
    under_way: bool,
}

impl Tx {
    /// Lines of some dockets of any customer; none of a docket that is void.
    pub(crate) async fn billable_of(&mut self, dockets: &BTreeSet<&DocketCode>) -> Result<Vec<Billable>> {
        let dockets: Vec<String> = dockets.iter().map(ToString::to_string).collect();
        let rows = sqlx::query_as!(
            Row,
            r#"select d.customer as "customer: CustomerCode", d.docket as "docket: DocketCode", l.line, l.product_name, l.price, l.unit as "unit: PriceUnit",
                      (select y.reference from customer_order y where y.farm_id = $1 and y.order_code = d.order_code) as "order_reference!",
                      l.tax_percent, l.grams as "sent_g: Grams", l.amount as sent_net, coalesce(k.grams, 0) as "kept_g!: Grams",
                      coalesce(b.grams, 0) as "billed_g!: Grams", coalesce(b.net, 0) as "billed_net!",
                      case when o.packs > 0 and o.grams % o.packs = 0 then o.grams / o.packs end as pack_g,
                      coalesce(h.happened_at, d.dispatched_at) as "handed_over_at!", d.van is not null and h.happened_at is null as "under_way!"
                 from docket d join docket_line l using (farm_id, docket)
                 left join order_line o on o.farm_id = l.farm_id and o.order_code = d.order_code and o.line = l.order_line and o.product = l.product
                 left join lateral (select grams from docket_line_kept k where k.farm_id = $1 and k.docket = l.docket and k.line = l.line) k on true
                 left join lateral (select grams, net from docket_line_billed b where b.farm_id = $1 and b.docket = l.docket and b.docket_line = l.line) b on true
                 left join lateral (
                      select a.happened_at from delivery v join act a using (farm_id, act_id)
                       where v.farm_id = $1 and v.docket = d.docket and not exists (select from act x where x.farm_id = $1 and x.reverses = v.act_id)) h on true
                where d.farm_id = $1 and d.docket = any ($2) and not exists (select from act x where x.farm_id = $1 and x.reverses = d.act_id)
                order by d.number, l.line"#,
            self.farm.0,
            &dockets
        )
        .fetch_all(&mut *self.db)
        .await?;
        self.billable_rows(rows).await
    }

    /// Lines of which the customer has more than is on invoices, or less: of one customer, or all.
    pub(crate) async fn unbilled(&mut self, customer: Option<&CustomerCode>) -> Result<Vec<Billable>> {
        let rows = sqlx::query_as!(
            Row,
            r#"select d.customer as "customer: CustomerCode", d.docket as "docket: DocketCode", l.line, l.product_name, l.price, l.unit as "unit: PriceUnit",
                      (select y.reference from customer_order y where y.farm_id = $1 and y.order_code = d.order_code) as "order_reference!",
                      l.tax_percent, l.grams as "sent_g: Grams", l.amount as sent_net, coalesce(k.grams, 0) as "kept_g!: Grams",
                      coalesce(b.grams, 0) as "billed_g!: Grams", coalesce(b.net, 0) as "billed_net!",
                      case when o.packs > 0 and o.grams % o.packs = 0 then o.grams / o.packs end as pack_g,
                      coalesce(h.happened_at, d.dispatched_at) as "handed_over_at!", d.van is not null and h.happened_at is null as "under_way!"
                 from docket_line_kept k full join docket_line_billed b on b.farm_id = k.farm_id and b.docket = k.docket and b.docket_line = k.line
                 join docket d on d.farm_id = $1 and d.docket = coalesce(k.docket, b.docket)
                 join docket_line l on l.farm_id = $1 and l.docket = d.docket and l.line = coalesce(k.line, b.docket_line)
                 left join order_line o on o.farm_id = l.farm_id and o.order_code = d.order_code and o.line = l.order_line and o.product = l.product
                 left join lateral (
                      select a.happened_at from delivery v join act a using (farm_id, act_id)
                       where v.farm_id = $1 and v.docket = d.docket and not exists (select from act x where x.farm_id = $1 and x.reverses = v.act_id)) h on true
                where coalesce(k.farm_id, b.farm_id) = $1 and ($2::text is null or d.customer = $2) and coalesce(k.grams, 0) <> coalesce(b.grams, 0)
                order by d.number, l.line"#,
            self.farm.0,
            customer.map(CustomerCode::as_str)
        )
        .fetch_all(&mut *self.db)
        .await?;
        self.billable_rows(rows).await
    }

    async fn billable_rows(&mut self, rows: Vec<Row>) -> Result<Vec<Billable>> {
        let settings = self.farm_settings().await?;
        Ok(rows
            .into_iter()
            .map(|r| Billable {
                customer: r.customer,
                under_way: r.under_way,
                line: BillableLine {
                    docket: r.docket,
                    docket_line: r.line,
                    delivered_on: day_of(r.handed_over_at, settings.zone),
                    order_reference: r.order_reference,
                    product_name: r.product_name,
                    pack_g: r.pack_g,
                    price: r.price.normalize(),
                    unit: r.unit,
                    tax_percent: r.tax_percent.normalize(),
                    sent_g: r.sent_g,
                    sent_net: settings.coinage.round(r.sent_net),
                    kept_g: r.kept_g,
                    billed_g: r.billed_g,
                    billed_net: settings.coinage.round(r.billed_net),
                },
            })
            .collect())
    }
}
