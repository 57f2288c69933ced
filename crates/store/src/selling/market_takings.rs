//! What a stall took: kept with what it was for, at the stall's own prices, without tax and with its fee.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::PriceUnit,
    selling::market::{MarketClose, MarketDay},
    selling::takings::{StallLot, share_takings, without_tax},
    text::{LotCode, ProductCode},
    units::money::UNIT_PRICE_PLACES,
};
use rust_decimal::Decimal;
use serde::Serialize;

use crate::{Result, Tx};

/// What a lot is sold as at a stall.
struct StallProduct {
    product: ProductCode,
    price_per_kg: Option<Decimal>,
    tax_percent: Decimal,
}

/// The takings of a market day, in the book.
#[derive(Serialize)]
pub(crate) struct Taken {
    cash: Decimal,
    card: Decimal,
    fee: Decimal,
    net: Decimal,
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
    pub(crate) async fn takings(
        &mut self,
        day: &MarketDay,
        sold: &[(LotCode, Grams)],
        new: &MarketClose,
        at: DateTime<Utc>,
    ) -> Result<(Taken, Vec<SaleRow>)> {
        let coinage = self.farm_settings().await?.coinage;
        let takings = coinage.round(new.cash - day.float_amount + new.card);
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
        let shares = share_takings(takings, new.fee, &lots, highest_tax_percent, coinage);
        let net = if shares.is_empty() {
            without_tax(takings, highest_tax_percent, coinage)
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
        Ok((Taken { cash: new.cash, card: new.card, fee: new.fee, net }, sales.collect()))
    }

    /// The product that each lot is sold as at the stall, with its price on the stall's list: of those of its strain and form one with a
    /// price before one without, one for its packaging before one for any. And the highest tax rate of the farm's products.
    async fn stall_products(
        &mut self,
        day: &MarketDay,
        sold: &[(LotCode, Grams)],
        at: DateTime<Utc>,
    ) -> Result<(BTreeMap<LotCode, StallProduct>, Decimal)> {
        let lots: Vec<&str> = sold.iter().map(|s| s.0.as_str()).collect();
        let rows = sqlx::query!(
            r#"select distinct on (l.lot) l.lot as "lot: LotCode", p.product as "product: ProductCode", p.tax_percent, r.amount as "amount?",
                      r.unit as "unit?: PriceUnit", p.pack_g
                 from lot l join product_strain s on s.farm_id = l.farm_id and s.strain = l.strain
                 join product p on p.farm_id = l.farm_id and p.product = s.product and p.form = l.form
                      and (p.packaging is null or p.packaging = l.packaging)
                 left join lateral (select r.amount, r.unit from price r join customer c on c.farm_id = r.farm_id and c.price_list = r.price_list
                       where r.farm_id = l.farm_id and c.customer = $3 and r.product = p.product and r.effective_from <= $4
                       order by r.effective_from desc limit 1) r on true
                where l.farm_id = $1 and l.lot = any ($2::text[])
                order by l.lot, r.amount is null, p.packaging is null, p.product"#,
            self.farm.0,
            &lots as &[&str],
            day.customer.as_str(),
            at
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
                let price_per_kg = r.amount.zip(r.unit).and_then(|(amount, unit)| match (unit, r.pack_g) {
                    (PriceUnit::Kg, _) => Some(amount),
                    (PriceUnit::Pack, Some(pack_g)) => {
                        Some((amount * Decimal::from(1000) / Decimal::from(pack_g)).round_dp(UNIT_PRICE_PLACES))
                    }
                    (PriceUnit::Pack, None) => None,
                });
                (r.lot, StallProduct { product: r.product, price_per_kg, tax_percent: r.tax_percent })
            })
            .collect();
        Ok((products, highest))
    }
}
