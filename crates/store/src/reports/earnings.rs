//! What a block earns: yields and money by batch and by customer.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use gillbook_core::{
    Grams,
    growing::yields::{biological_efficiency, per_block},
    kinds::CustomerKind,
    selling::earnings::{Attributed, BatchStage, Sale, best_and_worst, contribution, follow},
    text::{BatchCode, CookCode, CustomerCode, RecipeCode, StrainCode},
    units::money::CurrencyRules,
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{Pagination, Result, Tx, growing::batches::Batch, selling::sales::SoldRow};

/// What a flush of a batch gave.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct FlushYield {
    /// The flush.
    pub flush: i32,
    /// Grams harvested, trim included.
    pub grams_g: Grams,
}

/// What a batch gave and earned.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
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
    /// Whether it is on hold.
    pub on_hold: bool,
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
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

/// What a recipe says of a block.
struct BlockFacts {
    cost: Decimal,
    dry_g: i32,
}

/// What was weighed of a flush.
struct FlushWeighed {
    flush: i32,
    grams: Grams,
    cut_only: bool,
    shared: bool,
}

impl Tx {
    /// What blocks earn, by batch and by customer.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.earnings", skip_all, fields(farm_id = self.farm.0))]
    pub async fn earnings(&mut self) -> Result<Earnings> {
        let coinage = self.farm_settings().await?.coinage;
        let sales = self.sales(None).await?;
        let compositions = self.compositions(None).await?;
        let rows: Vec<Sale> =
            sales.iter().map(|s| Sale { lot: s.lot.clone(), grams: s.grams, amount: s.amount, fee: s.fee }).collect();
        let followed = follow(&rows, &compositions, coinage);
        let mut earned = followed.by_batch();
        let blocks = self.block_facts().await?;
        let mut weighed = self.flushes_weighed().await?;
        let mut batches = Vec::new();
        for b in self.batches(&Pagination { after: None, limit: 10_000 }).await? {
            let facts = blocks
                .get(&b.recipe)
                .ok_or_else(|| crate::Error::Stored(format!("batch {} has no recipe", b.batch)))?;
            let flushes = weighed.remove(&b.batch).unwrap_or_default();
            let sold = earned.remove(&b.batch).unwrap_or_default();
            batches.push(batch_earnings(b, facts, &flushes, &sold, coinage));
        }
        let ends = best_and_worst(&batches, |b| b.stage, |b| b.contribution_per_block);
        let (best, worst) = ends.map(|(b, w)| (b.batch.clone(), w.batch.clone())).unzip();
        Ok(Earnings {
            batches,
            best,
            worst,
            customers: customer_earnings(&sales, coinage),
            unknown_g: followed.unknown.grams,
            unknown_revenue: coinage.round(followed.unknown.amount),
            currency: self.farm_settings().await?.coinage.currency().to_owned(),
        })
    }

    async fn block_facts(&mut self) -> Result<BTreeMap<RecipeCode, BlockFacts>> {
        let rows = sqlx::query!(
            r#"select recipe as "recipe: RecipeCode", block_cost, block_dry_g from recipe where farm_id = $1"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|r| (r.recipe, BlockFacts { cost: r.block_cost, dry_g: r.block_dry_g })).collect())
    }

    async fn flushes_weighed(&mut self) -> Result<BTreeMap<BatchCode, Vec<FlushWeighed>>> {
        let rows = sqlx::query!(
            r#"select s.batch as "batch: BatchCode", s.flush, sum(s.grams)::bigint as "grams!: Grams",
                      bool_or(w.cut and w.trim_g = 0) as "cut_only!", bool_or(s.basis = 'shared') as "shared!"
                 from weighing_source s join weighing w using (farm_id, act_id)
                where s.farm_id = $1 and not exists (select from act x where x.farm_id = s.farm_id and x.reverses = s.act_id)
                group by s.batch, s.flush order by s.batch, s.flush"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut weighed: BTreeMap<BatchCode, Vec<FlushWeighed>> = BTreeMap::new();
        for r in rows {
            let flush = FlushWeighed { flush: r.flush, grams: r.grams, cut_only: r.cut_only, shared: r.shared };
            weighed.entry(r.batch).or_default().push(flush);
        }
        Ok(weighed)
    }
}

fn batch_earnings(
    b: Batch,
    facts: &BlockFacts,
    flushes: &[FlushWeighed],
    sold: &Attributed,
    coinage: CurrencyRules,
) -> BatchEarnings {
    let harvested: Grams = flushes.iter().map(|w| w.grams).sum();
    let dry = Grams(i64::from(facts.dry_g) * i64::from(b.blocks));
    let quotient = biological_efficiency(harvested, dry).filter(|_| harvested > Grams::ZERO);
    let cut_only = flushes.iter().any(|w| w.cut_only);
    let gain = contribution(sold.amount, sold.fee, facts.cost, b.blocks, coinage);
    BatchEarnings {
        stage: BatchStage::of(b.origin, b.blocks, b.lost, b.standing, harvested),
        rests_on_shares: sold.shared || flushes.iter().any(|w| w.shared),
        flushes: flushes.iter().map(|w| FlushYield { flush: w.flush, grams_g: w.grams }).collect(),
        per_block_g: per_block(harvested, b.blocks),
        biological_efficiency: quotient.filter(|_| !cut_only),
        saleable_yield: quotient.filter(|_| cut_only),
        harvested_g: harvested,
        sold_g: sold.grams,
        revenue: coinage.round(sold.amount),
        fee: coinage.round(sold.fee),
        cost: coinage.round(facts.cost * Decimal::from(b.blocks)),
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
        on_hold: b.hold.is_some(),
    }
}

/// Customers by revenue, the best first.
fn customer_earnings(sales: &[SoldRow], coinage: CurrencyRules) -> Vec<CustomerEarnings> {
    let mut by_customer: BTreeMap<&CustomerCode, (CustomerKind, Grams, Decimal, Decimal)> = BTreeMap::new();
    for s in sales {
        let sum = by_customer.entry(&s.customer).or_insert((s.channel, Grams::ZERO, Decimal::ZERO, Decimal::ZERO));
        sum.1 += s.grams;
        sum.2 += s.amount;
        sum.3 += s.fee;
    }
    let mut customers: Vec<CustomerEarnings> = by_customer
        .into_iter()
        .map(|(customer, (channel, sold_g, revenue, fee))| CustomerEarnings {
            customer: customer.clone(),
            channel,
            sold_g,
            per_kg: (sold_g > Grams::ZERO)
                .then(|| coinage.round((revenue - fee) * Decimal::from(1000) / Decimal::from(sold_g.0))),
            revenue: coinage.round(revenue),
            fee: coinage.round(fee),
        })
        .collect();
    customers.sort_by(|a, b| (b.revenue, &a.customer).cmp(&(a.revenue, &b.customer)));
    customers
}
