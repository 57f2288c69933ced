//! What must be sold first: dispatch simulated day by day over what is ordered and what usually sells, by the rule that lots are really set
//! aside by. What is as likely left of a lot when its days are over as not is at risk, and the simulation says why no order takes it.

use chrono::{Days, NaiveDate};

use super::simulation::{Demand, Simulation, Stock};
use crate::{
    kinds::RiskReason,
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

impl Reason {
    /// The reason without its order.
    #[must_use]
    pub const fn kind(self) -> RiskReason {
        match self {
            Self::OnHold => RiskReason::OnHold,
            Self::SetAsideTooLong(_) => RiskReason::SetAsideTooLong,
            Self::TooFewDays(_) => RiskReason::TooFewDays,
            Self::Grade(_) => RiskReason::Grade,
            Self::AfterLastDay(_) => RiskReason::AfterLastDay,
            Self::NotOrdered => RiskReason::NotOrdered,
        }
    }
}

/// What of a lot in a store is at risk: what is left of it in at least half of the ways in which the coming days may go, so that each of
/// these grams is as likely left as not, or more.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AtRisk {
    /// The lot.
    pub lot: LotCode,
    /// Where it is.
    pub place: PlaceCode,
    /// What is left in at least half of `by_week`.
    pub grams: Grams,
    /// What is left over in each of the weeks, in their order; without any, what orders alone leave.
    pub by_week: Vec<Grams>,
    /// The last day it can be sold.
    pub last_day: NaiveDate,
    /// Why no order takes it.
    pub reason: Reason,
    /// Who takes the rest of it in `week`.
    pub taken: Vec<TakenBy>,
    /// The first of the weeks in which just those grams are left.
    pub week: usize,
}

/// Grams that somebody takes of a lot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TakenBy {
    /// Who.
    pub demand: DemandOf,
    /// How much.
    pub grams: Grams,
}

/// What takes grams of a lot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DemandOf {
    /// One that is ordered, by its place among those.
    Order(usize),
    /// One that comes again as in the week, by its place among those of that week.
    Repeated(usize),
}

impl AtRisk {
    /// The least that is left in any of the weeks.
    #[must_use]
    pub fn low(&self) -> Grams {
        self.by_week.iter().copied().min().unwrap_or_default()
    }

    /// The most that is left in any of the weeks.
    #[must_use]
    pub fn high(&self) -> Grams {
        self.by_week.iter().copied().max().unwrap_or_default()
    }
}

/// What is left in at least half of the weeks: their median, and of an even number the upper of the two in the middle.
fn left_in_half(by_week: &[Grams]) -> Grams {
    let mut left = by_week.to_vec();
    left.sort();
    left.get(left.len() / 2).copied().unwrap_or_default()
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

/// One way in which the coming days may go.
pub(super) struct Course {
    /// What is left of each stock when its days are over.
    pub left: Vec<Grams>,
    /// Which demand takes how much of which stock. A demand that is set aside for takes that.
    taken: Vec<(usize, usize, Grams)>,
}

impl Course {
    /// Simulates dispatch. What is set aside for an order after the last day of its lot is left, too.
    pub fn of(stock: &[Stock], demand: &[Demand]) -> Self {
        let simulation = Simulation::new(stock, &[], demand);
        let is_late = |n: usize, at: usize| stock[at].candidate.expires_on < demand[n].wish.delivery_day;
        let (late, mut taken): (Vec<_>, Vec<_>) = simulation.set_aside().partition(|(n, at, _)| is_late(*n, *at));
        let free = simulation.run_through(|n, at, grams| taken.push((n, at, grams))).free;
        let mut left: Vec<Grams> = free.into_iter().map(|grams| grams.max(Grams::ZERO)).collect();
        for (_, at, grams) in late {
            left[at] += grams;
        }
        Self { left, taken }
    }
}

/// Why orders leave what they leave of each stock.
fn reasons(stock: &[Stock], ordered: &[Demand]) -> Vec<Reason> {
    let simulation = Simulation::new(stock, &[], ordered);
    let mut reasons: Vec<Reason> =
        stock.iter().map(|s| if s.on_hold { Reason::OnHold } else { Reason::NotOrdered }).collect();
    for (n, at, _) in simulation.set_aside() {
        if stock[at].candidate.expires_on < ordered[n].wish.delivery_day {
            reasons[at] = reasons[at].min(Reason::SetAsideTooLong(n));
        }
    }
    let _ = simulation.run(|n, free| {
        for (at, s) in stock.iter().enumerate().filter(|(at, _)| free[*at] > Grams::ZERO) {
            if let Some(reason) = why_left(n, &ordered[n], s) {
                reasons[at] = reasons[at].min(reason);
            }
        }
    });
    reasons
}

/// Simulates dispatch over what is ordered and, once for each week that is looked back on, over what usually sells beside it. Returns all
/// stock of which anything may be left, soonest first.
#[must_use]
pub fn at_risk(stock: &[Stock], ordered: &[Demand], weeks: &[Vec<Demand>]) -> Vec<AtRisk> {
    let reasons = reasons(stock, ordered);
    let with = |week: &Vec<Demand>| Course::of(stock, &ordered.iter().chain(week).cloned().collect::<Vec<_>>());
    let mut courses: Vec<Course> = weeks.iter().map(with).collect();
    if courses.is_empty() {
        courses.push(Course::of(stock, ordered));
    }
    let demand_of = |n: usize| n.checked_sub(ordered.len()).map_or(DemandOf::Order(n), DemandOf::Repeated);
    let mut risk: Vec<AtRisk> = stock
        .iter()
        .enumerate()
        .map(|(at, s)| {
            let by_week: Vec<Grams> = courses.iter().map(|c| c.left[at]).collect();
            let grams = left_in_half(&by_week);
            let week = by_week.iter().position(|left| *left == grams).unwrap_or_default();
            let taken = courses[week].taken.iter().filter(|(_, of, _)| *of == at);
            let taken = taken.map(|(n, _, grams)| TakenBy { demand: demand_of(*n), grams: *grams }).collect();
            AtRisk {
                lot: s.candidate.lot.clone(),
                place: s.candidate.place.clone(),
                grams,
                by_week,
                last_day: s.candidate.expires_on,
                reason: reasons[at],
                taken,
                week,
            }
        })
        .filter(|r| r.high() > Grams::ZERO)
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
mod season;

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
        let risk = at_risk(&fridge, &[order("OY", 2500, 1), order("OY", 2000, 4)], &[]);
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
            told(&at_risk(&fridge, &[order("OY", 600, 1)], &[])),
            [("L1", 600, Reason::NotOrdered), ("L3", 300, Reason::NotOrdered)]
        );
        assert_eq!(told(&at_risk(&fridge, &[order("OY", 1400, 1)], &[])), [("L3", 300, Reason::Grade(0))]);
    }

    #[test]
    fn days_that_are_asked_for_and_orders_far_off_are_named() {
        let fridge = [stock(1, "OY", 570, 2)];
        let mut picky = order("OY", 1000, 1);
        picky.wish.least_days = 2;
        let far = order("OY", 1000, 4);
        assert_eq!(told(&at_risk(&fridge, &[far.clone(), picky], &[])), [("L1", 570, Reason::TooFewDays(1))]);
        assert_eq!(told(&at_risk(&fridge, &[far], &[])), [("L1", 570, Reason::AfterLastDay(0))]);
    }

    #[test]
    fn days_that_are_asked_for_are_those_of_the_best_before_day() {
        // Its life is used up a day before its best-before day.
        let mut worn = stock(1, "OY", 570, 3);
        worn.best_before = day(4);
        let mut asked = order("OY", 500, 2);
        asked.wish.least_days = 2;
        assert_eq!(
            told(&at_risk(std::slice::from_ref(&worn), &[asked.clone()], &[])),
            [("L1", 70, Reason::NotOrdered)]
        );
        asked.wish.least_days = 3;
        assert_eq!(told(&at_risk(std::slice::from_ref(&worn), &[asked], &[])), [("L1", 570, Reason::TooFewDays(0))]);
        assert_eq!(told(&at_risk(&[worn], &[order("OY", 500, 4)], &[])), [("L1", 570, Reason::AfterLastDay(0))]);
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
            told(&at_risk(&fridge, &[in_time, too_long], &[])),
            [("L1", 1000, Reason::SetAsideTooLong(1)), ("L2", 100, Reason::NotOrdered)]
        );
    }

    #[test]
    fn nothing_goes_out_of_a_lot_on_hold() {
        let mut fridge = [stock(1, "OY", 1000, 3), stock(2, "OY", 1000, 8)];
        fridge[0].on_hold = true;
        let risk = at_risk(&fridge, &[order("OY", 800, 1)], &[]);
        assert_eq!(told(&risk), [("L1", 1000, Reason::OnHold), ("L2", 200, Reason::NotOrdered)]);
    }

    #[test]
    fn what_half_of_the_weeks_leave_is_at_risk_and_the_rest_is_told_with_who_takes_it() {
        let fridge = [stock(1, "OY", 3000, 3), stock(2, "LM", 500, 3)];
        let orders = [order("OY", 1000, 1)];
        let week = |grams| vec![order("OY", grams, 2)];
        let risk = at_risk(&fridge, &orders, &[week(1900), week(500), week(2500), week(1100)]);
        // 100, 1500, nothing and 900 are left: at least 900 in two of four.
        assert_eq!(told(&risk), [("L1", 900, Reason::NotOrdered), ("L2", 500, Reason::NotOrdered)]);
        assert_eq!((risk[0].low(), risk[0].high()), (Grams(0), Grams(1500)));
        assert_eq!(risk[0].by_week, [100, 1500, 0, 900].map(Grams));
        let taken = |demand, grams| TakenBy { demand, grams: Grams(grams) };
        assert_eq!(risk[0].taken, [taken(DemandOf::Order(0), 1000), taken(DemandOf::Repeated(0), 1100)]);
        // What sells in one week of three is at risk all the same, and what sells in two is not.
        let mostly = |n: usize| {
            let weeks: Vec<Vec<Demand>> = (0..3).map(|w| if w < n { week(2000) } else { Vec::new() }).collect();
            at_risk(&fridge[..1], &orders, &weeks)[0].grams
        };
        assert_eq!([mostly(0), mostly(1), mostly(2)], [2000, 2000, 0].map(Grams));
        assert!(at_risk(&fridge[..1], &orders, &[week(2000)]).is_empty(), "nothing can be left");
    }

    proptest! {
        /// What usually sells takes no gram of an order, what is told lies between the best and the worst week, and the rest is taken.
        #[test]
        fn weeks_take_what_orders_leave(
            fridge in prop::collection::vec((1i64..2000, 0u64..9, 1i32..4), 1..7),
            orders in prop::collection::vec((1i64..2500, 0u64..9, 1i32..4), 0..4),
            weeks in prop::collection::vec(prop::collection::vec((1i64..2500, 0u64..9, 1i32..4), 0..4), 1..5),
        ) {
            let fridge: Vec<Stock> = (1u32..).zip(&fridge).map(|(n, (grams, expires, rank))| {
                let mut s = stock(n, "OY", *grams, *expires);
                s.candidate.goods.grade_rank = *rank;
                s
            }).collect();
            let demands = |of: &Vec<(i64, u64, i32)>| of.iter().map(|(grams, on, rank)| {
                let mut d = order("OY", *grams, *on);
                d.need.least_rank = *rank;
                d
            }).collect::<Vec<Demand>>();
            let weeks: Vec<Vec<Demand>> = weeks.iter().map(demands).collect();
            let orders = demands(&orders);
            for r in at_risk(&fridge, &orders, &weeks) {
                let s = fridge.iter().find(|s| s.candidate.lot == r.lot).unwrap();
                prop_assert_eq!(r.by_week.len(), weeks.len());
                prop_assert!(r.low() <= r.grams && r.grams <= r.high() && r.high() <= s.candidate.free);
                let taken: i64 = r.taken.iter().map(|t| t.grams.0).sum();
                prop_assert_eq!(taken + r.by_week[r.week].0, s.candidate.free.0);
            }
        }

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
            let risk = at_risk(&fridge, &orders, &[]);
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
