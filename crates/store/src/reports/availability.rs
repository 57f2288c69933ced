//! What can still be promised, beside all that is promised already.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use gillbook_core::{
    Grams,
    growing::forecast::{ExpectedPick, expected_picks},
    limits::{MAX_SIMULATIONS, MAX_SIMULATIONS_WAITING},
    selling::{
        availability::{Availability, ExpectedHarvest, FARTHEST, PromiseFacts, available_on, coming_of},
        order::Order,
        product::{Price, Product},
        promise::{OrderPromise, promise},
        simulation::Coming,
    },
    text::{CustomerCode, GradeCode, ProductCode, StrainCode},
    units::calendar::day_of,
};

use crate::{Pagination, Result, Tx, bounded::BoundedWork, reports::supply::ShelfRules};

/// The most products that are told of.
const MAX_PRODUCTS: i64 = 500;

static SIMULATING: BoundedWork = BoundedWork::new(MAX_SIMULATIONS, MAX_SIMULATIONS_WAITING);

/// What can still be promised on days, worked out away from the threads that answer.
///
/// # Errors
/// When too many wait for it.
pub async fn work_out_availability(facts: PromiseFacts, days: Vec<NaiveDate>) -> Result<Availability> {
    SIMULATING.run(move || available_on(&facts, &days)).await
}

/// Whether an order can be filled, worked out likewise.
///
/// # Errors
/// When too many wait for it.
pub async fn work_out_promise(facts: PromiseFacts, order: Order) -> Result<OrderPromise> {
    SIMULATING.run(move || promise(&facts, &order)).await
}

/// What is coming at the lower and at the upper quartile, and the strains in fruit of which too little is known to say.
#[derive(Default)]
struct Harvest {
    low: Vec<Coming>,
    high: Vec<Coming>,
    no_forecast: BTreeSet<StrainCode>,
}

impl Tx {
    /// What a promise is worked out by, for a customer or for anybody: of the first products by code, and of those that are asked for.
    ///
    /// # Errors
    /// Refuses a customer that is not there.
    #[tracing::instrument(level = "debug", name = "store.reports.promise_facts", skip_all, fields(farm_id = self.farm.0))]
    pub async fn promise_facts(
        &mut self,
        customer: Option<&CustomerCode>,
        asked: &[ProductCode],
    ) -> Result<PromiseFacts> {
        let settings = self.farm_settings().await?;
        let zone = settings.zone;
        let today = day_of(self.now, zone);
        let customer = match customer {
            Some(code) => Some(self.customer(code).await?),
            None => None,
        };
        let lots = self.lots_in_stock().await?;
        let rules = self.shelf_rules().await?;
        let stock = self.goods_in(&lots, &rules).await?.into_iter().map(|g| g.stock).collect();
        let keeps = self.rules_by_product().await?;
        let (mut lines, mut demand) = (Vec::new(), Vec::new());
        for mut o in self.ordered(today).await? {
            o.demand.need.keeps = Some(keeps.get(&o.product).cloned().unwrap_or_default());
            lines.push((o.order, o.line));
            demand.push(o.demand);
        }
        let ranks = self.grade_ranks().await?;
        let harvest = self.harvest_to_come(today, &ranks, &rules).await?;
        let mut products: Vec<Product> = self.products(&Pagination { after: None, limit: MAX_PRODUCTS }).await?;
        let is_there = |code: &ProductCode| products.iter().any(|p| p.product == *code);
        let missing: Vec<ProductCode> = asked.iter().filter(|code| !is_there(code)).cloned().collect();
        if !missing.is_empty() {
            products.extend(self.products_named(&missing).await?.into_values());
        }
        let prices: Vec<Price> = match &customer {
            Some(customer) => self.prices_of(&customer.price_list).await?,
            None => Vec::new(),
        };
        Ok(PromiseFacts {
            today,
            now: self.now,
            zone,
            currency: settings.coinage.currency().to_owned(),
            stock,
            low: harvest.low,
            high: harvest.high,
            demand,
            lines,
            products,
            keeps,
            ranks,
            customer,
            prices,
            closed_days: self.closed_days_ahead(today).await?,
            no_forecast: harvest.no_forecast,
        })
    }

    /// What is expected of the batches in fruit.
    async fn harvest_to_come(
        &mut self,
        today: NaiveDate,
        ranks: &BTreeMap<GradeCode, i32>,
        rules: &ShelfRules,
    ) -> Result<Harvest> {
        let flushes = self.flushes(today).await?;
        let mut harvest = Harvest::default();
        for batch in self.in_fruit().await?.into_iter().filter(|batch| !batch.on_hold) {
            let strain = &batch.strain;
            let by_rank = |(grade, grams): (&GradeCode, &Grams)| Some((*ranks.get(grade)?, *grams));
            let grades: Vec<(i32, Grams)> =
                flushes.grades.get(strain).into_iter().flatten().filter_map(by_rank).collect();
            // Nobody knows yet how it will be packed.
            let keeps_days = rules.iter().filter(|((of, _), _)| of == strain).map(|(_, days)| *days).min();
            for (flush, coming) in flushes.coming(&batch, today) {
                let past = flushes.finished(strain, flush, today);
                let Some(picks) = expected_picks(&coming, &past, today, today + FARTHEST) else {
                    harvest.no_forecast.insert(strain.clone());
                    continue;
                };
                let expected = ExpectedHarvest { strain, picks: &picks, grades: &grades, keeps_days };
                harvest.low.extend(coming_of(expected, |p: &ExpectedPick| p.low));
                harvest.high.extend(coming_of(expected, |p: &ExpectedPick| p.high));
            }
        }
        Ok(harvest)
    }
}
