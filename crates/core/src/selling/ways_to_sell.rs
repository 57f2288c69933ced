//! How what is at risk could still be sold: whom to ask, the next market, drying it.

use std::{
    cmp::Reverse,
    collections::{BTreeMap, BTreeSet},
};

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    allocation::Goods,
    usual_demand::{PastSale, UsualDemand},
};
use crate::{
    kinds::{Form, WayKind},
    text::{CustomerCode, StrainCode},
    units::quantity::Grams,
};

/// How many customers are named of a strain at most: more are not rung up in a morning.
const MAX_ASKED: usize = 4;

/// Grams of a lot at risk.
#[derive(Debug, Clone, Copy)]
pub struct LotToSell<'a> {
    /// What they are.
    pub goods: &'a Goods,
    /// How much.
    pub grams: Grams,
    /// Its best-before day, which the days are counted to that customers ask for.
    pub best_before: NaiveDate,
    /// The last day it can be sold.
    pub last_day: NaiveDate,
}

/// A way to sell what is at risk of a strain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct WayToSell {
    /// The strain.
    pub strain: StrainCode,
    /// What to do.
    pub way: WayKind,
    /// Whom to ask.
    pub customer: Option<CustomerCode>,
    /// Their name.
    pub customer_name: Option<String>,
    /// The day of the market.
    pub day: Option<NaiveDate>,
    /// How much of what is at risk that may take: of a customer the lower median of what they took in the weeks in which they took anything, of a market
    /// what its best week sold beyond that median, and never more than is at risk of what they buy. Each way is one in place of the others.
    pub grams_g: Grams,
    /// What that would bring. None where no price is known, and of what is dried.
    #[schema(value_type = Option<String>)]
    pub money: Option<Decimal>,
}

/// What can be done about lots at risk, strain by strain: what takes the most comes first, and drying last.
#[must_use]
pub fn ways_to_sell(
    usual: &UsualDemand,
    lots: &[LotToSell],
    dried: &BTreeSet<StrainCode>,
    worth: impl Fn(&StrainCode, Grams) -> Option<Decimal>,
) -> Vec<WayToSell> {
    let mut by_strain: BTreeMap<&StrainCode, Vec<&LotToSell>> = BTreeMap::new();
    for lot in lots.iter().filter(|lot| lot.last_day >= usual.today) {
        by_strain.entry(&lot.goods.strain).or_default().push(lot);
    }
    let mut ways = Vec::new();
    for (strain, lots) in by_strain {
        let new = |way: WayKind, grams_g: Grams| WayToSell {
            strain: strain.clone(),
            way,
            customer: None,
            customer_name: None,
            day: None,
            grams_g,
            money: worth(strain, grams_g),
        };
        let asked = who_to_ask(usual, &lots).into_iter().map(|(sale, grams)| WayToSell {
            customer: Some(sale.customer.clone()),
            customer_name: Some(sale.name.clone()),
            ..new(WayKind::Ask, grams)
        });
        let market = market(usual, &lots);
        let market = market.map(|(day, grams)| WayToSell { day: Some(day), ..new(WayKind::Market, grams) });
        let mut of_strain: Vec<WayToSell> = asked.chain(market).collect();
        of_strain.sort_by_key(|way| Reverse(way.grams_g));
        ways.extend(of_strain);
        let fresh: Grams = lots.iter().filter(|lot| lot.goods.form == Form::Fresh).map(|lot| lot.grams).sum();
        if dried.contains(strain) && fresh > Grams::ZERO {
            ways.push(WayToSell { money: None, ..new(WayKind::Dry, fresh) });
        }
    }
    ways
}

/// Whom to ask for how much: who usually takes the most first.
fn who_to_ask<'a>(usual: &'a UsualDemand, lots: &[&LotToSell]) -> Vec<(&'a PastSale, Grams)> {
    let mut customers: BTreeMap<&CustomerCode, (&PastSale, Grams, Grams)> = BTreeMap::new();
    for lot in lots {
        for (sale, takes) in usual.who_may_be_asked(lot.goods, lot.best_before, lot.last_day) {
            let (_, usually, at_risk) = customers.entry(&sale.customer).or_insert((sale, takes, Grams::ZERO));
            *usually = takes.max(*usually);
            *at_risk += lot.grams;
        }
    }
    let mut asked: Vec<_> = customers.into_values().collect();
    asked.sort_by(|(a, of_a, _), (b, of_b, _)| (of_b, &a.name).cmp(&(of_a, &b.name)));
    asked.into_iter().take(MAX_ASKED).map(|(sale, usually, at_risk)| (sale, usually.min(at_risk))).collect()
}

/// The next market and how much more than usual it may take of lots that last until then.
fn market(usual: &UsualDemand, lots: &[&LotToSell]) -> Option<(NaiveDate, Grams)> {
    let by_lot = lots.iter().filter_map(|lot| Some((lot.grams, usual.next_market(lot.goods, lot.last_day)?)));
    by_lot
        .fold(None, |all, (at_risk, (day, more))| {
            let (first, most, so_far) = all.unwrap_or((day, more, Grams::ZERO));
            Some((day.min(first), more.max(most), so_far + at_risk))
        })
        .map(|(day, more, at_risk)| (day, more.min(at_risk)))
}
