//! What will spoil: dispatch simulated day by day over what is ordered, first-expiring-first. What is left of a lot when
//! its days are over is at risk.

use chrono::{Days, NaiveDate};

use crate::{
    allocation::{Candidate, Wish, allocate},
    quantity::Grams,
    text::{LotCode, StrainCode},
};

/// A lot in stock.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stock {
    /// Its strain.
    pub strain: StrainCode,
    /// Where and how much; `free` counts what is set aside too, for it will be sold.
    pub candidate: Candidate,
}

/// What is ordered of some strains for a day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Demand {
    /// Any of these strains will do.
    pub strains: Vec<StrainCode>,
    /// What is wished.
    pub wish: Wish,
}

/// What is left of a lot when its days are over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AtRisk {
    /// The lot.
    pub lot: LotCode,
    /// Grams without an order.
    pub grams: Grams,
    /// The last day it can be sold.
    pub last_day: NaiveDate,
}

/// Simulates dispatch and returns every lot that keeps grams without an order, soonest first.
#[must_use]
pub fn at_risk(stock: &[Stock], demand: &[Demand]) -> Vec<AtRisk> {
    let mut stock = stock.to_vec();
    let mut demand: Vec<&Demand> = demand.iter().collect();
    demand.sort_by_key(|d| d.wish.delivery_day);
    for d in demand {
        let fitting: Vec<Candidate> =
            stock.iter().filter(|s| d.strains.contains(&s.strain)).map(|s| s.candidate.clone()).collect();
        for taken in allocate(&d.wish, &fitting).0 {
            if let Some(s) = stock.iter_mut().find(|s| s.candidate.lot == taken.lot && s.candidate.place == taken.place)
            {
                s.candidate.free -= taken.grams;
            }
        }
    }
    let mut risk: Vec<AtRisk> = Vec::new();
    for s in stock.into_iter().filter(|s| s.candidate.free > Grams::ZERO) {
        match risk.iter_mut().find(|r| r.lot == s.candidate.lot) {
            Some(r) => r.grams += s.candidate.free,
            None => {
                risk.push(AtRisk { lot: s.candidate.lot, grams: s.candidate.free, last_day: s.candidate.expires_on });
            }
        }
    }
    risk.sort_by(|a, b| (a.last_day, &a.lot).cmp(&(b.last_day, &b.lot)));
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
    use super::*;

    fn day(n: u64) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 5, 1).unwrap() + Days::new(n)
    }

    fn stock(n: u32, strain: &str, free: i64, expires: u64) -> Stock {
        Stock {
            strain: strain.parse().unwrap(),
            candidate: Candidate {
                lot: format!("L{n}").parse().unwrap(),
                place: "F1".parse().unwrap(),
                free: Grams(free),
                expires_on: day(expires),
                harvest_day: day(0),
            },
        }
    }

    fn order(strain: &str, grams: i64, on: u64) -> Demand {
        Demand {
            strains: vec![strain.parse().unwrap()],
            wish: Wish { grams: Grams(grams), pack: None, delivery_day: day(on), least_days: 0, freshest: false },
        }
    }

    #[test]
    fn orders_take_the_soonest_and_the_rest_is_at_risk() {
        let fridge = [stock(1, "OY", 3000, 2), stock(2, "OY", 3000, 6), stock(3, "LM", 800, 1)];
        let risk = at_risk(&fridge, &[order("OY", 2500, 1), order("OY", 2000, 4)]);
        // L1 gives 2500 on day 1 and its last 500 spoil on day 2; on day 4 L2 gives 2000.
        let got: Vec<_> = risk.iter().map(|r| (r.lot.as_str(), r.grams.0, r.last_day)).collect();
        assert_eq!(got, [("L3", 800, day(1)), ("L1", 500, day(2)), ("L2", 1000, day(6))]);
    }

    #[test]
    fn urgency_is_said_in_days() {
        assert_eq!(
            [urgency(day(0), day(1)), urgency(day(1), day(1)), urgency(day(2), day(1)), urgency(day(5), day(1))],
            ["past its day", "today", "tomorrow", "later"]
        );
    }
}
