//! Reports: what a block earns, and what calls for attention.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use gillbook_core::{
    Grams,
    calendar::day_of,
    earnings::{BatchStage, Sale, best_and_worst, contribution, follow},
    text::{BatchCode, CookCode, CustomerCode, LotCode, RecipeCode, StrainCode},
    words::{CustomerKind, OrderStatus},
    yields::{biological_efficiency, per_block},
};
use rust_decimal::Decimal;
use serde::Serialize;
use utoipa::ToSchema;

use crate::{Page, Result, Tx};

/// What a flush of a batch gave.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct FlushYield {
    /// The flush.
    pub flush: i32,
    /// Grams harvested, trim included.
    pub grams_g: Grams,
}

/// What a batch gave and earned.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct BatchEarnings {
    /// The batch.
    pub batch: BatchCode,
    /// Its strain.
    pub strain: StrainCode,
    /// Its cook.
    pub cook: Option<CookCode>,
    /// Its recipe.
    pub recipe: RecipeCode,
    /// The day it was made.
    pub made_on: NaiveDate,
    /// Blocks made.
    pub blocks: i32,
    /// Blocks lost.
    pub lost: i32,
    /// Blocks still standing.
    pub standing: i32,
    /// Grams by flush.
    pub flushes: Vec<FlushYield>,
    /// Grams harvested, trim included.
    pub harvested_g: Grams,
    /// Grams a block made.
    pub per_block_g: Option<f64>,
    /// Biological efficiency, per cent, where everything was weighed before cutting or with its trim.
    pub biological_efficiency: Option<f64>,
    /// The same quotient where only cut weight is known.
    pub saleable_yield: Option<f64>,
    /// How far it has come. Only finished batches are compared.
    pub stage: BatchStage,
    /// Grams sold.
    pub sold_g: Grams,
    /// Revenue without tax.
    #[schema(value_type = String)]
    pub revenue: Decimal,
    /// Its part of stalls' fees.
    #[schema(value_type = String)]
    pub fee: Decimal,
    /// Cost of its blocks.
    #[schema(value_type = String)]
    pub cost: Decimal,
    /// Revenue less fee and cost.
    #[schema(value_type = String)]
    pub contribution: Decimal,
    /// Contribution a block made.
    #[schema(value_type = String)]
    pub contribution_per_block: Decimal,
    /// Whether some of it rests on shares and not on the scale.
    pub rests_on_shares: bool,
}

/// Sales of a customer or channel.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct CustomerEarnings {
    /// The customer.
    pub customer: CustomerCode,
    /// Its channel.
    pub channel: CustomerKind,
    /// Grams sold.
    pub sold_g: Grams,
    /// Revenue without tax.
    #[schema(value_type = String)]
    pub revenue: Decimal,
    /// Stalls' fees.
    #[schema(value_type = String)]
    pub fee: Decimal,
    /// Revenue less fee, a kilogram.
    #[schema(value_type = Option<String>)]
    pub per_kg: Option<Decimal>,
}

/// What blocks earn.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Earnings {
    /// Batches by code.
    pub batches: Vec<BatchEarnings>,
    /// The finished batch that earned most a block.
    pub best: Option<BatchCode>,
    /// The finished batch that earned least a block.
    pub worst: Option<BatchCode>,
    /// Customers by revenue, the best first.
    pub customers: Vec<CustomerEarnings>,
    /// Grams sold of lots without a known batch (the opening entry).
    pub unknown_g: Grams,
    /// What they brought, and takings that no goods stand behind.
    #[schema(value_type = String)]
    pub unknown_revenue: Decimal,
    /// ISO 4217 letters.
    pub currency: String,
}

/// What calls for attention this morning.
#[derive(Debug, Clone, PartialEq)]
pub struct Morning {
    /// Free and promised grams by strain.
    pub strains: Vec<(StrainCode, Grams, Grams)>,
    /// Orders for today or before that have not gone out.
    pub to_make_up: i64,
    /// Dockets on the way.
    pub on_the_way: i64,
    /// Lots on hold with stock.
    pub on_hold: i64,
    /// Grams short on orders until today.
    pub short_g: Grams,
}

impl Tx {
    /// What blocks earn, by batch and by customer.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn earnings(&mut self) -> Result<Earnings> {
        let coinage = self.ways().await?.coinage;
        let sales = self.sales(None).await?;
        let make_ups = self.make_ups(None).await?;
        let rows: Vec<Sale> =
            sales.iter().map(|s| Sale { lot: s.lot.clone(), grams: s.grams, amount: s.amount, fee: s.fee }).collect();
        let followed = follow(&rows, &make_ups, coinage);
        let earned = followed.by_batch();
        let costs = sqlx::query!(
            r#"select recipe as "recipe: RecipeCode", block_cost, block_dry_g from recipe where farm_id = $1"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        let weighed = sqlx::query!(
            r#"select s.batch as "batch: BatchCode", s.flush, sum(s.grams)::bigint as "grams!: Grams",
                      bool_or(w.cut and w.trim_g = 0) as "cut_only!", bool_or(s.basis = 'shared') as "shared!"
                 from weighing_source s join weighing w using (farm_id, act_id)
                where s.farm_id = $1 and not exists (select from act x where x.farm_id = s.farm_id and x.reverses = s.act_id)
                group by s.batch, s.flush order by s.batch, s.flush"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut batches = Vec::new();
        for b in self.batches(&Page { after: None, limit: 10_000 }).await? {
            let flushes: Vec<_> = weighed.iter().filter(|w| w.batch == b.batch).collect();
            let harvested: Grams = flushes.iter().map(|w| w.grams).sum();
            let recipe = costs
                .iter()
                .find(|c| c.recipe == b.recipe)
                .ok_or_else(|| crate::Error::Stored(format!("batch {} has no recipe", b.batch)))?;
            let dry = Grams(i64::from(recipe.block_dry_g) * i64::from(b.blocks));
            let quotient = biological_efficiency(harvested, dry).filter(|_| harvested > Grams::ZERO);
            let cut_only = flushes.iter().any(|w| w.cut_only);
            let sold = earned.get(&b.batch).cloned().unwrap_or_default();
            let gain = contribution(sold.amount, sold.fee, recipe.block_cost, b.blocks, coinage);
            batches.push(BatchEarnings {
                rests_on_shares: sold.shared || flushes.iter().any(|w| w.shared),
                flushes: flushes.iter().map(|w| FlushYield { flush: w.flush, grams_g: w.grams }).collect(),
                per_block_g: per_block(harvested, b.blocks),
                biological_efficiency: quotient.filter(|_| !cut_only),
                saleable_yield: quotient.filter(|_| cut_only),
                harvested_g: harvested,
                sold_g: sold.grams,
                stage: BatchStage::of(b.origin, b.blocks, b.lost, b.standing, harvested),
                revenue: coinage.round(sold.amount),
                fee: coinage.round(sold.fee),
                cost: coinage.round(recipe.block_cost * Decimal::from(b.blocks)),
                contribution: gain,
                contribution_per_block: coinage.round(gain / Decimal::from(b.blocks)),
                batch: b.batch,
                strain: b.strain,
                cook: b.cook,
                recipe: b.recipe,
                made_on: b.made_on,
                blocks: b.blocks,
                lost: b.lost,
                standing: b.standing,
            });
        }
        let mut customers: BTreeMap<CustomerCode, CustomerEarnings> = BTreeMap::new();
        for s in &sales {
            let c = customers.entry(s.customer.clone()).or_insert_with(|| CustomerEarnings {
                customer: s.customer.clone(),
                channel: s.channel,
                sold_g: Grams::ZERO,
                revenue: Decimal::ZERO,
                fee: Decimal::ZERO,
                per_kg: None,
            });
            c.sold_g += s.grams;
            c.revenue += s.amount;
            c.fee += s.fee;
        }
        let mut customers: Vec<CustomerEarnings> = customers
            .into_values()
            .map(|c| CustomerEarnings {
                per_kg: (c.sold_g > Grams::ZERO)
                    .then(|| coinage.round((c.revenue - c.fee) * Decimal::from(1000) / Decimal::from(c.sold_g.0))),
                revenue: coinage.round(c.revenue),
                fee: coinage.round(c.fee),
                ..c
            })
            .collect();
        customers.sort_by(|a, b| (b.revenue, &a.customer).cmp(&(a.revenue, &b.customer)));
        let ends = best_and_worst(&batches, |b| b.stage, |b| b.contribution_per_block);
        let (best, worst) = ends.map(|(b, w)| (b.batch.clone(), w.batch.clone())).unzip();
        Ok(Earnings {
            batches,
            best,
            worst,
            customers,
            unknown_g: followed.unknown.grams,
            unknown_revenue: coinage.round(followed.unknown.amount),
            currency: self.farm().await?.currency,
        })
    }

    /// What calls for attention this morning.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn morning(&mut self) -> Result<Morning> {
        let today = day_of(self.now, self.ways().await?.zone);
        let mut strains: BTreeMap<StrainCode, (Grams, Grams)> = BTreeMap::new();
        let stock = self.stock(None, None).await?;
        let held: std::collections::BTreeSet<&LotCode> = stock.iter().filter(|s| s.on_hold).map(|s| &s.lot).collect();
        let on_hold = i64::try_from(held.len()).unwrap_or(i64::MAX);
        for s in stock.iter().filter(|s| s.place_kind.sells() && !s.on_hold) {
            strains.entry(s.strain.clone()).or_default().0 += s.grams_g;
        }
        let orders = self
            .orders(None, Some(today + Days::new(2)), Some(OrderStatus::Confirmed), &Page { after: None, limit: 5000 })
            .await?;
        let products = self.products(&Page { after: None, limit: 5000 }).await?;
        for l in orders.iter().flat_map(|o| &o.lines) {
            // A product of several strains counts for its first.
            if let Some(strain) = products.iter().find(|p| p.product == l.product).and_then(|p| p.strains.first()) {
                strains.entry(strain.clone()).or_default().1 += l.grams_g;
            }
        }
        let due: Vec<_> = orders.iter().filter(|o| o.delivery_day <= today).collect();
        let on_the_way = sqlx::query_scalar!(
            r#"select count(*) as "n!" from customer_order where farm_id = $1 and status = 'dispatched'"#,
            self.farm.0
        )
        .fetch_one(&mut *self.db)
        .await?;
        Ok(Morning {
            strains: strains.into_iter().map(|(s, (free, promised))| (s, free, promised)).collect(),
            to_make_up: i64::try_from(due.len()).unwrap_or(i64::MAX),
            on_the_way,
            on_hold,
            short_g: due.iter().flat_map(|o| &o.lines).map(|l| l.short_g).sum(),
        })
    }
}
