//! The tally of a stall: what people bought there, sale by sale.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use gillbook_core::{
    Grams,
    kinds::{MarketDayStatus, PriceUnit},
    refusal::{Refusal, RefusalKind},
    selling::{
        market::MarketDay,
        tally::{
            NewTallyReversal, NewTallySale, StallOffer, StallPaymentMethod, TalliedProduct, Tally, TallyLine,
            TallySale, draw_up, ensure_not_before_market, stall_price,
        },
    },
    text::{MarketDayCode, PlaceCode, ProductCode, Short},
    units::calendar::day_of,
};
use serde_json::json;
use sqlx::types::Json;
use uuid::Uuid;

use super::products::listed;
use crate::{Pagination, Result, Tx, heads::Heads};

impl Tx {
    /// Tallies a sale at a stall.
    ///
    /// # Errors
    /// Refuses a day that is cashed up, an id that is there already, and what [`draw_up`] refuses.
    #[tracing::instrument(level = "debug", name = "store.selling.enter_tally_sale", skip_all, fields(farm_id = self.farm.0))]
    pub async fn enter_tally_sale(&mut self, code: &MarketDayCode, new: &NewTallySale) -> Result<TallySale> {
        let sold_at = self.occurred_at(new.sold_at, "/sold_at")?;
        let settings = self.farm_settings().await?;
        let day = self.open_tally(code).await?;
        ensure_not_before_market(day_of(sold_at, settings.zone), day)?;
        let pack_g = self.pack_weights(new).await?;
        let drawn = draw_up(new, &pack_g, settings.coinage)?;
        let id = new.id.unwrap_or_else(|| self.new_id());
        let lines = drawn.lines.iter().enumerate().map(|(i, l)| {
            json!({"line": i + 1, "product": l.product, "packs": l.packs, "grams": l.grams_g, "price": l.price, "amount": l.amount})
        });
        let document = json!({
            "tally_sale": id, "market_day": code, "sold_at": sold_at, "method": new.method, "total": drawn.total, "cash_rounding": drawn.cash_rounding,
            "sold_by": self.name_of(new.by.as_ref()), "entered_by": self.actor.name, "recorded_at": self.now, "lines": lines.collect::<Vec<_>>(),
        });
        sqlx::query!("select post_tally_sale($1, $2)", self.farm.0, document).execute(&mut *self.db).await?;
        self.tally_sale(id).await
    }

    /// Takes a sale of a stall back.
    ///
    /// # Errors
    /// Refuses a day that is cashed up, and a sale that is not there or is taken back already.
    #[tracing::instrument(level = "debug", name = "store.selling.reverse_tally_sale", skip_all, fields(farm_id = self.farm.0))]
    pub async fn reverse_tally_sale(&mut self, id: Uuid, new: &NewTallyReversal) -> Result<TallySale> {
        let code = self.tally_sale(id).await?.market_day;
        self.open_tally(&code).await?;
        if self.tally_sale(id).await?.reversed_at.is_some() {
            let already = "This sale is taken back already. Nothing is left to do.";
            return Err(Refusal::new(RefusalKind::AlreadyReversed, already).into());
        }
        let document = json!({"tally_sale": id, "reversed_at": self.now, "reversed_by": self.name_of(new.by.as_ref()), "entered_by": self.actor.name});
        sqlx::query!("select reverse_tally_sale($1, $2)", self.farm.0, document).execute(&mut *self.db).await?;
        self.tally_sale(id).await
    }

    /// Who did something: the one who is named, or the one signed in.
    fn name_of<'a>(&'a self, by: Option<&'a Short>) -> &'a str {
        by.map_or(self.actor.name.as_str(), Short::as_str)
    }

    /// The day of a market that is open, its stall locked: its close is held against the tally, so that none is added meanwhile.
    async fn open_tally(&mut self, code: &MarketDayCode) -> Result<NaiveDate> {
        let (stall, ..) = self.stall_of(code).await?;
        self.lock(&Heads { places: std::slice::from_ref(&stall), ..Heads::default() }).await?;
        let (_, day, status) = self.stall_of(code).await?;
        if status == MarketDayStatus::Closed {
            let closed =
                format!("Market day {code} is cashed up, and its tally with it. Tell the bookkeeper of this sale.");
            return Err(Refusal::new(RefusalKind::Closed, closed).into());
        }
        Ok(day)
    }

    /// The stall of a market day, its day, and whether it is cashed up.
    async fn stall_of(&mut self, code: &MarketDayCode) -> Result<(PlaceCode, NaiveDate, MarketDayStatus)> {
        let row = sqlx::query!(
            r#"select stall as "stall: PlaceCode", day, status as "status: MarketDayStatus" from market_day where farm_id = $1 and market_day = $2"#,
            self.farm.0,
            code.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?
        .ok_or_else(|| Refusal::not_found(MarketDayCode::NOUN, code))?;
        Ok((row.stall, row.day, row.status))
    }

    /// What a pack of each product of a sale weighs, nothing where it is sold loose.
    async fn pack_weights(&mut self, new: &NewTallySale) -> Result<BTreeMap<ProductCode, Option<i32>>> {
        let products: BTreeSet<String> = new.lines.iter().map(|l| l.product.to_string()).collect();
        let rows = sqlx::query!(
            r#"select product as "product: ProductCode", pack_g from product where farm_id = $1 and product = any ($2)"#,
            self.farm.0,
            &products.into_iter().collect::<Vec<_>>()
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|r| (r.product, r.pack_g)).collect())
    }

    /// One sale of a stall.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.selling.tally_sale", skip_all, fields(farm_id = self.farm.0))]
    pub async fn tally_sale(&mut self, id: Uuid) -> Result<TallySale> {
        self.tally_sales_where(None, Some(id), &Pagination { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found("sale", id).into())
    }

    /// The sales of a market day, newest first, with those that were taken back.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.tally_sales", skip_all, fields(farm_id = self.farm.0))]
    pub async fn tally_sales(&mut self, code: &MarketDayCode, page: &Pagination) -> Result<Vec<TallySale>> {
        self.tally_sales_where(Some(code), None, page).await
    }

    async fn tally_sales_where(
        &mut self,
        of: Option<&MarketDayCode>,
        only: Option<Uuid>,
        page: &Pagination,
    ) -> Result<Vec<TallySale>> {
        let coinage = self.farm_settings().await?.coinage;
        let rows = sqlx::query!(
            r#"select s.tally_sale, s.market_day as "market_day: MarketDayCode", s.sold_at, s.sold_by, s.method as "method: StallPaymentMethod", s.total, s.cash_rounding, s.recorded_at, s.entered_by,
                      r.reversed_at as "reversed_at?", r.reversed_by as "reversed_by?", r.entered_by as "reversal_entered_by?",
                      (select jsonb_agg(jsonb_build_object('product', l.product, 'packs', l.packs, 'grams_g', l.grams, 'price', l.price::text, 'amount', l.amount::text) order by l.line)
                         from tally_line l where l.farm_id = s.farm_id and l.tally_sale = s.tally_sale) as "lines!: Json<Vec<TallyLine>>"
                 from tally_sale s left join tally_reversal r using (farm_id, tally_sale)
                where s.farm_id = $1 and ($2::text is null or s.market_day = $2) and ($3::uuid is null or s.tally_sale = $3)
                  and ($4::text is null or (s.sold_at, s.tally_sale) < (select o.sold_at, o.tally_sale from tally_sale o where o.farm_id = $1 and o.market_day = s.market_day and o.tally_sale::text = $4))
                order by s.sold_at desc, s.tally_sale desc limit $5"#,
            self.farm.0,
            of.map(MarketDayCode::as_str),
            only,
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        let in_coins = |line: TallyLine| TallyLine {
            price: coinage.round(line.price),
            amount: coinage.round(line.amount),
            ..line
        };
        Ok(rows
            .into_iter()
            .map(|r| TallySale {
                id: r.tally_sale,
                market_day: r.market_day,
                sold_at: r.sold_at,
                sold_by: r.sold_by,
                method: r.method,
                lines: r.lines.0.into_iter().map(in_coins).collect(),
                total: coinage.round(r.total),
                cash_rounding: coinage.round(r.cash_rounding),
                recorded_at: r.recorded_at,
                entered_by: r.entered_by,
                reversal_entered_by: r.reversal_entered_by,
                reversed_at: r.reversed_at,
                reversed_by: r.reversed_by,
            })
            .collect())
    }

    /// What the tallies of market days come to, of those that have any.
    pub(super) async fn tallies(&mut self, codes: &[String]) -> Result<BTreeMap<MarketDayCode, Tally>> {
        let coinage = self.farm_settings().await?.coinage;
        let sums = sqlx::query!(
            r#"select s.market_day as "market_day: MarketDayCode", count(*) as "sales!", coalesce(sum(s.total + s.cash_rounding) filter (where s.method = 'cash'), 0) as "cash!",
                      coalesce(sum(s.total) filter (where s.method = 'card'), 0) as "card!", sum(s.cash_rounding) as "cash_rounding!"
                 from tally_sale s
                where s.farm_id = $1 and s.market_day = any ($2)
                  and not exists (select from tally_reversal r where r.farm_id = s.farm_id and r.tally_sale = s.tally_sale)
                group by s.market_day"#,
            self.farm.0,
            codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        let products = sqlx::query!(
            r#"select t.market_day as "market_day!: MarketDayCode", t.product as "product!: ProductCode", p.name, coalesce(sum(t.packs), 0) as "packs!",
                      sum(t.grams)::bigint as "grams!: Grams", sum(t.amount) as "amount!"
                 from tallied t join product p using (farm_id, product)
                where t.farm_id = $1 and t.market_day = any ($2)
                group by t.market_day, t.product, p.name order by t.market_day, t.product"#,
            self.farm.0,
            codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut tallies: BTreeMap<MarketDayCode, Tally> = BTreeMap::new();
        for s in sums {
            let (cash, card) = (coinage.round(s.cash), coinage.round(s.card));
            let tally =
                Tally { sales: s.sales, cash, card, cash_rounding: coinage.round(s.cash_rounding), ..Tally::default() };
            tallies.insert(s.market_day, tally);
        }
        for p in products {
            let tally = tallies.entry(p.market_day).or_default();
            tally.grams_g += p.grams;
            tally.products.push(TalliedProduct {
                product: p.product,
                name: p.name,
                packs: p.packs,
                grams_g: p.grams,
                amount: coinage.round(p.amount),
            });
        }
        Ok(tallies)
    }

    /// The products that a stall offers, with what people pay for them today.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.stall_offers", skip_all, fields(farm_id = self.farm.0))]
    pub async fn stall_offers(&mut self, day: &MarketDay) -> Result<Vec<StallOffer>> {
        let coinage = self.farm_settings().await?.coinage;
        let now: DateTime<Utc> = self.now;
        let rows = sqlx::query!(
            r#"select p.product as "product: ProductCode", p.name, p.pack_g, p.tax_percent, r.amount as "amount?", r.unit as "unit?: PriceUnit", r.tax_included as "tax_included?",
                      (select coalesce(sum(b.grams), 0)::bigint from balance b join lot l using (farm_id, lot) join product_strain s on s.farm_id = l.farm_id and s.strain = l.strain
                        where b.farm_id = p.farm_id and b.place = $3 and b.grams > 0 and s.product = p.product and l.form = p.form) as "there!: Grams"
                 from product p
                 left join (select r.product, r.amount, r.unit, pl.tax_included from customer c join price_list pl using (farm_id, price_list)
                             cross join lateral prices_in_force($1, c.price_list, $4) r
                             where c.farm_id = $1 and c.customer = $2 and r.from_grams = 0) r on r.product = p.product
                where p.farm_id = $1 order by p.product limit 500"#,
            self.farm.0,
            day.customer.as_str(),
            day.stall.as_str(),
            now
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| StallOffer {
                price: listed(r.amount, r.unit, r.tax_included)
                    .and_then(|p| stall_price(p, r.pack_g, r.tax_percent, coinage)),
                product: r.product,
                name: r.name,
                pack_g: r.pack_g,
                there_g: r.there,
            })
            .collect())
    }
}
