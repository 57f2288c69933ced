//! What was sold: every handing over, every return and every stall's takings, at the time at which it happened.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    Grams,
    kinds::{ActKind, CustomerKind, SaleKind},
    selling::earnings::settle,
    text::{CustomerCode, DocketCode, LotCode, ProductCode, StrainCode},
    units::calendar::Span,
};
use rust_decimal::Decimal;

use crate::{Result, Tx};

/// How far back prices are averaged, in days.
const MEAN_PRICE_DAYS: i64 = 28;

/// A sold row: grams of a lot, to a customer, for an amount.
#[derive(Debug, Clone)]
pub(crate) struct SoldRow {
    pub at: DateTime<Utc>,
    /// The docket or market day.
    pub document: String,
    /// None for takings that no goods stand behind.
    pub lot: Option<LotCode>,
    /// The lot's strain.
    pub strain: Option<StrainCode>,
    /// None where a stall has no price for it.
    pub product: Option<ProductCode>,
    /// Tax rate, per cent; none of takings that no goods stand behind.
    pub tax_percent: Option<Decimal>,
    pub customer: CustomerCode,
    pub channel: CustomerKind,
    pub kind: SaleKind,
    pub grams: Grams,
    /// Without tax.
    pub amount: Decimal,
    /// Tax that the takings had in them; only a stall's have any.
    pub tax: Decimal,
    /// What it cost to sell.
    pub fee: Decimal,
}

impl Tx {
    /// Sold rows of a span of time, or all.
    pub(crate) async fn sales(&mut self, span: Option<Span>) -> Result<Vec<SoldRow>> {
        if let Some((of, rows)) = &self.memo.sales
            && *of == span
        {
            return Ok(rows.clone());
        }
        let mut rows = self.docket_sales(span).await?;
        rows.extend(self.stall_sales(span).await?);
        if self.memo.one_snapshot {
            self.memo.sales = Some((span, rows.clone()));
        }
        Ok(rows)
    }

    /// What reached customers and what came back of it, line by line of their dockets, at the dockets' prices. Reversals are dated as what they
    /// reverse, so the two cancel.
    async fn docket_sales(&mut self, span: Option<Span>) -> Result<Vec<SoldRow>> {
        let coinage = self.farm_settings().await?.coinage;
        let (from, until) = (span.map(|s| s.from), span.map(|s| s.until));
        // Of a docket with anything in the span everything is read: the money of a step is that of all steps so far less that before.
        let lines = sqlx::query!(
            r#"select l.docket as "docket: DocketCode", l.line, l.lot as "lot: LotCode", g.strain as "strain: StrainCode", l.grams as "grams: Grams", l.amount, l.product as "product: ProductCode", l.tax_percent,
                      d.customer as "customer: CustomerCode", c.kind as "channel: CustomerKind"
                 from docket_line l join docket d using (farm_id, docket) join customer c using (farm_id, customer) join lot g using (farm_id, lot)
                where l.farm_id = $1
                  and ($2::timestamptz is null or l.docket in (select e.document from act e where e.farm_id = $1 and e.document is not null
                        and e.happened_at >= $2 and e.happened_at < $3))
                order by d.number, l.line"#,
            self.farm.0,
            from,
            until
        )
        .fetch_all(&mut *self.db)
        .await?;
        let dockets: BTreeSet<String> = lines.iter().map(|l| l.docket.to_string()).collect();
        let mut parts = self.parts_of(&dockets.into_iter().collect::<Vec<_>>()).await?;
        let mut rows = Vec::new();
        for line in lines {
            let parts = parts.remove(&(line.docket.clone(), line.line)).unwrap_or_default();
            let steps: Vec<Grams> = parts.iter().map(|p| p.grams).collect();
            for (part, amount) in parts.iter().zip(settle(line.amount, line.grams, &steps, coinage)) {
                if span.is_some_and(|s| part.at < s.from || part.at >= s.until) {
                    continue;
                }
                rows.push(SoldRow {
                    at: part.at,
                    document: line.docket.to_string(),
                    lot: Some(line.lot.clone()),
                    strain: Some(line.strain.clone()),
                    product: Some(line.product.clone()),
                    tax_percent: Some(line.tax_percent),
                    customer: line.customer.clone(),
                    channel: line.channel,
                    kind: if part.kind == ActKind::Return { SaleKind::Returned } else { SaleKind::HandedOver },
                    grams: part.grams,
                    amount,
                    tax: Decimal::ZERO,
                    fee: Decimal::ZERO,
                });
            }
        }
        Ok(rows)
    }

    /// What stalls took, lot by lot, and what no lot stands behind: takings of a day on which nothing was
    /// sold, and what cash was rounded by.
    async fn stall_sales(&mut self, span: Option<Span>) -> Result<Vec<SoldRow>> {
        let (from, until) = (span.map(|s| s.from), span.map(|s| s.until));
        let rows = sqlx::query!(
            r#"with day as (
                   select m.market_day, a.happened_at, m.customer, c.kind, m.net, m.cash - m.float_amount + m.card as gross, m.fee
                     from market_day m join customer c using (farm_id, customer) join act a on a.farm_id = m.farm_id and a.act_id = m.close_act
                    where m.farm_id = $1 and ($2::timestamptz is null or a.happened_at >= $2) and ($3::timestamptz is null or a.happened_at < $3)
                      and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id)),
               sold as (
                   select s.market_day, s.lot, s.product, s.tax_percent, s.grams, s.net, s.amount, s.fee from market_sale s join day d using (market_day) where s.farm_id = $1)
               select d.market_day as "document!", d.happened_at as "at!", d.customer as "customer!: CustomerCode", d.kind as "channel!: CustomerKind", s.lot as "lot?: LotCode", g.strain as "strain?: StrainCode",
                      s.grams as "grams!: Grams", s.net as "net!", s.amount as "gross!", s.fee as "fee!", s.product as "product?: ProductCode", s.tax_percent as "tax_percent?"
                 from day d join sold s using (market_day) join lot g on g.farm_id = $1 and g.lot = s.lot
               union all
               select d.market_day, d.happened_at, d.customer, d.kind, null, null, 0::bigint, d.net - coalesce(sum(s.net), 0), d.gross - coalesce(sum(s.amount), 0), d.fee - coalesce(sum(s.fee), 0), null, null
                 from day d left join sold s using (market_day)
                group by d.market_day, d.happened_at, d.customer, d.kind, d.net, d.gross, d.fee
               having d.gross <> coalesce(sum(s.amount), 0) or d.net <> coalesce(sum(s.net), 0) or d.fee <> coalesce(sum(s.fee), 0)"#,
            self.farm.0,
            from,
            until
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| SoldRow {
                at: r.at,
                document: r.document,
                lot: r.lot,
                strain: r.strain,
                tax_percent: r.tax_percent,
                product: r.product,
                customer: r.customer,
                channel: r.channel,
                kind: SaleKind::Stall,
                grams: r.grams,
                amount: r.net,
                tax: r.gross - r.net,
                fee: r.fee,
            })
            .collect())
    }

    /// Mean price a kilogram without tax by strain, over the four weeks before an instant.
    pub(crate) async fn mean_prices(&mut self, until: DateTime<Utc>) -> Result<BTreeMap<StrainCode, Decimal>> {
        let span = Span { from: until - TimeDelta::days(MEAN_PRICE_DAYS), until };
        let sales = self.sales(Some(span)).await?;
        let mut sums: BTreeMap<StrainCode, (Grams, Decimal)> = BTreeMap::new();
        for s in sales {
            if let Some(strain) = s.strain {
                let sum = sums.entry(strain).or_default();
                sum.0 += s.grams;
                sum.1 += s.amount;
            }
        }
        Ok(sums
            .into_iter()
            .filter(|(_, (g, _))| *g > Grams::ZERO)
            .map(|(strain, (g, amount))| (strain, amount * Decimal::from(1000) / Decimal::from(g.0)))
            .collect())
    }
}
