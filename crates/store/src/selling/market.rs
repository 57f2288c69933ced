//! Market days: what went to the stall, what was sold, what came back.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use gillbook_core::{
    Grams,
    kinds::{ActKind, LotOrigin, MarketDayStatus, PlaceKind},
    ledger::entry::{PlannedLeg, PlannedLink, PlannedLot, built_in_place},
    refusal::{Refusal, RefusalKind},
    selling::market::{Cleared, MarketClose, MarketDay, NewMarketDay, StallSale, close},
    text::{CustomerCode, LotCode, MarketDayCode, PlaceCode, ProductCode},
    units::calendar::day_of,
};
use rust_decimal::Decimal;
use serde::Serialize;

use crate::{
    Pagination, Result, Tx,
    heads::Heads,
    ledger::posting::{NewAct, NewLot, Parts},
};

/// More stalls than a farm has; each is out with one market day.
const MAX_OPEN_DAYS: i64 = 20;

impl Tx {
    /// Takes goods to a stall.
    ///
    /// # Errors
    /// Refuses a place that is no stall, a stall that is out already, a lot on hold, and more than is there.
    #[tracing::instrument(level = "debug", name = "store.selling.open_market_day", skip_all, fields(farm_id = self.farm.0))]
    pub async fn open_market_day(&mut self, new: &NewMarketDay) -> Result<MarketDay> {
        let left_at = self.occurred_at(new.left_at, "/left_at")?;
        let coinage = self.farm_settings().await?.coinage;
        let kind = self.place_kind(&new.stall, "/stall").await?;
        new.ensure_possible(kind, coinage)?;
        let lots: Vec<LotCode> = new.taken.iter().map(|t| t.lot.clone()).collect();
        self.lock(&Heads { places: std::slice::from_ref(&new.stall), lots: &lots, ..Heads::default() }).await?;
        let out = sqlx::query_scalar!(
            "select market_day from market_day where farm_id = $1 and stall = $2 and status = 'open'",
            self.farm.0,
            new.stall.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        if let Some(out) = out {
            return Err(Refusal::new(
                RefusalKind::Closed,
                format!("{} is out already with market day {out}. Cash that one up first.", new.stall),
            )
            .into());
        }
        let places: Vec<PlaceCode> = new.taken.iter().map(|t| t.place.clone()).collect();
        let there = self.facts_of_lots(&lots).await?;
        new.ensure_goods(|lot| there.contains_key(lot), &self.kinds_of_places(&places).await?)?;
        self.ensure_not_on_hold(&lots).await?;
        self.authorise_warm(&lots).await?;
        let day = match new.day {
            Some(day) => day.0,
            None => day_of(left_at, self.farm_settings().await?.zone),
        };
        let act = NewAct {
            id: new.id.unwrap_or_else(|| self.new_id()),
            kind: ActKind::MarketOut,
            happened_at: left_at,
            by: new.by.as_ref(),
            document: None,
            reason: "",
            reverses: None,
        };
        let out = MarketDayRow { stall: &new.stall, customer: &new.customer, day, float_amount: new.float_amount };
        let legs = new.taken.iter().map(|t| PlannedLeg::of(&t.lot, &t.place, &new.stall, t.grams_g));
        let entry = Parts::default().with_one("market_day", &out)?;
        let posted = self.post(&act, &legs.collect::<Vec<_>>(), entry).await?;
        let code = posted.act.document.unwrap_or_default().parse().map_err(crate::Error::Stored)?;
        self.market_day(&code).await
    }

    /// Closes a market day: what is not brought back, wasted or tasted was sold, and the takings are shared over it at its prices.
    /// What comes back makes a lot of its own.
    ///
    /// # Errors
    /// Refuses a day that is closed, more than the stall has, and cash below the float.
    #[tracing::instrument(level = "debug", name = "store.selling.close_market_day", skip_all, fields(farm_id = self.farm.0))]
    pub async fn close_market_day(&mut self, code: &MarketDayCode, new: &MarketClose) -> Result<MarketDay> {
        let closed_at = self.occurred_at(new.closed_at, "/closed_at")?;
        let coinage = self.farm_settings().await?.coinage;
        let (day, there) = self.market_day_for_change(code).await?;
        let back_place = self.place_kind(&new.back_place, "/back_place").await?;
        let cleared = close(&day, new, &there, back_place, coinage)?;
        self.authorise_sales(&day.stall, &cleared).await?;
        let sold: Vec<(LotCode, Grams)> =
            cleared.iter().filter(|c| c.sold_g > Grams::ZERO).map(|c| (c.lot.clone(), c.sold_g)).collect();
        let (taken, sales) = self.takings(&day, &sold, new, closed_at).await?;
        let act = NewAct {
            id: self.new_id(),
            kind: ActKind::MarketClose,
            happened_at: closed_at,
            by: new.by.as_ref(),
            document: Some(code.as_str()),
            reason: "",
            reverses: None,
        };
        let back: Vec<&Cleared> = cleared.iter().filter(|c| c.back_g > Grams::ZERO).collect();
        let parents = self.facts_of_lots(&back.iter().map(|c| c.lot.clone()).collect::<Vec<_>>()).await?;
        // What came back is a lot for itself: its own path and clock, its parent's harvest.
        let lots = back.iter().map(|c| NewLot::like(&parents[&c.lot], LotOrigin::Stall));
        let links: Vec<PlannedLink> = back
            .iter()
            .enumerate()
            .map(|(n, c)| PlannedLink { parent: c.lot.clone(), child: PlannedLot::Made(n), grams: c.back_g })
            .collect();
        let entry = Parts::default()
            .with_lots(lots, false)?
            .with_links(&links)?
            .with_one("market_close", &taken)?
            .with("market_sales", &sales)?;
        self.post(&act, &clearing_legs(&day, &cleared, &new.back_place), entry).await?;
        self.market_day(code).await
    }

    /// What stands at a place, its lots locked before it is looked at.
    async fn locked_at(&mut self, place: &PlaceCode) -> Result<Vec<(LotCode, Grams)>> {
        let lots = sqlx::query_scalar!(
            r#"select lot as "lot: LotCode" from balance where farm_id = $1 and place = $2 and grams > 0"#,
            self.farm.0,
            place.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?;
        self.lock_lots(&lots).await?;
        Ok(self.stock(None, Some(place)).await?.into_iter().map(|r| (r.lot, r.grams_g)).collect())
    }

    /// A market day, its stall and what stands there locked.
    async fn market_day_for_change(&mut self, code: &MarketDayCode) -> Result<(MarketDay, Vec<(LotCode, Grams)>)> {
        let stall = self.market_day(code).await?.stall;
        self.lock(&Heads { places: std::slice::from_ref(&stall), ..Heads::default() }).await?;
        let there = self.locked_at(&stall).await?;
        Ok((self.market_day(code).await?, there))
    }

    /// What a stall had sold of a lot before it was put on hold is a fact; that it was before, a person has to answer for. What was in a warm
    /// spell that is not settled is not sold on a shared phone either.
    async fn authorise_sales(&mut self, stall: &PlaceCode, cleared: &[Cleared]) -> Result<()> {
        let codes: Vec<String> = cleared.iter().map(|c| c.lot.to_string()).collect();
        let holds = self.holds_of(&codes).await?;
        let gone = cleared.iter().filter(|c| c.sold_g + c.tasted_g > Grams::ZERO);
        let sold: Vec<LotCode> = gone.map(|c| c.lot.clone()).collect();
        self.authorise_warm_from(&sold, stall, "Selling", |_| false).await?;
        if let Some(lot) = sold.iter().find(|lot| holds.contains_key(*lot)) {
            self.authoriser(&format!("Saying that lot {lot} was sold or tasted before it was put on hold"))?;
        }
        Ok(())
    }

    /// One market day.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.selling.market_day", skip_all, fields(farm_id = self.farm.0))]
    pub async fn market_day(&mut self, code: &MarketDayCode) -> Result<MarketDay> {
        self.market_days_where(Some(code), false, &Pagination { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(MarketDayCode::NOUN, code).into())
    }

    /// Market days by day.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.market_days", skip_all, fields(farm_id = self.farm.0))]
    pub async fn market_days(&mut self, page: &Pagination) -> Result<Vec<MarketDay>> {
        self.market_days_where(None, false, page).await
    }

    /// The market days that are not cashed up yet.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.open_market_days", skip_all, fields(farm_id = self.farm.0))]
    pub async fn open_market_days(&mut self) -> Result<Vec<MarketDay>> {
        self.market_days_where(None, true, &Pagination { after: None, limit: MAX_OPEN_DAYS }).await
    }

    async fn market_days_where(
        &mut self,
        only: Option<&MarketDayCode>,
        open: bool,
        page: &Pagination,
    ) -> Result<Vec<MarketDay>> {
        let coinage = self.farm_settings().await?.coinage;
        let rows = sqlx::query!(
            r#"select market_day as "market_day: MarketDayCode", stall as "stall: PlaceCode", customer as "customer: CustomerCode", day,
                      status as "status: MarketDayStatus", out_act, close_act, float_amount, cash, card, fee, net, cash_rounding,
                      difference_reason
                 from market_day where farm_id = $1 and ($2::text is null or market_day = $2)
                  and ($3::text is null or (day, market_day) > (select day, market_day from market_day where farm_id = $1 and market_day = $3))
                  and (not $5 or status = 'open')
                order by day, market_day limit $4"#,
            self.farm.0,
            only.map(MarketDayCode::as_str),
            page.after,
            page.limit,
            open
        )
        .fetch_all(&mut *self.db)
        .await?;
        let codes: Vec<String> = rows.iter().map(|r| r.market_day.to_string()).collect();
        if codes.is_empty() {
            return Ok(Vec::new());
        }
        let mut tallies = self.tallies(&codes).await?;
        let mut sold = self.stall_sales_of(&codes).await?;
        let with_differences = |mut day: MarketDay| {
            let money = day.cash.zip(day.card);
            (day.cash_difference, day.card_difference) =
                money.and_then(|(cash, card)| day.beside_tally(cash, card)).unzip();
            day
        };
        Ok(rows
            .into_iter()
            .map(|r| MarketDay {
                cash_rounding: r.cash_rounding.map(|a| coinage.round(a)),
                tally: tallies.remove(&r.market_day).unwrap_or_default(),
                cash_difference: None,
                card_difference: None,
                difference_reason: r.difference_reason,
                sold: sold.remove(&r.market_day).unwrap_or_default(),
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
            .map(with_differences)
            .collect())
    }

    /// What market days sold of each lot, with its share of the takings.
    async fn stall_sales_of(&mut self, codes: &[String]) -> Result<BTreeMap<MarketDayCode, Vec<StallSale>>> {
        let coinage = self.farm_settings().await?.coinage;
        let rows = sqlx::query!(
            r#"select market_day as "market_day: MarketDayCode", lot as "lot: LotCode", grams as "grams: Grams", product as "product: ProductCode",
                      price_per_kg, tax_percent, amount, net, fee
                 from market_sale where farm_id = $1 and market_day = any ($2) order by market_day, lot"#,
            self.farm.0,
            codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut sales: BTreeMap<MarketDayCode, Vec<StallSale>> = BTreeMap::new();
        for s in rows {
            sales.entry(s.market_day).or_default().push(StallSale {
                lot: s.lot,
                grams_g: s.grams,
                product: s.product,
                price_per_kg: s.price_per_kg.map(|p| p.normalize()),
                amount: coinage.round(s.amount),
                tax_percent: s.tax_percent.normalize(),
                net: coinage.round(s.net),
                fee: coinage.round(s.fee),
            });
        }
        Ok(sales)
    }
}

/// A market day in the book.
#[derive(Serialize)]
struct MarketDayRow<'a> {
    stall: &'a PlaceCode,
    customer: &'a CustomerCode,
    day: NaiveDate,
    float_amount: Decimal,
}

/// What each lot of a stall does when it is cashed up. What comes back begins a lot, in the order of the lots.
fn clearing_legs(day: &MarketDay, cleared: &[Cleared], back_place: &PlaceCode) -> Vec<PlannedLeg> {
    let [waste, gift, packing] = [PlaceKind::Waste, PlaceKind::Gift, PlaceKind::Packing].map(built_in_place);
    let customer = day.customer.place();
    let mut legs = Vec::new();
    let mut made = 0;
    for c in cleared {
        for (to, grams_g) in [(&customer, c.sold_g), (&waste, c.wasted_g), (&gift, c.tasted_g), (&packing, c.back_g)] {
            if grams_g > Grams::ZERO {
                legs.push(PlannedLeg::of(&c.lot, &day.stall, to, grams_g));
            }
        }
        if c.back_g > Grams::ZERO {
            let (from_place, to_place) = (packing.clone(), back_place.clone());
            legs.push(PlannedLeg { lot: PlannedLot::Made(made), from_place, to_place, grams_g: c.back_g });
            made += 1;
        }
    }
    legs
}
