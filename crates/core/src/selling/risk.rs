//! What must be sold first: dispatch simulated day by day over what is ordered, by the rule that lots are really set aside by. What is
//! left of a lot when its days are over is at risk, and the simulation says why no order takes it.

use chrono::{Days, NaiveDate};

use super::simulation::{Demand, Simulation, Stock};
use crate::{
    text::{LotCode, PlaceCode},
    units::quantity::Grams,
};

/// Why no order takes grams, the nearest reason first. A demand is named by its place among those given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Reason {
    /// The lot is on hold.
    OnHold,
    /// They are set aside for an order that is handed over after their last day.
    SetAsideTooLong(usize),
    /// An order would take them if they had more days left when it is handed over.
    TooFewDays(usize),
    /// An order would take them if their grade were better.
    Grade(usize),
    /// An order wants them, but after their last day.
    AfterLastDay(usize),
    /// Nobody has ordered them.
    NotOrdered,
}

/// What is left of a lot in a store when its days are over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AtRisk {
    /// The lot.
    pub lot: LotCode,
    /// Where it is.
    pub place: PlaceCode,
    /// Grams without an order that takes them in time.
    pub grams: Grams,
    /// The last day it can be sold.
    pub last_day: NaiveDate,
    /// Why no order takes them.
    pub reason: Reason,
}

/// Why a demand that is still short leaves what is free of a lot.
fn why_left(n: usize, demand: &Demand, stock: &Stock) -> Option<Reason> {
    let (candidate, day) = (&stock.candidate, demand.wish.delivery_day);
    let (is_over, is_too_old) = (candidate.expires_on < day, stock.best_before < demand.wish.needed_until());
    if !demand.need.takes_but_for_grade(&candidate.goods) {
        return None;
    }
    if !demand.need.takes(&candidate.goods) {
        return (!is_over && !is_too_old).then_some(Reason::Grade(n));
    }
    match (is_over, is_too_old) {
        (true, _) => Some(Reason::AfterLastDay(n)),
        (_, true) => Some(Reason::TooFewDays(n)),
        _ => None,
    }
}

/// Simulates dispatch and returns all stock that keeps grams without an order, soonest first.
#[must_use]
pub fn at_risk(stock: &[Stock], demand: &[Demand]) -> Vec<AtRisk> {
    let simulation = Simulation::new(stock, &[], demand);
    let mut reasons: Vec<Reason> =
        stock.iter().map(|s| if s.on_hold { Reason::OnHold } else { Reason::NotOrdered }).collect();
    let mut too_long = vec![Grams::ZERO; stock.len()];
    for (n, at, grams) in simulation.set_aside() {
        if stock[at].candidate.expires_on < demand[n].wish.delivery_day {
            too_long[at] += grams;
            reasons[at] = reasons[at].min(Reason::SetAsideTooLong(n));
        }
    }
    let left = simulation.run(|n, free| {
        for (at, s) in stock.iter().enumerate().filter(|(at, _)| free[*at] > Grams::ZERO) {
            if let Some(reason) = why_left(n, &demand[n], s) {
                reasons[at] = reasons[at].min(reason);
            }
        }
    });
    let mut risk: Vec<AtRisk> = stock
        .iter()
        .enumerate()
        .map(|(at, s)| AtRisk {
            lot: s.candidate.lot.clone(),
            place: s.candidate.place.clone(),
            grams: left.free[at].max(Grams::ZERO) + too_long[at],
            last_day: s.candidate.expires_on,
            reason: reasons[at],
        })
        .filter(|r| r.grams > Grams::ZERO)
        .collect();
    risk.sort_by(|a, b| (a.last_day, &a.lot, &a.place).cmp(&(b.last_day, &b.lot, &b.place)));
    risk
}

/// How soon something must be done: in words that a page prints.
#[must_use]
pub fn urgency(last_day: NaiveDate, today: NaiveDate) -> &'static str {
    if last_day < today {
        "past its day"
    } else if last_day == today {
        "today"
    } else if last_day == today + Days::new(1) {
        "tomorrow"
    } else {
        "later"
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::{
        kinds::{Form, Packaging},
        selling::allocation::{AvailableLot, Goods, LineDemand, Need, Taken},
    };

    fn day(n: u64) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 5, 1).unwrap() + Days::new(n)
    }

    fn stock(n: u32, strain: &str, free: i64, expires: u64) -> Stock {
        let goods =
            Goods { strain: strain.parse().unwrap(), grade_rank: 1, form: Form::Fresh, packaging: Packaging::Open };
        Stock {
            candidate: AvailableLot {
                lot: format!("L{n}").parse().unwrap(),
                place: "F1".parse().unwrap(),
                free: Grams(free),
                expires_on: day(expires),
                harvest_day: day(0),
                goods,
            },
            best_before: day(expires),
            own_best_before: Some(day(expires)),
            life_ends: None,
            on_hold: false,
        }
    }

    fn order(strain: &str, grams: i64, on: u64) -> Demand {
        Demand {
            need: Need {
                strains: vec![strain.parse().unwrap()],
                least_rank: 2,
                form: Form::Fresh,
                packaging: None,
                keeps: None,
            },
            wish: LineDemand { grams: Grams(grams), pack: None, delivery_day: day(on), least_days: 0, freshest: false },
            set_aside: Vec::new(),
        }
    }

    fn told(risk: &[AtRisk]) -> Vec<(&str, i64, Reason)> {
        risk.iter().map(|r| (r.lot.as_str(), r.grams.0, r.reason)).collect()
    }

    #[test]
    fn orders_take_the_soonest_and_the_rest_is_at_risk() {
        let fridge = [stock(1, "OY", 3000, 2), stock(2, "OY", 3000, 6), stock(3, "LM", 800, 1)];
        let risk = at_risk(&fridge, &[order("OY", 2500, 1), order("OY", 2000, 4)]);
        // L1 gives 2500 on day 1 and its last 500 spoil on day 2; on day 4 L2 gives 2000.
        assert_eq!(
            told(&risk),
            [("L3", 800, Reason::NotOrdered), ("L1", 500, Reason::NotOrdered), ("L2", 1000, Reason::NotOrdered)]
        );
        assert_eq!(risk.iter().map(|r| r.last_day).collect::<Vec<_>>(), [day(1), day(2), day(6)]);
    }

    #[test]
    fn a_grade_that_will_not_do_is_not_taken_and_the_reason_is_said() {
        let mut fridge = [stock(1, "OY", 700, 5), stock(2, "OY", 500, 5), stock(3, "OY", 300, 5)];
        for (s, rank) in fridge.iter_mut().zip([1, 2, 3]) {
            s.candidate.goods.grade_rank = rank;
        }
        // "B or better": the B goes before the A, the C not at all.
        assert_eq!(
            told(&at_risk(&fridge, &[order("OY", 600, 1)])),
            [("L1", 600, Reason::NotOrdered), ("L3", 300, Reason::NotOrdered)]
        );
        assert_eq!(told(&at_risk(&fridge, &[order("OY", 1400, 1)])), [("L3", 300, Reason::Grade(0))]);
    }

    #[test]
    fn days_that_are_asked_for_and_orders_far_off_are_named() {
        let fridge = [stock(1, "OY", 570, 2)];
        let mut picky = order("OY", 1000, 1);
        picky.wish.least_days = 2;
        let far = order("OY", 1000, 4);
        assert_eq!(told(&at_risk(&fridge, &[far.clone(), picky])), [("L1", 570, Reason::TooFewDays(1))]);
        assert_eq!(told(&at_risk(&fridge, &[far])), [("L1", 570, Reason::AfterLastDay(0))]);
    }

    #[test]
    fn days_that_are_asked_for_are_those_of_the_best_before_day() {
        // Its life is used up a day before its best-before day.
        let mut worn = stock(1, "OY", 570, 3);
        worn.best_before = day(4);
        let mut asked = order("OY", 500, 2);
        asked.wish.least_days = 2;
        assert_eq!(told(&at_risk(std::slice::from_ref(&worn), &[asked.clone()])), [("L1", 70, Reason::NotOrdered)]);
        asked.wish.least_days = 3;
        assert_eq!(told(&at_risk(std::slice::from_ref(&worn), &[asked])), [("L1", 570, Reason::TooFewDays(0))]);
        assert_eq!(told(&at_risk(&[worn], &[order("OY", 500, 4)])), [("L1", 570, Reason::AfterLastDay(0))]);
    }

    #[test]
    fn what_is_set_aside_is_sold_by_that_order_or_stands_too_long() {
        let fridge = [stock(1, "OY", 1000, 3), stock(2, "OY", 1000, 8)];
        let aside = |n: u32, grams| {
            vec![Taken { lot: format!("L{n}").parse().unwrap(), place: "F1".parse().unwrap(), grams: Grams(grams) }]
        };
        let in_time = Demand { set_aside: aside(2, 900), ..order("OY", 0, 6) };
        let too_long = Demand { set_aside: aside(1, 400), ..order("OY", 0, 6) };
        assert_eq!(
            told(&at_risk(&fridge, &[in_time, too_long])),
            [("L1", 1000, Reason::SetAsideTooLong(1)), ("L2", 100, Reason::NotOrdered)]
        );
    }

    #[test]
    fn nothing_goes_out_of_a_lot_on_hold() {
        let mut fridge = [stock(1, "OY", 1000, 3), stock(2, "OY", 1000, 8)];
        fridge[0].on_hold = true;
        let risk = at_risk(&fridge, &[order("OY", 800, 1)]);
        assert_eq!(told(&risk), [("L1", 1000, Reason::OnHold), ("L2", 200, Reason::NotOrdered)]);
    }

    proptest! {
        /// Grams are at risk or taken, never both, and no order gets more than it wishes.
        #[test]
        fn grams_are_taken_or_at_risk(
            fridge in prop::collection::vec((1i64..2000, 0u64..9, 1i32..4, prop::bool::weighted(0.2)), 1..9),
            orders in prop::collection::vec((1i64..2500, 0u64..9, 1i32..4, 0u32..3), 0..6),
        ) {
            let fridge: Vec<Stock> = (1u32..).zip(&fridge).map(|(n, (grams, expires, rank, on_hold))| {
                let mut s = stock(n, "OY", *grams, *expires);
                (s.candidate.goods.grade_rank, s.on_hold) = (*rank, *on_hold);
                s
            }).collect();
            let orders: Vec<Demand> = orders.iter().map(|(grams, on, rank, days)| {
                let mut d = order("OY", *grams, *on);
                (d.need.least_rank, d.wish.least_days) = (*rank, *days);
                d
            }).collect();
            let risk = at_risk(&fridge, &orders);
            for r in &risk {
                let s = fridge.iter().find(|s| s.candidate.lot == r.lot).unwrap();
                prop_assert!(r.grams > Grams::ZERO && r.grams <= s.candidate.free);
                prop_assert!(!s.on_hold || (r.grams == s.candidate.free && r.reason == Reason::OnHold));
            }
            let sum = |grams: &mut dyn Iterator<Item = Grams>| grams.map(|g| g.0).sum::<i64>();
            let stock = sum(&mut fridge.iter().map(|s| s.candidate.free));
            let left = sum(&mut risk.iter().map(|r| r.grams));
            let wished = sum(&mut orders.iter().map(|o| o.wish.grams));
            prop_assert!(stock - left <= wished);
            // A grade that no order takes is left whole.
            let least = orders.iter().map(|o| o.need.least_rank).max().unwrap_or(0);
            for s in fridge.iter().filter(|s| s.candidate.goods.grade_rank > least) {
                prop_assert_eq!(risk.iter().find(|r| r.lot == s.candidate.lot).map(|r| r.grams), Some(s.candidate.free));
            }
        }
    }

    #[test]
    fn urgency_is_said_in_days() {
        assert_eq!(
            [urgency(day(0), day(1)), urgency(day(1), day(1)), urgency(day(2), day(1)), urgency(day(5), day(1))],
            ["past its day", "today", "tomorrow", "later"]
        );
    }
}
