//! Dispatch simulated day by day, over what is ordered, by the rule that lots are really set aside by.

use std::cmp::Ordering;

use chrono::NaiveDate;

use super::allocation::{AvailableLot, Freshness, Goods, LineDemand, Need, Taken};
use crate::units::quantity::Grams;

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

/// Goods that are expected from a harvest. They are packed as they are asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Coming {
    /// What it is.
    pub goods: Goods,
    /// How much.
    pub grams: Grams,
    /// The first day on which it can go out.
    pub ready_on: NaiveDate,
    /// The day until which it will keep.
    pub best_before: NaiveDate,
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

/// How a simulation ends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outcome {
    /// Grams left of each stock, then of each that is coming.
    pub free: Vec<Grams>,
    /// Grams short of each demand.
    pub short: Vec<Grams>,
    /// Grams short of what was asked for beside the demand.
    pub extra_short: Grams,
}

/// Something that goods can be taken from: stock, or what is coming.
struct Row<'a> {
    goods: &'a Goods,
    freshness: Freshness,
    best_before: NaiveDate,
    /// The first day on which it can go out; of stock none.
    ready_on: Option<NaiveDate>,
    on_hold: bool,
    /// Its place among rows that are equally fresh.
    tie: usize,
}

impl<'a> Row<'a> {
    fn of_stock(stock: &'a Stock) -> Self {
        let candidate = &stock.candidate;
        Self {
            goods: &candidate.goods,
            freshness: candidate.freshness(),
            best_before: stock.best_before,
            ready_on: None,
            on_hold: stock.on_hold,
            tie: 0,
        }
    }

    fn of_coming(coming: &'a Coming, tie: usize) -> Self {
        let freshness = Freshness {
            expires_on: coming.best_before,
            harvest_day: coming.ready_on,
            grade_rank: coming.goods.grade_rank,
        };
        let best_before = coming.best_before;
        Self { goods: &coming.goods, freshness, best_before, ready_on: Some(coming.ready_on), on_hold: false, tie }
    }

    /// Whether it will do. What is left of a life has to last until it is handed over; the days after that are those of the best-before day.
    fn will_do(&self, need: &Need, wish: &LineDemand) -> bool {
        let is_wanted = match self.ready_on {
            None => need.takes(self.goods),
            Some(ready_on) => ready_on <= wish.delivery_day && need.takes_once_packed(self.goods),
        };
        is_wanted
            && !self.on_hold
            && self.freshness.expires_on >= wish.delivery_day
            && self.best_before >= wish.needed_until()
    }
}

/// What there is and what is coming, and all that is ordered.
pub struct Simulation<'a> {
    rows: Vec<Row<'a>>,
    stock: &'a [Stock],
    demand: &'a [Demand],
    /// What each row holds beyond what is set aside.
    free: Vec<Grams>,
    /// The demands in the order of their days, each with the rows that will do in the order in which they are taken.
    turns: Vec<(usize, Vec<usize>)>,
}

impl<'a> Simulation<'a> {
    /// Lays out what there is against what is ordered.
    #[must_use]
    pub fn new(stock: &'a [Stock], coming: &'a [Coming], demand: &'a [Demand]) -> Self {
        let mut rows: Vec<Row<'a>> = stock.iter().map(Row::of_stock).collect();
        let mut by_name: Vec<usize> = (0..stock.len()).collect();
        by_name.sort_by_key(|at| (&stock[*at].candidate.lot, &stock[*at].candidate.place));
        for (tie, at) in by_name.into_iter().enumerate() {
            rows[at].tie = tie;
        }
        rows.extend((stock.len()..).zip(coming).map(|(tie, coming)| Row::of_coming(coming, tie)));
        let mut free: Vec<Grams> = stock.iter().map(|s| s.candidate.free).collect();
        free.extend(coming.iter().map(|c| c.grams));
        let mut simulation = Self { rows, stock, demand, free, turns: Vec::new() };
        for (_, at, grams) in simulation.set_aside().collect::<Vec<_>>() {
            simulation.free[at] -= grams;
        }
        let mut turns: Vec<usize> = (0..demand.len()).collect();
        turns.sort_by_key(|n| demand[*n].wish.delivery_day);
        simulation.turns =
            turns.into_iter().map(|n| (n, simulation.rows_for(&demand[n].need, &demand[n].wish))).collect();
        simulation
    }

    /// What is set aside of lots that are not on hold: for which demand, of which stock, how much.
    pub fn set_aside(&self) -> impl Iterator<Item = (usize, usize, Grams)> + '_ {
        let find = |t: &Taken| {
            let is_it = |s: &Stock| s.candidate.lot == t.lot && s.candidate.place == t.place;
            self.stock.iter().position(is_it).filter(|at| !self.stock[*at].on_hold)
        };
        let of = move |(n, d): (usize, &'a Demand)| {
            d.set_aside.iter().filter_map(move |t| find(t).map(|at| (n, at, t.grams)))
        };
        self.demand.iter().enumerate().flat_map(of)
    }

    /// The rows that will do, in the order in which they are taken.
    fn rows_for(&self, need: &Need, wish: &LineDemand) -> Vec<usize> {
        let mut fitting: Vec<usize> = (0..self.rows.len()).filter(|at| self.rows[*at].will_do(need, wish)).collect();
        fitting.sort_by(|a, b| match wish.order_of(self.rows[*a].freshness, self.rows[*b].freshness) {
            Ordering::Equal => self.rows[*a].tie.cmp(&self.rows[*b].tie),
            order => order,
        });
        fitting
    }

    /// Fills all that is ordered, the earliest day first. Is told of each demand that stays short, with what is free by then.
    #[must_use]
    pub fn run(&self, when_short: impl FnMut(usize, &[Grams])) -> Outcome {
        self.run_with(None, when_short)
    }

    /// Likewise, with something more that is asked for, behind what is ordered for its day.
    fn run_with(&self, extra: Option<(&LineDemand, &[usize])>, mut when_short: impl FnMut(usize, &[Grams])) -> Outcome {
        let mut free = self.free.clone();
        let mut short: Vec<Grams> = self.demand.iter().map(|d| d.wish.grams).collect();
        let is_before = |n: usize| extra.is_none_or(|(wish, _)| self.demand[n].wish.delivery_day <= wish.delivery_day);
        let (before, after) = self.turns.split_at(self.turns.partition_point(|(n, _)| is_before(*n)));
        let mut fill = |turns: &[(usize, Vec<usize>)], free: &mut [Grams]| {
            for (n, rows) in turns {
                short[*n] = take(&self.demand[*n].wish, rows, free);
                if short[*n] > Grams::ZERO {
                    when_short(*n, free);
                }
            }
        };
        fill(before, &mut free);
        let extra_short = extra.map_or(Grams::ZERO, |(wish, rows)| take(wish, rows, &mut free));
        fill(after, &mut free);
        Outcome { free, short, extra_short }
    }

    /// The most that can be promised beyond what is ordered, so that no order gets less for it. The grams of the wish are not looked at.
    ///
    /// All that will do is asked for, then less by what others would lose, until they lose nothing: what is returned has been simulated.
    #[must_use]
    pub fn free_for(&self, need: &Need, wish: &LineDemand) -> Grams {
        let rows = self.rows_for(need, wish);
        let before = self.run(|_, _| {});
        let mut grams: Grams = rows.iter().map(|at| self.free[*at].max(Grams::ZERO)).sum();
        // Less by a share of it too after some rounds, so that it comes to an end soon whatever the grades and packs.
        for round in 0.. {
            let asked = LineDemand { grams, ..*wish };
            let after = self.run_with(Some((&asked, &rows)), |_, _| {});
            let promised = grams - after.extra_short;
            let lost: Grams = after.short.iter().zip(&before.short).map(|(a, b)| (*a - *b).max(Grams::ZERO)).sum();
            if lost == Grams::ZERO || promised <= Grams::ZERO {
                return promised.max(Grams::ZERO);
            }
            let share = if round < 8 { Grams(0) } else { Grams(promised.0 / 8) };
            grams = (promised - lost.max(share)).max(Grams::ZERO);
        }
        Grams::ZERO
    }
}

/// Takes what a wish asks for of rows in their order. Returns what is short.
fn take(wish: &LineDemand, rows: &[usize], free: &mut [Grams]) -> Grams {
    let mut short = wish.grams;
    for at in rows {
        let grams = wish.take(free[*at], short);
        free[*at] -= grams;
        short -= grams;
    }
    short
}
