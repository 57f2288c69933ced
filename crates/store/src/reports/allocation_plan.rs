//! All orders filled at once as well as can be, beside first-expiring-first.

use std::{collections::BTreeMap, time::Duration};

use chrono::{Days, NaiveDate};
use gillbook_core::{
    Grams,
    limits::{MAX_SIMULATIONS_WAITING, MAX_SOLVER_TIME, MAX_SOLVERS},
    selling::{
        allocation_plan::{Allotted, Plan, PlanComparison, PlanFacts},
        simulation::Demand,
    },
    text::{LotCode, OrderCode, PlaceCode, ProductCode, StrainCode},
    units::{calendar::day_of, money::CurrencyRules},
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    Result, Tx,
    bounded::BoundedWork,
    reports::{risk::HORIZON_DAYS, supply::Ordered},
};

/// Orders of so many days from today are planned. Later ones take what these leave: a harvest may still fill them.
const PLANNED_DAYS: u64 = 2;

static SOLVING: BoundedWork = BoundedWork::new(MAX_SOLVERS, MAX_SIMULATIONS_WAITING);

/// Grams of a lot for a line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PlannedLot {
    /// The lot.
    pub lot: LotCode,
    /// Where it is.
    pub place: PlaceCode,
    /// How much, with what is set aside of it for the line already.
    pub grams_g: Grams,
}

/// A line of an order of which something is to be set aside.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PlannedLine {
    /// Its number.
    pub line: i32,
    /// The product.
    pub product: ProductCode,
    /// What it would have of which lots.
    pub lots: Vec<PlannedLot>,
    /// What it would have by the simple rule.
    pub lots_by_rule: Vec<PlannedLot>,
    /// What it would be short of.
    pub short_g: Grams,
}

/// An order that is planned: of which something is to be set aside, and nothing is packed yet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PlannedOrder {
    /// The order.
    pub order: OrderCode,
    /// Whose.
    pub customer_name: String,
    /// The day it goes out.
    pub delivery_day: NaiveDate,
    /// Whether it would have other lots than by the simple rule.
    pub is_other: bool,
    /// All its lines.
    pub lines: Vec<PlannedLine>,
}

/// What a plan comes to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PlanTotals {
    /// What the orders are short of.
    pub short_g: Grams,
    /// What is left over of the lots that end within 14 days, on average over the weeks that are looked back on, if what usually sells beside
    /// the orders sells as in one of them. With no such week, what the orders leave.
    pub left_over_g: Grams,
    /// What that would bring, at the mean prices of the last four weeks. None for who may not see prices.
    #[schema(value_type = Option<String>)]
    pub left_over_money: Option<Decimal>,
    /// Grams of a better grade than was asked for, times the grades between.
    pub better_grade_g: Grams,
}

/// The orders of today and the two days after, filled at once as well as can be. Those of which something is packed already are left as they
/// are, and later ones take what these leave.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct AllocationPlan {
    /// Whether the search for the best plan came to its end in the time that it has. If not, the best that was found by then stands, or the
    /// simple rule.
    pub is_proven: bool,
    /// What the plan comes to.
    pub plan: PlanTotals,
    /// What first-expiring-first comes to, order by order.
    pub by_rule: PlanTotals,
    /// The last day of which orders are planned.
    pub planned_until: NaiveDate,
    /// ISO 4217 letters.
    pub currency: String,
    /// The orders, the earliest first.
    pub orders: Vec<PlannedOrder>,
}

impl AllocationPlan {
    /// The same without money, for who may not see prices.
    #[must_use]
    pub fn without_money(mut self) -> Self {
        (self.plan.left_over_money, self.by_rule.left_over_money) = (None, None);
        self
    }
}

/// What a plan is worked out by.
pub struct PlanQuestion {
    facts: PlanFacts,
    ordered: Vec<Ordered>,
    prices: BTreeMap<StrainCode, Decimal>,
    coinage: CurrencyRules,
    planned_until: NaiveDate,
}

/// The plan, worked out away from the threads that answer.
///
/// # Errors
/// When too many wait for it.
pub async fn work_out_plan(question: PlanQuestion) -> Result<AllocationPlan> {
    SOLVING.run(move || question.answer(MAX_SOLVER_TIME)).await
}

impl Tx {
    /// What the best way to fill all orders is worked out by: what is in the stores, what is ordered, and what usually sells beside it.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.allocation_plan", skip_all, fields(farm_id = self.farm.0))]
    pub async fn allocation_plan(&mut self) -> Result<PlanQuestion> {
        let settings = self.farm_settings().await?;
        let today = day_of(self.now, settings.zone);
        let until = today + Days::new(HORIZON_DAYS);
        let states = self.lots_in_stock().await?;
        let rules = self.shelf_rules().await?;
        let stock = self.goods_in(&states, &rules).await?.into_iter().map(|g| g.stock).collect();
        let planned_until = today + Days::new(PLANNED_DAYS);
        let ordered = self.ordered(today).await?;
        let is_planned = |o: &Ordered| o.demand.wish.delivery_day <= planned_until && !o.is_begun;
        // What is set aside stays with its order; what is wished beyond that is planned, or takes what the planned orders leave.
        let wished = |o: &Ordered| Demand { set_aside: Vec::new(), ..o.demand.clone() };
        let others: Vec<Demand> = ordered.iter().filter(|o| !is_planned(o)).map(wished).collect();
        let of = |o: &Ordered| {
            let mut demand = o.demand.clone();
            if !is_planned(o) {
                demand.wish.grams = Grams::ZERO;
            }
            demand
        };
        let demand = ordered.iter().map(of).collect();
        let usual = self.habits().await?.usual;
        let expected = |week: &NaiveDate| -> Vec<Demand> {
            let repeated = usual.as_in(*week, until).into_iter().map(|r| r.demand);
            others.iter().cloned().chain(repeated).collect()
        };
        let mut weeks: Vec<Vec<Demand>> = usual.weeks().iter().map(expected).collect();
        if weeks.is_empty() {
            weeks.push(others);
        }
        let facts = PlanFacts { stock, ordered: demand, weeks, until };
        let prices = self.mean_prices(self.now).await?;
        Ok(PlanQuestion { facts, ordered, prices, coinage: settings.coinage, planned_until })
    }
}

impl PlanQuestion {
    fn answer(self, within: Duration) -> AllocationPlan {
        let compared = self.facts.compare(within);
        let mut orders: Vec<PlannedOrder> = Vec::new();
        for (n, ordered) in self.ordered.iter().enumerate() {
            if orders.last().is_none_or(|o| o.order != ordered.order) {
                orders.push(PlannedOrder {
                    order: ordered.order.clone(),
                    customer_name: ordered.customer.clone(),
                    delivery_day: ordered.demand.wish.delivery_day,
                    is_other: false,
                    lines: Vec::new(),
                });
            }
            let line = self.line(n, ordered, &compared);
            if let Some(order) = orders.last_mut() {
                order.is_other |= line.lots != line.lots_by_rule;
                order.lines.push(line);
            }
        }
        let is_planned = |order: &OrderCode| {
            let lines = self.ordered.iter().zip(&self.facts.ordered);
            lines.into_iter().any(|(o, demand)| o.order == *order && demand.wish.grams > Grams::ZERO)
        };
        orders.retain(|o| is_planned(&o.order));
        AllocationPlan {
            is_proven: compared.is_proven,
            plan: self.totals(&compared.best, compared.weeks),
            by_rule: self.totals(&compared.simple, compared.weeks),
            planned_until: self.planned_until,
            currency: self.coinage.currency().to_owned(),
            orders,
        }
    }

    fn line(&self, n: usize, ordered: &Ordered, compared: &PlanComparison) -> PlannedLine {
        let lots = self.lots(n, &compared.best.allotted);
        let given: Grams = compared.best.allotted.iter().filter(|a| a.demand == n).map(|a| a.grams).sum();
        PlannedLine {
            line: ordered.line,
            product: ordered.product.clone(),
            lots_by_rule: self.lots(n, &compared.simple.allotted),
            short_g: self.facts.ordered[n].wish.grams - given,
            lots,
        }
    }

    /// What a line has of each lot: what is set aside for it, and what is allotted to it.
    fn lots(&self, n: usize, allotted: &[Allotted]) -> Vec<PlannedLot> {
        let mut sums: BTreeMap<(&LotCode, &PlaceCode), Grams> = BTreeMap::new();
        for taken in &self.facts.ordered[n].set_aside {
            *sums.entry((&taken.lot, &taken.place)).or_default() += taken.grams;
        }
        for a in allotted.iter().filter(|a| a.demand == n) {
            let candidate = &self.facts.stock[a.stock].candidate;
            *sums.entry((&candidate.lot, &candidate.place)).or_default() += a.grams;
        }
        let planned = |((lot, place), grams_g): ((&LotCode, &PlaceCode), Grams)| PlannedLot {
            lot: lot.clone(),
            place: place.clone(),
            grams_g,
        };
        sums.into_iter().map(planned).collect()
    }

    fn totals(&self, plan: &Plan, weeks: usize) -> PlanTotals {
        let weeks = i64::try_from(weeks).unwrap_or(1).max(1);
        let worth = |(grams, stock): (&Grams, &gillbook_core::selling::simulation::Stock)| {
            let price = self.prices.get(&stock.candidate.goods.strain)?;
            Some(self.coinage.by_weight(*grams, *price))
        };
        let money: Decimal = plan.left.iter().zip(&self.facts.stock).filter_map(worth).sum();
        PlanTotals {
            short_g: plan.short,
            left_over_g: Grams((plan.left_over().0 + weeks / 2) / weeks),
            left_over_money: Some(self.coinage.round(money / Decimal::from(weeks))),
            better_grade_g: plan.better,
        }
    }
}
