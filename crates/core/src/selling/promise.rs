//! Whether an order can be filled beside all others, and what that rests on.

use std::{cmp::Reverse, collections::BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    allocation::LineDemand,
    availability::{AvailableProduct, Obtainable, PromiseFacts, Scenarios},
    order::{Order, OrderLine},
    simulation::{Coming, Demand, Simulation},
};
use crate::{
    kinds::{NoDelivery, PromiseBasis},
    text::{OrderCode, ProductCode, StrainCode},
    units::quantity::Grams,
};

/// The most products that are offered in place of one that is short.
const MAX_SUBSTITUTES: usize = 3;

/// A product that can take the place of one that is short.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Substitute {
    /// The product.
    pub product: ProductCode,
    /// Its name.
    pub name: String,
    /// How much of it, also with a poor harvest; no more than is missing.
    pub grams_g: Grams,
}

/// What of a line of an order can be had.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PromisedLine {
    /// Its number.
    pub line: i32,
    /// The product.
    pub product: ProductCode,
    /// Its name.
    pub name: String,
    /// How much is ordered.
    pub grams_g: Grams,
    /// Nominal grams of a pack, from 1; none of what is sold loose.
    pub pack_g: Option<i32>,
    /// How much of that can be had without any other order getting less, what is set aside for it included. Of two lines of the same goods the
    /// first is served first.
    #[serde(flatten)]
    pub obtainable: Obtainable,
    /// What the promise rests on.
    pub basis: PromiseBasis,
    /// What can take the place of what is missing, where the customer takes something else. Each is told of alone.
    pub substitutes: Vec<Substitute>,
}

/// Whether an order can be filled.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct OrderPromise {
    /// The order.
    pub order: OrderCode,
    /// The day it is wanted.
    pub delivery_day: NaiveDate,
    /// The weakest of its lines.
    pub basis: PromiseBasis,
    /// By when the customer orders for its day; none where at any time.
    pub order_by: Option<DateTime<Utc>>,
    /// Whether it was placed after that.
    pub late: bool,
    /// Why nothing is delivered on its day.
    pub no_delivery: Option<NoDelivery>,
    /// Line by line.
    pub lines: Vec<PromisedLine>,
    /// Strains of it of which too few flushes are known to expect anything of a harvest.
    pub no_forecast: Vec<StrainCode>,
}

/// The demand with an order's own wishes taken out: what is set aside for it stays its own.
fn demand_of_others(facts: &PromiseFacts, order: &Order) -> Vec<Demand> {
    let demand = facts.demand.iter().zip(&facts.lines).map(|(d, (of, _))| {
        let grams = if *of == order.order { Grams::ZERO } else { d.wish.grams };
        Demand { wish: LineDemand { grams, ..d.wish }, ..d.clone() }
    });
    demand.collect()
}

/// What of each line can be had in one of the scenarios, beside all others and the lines before it.
fn had(facts: &PromiseFacts, order: &Order, coming: &[Coming]) -> Vec<Grams> {
    let mut demand = demand_of_others(facts, order);
    let mut had = Vec::with_capacity(order.lines.len());
    for line in &order.lines {
        let at = facts.lines.iter().position(|(of, n)| *of == order.order && *n == line.line);
        let simulation = Simulation::new(&facts.stock, coming, &demand);
        let aside: Grams = simulation.set_aside().filter(|(n, _, _)| Some(*n) == at).map(|(_, _, grams)| grams).sum();
        let Some(product) = facts.product(&line.product) else {
            had.push(aside);
            continue;
        };
        let wish = facts.wish(product, order.delivery_day.max(facts.today));
        let need = facts.need(product);
        let missing = (wanted(order, line) - aside).max(Grams::ZERO);
        let grams = wish.take(simulation.free_for(&need, &wish), missing);
        demand.push(Demand { need, wish: LineDemand { grams, ..wish }, set_aside: Vec::new() });
        had.push(aside + grams);
    }
    had
}

/// What a line is to come to: what was ordered, or what was packed of it where the customer takes it so much lighter.
fn wanted(order: &Order, line: &OrderLine) -> Grams {
    match line.missing(order.under_percent) {
        Grams::ZERO => line.set_aside.iter().map(|s| s.grams_g).sum::<Grams>().min(line.grams_g),
        _ => line.grams_g,
    }
}

/// Whether an order that has not gone out can be filled without any other getting less.
#[must_use]
pub fn promise(facts: &PromiseFacts, order: &Order) -> OrderPromise {
    let had = [&[][..], &facts.low, &facts.high].map(|coming| had(facts, order, coming));
    let mut lines: Vec<PromisedLine> = Vec::with_capacity(order.lines.len());
    for (n, l) in order.lines.iter().enumerate() {
        let obtainable = Obtainable::of(had.each_ref().map(|had| had[n]));
        lines.push(PromisedLine {
            line: l.line,
            product: l.product.clone(),
            name: l.name.clone(),
            grams_g: l.grams_g,
            pack_g: facts.product(&l.product).and_then(|p| p.pack_g),
            obtainable,
            basis: obtainable.basis(wanted(order, l)),
            substitutes: Vec::new(),
        });
    }
    if facts.customer.as_ref().is_some_and(|c| c.substitutes) && lines.iter().any(|l| l.basis == PromiseBasis::Short) {
        let offered = facts.products_on(&Scenarios::of(facts), order.delivery_day.max(facts.today));
        for n in 0..lines.len() {
            lines[n].substitutes = substitutes_of(facts, n, &lines, &offered);
        }
    }
    let strains = |l: &PromisedLine| facts.product(&l.product).map(|p| &p.strains);
    let no_forecast: BTreeSet<&StrainCode> =
        lines.iter().filter_map(strains).flatten().filter(|s| facts.no_forecast.contains(*s)).collect();
    let order_by = facts.order_by(order.delivery_day);
    OrderPromise {
        order: order.order.clone(),
        delivery_day: order.delivery_day,
        basis: lines.iter().map(|l| l.basis).max().unwrap_or(PromiseBasis::InStock),
        late: order_by.is_some_and(|by| order.placed_at > by),
        order_by,
        no_delivery: facts.no_delivery_on(order.delivery_day),
        no_forecast: no_forecast.into_iter().cloned().collect(),
        lines,
    }
}

/// What can take the place of what a line is short of: of the same form and not on the order already, what is of the same strain first, then
/// what there is most of.
fn substitutes_of(
    facts: &PromiseFacts,
    n: usize,
    lines: &[PromisedLine],
    offered: &[AvailableProduct],
) -> Vec<Substitute> {
    let line = &lines[n];
    let Some(wanted) = facts.product(&line.product).filter(|_| line.basis == PromiseBasis::Short) else {
        return Vec::new();
    };
    let missing = line.grams_g - line.obtainable.low_g;
    let is_new =
        |p: &&AvailableProduct| p.obtainable.low_g > Grams::ZERO && lines.iter().all(|l| l.product != p.product);
    let mut found: Vec<(bool, &AvailableProduct)> = offered
        .iter()
        .filter(is_new)
        .filter_map(|p| {
            let other = facts.product(&p.product).filter(|other| other.form == wanted.form)?;
            Some((other.strains.iter().any(|s| wanted.strains.contains(s)), p))
        })
        .collect();
    found.sort_by_key(|(is_alike, p)| (Reverse(*is_alike), Reverse(p.obtainable.low_g)));
    // What comes of the same mushrooms as another is the same offer twice.
    let mut offers: Vec<Substitute> = Vec::new();
    let mut offered_of: BTreeSet<&StrainCode> = BTreeSet::new();
    for (_, p) in found {
        let strains = facts.product(&p.product).map_or(&[][..], |other| &other.strains);
        if offers.len() == MAX_SUBSTITUTES || strains.iter().any(|strain| offered_of.contains(strain)) {
            continue;
        }
        offered_of.extend(strains);
        let grams_g = p.obtainable.low_g.min(missing);
        offers.push(Substitute { product: p.product.clone(), name: p.name.clone(), grams_g });
    }
    offers
}
