//! What must be sold first: dispatch simulated day by day over what is ordered, by the rule that lots are really set aside by. What is
//! left of a lot when its days are over is at risk, and the simulation says why no order takes it.

use chrono::{Days, NaiveDate};

use crate::{
    selling::allocation::{AvailableLot, LineDemand, Need, Taken, allocate},
    text::{LotCode, PlaceCode},
    units::quantity::Grams,
};

/// Grams of a lot in a store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stock {
    /// What, where and how much; `free` counts what is set aside too, and `expires_on` is the last day that it can be sold on.
    pub candidate: AvailableLot,
    /// The day that the days which customers ask for are counted to, as when lots are set aside. The last day may be sooner, where the life of
    /// the lot is nearly used.
    pub best_before: NaiveDate,
    /// Nothing goes out of a lot on hold.
    pub on_hold: bool,
}

/// What is ordered for a day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Demand {
    /// What will do.
    pub need: Need,
    /// What is wished beyond what is set aside.
    pub wish: LineDemand,
    /// What is set aside for it.
    pub set_aside: Vec<Taken>,
}

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

/// Stock, and what has become of it in the simulation.
struct Row {
    stock: Stock,
    /// Set aside for an order after its last day.
    too_long: Grams,
    reason: Reason,
}

impl Row {
    fn turned_down(&mut self, reason: Reason) {
        self.reason = self.reason.min(reason);
    }

    /// Notes why a demand that is still short leaves it.
    fn look_at(&mut self, n: usize, demand: &Demand) {
        let (candidate, day) = (&self.stock.candidate, demand.wish.delivery_day);
        let needed_until = day + Days::new(u64::from(demand.wish.least_days));
        if candidate.free <= Grams::ZERO || !demand.need.takes_but_for_grade(&candidate.goods) {
            return;
        }
        let (is_over, is_too_old) = (candidate.expires_on < day, self.stock.best_before < needed_until);
        if !demand.need.takes(&candidate.goods) {
            if !is_over && !is_too_old {
                self.turned_down(Reason::Grade(n));
            }
        } else if is_over {
            self.turned_down(Reason::AfterLastDay(n));
        } else if is_too_old {
            self.turned_down(Reason::TooFewDays(n));
        }
    }
}

/// Simulates dispatch and returns all stock that keeps grams without an order, soonest first.
#[must_use]
pub fn at_risk(stock: &[Stock], demand: &[Demand]) -> Vec<AtRisk> {
    let mut rows: Vec<Row> = stock
        .iter()
        .map(|s| Row {
            stock: s.clone(),
            too_long: Grams::ZERO,
            reason: if s.on_hold { Reason::OnHold } else { Reason::NotOrdered },
        })
        .collect();
    let find = |rows: &mut Vec<Row>, t: &Taken| {
        rows.iter().position(|r| r.stock.candidate.lot == t.lot && r.stock.candidate.place == t.place)
    };
    for (n, d) in demand.iter().enumerate() {
        for aside in &d.set_aside {
            let Some(at) = find(&mut rows, aside).filter(|at| !rows[*at].stock.on_hold) else { continue };
            let row = &mut rows[at];
            row.stock.candidate.free -= aside.grams;
            if row.stock.candidate.expires_on < d.wish.delivery_day {
                row.too_long += aside.grams;
                row.turned_down(Reason::SetAsideTooLong(n));
            }
        }
    }
    let mut turn: Vec<usize> = (0..demand.len()).collect();
    turn.sort_by_key(|n| demand[*n].wish.delivery_day);
    for n in turn {
        let d = &demand[n];
        let needed_until = d.wish.delivery_day + Days::new(u64::from(d.wish.least_days));
        let fits = |s: &Stock| !s.on_hold && s.best_before >= needed_until && d.need.takes(&s.candidate.goods);
        let fitting: Vec<AvailableLot> =
            rows.iter().filter(|r| fits(&r.stock)).map(|r| r.stock.candidate.clone()).collect();
        // What is left of a life has to last until it is handed over; the days after that are those of the best-before day.
        let wish = LineDemand { least_days: 0, ..d.wish };
        let (taken, short) = allocate(&wish, &fitting);
        for t in taken {
            if let Some(at) = find(&mut rows, &t) {
                rows[at].stock.candidate.free -= t.grams;
            }
        }
        if short > Grams::ZERO {
            for row in &mut rows {
                row.look_at(n, d);
            }
        }
    }
    let mut risk: Vec<AtRisk> = rows
        .into_iter()
        .map(|r| AtRisk {
            grams: r.stock.candidate.free.max(Grams::ZERO) + r.too_long,
            last_day: r.stock.candidate.expires_on,
            lot: r.stock.candidate.lot,
            place: r.stock.candidate.place,
            reason: r.reason,
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
        selling::allocation::Goods,
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
            on_hold: false,
        }
    }

    fn order(strain: &str, grams: i64, on: u64) -> Demand {
        Demand {
            need: Need { strains: vec![strain.parse().unwrap()], least_rank: 2, form: Form::Fresh, packaging: None },
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
