//! What can still be promised for a day: of what is in stock and of what is expected from the rooms, beside all that is promised already.
//!
//! Dispatch is simulated three times: over the stock alone, and over the stock with the harvest at its lower and at its upper quartile.

use std::{
    borrow::Cow,
    collections::{BTreeMap, BTreeSet},
};

use chrono::{DateTime, Days, NaiveDate, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    allocation::{Goods, LineDemand, Need, best_before},
    customer::Customer,
    pricing::ListPrice,
    product::{Price, Product},
    simulation::{Coming, Demand, Simulation, Stock},
};
use crate::{
    cold::CAUTION,
    growing::forecast::ExpectedPick,
    kinds::{Form, NoDelivery, Packaging, PromiseBasis},
    refusal::Refusal,
    text::{CustomerCode, GradeCode, OrderCode, ProductCode, StrainCode},
    units::{
        calendar::{Day, day_begins},
        quantity::{Grams, share_by_largest_remainder},
    },
};

/// How far ahead is told of, behind today: two weeks with it, as far as standing orders make orders.
pub const FARTHEST: Days = Days::new(13);
/// How many days behind the first are told of where no last one is named: a week with it.
pub const USUAL_SPAN: Days = Days::new(6);

/// Grams that can be had for a day.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Obtainable {
    /// Of what is in stock.
    pub in_stock_g: Grams,
    /// With the harvest that is expected at its lower quartile; at least `in_stock_g`, which more goods cannot make less.
    pub low_g: Grams,
    /// With the harvest that is expected at its upper quartile; at least `low_g`.
    pub high_g: Grams,
}

impl Obtainable {
    pub(super) fn of(figures: [Grams; 3]) -> Self {
        let [in_stock_g, low, high] = figures;
        let low_g = low.max(in_stock_g);
        Self { in_stock_g, low_g, high_g: high.max(low_g) }
    }

    /// What a promise of so much rests on.
    #[must_use]
    pub fn basis(&self, asked: Grams) -> PromiseBasis {
        match asked {
            g if g <= self.in_stock_g => PromiseBasis::InStock,
            g if g <= self.low_g => PromiseBasis::Expected,
            g if g <= self.high_g => PromiseBasis::GoodHarvest,
            _ => PromiseBasis::Short,
        }
    }
}

/// What of a product can still be promised for a day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct AvailableProduct {
    /// The product.
    pub product: ProductCode,
    /// Its name.
    pub name: String,
    /// Nominal grams of a pack, from 1; none of what is sold loose.
    pub pack_g: Option<i32>,
    /// How much.
    #[serde(flatten)]
    pub obtainable: Obtainable,
    /// What a unit costs the customer on that day, in the farm's currency, by the least weight of a line that has the price. Empty where no
    /// customer is named, where their list has none, and for whom prices are not for.
    pub prices: Vec<ListPrice>,
}

/// What can still be promised for a day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct AvailableDay {
    /// The day.
    pub day: NaiveDate,
    /// Why nothing can be promised for it: no delivery goes out.
    pub no_delivery: Option<NoDelivery>,
    /// By when the customer orders for it.
    pub order_by: Option<DateTime<Utc>>,
    /// What there is, by product; what there is none of is left out.
    pub products: Vec<AvailableProduct>,
}

/// What can still be promised, day by day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Availability {
    /// The customer that is asked for.
    pub customer: Option<CustomerCode>,
    /// ISO 4217 letters.
    pub currency: String,
    /// Day by day.
    pub days: Vec<AvailableDay>,
    /// Strains in fruit of which too few flushes are known to expect anything of a harvest.
    pub no_forecast: BTreeSet<StrainCode>,
    /// The usual caution.
    pub caution: Cow<'static, str>,
}

impl Availability {
    /// The same without prices, for who may not see them.
    #[must_use]
    pub fn without_prices(mut self) -> Self {
        for product in self.days.iter_mut().flat_map(|day| &mut day.products) {
            product.prices.clear();
        }
        self
    }
}

/// What a flush of a strain is expected to give.
#[derive(Debug, Clone, Copy)]
pub struct ExpectedHarvest<'a> {
    /// The strain.
    pub strain: &'a StrainCode,
    /// What is expected, day by day.
    pub picks: &'a [ExpectedPick],
    /// The ranks of the grades that its harvests had before, and how many grams of each.
    pub grades: &'a [(i32, Grams)],
    /// Days from harvest that it keeps by the farm's rule; the usual number where there is none.
    pub keeps_days: Option<i32>,
}

/// What promises are worked out by.
#[derive(Debug, Clone)]
pub struct PromiseFacts {
    /// The day that it is on the farm.
    pub today: NaiveDate,
    /// The instant at which today's prices are looked up.
    pub now: DateTime<Utc>,
    /// The farm's zone.
    pub zone: Tz,
    /// ISO 4217 letters.
    pub currency: String,
    /// What is in the stores.
    pub stock: Vec<Stock>,
    /// What is coming at the lower quartile.
    pub low: Vec<Coming>,
    /// What is coming at the upper quartile.
    pub high: Vec<Coming>,
    /// What is ordered and has not gone out.
    pub demand: Vec<Demand>,
    /// The orders and lines that the demand is of, in its order.
    pub lines: Vec<(OrderCode, i32)>,
    /// What is sold.
    pub products: Vec<Product>,
    /// Days from harvest that each product keeps by the farm's rules, by packaging.
    pub keeps: BTreeMap<ProductCode, BTreeMap<Packaging, i32>>,
    /// How good each grade is; 1 is the best.
    pub ranks: BTreeMap<GradeCode, i32>,
    /// The customer that is asked for.
    pub customer: Option<Customer>,
    /// The prices of the customer's list, those that begin later included.
    pub prices: Vec<Price>,
    /// Days on which the farm is closed.
    pub closed_days: BTreeSet<NaiveDate>,
    /// Strains in fruit of which too few flushes are known to expect anything.
    pub no_forecast: BTreeSet<StrainCode>,
}

/// What is coming of a harvest, by grades as they were before. It can go out the day after it is picked.
#[must_use]
pub fn coming_of(harvest: ExpectedHarvest<'_>, grams: impl Fn(&ExpectedPick) -> Grams) -> Vec<Coming> {
    let weights: Vec<i64> = harvest.grades.iter().map(|(_, grams)| grams.0).collect();
    let of_pick = |pick: &ExpectedPick| {
        let shares = share_by_largest_remainder(grams(pick).0, &weights);
        let coming =
            harvest.grades.iter().zip(shares).filter(|(_, share)| *share > 0).map(|((grade_rank, _), share)| {
                let strain = harvest.strain.clone();
                Coming {
                    goods: Goods { strain, grade_rank: *grade_rank, form: Form::Fresh, packaging: Packaging::Open },
                    grams: Grams(share),
                    harvest_day: pick.day,
                    ready_on: pick.day + Days::new(1),
                    best_before: best_before(pick.day, harvest.keeps_days),
                }
            });
        coming.collect::<Vec<_>>()
    };
    harvest.picks.iter().flat_map(of_pick).collect()
}

/// The days to tell of: the coming week unless said.
///
/// # Errors
/// Names the day that is past, and a span that is turned round or too long.
pub fn days_to_tell(today: NaiveDate, from: Option<Day>, until: Option<Day>) -> Result<Vec<NaiveDate>, Refusal> {
    let last = today + FARTHEST;
    let from = from.map_or(today, |d| d.0);
    if !(today..=last).contains(&from) {
        return Err(Refusal::field("from", format!("Ask for days from {today} to {last}, not from {from}.")));
    }
    let until = until.map_or_else(|| (from + USUAL_SPAN).min(last), |d| d.0);
    if !(from..=last).contains(&until) {
        return Err(Refusal::field("until", format!("Ask for days from {from} to {last}, not to {until}.")));
    }
    Ok(from.iter_days().take_while(|day| *day <= until).collect())
}

/// The three simulations.
pub(super) struct Scenarios<'a>([Simulation<'a>; 3]);

impl<'a> Scenarios<'a> {
    pub(super) fn of(facts: &'a PromiseFacts) -> Self {
        let with = |coming: &'a [Coming]| Simulation::new(&facts.stock, coming, &facts.demand);
        Self([with(&[]), with(&facts.low), with(&facts.high)])
    }

    fn free_for(&self, need: &Need, wish: &LineDemand) -> Obtainable {
        Obtainable::of(self.0.each_ref().map(|s| s.free_for(need, wish)))
    }
}

impl PromiseFacts {
    pub(super) fn product(&self, code: &ProductCode) -> Option<&Product> {
        self.products.iter().find(|p| p.product == *code)
    }

    pub(super) fn need(&self, product: &Product) -> Need {
        Need {
            strains: product.strains.clone(),
            least_rank: self.ranks.get(&product.least_grade).copied().unwrap_or(0),
            form: product.form,
            packaging: product.packaging,
            keeps: Some(self.keeps.get(&product.product).cloned().unwrap_or_default()),
        }
    }

    pub(super) fn wish(&self, product: &Product, day: NaiveDate) -> LineDemand {
        LineDemand {
            grams: Grams::ZERO,
            pack: product.pack_g.map(|g| Grams(g.into())),
            delivery_day: day,
            least_days: self.customer.as_ref().map_or(0, |c| c.least_days.unsigned_abs()),
            freshest: self.customer.as_ref().is_some_and(|c| c.freshest),
        }
    }

    /// The prices of a product on a day, the least weight first: the newest of each weight since it was last taken off the list.
    fn prices_on(&self, product: &ProductCode, day: NaiveDate) -> Vec<ListPrice> {
        let at = day_begins(day, self.zone).max(self.now);
        let set: Vec<&Price> =
            self.prices.iter().filter(|p| p.product == *product && p.effective_from.0 <= at).collect();
        let ends = |p: &&&Price| p.amount.is_none() && p.from_g == Grams::ZERO;
        let off_list = set.iter().filter(ends).map(|p| p.effective_from).max();
        let mut newest: BTreeMap<Grams, &Price> = BTreeMap::new();
        for price in set.into_iter().filter(|p| off_list.is_none_or(|off| off < p.effective_from)) {
            let held = newest.entry(price.from_g).or_insert(price);
            if held.effective_from < price.effective_from {
                *held = price;
            }
        }
        let listed = |p: &Price| {
            let Price { from_g, unit, tax_included, .. } = *p;
            Some(ListPrice { from_g, amount: p.amount?, unit, tax_included })
        };
        newest.into_values().filter_map(listed).collect()
    }

    /// What of each product can be had on a day, but for those that there is none of, and those without a price for the customer that is asked
    /// for: none of those can be sent out.
    pub(super) fn products_on(&self, scenarios: &Scenarios<'_>, day: NaiveDate) -> Vec<AvailableProduct> {
        let of = |product: &Product| {
            let obtainable = scenarios.free_for(&self.need(product), &self.wish(product, day));
            AvailableProduct {
                product: product.product.clone(),
                name: product.name.clone(),
                pack_g: product.pack_g,
                obtainable,
                prices: self.prices_on(&product.product, day),
            }
        };
        let is_offered = |p: &AvailableProduct| {
            p.obtainable.high_g > Grams::ZERO && (self.customer.is_none() || !p.prices.is_empty())
        };
        self.products.iter().map(of).filter(is_offered).collect()
    }

    /// Why nothing is delivered on a day, to the customer that is asked for.
    pub(super) fn no_delivery_on(&self, day: NaiveDate) -> Option<NoDelivery> {
        let is_theirs = self.customer.as_ref().is_none_or(|c| c.takes_deliveries_on(day));
        if self.closed_days.contains(&day) {
            return Some(NoDelivery::FarmClosed);
        }
        (!is_theirs).then_some(NoDelivery::NotTheirDay)
    }

    pub(super) fn order_by(&self, day: NaiveDate) -> Option<DateTime<Utc>> {
        self.customer.as_ref().and_then(|c| c.order_by(day, self.zone))
    }
}

/// What can still be promised on days.
#[must_use]
pub fn available_on(facts: &PromiseFacts, days: &[NaiveDate]) -> Availability {
    let scenarios = Scenarios::of(facts);
    let of = |day: &NaiveDate| {
        let no_delivery = facts.no_delivery_on(*day);
        let products = if no_delivery.is_some() { Vec::new() } else { facts.products_on(&scenarios, *day) };
        AvailableDay { day: *day, no_delivery, order_by: facts.order_by(*day), products }
    };
    Availability {
        customer: facts.customer.as_ref().map(|c| c.customer.clone()),
        currency: facts.currency.clone(),
        days: days.iter().map(of).collect(),
        no_forecast: facts.no_forecast.clone(),
        caution: CAUTION.into(),
    }
}

#[cfg(test)]
mod tests;
