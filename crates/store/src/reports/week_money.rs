//! The money of a week: what was handed over and what came back, by channel, and what was still out for delivery.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::{CustomerKind, SaleKind},
    text::{CustomerCode, LotCode},
    units::{
        calendar::{IsoWeek, Span},
        money::CurrencyRules,
    },
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{Result, Tx, selling::sales::SoldRow};

/// Takings of a channel: what was handed over in the week less what came back in it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ChannelMoney {
    /// The channel.
    pub channel: CustomerKind,
    /// Grams, less what came back.
    pub grams_g: Grams,
    /// Amount without tax, less what came back.
    #[schema(value_type = String)]
    pub net: Decimal,
    /// Tax that was in the takings and is not in the amount. Dockets are without tax, so only stalls have any.
    #[schema(value_type = String)]
    pub tax: Decimal,
    /// What it cost to sell: stalls' fees. Not taken off the amount.
    #[schema(value_type = String)]
    pub fee: Decimal,
    /// Amount less fee, a kilogram; nothing where nothing was sold.
    #[schema(value_type = Option<String>)]
    pub per_kg: Option<Decimal>,
    /// Of the grams, what came back; taken off them already.
    pub returned_g: Grams,
    /// Of the amount, what was for that; taken off it already.
    #[schema(value_type = String)]
    pub returned: Decimal,
}

/// All channels together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct MoneyTotal {
    /// Grams, less what came back.
    pub grams_g: Grams,
    /// Amount without tax, less what came back; rounded once, so it may differ by a cent from the sum of the channels.
    #[schema(value_type = String)]
    pub net: Decimal,
    /// What it cost to sell: stalls' fees. Not taken off the amount.
    #[schema(value_type = String)]
    pub fee: Decimal,
    /// Amount less fee, a kilogram; nothing where nothing was sold.
    #[schema(value_type = Option<String>)]
    pub per_kg: Option<Decimal>,
}

impl MoneyTotal {
    fn of(rows: &[&SoldRow], coinage: CurrencyRules) -> Self {
        let grams_g: Grams = rows.iter().map(|r| r.grams).sum();
        let (net, fee): (Decimal, Decimal) = (rows.iter().map(|r| r.amount).sum(), rows.iter().map(|r| r.fee).sum());
        Self {
            grams_g,
            net: coinage.round(net),
            fee: coinage.round(fee),
            per_kg: (grams_g > Grams::ZERO)
                .then(|| coinage.round((net - fee) * Decimal::from(1000) / Decimal::from(grams_g.0))),
        }
    }
}

/// Goods that have left under a docket and were not handed over by the end of the week. Neither sold nor paid for yet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct OutForDelivery {
    /// How much.
    pub grams_g: Grams,
    /// What the dockets say for it, without tax.
    #[schema(value_type = String)]
    pub net: Decimal,
}

/// One row of a week's money: a lot handed over or come back under a docket, or sold at a stall. Of a return grams and amount are below zero.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct WeekSale {
    /// When.
    pub at: DateTime<Utc>,
    /// What it is.
    pub kind: SaleKind,
    /// The docket, or the market day.
    pub document: String,
    /// The customer.
    pub customer: CustomerCode,
    /// Its channel.
    pub channel: CustomerKind,
    /// The lot; none for takings that no goods stand behind.
    pub lot: Option<LotCode>,
    /// How much.
    pub grams_g: Grams,
    /// Amount without tax.
    #[schema(value_type = String)]
    pub net: Decimal,
    /// Tax that was in a stall's takings and is not in the amount.
    #[schema(value_type = String)]
    pub tax: Decimal,
    /// Its part of a stall's fee, not taken off the amount.
    #[schema(value_type = String)]
    pub fee: Decimal,
}

/// What was sold in a week.
pub(crate) struct WeekMoney {
    pub channels: Vec<ChannelMoney>,
    pub total: MoneyTotal,
    /// Handed over under dockets, what came back not taken off.
    pub delivered_g: Grams,
    /// Sold at stalls.
    pub market_g: Grams,
    pub out_for_delivery: OutForDelivery,
}

impl Tx {
    /// The rows that the money of a week is the sum of, as the book has it now, in order of time. A closing does not hold them.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.week_sales", skip_all, fields(farm_id = self.farm.0))]
    pub async fn week_sales(&mut self, week: IsoWeek) -> Result<Vec<WeekSale>> {
        let settings = self.farm_settings().await?;
        let mut rows: Vec<WeekSale> = self
            .sales(Some(week.span(settings.zone)))
            .await?
            .into_iter()
            .map(|r| WeekSale {
                at: r.at,
                kind: r.kind,
                document: r.document,
                customer: r.customer,
                channel: r.channel,
                lot: r.lot,
                grams_g: r.grams,
                net: settings.coinage.round(r.amount),
                tax: settings.coinage.round(r.tax),
                fee: settings.coinage.round(r.fee),
            })
            .collect();
        rows.sort_by(|a, b| (a.at, &a.document, a.kind, &a.lot).cmp(&(b.at, &b.document, b.kind, &b.lot)));
        Ok(rows)
    }

    pub(crate) async fn week_money(&mut self, span: Span) -> Result<WeekMoney> {
        let coinage = self.farm_settings().await?.coinage;
        let rows = self.sales(Some(span)).await?;
        let sum = |kind: SaleKind| rows.iter().filter(|r| r.kind == kind).map(|r| r.grams).sum();
        let (delivered_g, market_g) = (sum(SaleKind::HandedOver), sum(SaleKind::Stall));
        let mut by_channel: BTreeMap<CustomerKind, Vec<&SoldRow>> = BTreeMap::new();
        for row in &rows {
            by_channel.entry(row.channel).or_default().push(row);
        }
        let channels = by_channel
            .into_iter()
            .map(|(channel, rows)| {
                let money = |f: fn(&SoldRow) -> Decimal| -> Decimal { rows.iter().map(|r| f(r)).sum() };
                let back = || rows.iter().filter(|r| r.kind == SaleKind::Returned);
                let MoneyTotal { grams_g, net, fee, per_kg } = MoneyTotal::of(&rows, coinage);
                ChannelMoney {
                    channel,
                    grams_g,
                    net,
                    tax: coinage.round(money(|r| r.tax)),
                    fee,
                    per_kg,
                    returned_g: -back().map(|r| r.grams).sum::<Grams>(),
                    returned: coinage.round(-back().map(|r| r.amount).sum::<Decimal>()),
                }
            })
            .collect();
        let total = MoneyTotal::of(&rows.iter().collect::<Vec<_>>(), coinage);
        Ok(WeekMoney { channels, total, delivered_g, market_g, out_for_delivery: self.out_for_delivery(span).await? })
    }

    async fn out_for_delivery(&mut self, span: Span) -> Result<OutForDelivery> {
        let coinage = self.farm_settings().await?.coinage;
        let out = sqlx::query!(
            r#"select coalesce(sum(l.grams), 0)::bigint as "grams!: Grams", coalesce(sum(l.amount), 0) as "net!"
                 from docket d join docket_line l using (farm_id, docket)
                where d.farm_id = $1 and d.van is not null and d.dispatched_at < $2
                  and not exists (select from act x where x.farm_id = d.farm_id and x.reverses = d.act_id)
                  and not exists (select from delivery v join act a using (farm_id, act_id)
                                   where v.farm_id = d.farm_id and v.docket = d.docket and a.happened_at < $2
                                     and not exists (select from act x where x.farm_id = v.farm_id and x.reverses = v.act_id))"#,
            self.farm.0,
            span.until
        )
        .fetch_one(&mut *self.db)
        .await?;
        Ok(OutForDelivery { grams_g: out.grams, net: coinage.round(out.net) })
    }
}
