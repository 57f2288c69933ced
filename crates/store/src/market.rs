//! Market days: what went to the stall, what was sold, what came back.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use gillbook_core::{
    Grams,
    calendar::{Day, Instant, day_of},
    lot::Link,
    money::UNIT_PRICE_PLACES,
    refusal::{Kind, Refusal},
    takings::{StallLot, share_takings, without_tax},
    text::{CustomerCode, LotCode, MarketDayCode, PlaceCode, ProductCode, Short},
    words::{ActKind, LotOrigin, MarketDayStatus, PlaceKind, PriceUnit},
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Page, Result, Tx,
    ledger::{Leg, NewAct},
    lots::NewLot,
};

/// Grams of a lot that go to the stall.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TakenOut {
    /// The lot.
    pub lot: LotCode,
    /// Where it is.
    pub place: PlaceCode,
    /// How much.
    pub grams_g: Grams,
}

/// A market day to be begun.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewMarketDay {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// The stall.
    pub stall: PlaceCode,
    /// The customer that stands for the people at the stall.
    pub customer: CustomerCode,
    /// The day; today unless said.
    pub day: Option<Day>,
    /// What goes there.
    #[schema(min_items = 1, max_items = 200)]
    pub taken: Vec<TakenOut>,
    /// Money in the box at the start, with no more decimals than the currency has.
    #[schema(value_type = String, pattern = r"^\d{1,5}(\.\d{1,4})?$")]
    pub float_amount: Decimal,
    /// When it left; now unless said.
    pub left_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// What became of a lot at the stall. What is not named was sold.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StallRow {
    /// The lot.
    pub lot: LotCode,
    /// Brought back.
    #[serde(default)]
    pub back_g: Grams,
    /// Thrown away.
    #[serde(default)]
    pub wasted_g: Grams,
    /// Tasted.
    #[serde(default)]
    pub tasted_g: Grams,
}

/// The stall's day reckoned.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MarketReckoning {
    /// What became of the lots.
    #[serde(default)]
    #[schema(max_items = 200)]
    pub lots: Vec<StallRow>,
    /// Where what is brought back goes.
    pub back_place: PlaceCode,
    /// Money in the box at the end, the float included.
    #[schema(value_type = String, pattern = r"^\d{1,6}(\.\d{1,4})?$")]
    pub cash: Decimal,
    /// Taken by card.
    #[schema(value_type = String, pattern = r"^\d{1,6}(\.\d{1,4})?$")]
    pub card: Decimal,
    /// The stall's fee.
    #[schema(value_type = String, pattern = r"^\d{1,5}(\.\d{1,4})?$")]
    pub fee: Decimal,
    /// When it closed; now unless said.
    pub closed_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// What the stall sold of a lot.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct StallSale {
    /// The lot.
    pub lot: LotCode,
    /// How much.
    pub grams_g: Grams,
    /// The product whose price its share was made by; none where the stall sells none of it.
    pub product: Option<ProductCode>,
    /// That price, a kilogram and without tax.
    #[schema(value_type = Option<String>)]
    pub price_per_kg: Option<Decimal>,
    /// Its share of the takings, tax included: by grams × price × (1 + tax).
    #[schema(value_type = String)]
    pub amount: Decimal,
    /// The tax rate that was taken out, per cent.
    #[schema(value_type = String)]
    pub tax_percent: Decimal,
    /// Its share without tax.
    #[schema(value_type = String)]
    pub net: Decimal,
    /// Its share of the stall's fee.
    #[schema(value_type = String)]
    pub fee: Decimal,
}

/// What a lot is sold as at a stall.
struct StallProduct {
    product: ProductCode,
    price_per_kg: Option<Decimal>,
    tax_percent: Decimal,
}

/// A market day.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct MarketDay {
    /// Code.
    pub market_day: MarketDayCode,
    /// The stall.
    pub stall: PlaceCode,
    /// The customer that stands for the people at the stall.
    pub customer: CustomerCode,
    /// The day.
    pub day: NaiveDate,
    /// Open, or reckoned.
    pub status: MarketDayStatus,
    /// The act that took goods there.
    pub out_act: Uuid,
    /// The act that reckoned it.
    pub close_act: Option<Uuid>,
    /// Money in the box at the start.
    #[schema(value_type = String)]
    pub float_amount: Decimal,
    /// Money in the box at the end.
    #[schema(value_type = Option<String>)]
    pub cash: Option<Decimal>,
    /// Taken by card.
    #[schema(value_type = Option<String>)]
    pub card: Option<Decimal>,
    /// The stall's fee.
    #[schema(value_type = Option<String>)]
    pub fee: Option<Decimal>,
    /// Cash less float, and card; tax included.
    #[schema(value_type = Option<String>)]
    pub takings: Option<Decimal>,
    /// The same without tax.
    #[schema(value_type = Option<String>)]
    pub net: Option<Decimal>,
    /// What was sold.
    pub sold: Vec<StallSale>,
}

impl Tx {
    /// Takes goods to a stall.
    ///
    /// # Errors
    /// Refuses a place that is no stall, a stall that is out already, a lot on hold, and more than is there.
    pub async fn open_market_day(&mut self, new: &NewMarketDay) -> Result<MarketDay> {
        let left_at = self.happened(new.left_at, "/left_at")?;
        let coinage = self.ways().await?.coinage;
        coinage.expect_amount(new.float_amount, "/float_amount")?;
        let kind = self.place_kind(&new.stall, "/stall").await?;
        if kind != PlaceKind::Stall {
            return Err(Refusal::field("/stall", format!("{} is a {kind}, not a stall.", new.stall)).into());
        }
        sqlx::query!(
            "select pg_advisory_xact_lock(hashtextextended($1, $2))",
            format!("stall {}", new.stall),
            i64::from(self.farm.0)
        )
        .execute(&mut *self.db)
        .await?;
        let out = sqlx::query_scalar!(
            "select market_day from market_day where farm_id = $1 and stall = $2 and status = 'open'",
            self.farm.0,
            new.stall.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        if let Some(out) = out {
            return Err(Refusal::new(
                Kind::Closed,
                format!("{} is out already with market day {out}. Reckon that first.", new.stall),
            )
            .into());
        }
        if new.taken.is_empty() || new.taken.len() > 200 {
            return Err(Refusal::field("/taken", "Name 1 to 200 lots that go to the stall.").into());
        }
        let lots: Vec<LotCode> = new.taken.iter().map(|t| t.lot.clone()).collect();
        for lot in &lots {
            self.lot_exists(lot).await?;
        }
        self.lock_lots(&lots).await?;
        self.expect_free_of_hold(&lots).await?;
        self.authorise_warm(&lots).await?;
        let number = self.next_number("market day").await?;
        let code: MarketDayCode = format!("M-{number}").parse().map_err(crate::Error::Stored)?;
        let id = new.id.unwrap_or_else(|| self.new_id());
        let day = match new.day {
            Some(day) => day.0,
            None => day_of(left_at, self.ways().await?.zone),
        };
        let act = NewAct {
            id,
            kind: ActKind::MarketOut,
            happened_at: left_at,
            by: new.by.as_ref(),
            document: Some(code.as_str()),
            reason: "",
        };
        let legs: Vec<Leg> = new
            .taken
            .iter()
            .map(|t| Leg {
                lot: t.lot.clone(),
                from_place: t.place.clone(),
                to_place: new.stall.clone(),
                grams_g: t.grams_g,
            })
            .collect();
        self.enter(&act, &legs).await?;
        sqlx::query!(
            "insert into market_day (farm_id, market_day, stall, customer, day, status, out_act, float_amount) values ($1, $2, $3, $4, $5, 'open', $6, $7)",
            self.farm.0,
            code.as_str(),
            new.stall.as_str(),
            new.customer.as_str(),
            day,
            id,
            new.float_amount
        )
        .execute(&mut *self.db)
        .await?;
        self.market_day(&code).await
    }

    /// Reckons a market day: what is not brought back, wasted or tasted was sold, and the takings are shared over it at its prices.
    /// What comes back makes a lot of its own.
    ///
    /// # Errors
    /// Refuses a day that is reckoned, more than the stall has, and cash below the float.
    pub async fn reckon_market_day(&mut self, code: &MarketDayCode, new: &MarketReckoning) -> Result<MarketDay> {
        let closed_at = self.happened(new.closed_at, "/closed_at")?;
        let coinage = self.ways().await?.coinage;
        for (amount, pointer) in [(new.cash, "/cash"), (new.card, "/card"), (new.fee, "/fee")] {
            coinage.expect_amount(amount, pointer)?;
        }
        sqlx::query!(
            "select market_day from market_day where farm_id = $1 and market_day = $2 for update",
            self.farm.0,
            code.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        let day = self.market_day(code).await?;
        if day.status == MarketDayStatus::Closed {
            return Err(Refusal::new(Kind::Closed, format!("Market day {code} is reckoned already.")).into());
        }
        if new.cash < day.float_amount {
            return Err(Refusal::field(
                "/cash",
                format!(
                    "There is less cash than the float of {}. Count the box again; the float is part of it.",
                    day.float_amount
                ),
            )
            .into());
        }
        let there: Vec<(LotCode, Grams)> =
            self.stock(None, Some(&day.stall)).await?.into_iter().map(|r| (r.lot, r.grams_g)).collect();
        let lots: Vec<LotCode> = there.iter().map(|t| t.0.clone()).collect();
        self.lock_lots(&lots).await?;
        check_rows(&there, &new.lots)?;
        let id = self.new_id();
        let act = NewAct {
            id,
            kind: ActKind::MarketClose,
            happened_at: closed_at,
            by: new.by.as_ref(),
            document: Some(code.as_str()),
            reason: "",
        };
        self.enter_act(&act, None).await?;
        let (legs, sold) = self.stall_legs(&day, &there, new, id).await?;
        self.enter_legs(id, &legs).await?;
        self.keep_takings(&day, &sold, new, id, closed_at).await?;
        self.market_day(code).await
    }

    /// Keeps what was in the box, and what it was for.
    async fn keep_takings(
        &mut self,
        day: &MarketDay,
        sold: &[(LotCode, Grams)],
        new: &MarketReckoning,
        act: Uuid,
        at: DateTime<Utc>,
    ) -> Result<()> {
        let coinage = self.ways().await?.coinage;
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
        sqlx::query!(
            "update market_day set status = 'closed', close_act = $3, cash = $4, card = $5, fee = $6, net = $7 where farm_id = $1 and market_day = $2",
            self.farm.0,
            day.market_day.as_str(),
            act,
            new.cash,
            new.card,
            new.fee,
            net
        )
        .execute(&mut *self.db)
        .await?;
        for ((lot, grams), share) in sold.iter().zip(&shares) {
            let product = products.get(lot);
            sqlx::query!(
                "insert into market_sale (farm_id, market_day, lot, grams, product, price_per_kg, tax_percent, amount, net, fee)
                 values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
                self.farm.0,
                day.market_day.as_str(),
                lot.as_str(),
                grams.0,
                product.map(|p| p.product.as_str()),
                product.and_then(|p| p.price_per_kg),
                share.tax_percent,
                share.gross,
                share.net,
                share.fee
            )
            .execute(&mut *self.db)
            .await?;
        }
        Ok(())
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

    /// Legs of the reckoning, and what was sold.
    async fn stall_legs(
        &mut self,
        day: &MarketDay,
        there: &[(LotCode, Grams)],
        new: &MarketReckoning,
        act: Uuid,
    ) -> Result<(Vec<Leg>, Vec<(LotCode, Grams)>)> {
        let (waste, gift, packing) = (
            self.sink(PlaceKind::Waste).await?,
            self.sink(PlaceKind::Gift).await?,
            self.sink(PlaceKind::Packing).await?,
        );
        let customer: PlaceCode = day.customer.as_str().parse().map_err(crate::Error::Stored)?;
        let back_kind = self.place_kind(&new.back_place, "/back_place").await?;
        if !back_kind.sells() {
            return Err(Refusal::field(
                "/back_place",
                format!("{} is a {back_kind}. What comes back goes to a fridge or a shelf.", new.back_place),
            )
            .into());
        }
        let (mut legs, mut sold) = (Vec::new(), Vec::new());
        for (lot, had) in there {
            let row = new.lots.iter().find(|r| &r.lot == lot);
            let (back, wasted, tasted) =
                row.map_or((Grams::ZERO, Grams::ZERO, Grams::ZERO), |r| (r.back_g, r.wasted_g, r.tasted_g));
            let gone = *had - back - wasted - tasted;
            for (to, grams_g) in [(&customer, gone), (&waste, wasted), (&gift, tasted), (&packing, back)] {
                if grams_g > Grams::ZERO {
                    legs.push(Leg { lot: lot.clone(), from_place: day.stall.clone(), to_place: to.clone(), grams_g });
                }
            }
            if gone > Grams::ZERO {
                sold.push((lot.clone(), gone));
            }
            if back > Grams::ZERO {
                let child = self.came_back(lot, act).await?;
                self.link_lots(act, &Link { parent: lot.clone(), child: child.clone(), grams: back }).await?;
                legs.push(Leg {
                    lot: child,
                    from_place: packing.clone(),
                    to_place: new.back_place.clone(),
                    grams_g: back,
                });
            }
        }
        Ok((legs, sold))
    }

    /// A lot for what came back: its own path and clock, its parent's harvest.
    async fn came_back(&mut self, parent: &LotCode, act: Uuid) -> Result<LotCode> {
        let p = self.lot_facts(parent).await?;
        self.begin_lot(&NewLot {
            strain: &p.strain,
            grade: &p.grade,
            packaging: p.packaging,
            form: p.form,
            harvest_day: p.harvest_day,
            harvested_at: p.harvested_at,
            origin: LotOrigin::Stall,
            best_before: p.best_before,
            began_by: act,
        })
        .await
    }

    /// One market day.
    ///
    /// # Errors
    /// Refuses one that is not there.
    pub async fn market_day(&mut self, code: &MarketDayCode) -> Result<MarketDay> {
        self.market_days_where(Some(code), &Page { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(MarketDayCode::WHAT, code).into())
    }

    /// Market days by day.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn market_days(&mut self, page: &Page) -> Result<Vec<MarketDay>> {
        self.market_days_where(None, page).await
    }

    async fn market_days_where(&mut self, only: Option<&MarketDayCode>, page: &Page) -> Result<Vec<MarketDay>> {
        let coinage = self.ways().await?.coinage;
        let rows = sqlx::query!(
            r#"select market_day as "market_day: MarketDayCode", stall as "stall: PlaceCode", customer as "customer: CustomerCode", day,
                      status as "status: MarketDayStatus", out_act, close_act, float_amount, cash, card, fee, net
                 from market_day where farm_id = $1 and ($2::text is null or market_day = $2)
                  and ($3::text is null or (day, market_day) > (select day, market_day from market_day where farm_id = $1 and market_day = $3))
                order by day, market_day limit $4"#,
            self.farm.0,
            only.map(MarketDayCode::as_str),
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        let codes: Vec<String> = rows.iter().map(|r| r.market_day.to_string()).collect();
        let sales = sqlx::query!(
            r#"select market_day as "market_day: MarketDayCode", lot as "lot: LotCode", grams as "grams: Grams", product as "product: ProductCode",
                      price_per_kg, tax_percent, amount, net, fee
                 from market_sale where farm_id = $1 and market_day = any ($2) order by market_day, lot"#,
            self.farm.0,
            &codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| MarketDay {
                sold: sales
                    .iter()
                    .filter(|s| s.market_day == r.market_day)
                    .map(|s| StallSale {
                        lot: s.lot.clone(),
                        grams_g: s.grams,
                        product: s.product.clone(),
                        price_per_kg: s.price_per_kg.map(|p| p.normalize()),
                        amount: coinage.round(s.amount),
                        tax_percent: s.tax_percent.normalize(),
                        net: coinage.round(s.net),
                        fee: coinage.round(s.fee),
                    })
                    .collect(),
                takings: r.cash.zip(r.card).map(|(cash, card)| coinage.round(cash - r.float_amount + card)),
                net: r.net.map(|n| coinage.round(n)),
                market_day: r.market_day,
                stall: r.stall,
                customer: r.customer,
                day: r.day,
                status: r.status,
                out_act: r.out_act,
                close_act: r.close_act,
                float_amount: coinage.round(r.float_amount),
                cash: r.cash.map(|a| coinage.round(a)),
                card: r.card.map(|a| coinage.round(a)),
                fee: r.fee.map(|a| coinage.round(a)),
            })
            .collect())
    }
}

fn check_rows(there: &[(LotCode, Grams)], rows: &[StallRow]) -> Result<(), Refusal> {
    for (i, row) in rows.iter().enumerate() {
        if rows[..i].iter().any(|r| r.lot == row.lot) {
            return Err(Refusal::field(
                format!("/lots/{i}/lot"),
                format!("Lot {} stands there twice. Add the two up.", row.lot),
            ));
        }
        for (field, grams) in [("back_g", row.back_g), ("wasted_g", row.wasted_g), ("tasted_g", row.tasted_g)] {
            if grams < Grams::ZERO {
                return Err(Refusal::field(format!("/lots/{i}/{field}"), "A weight is zero or more."));
            }
        }
        let had = there.iter().find(|(lot, _)| *lot == row.lot).map_or(Grams::ZERO, |(_, g)| *g);
        let named = row.back_g + row.wasted_g + row.tasted_g;
        if named > had {
            return Err(Refusal::new(
                Kind::NotEnough,
                format!("The stall has {had} of lot {}, and {named} are named.", row.lot),
            )
            .at(format!("/lots/{i}/back_g")));
        }
    }
    Ok(())
}
