//! Dispatch simulated day by day, over what is ordered, by the rule that lots are really set aside by.

use std::cmp::Ordering;

use chrono::NaiveDate;

use super::allocation::{AvailableLot, Freshness, Goods, LineDemand, Need, Taken, best_before};
use crate::units::quantity::Grams;

/// How closely the most that can be promised of loose goods is looked for.
const LOOSE_STEP: Grams = Grams(10);

/// Grams of a lot in a store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stock {
    /// What, where and how much; `free` counts what is set aside too, and `expires_on` is the last day that it can be sold on.
    pub candidate: AvailableLot,
    /// The day that the days which customers ask for are counted to, as when lots are set aside. The last day may be sooner, where the life of
    /// the lot is nearly used.
    pub best_before: NaiveDate,
    /// The lot's own best-before day, set when it was packed.
    pub own_best_before: Option<NaiveDate>,
    /// The day on which its life is used up at the earliest; none where that is not known.
    pub life_ends: Option<NaiveDate>,
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
    /// The day on which it is picked.
    pub harvest_day: NaiveDate,
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
}

/// Something that goods can be taken from: stock, or what is coming.
struct Row<'a> {
    goods: &'a Goods,
    freshness: Freshness,
    best_before: NaiveDate,
    own_best_before: Option<NaiveDate>,
    life_ends: Option<NaiveDate>,
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
            own_best_before: stock.own_best_before,
            life_ends: stock.life_ends,
            ready_on: None,
            on_hold: stock.on_hold,
            tie: 0,
        }
    }

    fn of_coming(coming: &'a Coming, tie: usize) -> Self {
        let freshness = Freshness {
            expires_on: coming.best_before,
            harvest_day: coming.harvest_day,
            grade_rank: coming.goods.grade_rank,
        };
        Self {
            goods: &coming.goods,
            freshness,
            best_before: coming.best_before,
            own_best_before: None,
            life_ends: None,
            ready_on: Some(coming.ready_on),
            on_hold: false,
            tie,
        }
    }

    /// Its best-before day as what is wanted.
    fn best_before_as(&self, need: &Need) -> NaiveDate {
        let Some(keeps) = &need.keeps else { return self.best_before };
        // What is not packed yet is packed as it is wanted.
        let packaging = if self.ready_on.is_some() { need.packaging } else { None }.unwrap_or(self.goods.packaging);
        let by_rule = || best_before(self.freshness.harvest_day, keeps.get(&packaging).copied());
        self.own_best_before.unwrap_or_else(by_rule)
    }

    /// Its dates as what is wanted: the last day is the best-before day, or sooner where its life is used up by then.
    fn freshness_as(&self, need: &Need) -> Freshness {
        if need.keeps.is_none() {
            return self.freshness;
        }
        let by_rule = self.best_before_as(need);
        Freshness { expires_on: self.life_ends.map_or(by_rule, |ends| ends.min(by_rule)), ..self.freshness }
    }

    /// Whether it will do. What is left of a life has to last until it is handed over; the days after that are those of the best-before day.
    fn will_do(&self, need: &Need, wish: &LineDemand) -> bool {
        let is_wanted = match self.ready_on {
            None => need.takes(self.goods),
            Some(ready_on) => ready_on <= wish.delivery_day && need.takes_once_packed(self.goods),
        };
        is_wanted
            && !self.on_hold
            && self.freshness_as(need).expires_on >= wish.delivery_day
            && self.best_before_as(need) >= wish.needed_until()
    }
}

/// What there is and what is coming, and all that is ordered.
pub struct Simulation<'a> {
    rows: Vec<Row<'a>>,
    stock: &'a [Stock],
    demand: &'a [Demand],
    /// What each row holds beyond what is set aside.
    free: Vec<Grams>,
    /// The demands that wish for something, in the order of their days, each with the rows that will do in the order in which they are taken.
    turns: Vec<(usize, Vec<usize>)>,
    /// What is short of each demand as it is.
    short: Vec<Grams>,
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
        let mut simulation = Self { rows, stock, demand, free, turns: Vec::new(), short: Vec::new() };
        for (_, at, grams) in simulation.set_aside().collect::<Vec<_>>() {
            simulation.free[at] -= grams;
        }
        let mut turns: Vec<usize> = (0..demand.len()).filter(|n| demand[*n].wish.grams > Grams::ZERO).collect();
        turns.sort_by_key(|n| demand[*n].wish.delivery_day);
        simulation.turns =
            turns.into_iter().map(|n| (n, simulation.rows_for(&demand[n].need, &demand[n].wish))).collect();
        simulation.short = simulation.run(|_, _| {}).short;
        simulation
    }

    /// What each stock holds beyond what is set aside.
    pub(super) fn free(&self) -> &[Grams] {
        &self.free
    }

    /// The demands that wish for something, the earliest day first, each with the stocks that will do in the order in which they are taken.
    pub(super) fn turns(&self) -> &[(usize, Vec<usize>)] {
        &self.turns
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
        let freshness = |at: &usize| self.rows[*at].freshness_as(need);
        fitting.sort_by(|a, b| match wish.order_of(freshness(a), freshness(b)) {
            Ordering::Equal => self.rows[*a].tie.cmp(&self.rows[*b].tie),
            order => order,
        });
        fitting
    }

    /// Fills all that is ordered, the earliest day first. `when_short` is told of each demand that stays short, with what is free by then.
    #[must_use]
    pub fn run(&self, when_short: impl FnMut(usize, &[Grams])) -> Outcome {
        let mut outcome = self.untouched();
        self.fill(&self.turns, &mut outcome, when_short, |_, _, _| {});
        outcome
    }

    /// Likewise. `when_taken` is told of what each demand takes of which row.
    #[must_use]
    pub fn run_through(&self, when_taken: impl FnMut(usize, usize, Grams)) -> Outcome {
        let mut outcome = self.untouched();
        self.fill(&self.turns, &mut outcome, |_, _| {}, when_taken);
        outcome
    }

    /// Before anything is filled.
    fn untouched(&self) -> Outcome {
        Outcome { free: self.free.clone(), short: self.demand.iter().map(|d| d.wish.grams).collect() }
    }

    fn fill(
        &self,
        turns: &[(usize, Vec<usize>)],
        outcome: &mut Outcome,
        mut when_short: impl FnMut(usize, &[Grams]),
        mut when_taken: impl FnMut(usize, usize, Grams),
    ) {
        for (n, rows) in turns {
            let taken = |at, grams| when_taken(*n, at, grams);
            outcome.short[*n] = take(&self.demand[*n].wish, rows, &mut outcome.free, taken);
            if outcome.short[*n] > Grams::ZERO {
                when_short(*n, &outcome.free);
            }
        }
    }

    /// An amount that can be promised beyond what is ordered, so that no order gets less for it. The grams of the wish are not looked at.
    ///
    /// It is what a simulation has shown to be possible. Where all goods are alike it is the most there is; where grades or packs part them a
    /// little more may be possible: it is looked for to within a pack, or ten grams of what is loose.
    #[must_use]
    pub fn free_for(&self, need: &Need, wish: &LineDemand) -> Grams {
        let rows = self.rows_for(need, wish);
        let on_its_day = |(n, _): &(usize, Vec<usize>)| self.demand[*n].wish.delivery_day <= wish.delivery_day;
        let (before, after) = self.turns.split_at(self.turns.partition_point(on_its_day));
        // Orders up to its day are served first, whatever is asked for.
        let mut so_far = self.untouched();
        self.fill(before, &mut so_far, |_, _| {}, |_, _, _| {});
        // What is promised when so much is asked for, and what others lose by it.
        let ask = |grams: Grams| {
            let mut outcome = so_far.clone();
            let promised = grams - take(&LineDemand { grams, ..*wish }, &rows, &mut outcome.free, |_, _| {});
            self.fill(after, &mut outcome, |_, _| {}, |_, _, _| {});
            let lost = outcome.short.iter().zip(&self.short).map(|(a, b)| (*a - *b).max(Grams::ZERO)).sum::<Grams>();
            (promised, lost)
        };
        let all = rows.iter().map(|at| so_far.free[*at].max(Grams::ZERO)).sum();
        let (promised, lost) = ask(all);
        if lost == Grams::ZERO {
            return promised;
        }
        let (mut possible, mut low, mut high) = (Grams::ZERO, Grams::ZERO, all);
        // Less by what others lose: where all goods are alike that is the most.
        let mut next = promised - lost;
        while high - low > wish.pack.unwrap_or(LOOSE_STEP) {
            if next <= low {
                next = Grams(i64::midpoint(low.0, high.0));
            }
            match ask(next) {
                (promised, Grams::ZERO) => (possible, low) = (promised, next),
                _ => high = next,
            }
            next = Grams(i64::midpoint(low.0, high.0));
        }
        possible
    }
}

/// Takes what a wish asks for of rows in their order. Returns what is short.
fn take(wish: &LineDemand, rows: &[usize], free: &mut [Grams], mut when_taken: impl FnMut(usize, Grams)) -> Grams {
    let mut short = wish.grams;
    for at in rows {
        if short <= Grams::ZERO {
            break;
        }
        let grams = wish.take(free[*at], short);
        free[*at] -= grams;
        short -= grams;
        if grams > Grams::ZERO {
            when_taken(*at, grams);
        }
    }
    short
}
