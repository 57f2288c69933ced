//! The best way to fill all orders at once, beside the simple rule that fills them one after the other, first-expiring-first.
//!
//! Best means: least short of the orders, then least expected to be left over when its days are over, then what is short is of the orders that
//! go out later, then least of a better grade than was asked for. It is a two-stage stochastic programme with whole packs, solved by branch and bound: what each order takes of each lot is decided
//! now; what usually sells beside them takes the rest as in one of the past weeks, each as likely as the others. What a solver promises is not
//! taken on trust: its plan and that of the simple rule are both simulated by the rule that lots are really sold by, and the better one stands.

use std::{cmp::Ordering, collections::BTreeMap, time::Duration};

use chrono::NaiveDate;
use microlp::{ComparisonOp, OptimizationDirection, Problem, Variable};

use super::{
    allocation::Taken,
    risk::Course,
    simulation::{Demand, Simulation, Stock},
};
use crate::units::quantity::Grams;

/// Cost of a kilogram that an order is short of, against one that is left over.
const SHORT_COST: f64 = 1000.0;
/// Added to it for each line that has its turn later: of two orders the earlier is filled.
const EARLIER_COST: f64 = 5e-3;
/// Cost of a kilogram that is a grade better than asked for.
const BETTER_COST: f64 = 1e-4;
/// Cost of a kilogram of each lot that would be taken later by the simple rule: of two equal plans, the one that is nearer to it.
const LATER_COST: f64 = 1e-6;

/// What is planned over.
#[derive(Debug, Clone)]
pub struct PlanFacts {
    /// What is in the stores.
    pub stock: Vec<Stock>,
    /// What is ordered. What wishes for nothing keeps what is set aside for it.
    pub ordered: Vec<Demand>,
    /// What takes of what the orders leave, once for each of the weeks that are looked back on: what usually sells beside them, and the orders
    /// of later days, which a harvest may still fill.
    pub weeks: Vec<Vec<Demand>>,
    /// What is left of lots whose last day is later than this, or that are on hold, is not counted as left over.
    pub until: NaiveDate,
}

/// Grams of a stock for a demand, both by their place among those given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Allotted {
    /// Who.
    pub demand: usize,
    /// Of what.
    pub stock: usize,
    /// How much.
    pub grams: Grams,
}

/// A way to fill the orders, and what comes of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// What each order takes beyond what is set aside for it.
    pub allotted: Vec<Allotted>,
    /// What the orders are short of.
    pub short: Grams,
    /// What is left over of each stock when its days are over, added up over the weeks.
    pub left: Vec<Grams>,
    /// Grams that a line is short of, times the lines that have their turn after it.
    pub short_before: Grams,
    /// Grams of a better grade than was asked for, times the grades between.
    pub better: Grams,
}

/// The two plans.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanComparison {
    /// By the simple rule.
    pub simple: Plan,
    /// The best that was found; the simple one where none is better.
    pub best: Plan,
    /// Whether the search came to its end within its time.
    pub is_proven: bool,
    /// Over so many weeks the left is added up.
    pub weeks: usize,
}

impl Plan {
    fn of(facts: &PlanFacts, mut allotted: Vec<Allotted>) -> Self {
        allotted.sort_unstable();
        let mut ordered = facts.ordered_less(&allotted);
        let short = ordered.iter().map(|d| d.wish.grams).sum();
        let short_before = facts.turns().map(|(demand, later)| Grams(ordered[demand].wish.grams.0 * later)).sum();
        // What an order is short of by this plan it does not take after all.
        for demand in &mut ordered {
            demand.wish.grams = Grams::ZERO;
        }
        let none = [Vec::new()];
        let weeks = if facts.weeks.is_empty() { &none[..] } else { &facts.weeks };
        let mut left = vec![Grams::ZERO; facts.stock.len()];
        for week in weeks {
            let all: Vec<Demand> = ordered.iter().chain(week).cloned().collect();
            let course = Course::of(&facts.stock, &all);
            for ((sum, grams), stock) in left.iter_mut().zip(course.left).zip(&facts.stock) {
                if stock.candidate.expires_on <= facts.until && !stock.on_hold {
                    *sum += grams;
                }
            }
        }
        let ranks = |a: &Allotted| i64::from(facts.grades_better(a.demand, a.stock));
        let better = allotted.iter().map(|a| Grams(a.grams.0 * ranks(a))).sum();
        Self { allotted, short, left, short_before, better }
    }

    /// What is left over of all, added up over the weeks.
    #[must_use]
    pub fn left_over(&self) -> Grams {
        self.left.iter().copied().sum()
    }

    /// Which of two is better, as the head of this file has it.
    fn cmp(&self, other: &Self) -> Ordering {
        let key = |plan: &Self| (plan.short, plan.left_over(), plan.short_before, plan.better);
        key(self).cmp(&key(other))
    }
}

impl PlanFacts {
    /// Grades by which a stock is better than was asked for.
    fn grades_better(&self, demand: usize, stock: usize) -> i32 {
        (self.ordered[demand].need.least_rank - self.stock[stock].candidate.goods.grade_rank).max(0)
    }

    /// The lines by turn, the earliest day first, each with how many have theirs after it.
    fn turns(&self) -> impl Iterator<Item = (usize, i64)> {
        let mut turns: Vec<usize> = (0..self.ordered.len()).collect();
        turns.sort_by_key(|n| self.ordered[*n].wish.delivery_day);
        turns.into_iter().rev().zip(0..)
    }

    /// What is ordered, with what is allotted set aside for it.
    fn ordered_less(&self, allotted: &[Allotted]) -> Vec<Demand> {
        let mut ordered = self.ordered.clone();
        for a in allotted {
            let candidate = &self.stock[a.stock].candidate;
            let taken = Taken { lot: candidate.lot.clone(), place: candidate.place.clone(), grams: a.grams };
            ordered[a.demand].wish.grams -= a.grams;
            ordered[a.demand].set_aside.push(taken);
        }
        ordered
    }

    fn by_rule(&self) -> Vec<Allotted> {
        let mut allotted = Vec::new();
        let simulation = Simulation::new(&self.stock, &[], &self.ordered);
        let _ = simulation.run_through(|demand, stock, grams| allotted.push(Allotted { demand, stock, grams }));
        allotted
    }

    /// The best plan that is found within a time, against that of the simple rule.
    #[must_use]
    pub fn compare(&self, within: Duration) -> PlanComparison {
        let by_rule = self.by_rule();
        let simple = Plan::of(self, by_rule.clone());
        let found = Programme::new(self, &by_rule).solve(within);
        let is_proven = found.as_ref().is_some_and(|(_, is_proven)| *is_proven);
        let best = found.map(|(allotted, _)| Plan::of(self, self.filled_up(allotted)));
        let best = best.filter(|best| best.cmp(&simple) == Ordering::Less);
        PlanComparison {
            best: best.unwrap_or_else(|| simple.clone()),
            simple,
            is_proven,
            weeks: self.weeks.len().max(1),
        }
    }

    /// A plan in which what whole grams have left short is filled by the simple rule.
    fn filled_up(&self, mut allotted: Vec<Allotted>) -> Vec<Allotted> {
        let ordered = self.ordered_less(&allotted);
        let simulation = Simulation::new(&self.stock, &[], &ordered);
        let _ = simulation.run_through(|demand, stock, grams| allotted.push(Allotted { demand, stock, grams }));
        let mut sums: BTreeMap<(usize, usize), Grams> = BTreeMap::new();
        for a in allotted {
            *sums.entry((a.demand, a.stock)).or_default() += a.grams;
        }
        sums.into_iter().map(|((demand, stock), grams)| Allotted { demand, stock, grams }).collect()
    }
}

/// A variable of an order's line and a stock: kilograms, or packs of so many grams.
struct Choice {
    demand: usize,
    stock: usize,
    variable: Variable,
    pack: Option<Grams>,
}

/// The plan as a linear programme with whole packs.
struct Programme {
    problem: Problem,
    choices: Vec<Choice>,
    /// What is decided by the simple rule: a customer who takes the freshest gets the freshest.
    fixed: Vec<Allotted>,
}

/// Terms of a constraint.
type Terms = Vec<(Variable, f64)>;

impl Programme {
    fn new(facts: &PlanFacts, by_rule: &[Allotted]) -> Self {
        let simulation = Simulation::new(&facts.stock, &[], &facts.ordered);
        let mut free = simulation.free().to_vec();
        let is_fixed = |demand: usize| facts.ordered[demand].wish.freshest;
        let fixed: Vec<Allotted> = by_rule.iter().filter(|a| is_fixed(a.demand)).copied().collect();
        for a in &fixed {
            free[a.stock] -= a.grams;
        }
        let mut made = Self { problem: Problem::new(OptimizationDirection::Minimize), choices: Vec::new(), fixed };
        let mut taken: Vec<Terms> = vec![Vec::new(); facts.stock.len()];
        let later: BTreeMap<usize, i64> = facts.turns().collect();
        for (demand, stocks) in simulation.turns().iter().filter(|(demand, _)| !is_fixed(*demand)) {
            made.add_order(facts, (*demand, later[demand]), stocks, &free, &mut taken);
        }
        let likelihood = 1.0 / f64::from(u32::try_from(facts.weeks.len().max(1)).unwrap_or(u32::MAX));
        let none = [Vec::new()];
        for week in if facts.weeks.is_empty() { &none[..] } else { &facts.weeks } {
            made.add_week(facts, week, likelihood, &free, &taken);
        }
        made
    }

    /// An order's line: what it takes of each stock that will do, and what it is short of. `later` is how many lines have their turn after it.
    fn add_order(
        &mut self,
        facts: &PlanFacts,
        (demand, later): (usize, i64),
        stocks: &[usize],
        free: &[Grams],
        taken: &mut [Terms],
    ) {
        let wish = &facts.ordered[demand].wish;
        let later = f64::from(i32::try_from(later).unwrap_or(i32::MAX));
        let short = self.problem.add_var(SHORT_COST + EARLIER_COST * later, (0.0, f64::INFINITY));
        let mut sum: Terms = vec![(short, 1.0)];
        for (place, stock) in stocks.iter().copied().enumerate().filter(|(_, stock)| free[*stock] > Grams::ZERO) {
            let most = wish.take(free[stock], wish.grams);
            let later = f64::from(u32::try_from(place).unwrap_or(u32::MAX));
            let cost = BETTER_COST * f64::from(facts.grades_better(demand, stock)) + LATER_COST * later;
            let (variable, unit_kg) = match wish.pack {
                None => (self.problem.add_var(cost, (0.0, most.kg())), 1.0),
                Some(pack) => {
                    let packs = i32::try_from(most.0 / pack.0).unwrap_or(i32::MAX);
                    (self.problem.add_integer_var(cost * pack.kg(), (0, packs)), pack.kg())
                }
            };
            self.choices.push(Choice { demand, stock, variable, pack: wish.pack });
            sum.push((variable, unit_kg));
            taken[stock].push((variable, unit_kg));
        }
        self.problem.add_constraint(&sum[..], ComparisonOp::Eq, wish.grams.kg());
    }

    /// One way in which the coming days may go: what usually sells takes of what the orders have left, and the rest is left over.
    fn add_week(&mut self, facts: &PlanFacts, week: &[Demand], likelihood: f64, free: &[Grams], taken: &[Terms]) {
        let mut of_stock = taken.to_vec();
        for (demand, stocks) in Simulation::new(&facts.stock, &[], week).turns() {
            let mut sum = Terms::new();
            for stock in stocks.iter().filter(|stock| free[**stock] > Grams::ZERO) {
                let variable = self.problem.add_var(0.0, (0.0, f64::INFINITY));
                sum.push((variable, 1.0));
                of_stock[*stock].push((variable, 1.0));
            }
            if !sum.is_empty() {
                self.problem.add_constraint(&sum[..], ComparisonOp::Le, week[*demand].wish.grams.kg());
            }
        }
        for ((mut terms, free), stock) in of_stock.into_iter().zip(free).zip(&facts.stock) {
            if terms.is_empty() {
                continue;
            }
            let counts = stock.candidate.expires_on <= facts.until;
            terms.push((self.problem.add_var(if counts { likelihood } else { 0.0 }, (0.0, f64::INFINITY)), 1.0));
            self.problem.add_constraint(&terms[..], ComparisonOp::Eq, free.kg().max(0.0));
        }
    }

    /// The best plan that is found within a time, and whether it is proven to be that; none where none is found.
    fn solve(mut self, within: Duration) -> Option<(Vec<Allotted>, bool)> {
        self.problem.set_time_limit(within);
        let solved = self.problem.solve().ok()?.into_solution().ok()?;
        let is_proven = solved.termination_reason() == microlp::TerminationReason::ProvenOptimal;
        let taken = |choice: &Choice| {
            let value = solved.var_value_raw(choice.variable);
            // Whole grams and packs: what that leaves short is filled up afterwards.
            #[expect(clippy::cast_possible_truncation, reason = "grams of a store")]
            let grams = match choice.pack {
                None => Grams((value * 1000.0 + 1e-6).floor() as i64),
                Some(pack) => Grams(pack.0 * (value + 1e-6).floor() as i64),
            };
            (grams > Grams::ZERO).then_some(Allotted { demand: choice.demand, stock: choice.stock, grams })
        };
        Some((self.fixed.iter().copied().chain(self.choices.iter().filter_map(taken)).collect(), is_proven))
    }
}

#[cfg(test)]
mod tests {
    use chrono::Days;
    use proptest::prelude::*;

    use super::*;
    use crate::{
        kinds::{Form, Packaging},
        selling::allocation::{AvailableLot, Goods, LineDemand, Need},
    };

    /// Long enough for what is asked here, on a machine that has other things to do.
    const WITHIN: Duration = Duration::from_secs(20);
    const PACK: i64 = 100;

    fn day(n: u64) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 5, 1).unwrap() + Days::new(n)
    }

    fn lot(n: usize, grams: i64, last: u64, grade_rank: i32) -> Stock {
        let goods = Goods { strain: "OY".parse().unwrap(), grade_rank, form: Form::Fresh, packaging: Packaging::Open };
        let candidate = AvailableLot {
            lot: format!("L{n}").parse().unwrap(),
            place: "F1".parse().unwrap(),
            free: Grams(grams),
            expires_on: day(last),
            harvest_day: day(0),
            goods,
        };
        Stock { candidate, best_before: day(last), own_best_before: None, life_ends: None, on_hold: false }
    }

    fn order(grams: i64, on: u64, least_rank: i32, pack: Option<i64>) -> Demand {
        let strains = vec!["OY".parse().unwrap()];
        Demand {
            need: Need { strains, least_rank, form: Form::Fresh, packaging: None, keeps: None },
            wish: LineDemand {
                grams: Grams(grams),
                pack: pack.map(Grams),
                delivery_day: day(on),
                least_days: 0,
                freshest: false,
            },
            set_aside: Vec::new(),
        }
    }

    fn facts(stock: Vec<Stock>, ordered: Vec<Demand>, weeks: Vec<Vec<Demand>>) -> PlanFacts {
        PlanFacts { stock, ordered, weeks, until: day(20) }
    }

    fn taken(plan: &Plan) -> Vec<(usize, usize, i64)> {
        plan.allotted.iter().map(|a| (a.demand, a.stock, a.grams.0)).collect()
    }

    #[test]
    fn a_lesser_grade_goes_to_who_takes_it_though_it_keeps_longer() {
        // First-expiring-first gives the best to who asked for any, and has none for who asked for the best.
        let facts = facts(
            vec![lot(0, 1000, 7, 1), lot(1, 1000, 9, 2)],
            vec![order(1000, 5, 2, None), order(1000, 6, 1, None)],
            vec![],
        );
        let compared = facts.compare(WITHIN);
        assert_eq!(taken(&compared.simple), [(0, 0, 1000)]);
        assert_eq!(taken(&compared.best), [(0, 1, 1000), (1, 0, 1000)]);
        assert_eq!((compared.simple.short, compared.best.short), (Grams(1000), Grams::ZERO));
        assert!(compared.is_proven);
    }

    #[test]
    fn packs_are_cut_from_the_lots_that_hold_them() {
        // 250 g packs from 500 and 700 g, 700 g packs from 700 g alone: the simple rule opens the larger lot for the first.
        let facts = facts(
            vec![lot(0, 700, 6, 1), lot(1, 500, 9, 1)],
            vec![order(500, 5, 1, Some(250)), order(700, 5, 1, Some(700))],
            vec![],
        );
        let compared = facts.compare(WITHIN);
        assert_eq!(compared.simple.short, Grams(700));
        assert_eq!(taken(&compared.best), [(0, 1, 500), (1, 0, 700)]);
    }

    #[test]
    fn what_usually_sells_takes_what_it_can_and_the_rest_is_for_the_orders() {
        // The stall on day 6 takes the best only: who has ordered any grade gets the lesser one, and nothing is left over.
        let stall = vec![order(1000, 6, 1, None)];
        let facts =
            facts(vec![lot(0, 1000, 7, 1), lot(1, 1000, 9, 2)], vec![order(1000, 5, 2, None)], vec![stall, vec![]]);
        let compared = facts.compare(WITHIN);
        assert_eq!(
            (compared.weeks, compared.simple.left_over(), compared.best.left_over()),
            (2, Grams(2000), Grams(1000))
        );
        assert_eq!(compared.best.left, [Grams(1000), Grams::ZERO]);
    }

    #[test]
    fn nothing_better_is_the_simple_rule_and_no_time_is_none() {
        let plain = facts(vec![lot(0, 1000, 7, 1), lot(1, 1000, 9, 1)], vec![order(1500, 5, 1, None)], vec![]);
        let compared = plain.compare(WITHIN);
        assert_eq!(taken(&compared.best), [(0, 0, 1000), (0, 1, 500)]);
        assert_eq!(compared.best, compared.simple);
        let late = facts(
            vec![lot(0, 1000, 7, 1), lot(1, 1000, 9, 2)],
            vec![order(1000, 5, 2, None), order(1000, 6, 1, None)],
            vec![],
        )
        .compare(Duration::ZERO);
        assert!(!late.is_proven);
        assert_eq!(late.best, late.simple);
    }

    #[test]
    fn the_freshest_stay_for_who_takes_the_freshest() {
        let mut freshest = order(500, 5, 2, None);
        freshest.wish.freshest = true;
        let mut stock = vec![lot(0, 500, 7, 1), lot(1, 500, 9, 1)];
        stock[1].candidate.harvest_day = day(2);
        let compared = facts(stock, vec![freshest, order(500, 5, 2, None)], vec![]).compare(WITHIN);
        assert_eq!(taken(&compared.best), [(0, 1, 500), (1, 0, 500)]);
    }

    /// What the best of all plans in whole packs comes to, by trying all.
    fn tried(facts: &PlanFacts) -> [i64; 4] {
        let pairs: Vec<(usize, usize)> = (0..facts.ordered.len())
            .flat_map(|demand| (0..facts.stock.len()).map(move |stock| (demand, stock)))
            .filter(|(d, s)| {
                let (demand, stock) = (&facts.ordered[*d], &facts.stock[*s]);
                demand.need.takes(&stock.candidate.goods) && stock.best_before >= demand.wish.delivery_day
            })
            .collect();
        let mut best = None;
        let mut packs = vec![0i64; pairs.len()];
        loop {
            let sum = |is: &dyn Fn(&(usize, usize)) -> bool| -> i64 {
                pairs.iter().zip(&packs).filter(|(pair, _)| is(pair)).map(|(_, n)| n * PACK).sum()
            };
            let fits = (0..facts.stock.len()).all(|s| sum(&|p| p.1 == s) <= facts.stock[s].candidate.free.0)
                && (0..facts.ordered.len()).all(|d| sum(&|p| p.0 == d) <= facts.ordered[d].wish.grams.0);
            if fits {
                let short = facts.ordered.iter().map(|d| d.wish.grams.0).sum::<i64>() - sum(&|_| true);
                let left = facts.stock.iter().map(|s| s.candidate.free.0).sum::<i64>() - sum(&|_| true);
                let better = |(d, s): &(usize, usize)| {
                    i64::from((facts.ordered[*d].need.least_rank - facts.stock[*s].candidate.goods.grade_rank).max(0))
                };
                let later: BTreeMap<usize, i64> = facts.turns().collect();
                let short_before: i64 = (0..facts.ordered.len())
                    .map(|d| (facts.ordered[d].wish.grams.0 - sum(&|p| p.0 == d)) * later[&d])
                    .sum();
                let better: i64 = pairs.iter().zip(&packs).map(|(pair, n)| n * PACK * better(pair)).sum();
                let key = [short, left, short_before, better];
                best = Some(best.map_or(key, |b: [i64; 4]| b.min(key)));
            }
            let Some(at) = packs.iter().position(|n| *n < 3) else { break };
            packs[at] += 1;
            packs[..at].fill(0);
        }
        best.unwrap()
    }

    fn small() -> impl Strategy<Value = PlanFacts> {
        let lots = prop::collection::vec((1i64..4, 4u64..9, 1i32..3), 1..4);
        let orders = prop::collection::vec((1i64..4, 4u64..9, 1i32..3), 1..3);
        (lots, orders).prop_map(|(lots, orders)| {
            let lots = lots.into_iter().enumerate().map(|(n, (packs, last, rank))| lot(n, packs * PACK, last, rank));
            let orders = orders.into_iter().map(|(packs, on, rank)| order(packs * PACK, on, rank, Some(PACK)));
            facts(lots.collect(), orders.collect(), vec![])
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(256))]

        #[test]
        fn a_small_plan_is_as_good_as_the_best_of_all(facts in small()) {
            let compared = facts.compare(WITHIN);
            prop_assert!(compared.is_proven);
            let best = &compared.best;
            prop_assert_eq!([best.short, best.left_over(), best.short_before, best.better].map(|g| g.0), tried(&facts));
        }

        #[test]
        fn a_plan_keeps_the_rules_and_is_never_worse_than_the_simple_one(
            lots in prop::collection::vec((0i64..3000, 3u64..12, 1i32..4, any::<bool>()), 1..8),
            orders in prop::collection::vec((1i64..4000, 3u64..9, 1i32..4, prop::option::of(100i64..600), any::<bool>()), 1..6),
            weeks in prop::collection::vec(prop::collection::vec((1i64..2000, 3u64..10, 1i32..4), 0..4), 0..3),
        ) {
            let stock: Vec<Stock> = lots.into_iter().enumerate().map(|(n, (grams, last, rank, on_hold))| {
                Stock { on_hold: on_hold && n % 3 == 0, ..lot(n, grams, last, rank) }
            }).collect();
            let ordered: Vec<Demand> = orders.into_iter().map(|(grams, on, rank, pack, freshest)| {
                let mut order = order(grams, on, rank, pack);
                order.wish.freshest = freshest;
                order
            }).collect();
            let weeks = weeks.into_iter().map(|w| w.into_iter().map(|(g, on, rank)| order(g, on, rank, None)).collect()).collect();
            let facts = facts(stock, ordered, weeks);
            let compared = facts.compare(WITHIN);
            prop_assert!(compared.best.cmp(&compared.simple) != Ordering::Greater);
            for (n, stock) in facts.stock.iter().enumerate() {
                let given: Grams = compared.best.allotted.iter().filter(|a| a.stock == n).map(|a| a.grams).sum();
                prop_assert!(given <= stock.candidate.free && (given == Grams::ZERO || !stock.on_hold));
            }
            let mut short = Grams::ZERO;
            for (n, demand) in facts.ordered.iter().enumerate() {
                let mine = compared.best.allotted.iter().filter(|a| a.demand == n);
                for a in mine.clone() {
                    let stock = &facts.stock[a.stock];
                    prop_assert!(demand.need.takes(&stock.candidate.goods) && stock.best_before >= demand.wish.delivery_day);
                    prop_assert!(demand.wish.pack.is_none_or(|pack| a.grams.0 % pack.0 == 0) && a.grams > Grams::ZERO);
                }
                let given: Grams = mine.map(|a| a.grams).sum();
                prop_assert!(given <= demand.wish.grams);
                short += demand.wish.grams - given;
            }
            prop_assert_eq!(short, compared.best.short);
        }
    }
}
