//! What a stall took: kept with what it was for, at the prices that were tallied or listed, without tax and with its fee.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::PriceUnit,
    selling::market::{MarketClose, MarketDay},
    selling::takings::{StallLot, rounding_in, share_takings, tallied_price, without_tax},
    text::{LotCode, ProductCode},
};
use rust_decimal::Decimal;
use serde::Serialize;

use super::products::listed;
use crate::{Result, Tx};

/// What a lot is sold as at a stall.
struct StallProduct {
    product: ProductCode,
    price_per_kg: Option<Decimal>,
    tax_percent: Decimal,
}

/// The takings of a market day, in the book.
#[derive(Serialize)]
pub(crate) struct Taken<'a> {
    cash: Decimal,
    card: Decimal,
    fee: Decimal,
    net: Decimal,
    cash_rounding: Decimal,
    difference_reason: &'a str,
}

/// What was sold of a lot and its share of the takings, in the book.
#[derive(Serialize)]
pub(crate) struct SaleRow {
    lot: LotCode,
    grams: Grams,
    product: Option<ProductCode>,
    price_per_kg: Option<Decimal>,
    tax_percent: Decimal,
    amount: Decimal,
    net: Decimal,
    fee: Decimal,
}

impl Tx {
    /// What was in the box, and what it was for.
    pub(crate) async fn takings<'a>(
        &mut self,
        day: &MarketDay,
        sold: &[(LotCode, Grams)],
        new: &'a MarketClose,
        at: DateTime<Utc>,
    ) -> Result<(Taken<'a>, Vec<SaleRow>)> {
        let coinage = self.farm_settings().await?.coinage;
        let takings = coinage.round(new.cash - day.float_amount + new.card);
        // Tax is of the prices, before cash was rounded.
        let cash_rounding = rounding_in(takings, day.tally.cash_rounding);
        let priced = takings - cash_rounding;
        let (products, highest_tax_percent) = self.stall_products(day, sold, at).await?;
        let lots: Vec<StallLot> = sold
            .iter()
            .map(|(lot, grams)| {
                let product = products.get(lot);
                StallLot {
                    grams: *grams,
                    price_per_kg: product.and_then(|p| p.price_per_kg),
                    tax_percent: product.map(|p| p.tax_percent),
                }
            })
            .collect();
        let shares = share_takings(priced, new.fee, &lots, highest_tax_percent, coinage);
        let net = if shares.is_empty() {
            without_tax(priced, highest_tax_percent, coinage)
        } else {
            shares.iter().map(|s| s.net).sum()
        };
        let sales = sold.iter().zip(&shares).map(|((lot, grams), share)| {
            let product = products.get(lot);
            SaleRow {
                lot: lot.clone(),
                grams: *grams,
                product: product.map(|p| p.product.clone()),
                price_per_kg: product.and_then(|p| p.price_per_kg),
                tax_percent: share.tax_percent,
                amount: share.gross,
                net: share.net,
                fee: share.fee,
            }
        });
        let taken = Taken {
            cash: new.cash,
            card: new.card,
            fee: new.fee,
            net: net + cash_rounding,
            cash_rounding,
            difference_reason: new.difference_reason.as_str(),
        };
        Ok((taken, sales.collect()))
    }

    /// The product that each lot is sold as at the stall, with its price: of those of its strain and form the one that most was tallied
    /// of, one with a price before one without, one for its packaging before one for any. The price is the mean of what was tallied, or the
    /// one on the stall's list. And the highest tax rate of the farm's products.
    async fn stall_products(
        &mut self,
        day: &MarketDay,
        sold: &[(LotCode, Grams)],
        at: DateTime<Utc>,
    ) -> Result<(BTreeMap<LotCode, StallProduct>, Decimal)> {
        let lots: Vec<&str> = sold.iter().map(|s| s.0.as_str()).collect();
        let rows = sqlx::query!(
            r#"select distinct on (l.lot) l.lot as "lot: LotCode", p.product as "product: ProductCode", p.tax_percent, r.amount as "amount?",
                      r.unit as "unit?: PriceUnit", r.tax_included as "tax_included?", p.pack_g, t.grams as "tallied_g?: Grams", t.amount as "tallied?"
                 from lot l join product_strain s on s.farm_id = l.farm_id and s.strain = l.strain
                 join product p on p.farm_id = l.farm_id and p.product = s.product and p.form = l.form
                      and (p.packaging is null or p.packaging = l.packaging)
                 left join (select r.product, r.amount, r.unit, pl.tax_included from customer c join price_list pl using (farm_id, price_list)
                             cross join lateral prices_in_force($1, c.price_list, $4) r
                             where c.farm_id = $1 and c.customer = $3 and r.from_grams = 0) r on r.product = p.product
                 left join lateral (select nullif(sum(t.grams), 0)::bigint as grams, sum(t.amount) as amount from tallied t
                       where t.farm_id = l.farm_id and t.market_day = $5 and t.product = p.product) t on true
                where l.farm_id = $1 and l.lot = any ($2::text[])
                order by l.lot, t.grams desc nulls last, r.amount is null, p.packaging is null, p.product"#,
            self.farm.0,
            &lots as &[&str],
            day.customer.as_str(),
            at,
            day.market_day.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?;
        let highest = sqlx::query_scalar!(
            r#"select coalesce(max(tax_percent), 0) as "rate!" from product where farm_id = $1"#,
            self.farm.0
        )
        .fetch_one(&mut *self.db)
        .await?;
        let products = rows
            .into_iter()
            .map(|r| {
                let tallied =
                    r.tallied.zip(r.tallied_g).map(|(amount, grams)| tallied_price(amount, grams, r.tax_percent));
                let listed = listed(r.amount, r.unit, r.tax_included)
                    .and_then(|p| p.per_kg_without_tax(r.pack_g, r.tax_percent));
                let price_per_kg = tallied.or(listed);
                (r.lot, StallProduct { product: r.product, price_per_kg, tax_percent: r.tax_percent })
            })
            .collect();
        Ok((products, highest))
    }
}
