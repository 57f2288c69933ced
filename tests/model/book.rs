//! A plain book of lots, orders and dockets in memory, kept by the rules of the trade alone: whole grams in maps, no database, nothing
//! of the store's own. What it is asked to do stands in `acts.rs`, what it makes of that in `rules.rs`.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};

/// The room that crates come from.
pub const ROOM: &str = "FR1";
/// The van.
pub const VAN: &str = "VAN";
/// The stall.
pub const STALL: &str = "STALL";
/// Where stock can be.
pub const STORES: [&str; 4] = ["F1", "F2", VAN, STALL];
/// What orders are filled from.
pub const FRIDGES: [&str; 2] = ["F1", "F2"];
/// Per cent of the ordered weight that may be missing of what is packed loose, which is what a customer has unless said.
pub const UNDER_PERCENT: i64 = 5;
/// Customers who order, with the per cent over the ordered weight that they take.
pub const CUSTOMERS: [(&str, i64); 2] = [("PLUM", 10), ("FIG", 0)];
/// Grams of a pack of the product that is sold in packs.
pub const PACK_G: i64 = 150;

/// Rules that a farm's book may be kept with or without.
#[derive(Debug, Clone, Copy)]
pub struct Rules {
    /// What is made of a held lot begins on hold, and holding a lot holds what was made of it before.
    pub hold_follows_the_goods: bool,
    /// A held lot is neither finished nor counted, and no reversal moves it.
    pub hold_stops_the_books: bool,
    /// A count that is entered late is held against the book as it stood when it was counted.
    pub late_counts_look_back: bool,
}

/// The rules that the program keeps now.
pub const RULES: Rules =
    Rules { hold_follows_the_goods: true, hold_stops_the_books: true, late_counts_look_back: true };

/// A movement.
#[derive(Debug, Clone)]
pub struct Leg {
    pub lot: usize,
    pub from: &'static str,
    pub to: &'static str,
    pub grams: i64,
}

/// A lot. What stands at a place stays in `at` when it comes to nothing, so that it is known where the lot has been.
#[derive(Debug, Clone)]
pub struct Lot {
    pub code: String,
    pub grade: &'static str,
    pub packaging: &'static str,
    pub dried: bool,
    /// The harvest day of a lot that was weighed; none of a made one.
    pub day: Option<NaiveDate>,
    pub held: bool,
    /// Acts that finished it.
    pub finishes: Vec<usize>,
    /// Lots that it was made of, each with the act that made it.
    pub parents: Vec<(usize, usize)>,
    pub at: BTreeMap<&'static str, i64>,
}

/// An act that moved something.
#[derive(Debug, Clone)]
pub struct Act {
    pub id: String,
    pub kind: &'static str,
    pub at: DateTime<Utc>,
    pub legs: Vec<Leg>,
    pub docket: Option<usize>,
    /// What the customer has more of each line of the docket by it; below zero for less.
    pub parts: Vec<(i64, i64)>,
    /// Lots that a count counted.
    pub counted: Vec<(usize, &'static str)>,
    pub reversed: bool,
}

/// Grams set aside for a line of an order.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Aside {
    pub line: usize,
    pub lot: usize,
    pub place: &'static str,
    pub grams: i64,
    /// Whether it is ticked off as packed.
    pub packed: bool,
}

/// Grams ordered, of what is sold loose or in packs.
#[derive(Debug, Clone)]
pub struct Line {
    pub grams: i64,
    pub packed: bool,
}

/// An order.
#[derive(Debug, Clone)]
pub struct Order {
    pub code: String,
    pub customer: &'static str,
    pub over_percent: i64,
    pub lines: Vec<Line>,
    pub status: &'static str,
    pub aside: Vec<Aside>,
}

impl Order {
    /// Ticks off a lot with its weight. What of the line waits for the scale gives way to what is heavier, the last in the order of the lots'
    /// codes first, so that the line comes to no more than was ordered.
    pub fn weigh(&mut self, of: (usize, usize, &str), grams: i64) {
        let Some(at) = self.aside.iter().position(|a| (a.line, a.lot, a.place) == of) else { return };
        let sum: i64 = self.aside.iter().filter(|a| a.line == of.0).map(|a| a.grams).sum();
        let heavier = grams - self.aside[at].grams;
        let mut too_much = heavier.min(sum + heavier - self.lines[of.0].grams).max(0);
        (self.aside[at].grams, self.aside[at].packed) = (grams, true);
        for a in self.aside.iter_mut().rev().filter(|a| a.line == of.0 && !a.packed) {
            let less = a.grams.min(too_much);
            a.grams -= less;
            too_much -= less;
        }
        self.aside.retain(|a| a.grams > 0);
    }

    /// What is missing of a line.
    pub fn missing(&self, line: usize) -> i64 {
        let of = self.aside.iter().filter(|a| a.line == line);
        let is_packed = of.clone().next().is_some() && of.clone().all(|a| a.packed);
        self.lines[line].missing(of.map(|a| a.grams).sum(), is_packed)
    }
}

/// A docket, with its lines by number.
#[derive(Debug, Clone)]
pub struct Docket {
    pub code: String,
    pub order: usize,
    pub by_van: bool,
    pub lines: BTreeMap<i64, (usize, i64)>,
    pub act: usize,
    pub delivery: Option<usize>,
}

/// A market day.
#[derive(Debug, Clone)]
pub struct Market {
    pub code: String,
    pub out: usize,
    pub close: Option<usize>,
}

/// The book.
#[derive(Debug, Default)]
pub struct Book {
    pub lots: Vec<Lot>,
    pub acts: Vec<Act>,
    pub orders: Vec<Order>,
    pub dockets: Vec<Docket>,
    pub markets: Vec<Market>,
}

impl Line {
    /// What is missing of so many grams that are set aside, all of them packed or not.
    pub fn missing(&self, aside: i64, is_packed: bool) -> i64 {
        let missing = (self.grams - aside).max(0);
        let may_be = if is_packed && !self.packed { self.grams * UNDER_PERCENT / 100 } else { 0 };
        if missing <= may_be { 0 } else { missing }
    }

    /// Grams that are sold only together.
    pub fn unit(&self) -> i64 {
        if self.packed { PACK_G } else { 1 }
    }

    /// What was ordered and what the customer takes over it, in whole units.
    pub fn limit(&self, over_percent: i64) -> i64 {
        self.grams * (100 + over_percent) / 100 / self.unit() * self.unit()
    }
}

impl Book {
    /// Grams of a lot at a place.
    pub fn grams(&self, lot: usize, place: &str) -> i64 {
        self.lots[lot].at.get(place).copied().unwrap_or(0)
    }

    /// Of that, set aside, by every order but one.
    pub fn aside(&self, lot: usize, place: &str, but: Option<usize>) -> i64 {
        let others = self.orders.iter().enumerate().filter(|(n, _)| Some(*n) != but);
        others.flat_map(|(_, o)| &o.aside).filter(|a| a.lot == lot && a.place == place).map(|a| a.grams).sum()
    }

    /// An order with what is set aside for it by line, lot and place, as it is told.
    pub fn in_order(&self, order: usize) -> Order {
        let mut order = self.orders[order].clone();
        order.aside.sort_by_key(|a| (a.line, self.lots[a.lot].code.clone(), a.place));
        order
    }

    /// What is there and not set aside by another order.
    pub fn free(&self, lot: usize, place: &str, but: Option<usize>) -> i64 {
        self.grams(lot, place) - self.aside(lot, place, but)
    }

    /// Where anything of any lot stands, of the places given.
    pub fn stock(&self, places: &[&'static str]) -> Vec<(usize, &'static str, i64)> {
        let rows = self.lots.iter().enumerate().flat_map(|(n, lot)| lot.at.iter().map(move |(p, g)| (n, *p, *g)));
        rows.filter(|(_, place, grams)| *grams > 0 && places.contains(place)).collect()
    }

    /// Whether a finish of the lot stands.
    pub fn finished(&self, lot: usize) -> bool {
        self.lots[lot].finishes.iter().any(|act| !self.acts[*act].reversed)
    }

    /// The lot and all that it was made of, by acts that stand.
    pub fn origins(&self, lot: usize) -> BTreeSet<usize> {
        closure(lot, |of| {
            self.lots[of].parents.iter().filter(|(act, _)| !self.acts[*act].reversed).map(|(_, p)| *p).collect()
        })
    }

    /// The lot and all that was made of it, by acts that stand.
    pub fn descendants(&self, lot: usize) -> BTreeSet<usize> {
        closure(lot, |of| {
            let made_of = |l: &Lot| l.parents.iter().any(|(act, p)| *p == of && !self.acts[*act].reversed);
            self.lots.iter().enumerate().filter(|(_, l)| made_of(l)).map(|(n, _)| n).collect()
        })
    }

    /// When the oldest crate of the lot was on the scale; none where every weighing was taken back.
    pub fn harvested_at(&self, lot: usize) -> Option<DateTime<Utc>> {
        let origins = self.origins(lot);
        let weighings = self.acts.iter().filter(|a| a.kind == "weighing" && !a.reversed);
        weighings.filter(|a| a.legs.iter().any(|l| origins.contains(&l.lot))).map(|a| a.at).min()
    }

    /// The lot that a crate goes into: the first of its day, grade and packaging that is neither finished nor on hold.
    pub fn lot_of_the_day(&self, day: NaiveDate, grade: &str, packaging: &str) -> Option<usize> {
        (0..self.lots.len()).find(|n| {
            let l = &self.lots[*n];
            l.day == Some(day) && l.grade == grade && l.packaging == packaging && !l.held && !self.finished(*n)
        })
    }

    /// What a customer has of a line of a docket: brought, less what came back or was taken back.
    pub fn customer_has(&self, docket: usize, line: i64) -> i64 {
        let acts = self.acts.iter().filter(|a| a.docket == Some(docket));
        acts.flat_map(|a| &a.parts).filter(|(of, _)| *of == line).map(|(_, grams)| grams).sum()
    }

    /// Where a docket stands.
    pub fn docket_status(&self, docket: usize) -> &'static str {
        let d = &self.dockets[docket];
        let delivered = !d.by_van || d.delivery.is_some_and(|act| !self.acts[act].reversed);
        match (self.acts[d.act].reversed, delivered) {
            (true, _) => "void",
            (false, true) => "delivered",
            (false, false) => "dispatched",
        }
    }

    /// What a lot's grams at a place came to by an instant, by when things happened.
    pub fn grams_at(&self, lot: usize, place: &str, at: DateTime<Utc>) -> i64 {
        let legs = self.acts.iter().filter(|a| a.at <= at).flat_map(|a| &a.legs).filter(|l| l.lot == lot);
        legs.map(|l| (i64::from(l.to == place) - i64::from(l.from == place)) * l.grams).sum()
    }

    /// What legs take from each place, and bring there.
    pub fn sums(legs: &[Leg]) -> BTreeMap<(usize, &'static str), i64> {
        let mut sums = BTreeMap::new();
        for leg in legs {
            *sums.entry((leg.lot, leg.from)).or_default() -= leg.grams;
            *sums.entry((leg.lot, leg.to)).or_default() += leg.grams;
        }
        // Crates come out of the room, and found grams out of nothing.
        sums.retain(|(_, place), _| ![ROOM, "FOUND", "PACKING"].contains(place));
        sums
    }

    /// Grams of a lot in the van that are on their way to customers, by every docket but one.
    pub fn under_way(&self, lot: usize, but: Option<usize>) -> i64 {
        let open = |d: &usize| Some(*d) != but && self.dockets[*d].by_van && self.docket_status(*d) == "dispatched";
        let lines = (0..self.dockets.len()).filter(open).flat_map(|d| self.dockets[d].lines.values());
        lines.filter(|l| l.0 == lot).map(|l| l.1).sum()
    }

    /// What legs would take though it is not there, is set aside by an order other than the one that sends it out, or is on its way
    /// with a docket other than their own.
    pub fn short_of(&self, legs: &[Leg], sent: Option<usize>, own: Option<usize>) -> Option<String> {
        let free = |lot, place| self.free(lot, place, sent) - if place == VAN { self.under_way(lot, own) } else { 0 };
        let (lot, place) = Self::sums(legs).into_iter().find(|((l, p), by)| *by < 0 && free(*l, p) + by < 0)?.0;
        Some(format!("{place} has {} g of {} free", free(lot, place), self.lots[lot].code))
    }

    /// Enters an act.
    pub fn post(&mut self, act: Act) -> usize {
        for ((lot, place), by) in Self::sums(&act.legs) {
            *self.lots[lot].at.entry(place).or_default() += by;
        }
        self.acts.push(act);
        self.acts.len() - 1
    }
}

/// A lot and all that follows from it, step by step.
fn closure(lot: usize, next: impl Fn(usize) -> Vec<usize>) -> BTreeSet<usize> {
    let (mut all, mut new) = (BTreeSet::from([lot]), vec![lot]);
    while let Some(of) = new.pop() {
        new.extend(next(of).into_iter().filter(|n| all.insert(*n)));
    }
    all
}
