//! Market days: what went to the stall, what was sold, what came back.

use chrono::NaiveDate;
use gillbook_core::{
    Grams,
    ledger::{entry::Leg, lot::Link},
    refusal::{Kind, Refusal},
    text::{CustomerCode, LotCode, MarketDayCode, PlaceCode, ProductCode, Short},
    units::calendar::{Day, Instant, day_of},
    words::{ActKind, LotOrigin, MarketDayStatus, PlaceKind},
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Page, Result, Tx,
    ledger::{entries::NewAct, lots::NewLot},
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
            return Err(Refusal::field("/stall", format!("{} is not a stall.", new.stall)).into());
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
                format!("{} is out already with market day {out}. Cash that one up first.", new.stall),
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
            return Err(Refusal::new(Kind::Closed, format!("Market day {code} is cashed up already.")).into());
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
        self.authorise_sales(&day.stall, &there, &new.lots).await?;
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

    /// What a stall had sold of a lot before it was put on hold is a fact; that it was before, a person has to answer for. What was in a warm
    /// spell that is not settled is not sold on a shared phone either.
    async fn authorise_sales(
        &mut self,
        stall: &PlaceCode,
        there: &[(LotCode, Grams)],
        rows: &[StallRow],
    ) -> Result<()> {
        let codes: Vec<String> = there.iter().map(|(lot, _)| lot.to_string()).collect();
        let holds = self.holds_of(&codes).await?;
        let row = |lot: &LotCode| rows.iter().find(|r| r.lot == *lot);
        let left = |lot: &LotCode, had: Grams| row(lot).map_or(had, |r| had - r.back_g - r.wasted_g) > Grams::ZERO;
        let sold: Vec<LotCode> =
            there.iter().filter(|(lot, had)| left(lot, *had)).map(|(lot, _)| lot.clone()).collect();
        self.authorise_warm_from(&sold, stall, "Selling", |_| false).await?;
        if let Some(lot) = sold.iter().find(|lot| holds.contains_key(*lot)) {
            self.authoriser(&format!("Saying that lot {lot} was sold or tasted before it was put on hold"))?;
        }
        Ok(())
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
