//! The ways that the grams of lots went: which places they stood in, from the scale until now, through the lots that they were before.
//!
//! Grams of one lot at one place are not told apart. While some of them stand there, the grams that leave may be any of them: each way
//! in is then a way that they may have come. So the ways form a net of [`Stay`]s: a stay ends when something comes to its place or leaves
//! it, and the stays that follow it name it as one before them. When a place is empty of a lot, its ways in are forgotten.
//!
//! *Invariants:* a stay begins when each one before it ends; the grams at a place are those that came less those that left; stays without
//! one before them begin at the scale, at the harvest of a lot that was there when the book was opened, or at the harvest where a late
//! entry took grams from a place before they were written down there.

use std::collections::{BTreeMap, BTreeSet, btree_map::Entry};

use chrono::{DateTime, Utc};

use crate::{
    kinds::PlaceKind,
    text::{LotCode, PlaceCode},
    units::{calendar::Span, quantity::Grams},
};

/// Grams of a lot that were moved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Leg {
    /// The lot.
    pub lot: LotCode,
    /// Where from.
    pub from_kind: PlaceKind,
    /// Where from.
    pub from: PlaceCode,
    /// Where to.
    pub to_kind: PlaceKind,
    /// Where to.
    pub to: PlaceCode,
    /// How much.
    pub grams: Grams,
}

/// Something that moved grams. An act that was reversed moved nothing and is left out, and its reversal too.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Moved {
    /// When it happened.
    pub at: DateTime<Utc>,
    /// Its movements.
    pub legs: Vec<Leg>,
    /// What lots were made of: parent and child.
    pub made: Vec<(LotCode, LotCode)>,
}

/// A stretch of time in which grams of a lot stood at a place and nothing came or left.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stay {
    /// The lot that they were.
    pub lot: LotCode,
    /// Where.
    pub place: PlaceCode,
    /// From when until when.
    pub span: Span,
    /// The stays that they may have come from, by number; each lower than this one's own. None where their way begins.
    pub before: Vec<usize>,
}

/// A time at a place without a break.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Visit {
    /// The place.
    pub place: PlaceCode,
    /// Since when.
    pub since: DateTime<Utc>,
    /// Until when; nothing while it lasts.
    pub until: Option<DateTime<Utc>>,
}

type At = (LotCode, PlaceCode);

/// The ways of some lots and of those that they were made of.
#[derive(Debug, Clone, Default)]
pub struct Paths {
    stays: Vec<Stay>,
    now: BTreeMap<At, usize>,
    grams: BTreeMap<At, Grams>,
    /// Stays in which a lot last stood at a place that is empty of it.
    left: BTreeMap<At, usize>,
}

/// What an act did to a lot at a place.
#[derive(Default)]
struct Touch {
    grams: Grams,
    /// Ways that came.
    came: Vec<usize>,
}

const fn is_followed(kind: PlaceKind) -> bool {
    kind.holds_stock() || matches!(kind, PlaceKind::Customer)
}

impl Paths {
    /// Follows acts in the order in which they happened, until now. `harvested` is when each lot was harvested.
    #[must_use]
    pub fn follow(acts: &[Moved], harvested: &BTreeMap<LotCode, DateTime<Utc>>, now: DateTime<Utc>) -> Self {
        let mut paths = Self::default();
        for at_once in acts.chunk_by(|a, b| a.at == b.at) {
            // Of acts that carry one instant those come first whose grams are there.
            let mut open: Vec<&Moved> = at_once.iter().collect();
            while !open.is_empty() {
                let next = open.iter().position(|act| paths.has_grams_of(act)).unwrap_or_default();
                paths.apply(open.remove(next), harvested);
            }
        }
        for stay in paths.now.values() {
            let span = &mut paths.stays[*stay].span;
            span.until = now.max(span.from);
        }
        paths
    }

    /// Every stay. A stay's number is its place in this list.
    #[must_use]
    pub fn stays(&self) -> &[Stay] {
        &self.stays
    }

    /// The number of the stay in which a lot stands at a place now; none if nothing of it is there.
    #[must_use]
    pub fn now_at(&self, lot: &LotCode, place: &PlaceCode) -> Option<usize> {
        self.now.get(&(lot.clone(), place.clone())).copied()
    }

    /// Grams of a lot at a place now.
    #[must_use]
    pub fn grams(&self, lot: &LotCode, place: &PlaceCode) -> Grams {
        self.grams.get(&(lot.clone(), place.clone())).copied().unwrap_or_default()
    }

    /// The stays that grams of a stay may have been in, itself with them, in rising number: each one after those before it.
    #[must_use]
    pub fn behind(&self, stay: usize) -> Vec<usize> {
        let mut seen = BTreeSet::from([stay]);
        let mut open = vec![stay];
        while let Some(n) = open.pop() {
            open.extend(self.stays[n].before.iter().copied().filter(|b| seen.insert(*b)));
        }
        seen.into_iter().collect()
    }

    /// From when until when each lot stood at each place without a break, in the order in which it came; no end where it stands now.
    #[must_use]
    pub fn visits(&self) -> BTreeMap<&LotCode, Vec<Visit>> {
        let standing: BTreeSet<usize> = self.now.values().copied().collect();
        let mut visits: BTreeMap<&LotCode, Vec<Visit>> = BTreeMap::new();
        for (n, stay) in self.stays.iter().enumerate() {
            let until = (!standing.contains(&n)).then_some(stay.span.until);
            let of_lot = visits.entry(&stay.lot).or_default();
            match of_lot.iter_mut().rev().find(|v| v.place == stay.place) {
                Some(visit) if visit.until == Some(stay.span.from) => visit.until = until,
                _ => of_lot.push(Visit { place: stay.place.clone(), since: stay.span.from, until }),
            }
        }
        for of_lot in visits.values_mut() {
            of_lot.sort_by(|a, b| (a.since, &a.place).cmp(&(b.since, &b.place)));
        }
        visits
    }

    fn has_grams_of(&self, act: &Moved) -> bool {
        let mut needed: BTreeMap<(&LotCode, &PlaceCode), Grams> = BTreeMap::new();
        for leg in act.legs.iter().filter(|l| is_followed(l.from_kind)) {
            *needed.entry((&leg.lot, &leg.from)).or_default() += leg.grams;
        }
        needed.into_iter().all(|((lot, place), grams)| self.grams(lot, place) >= grams)
    }

    fn push(&mut self, at: &At, from: DateTime<Utc>, until: DateTime<Utc>, before: Vec<usize>) -> usize {
        let span = Span { from: from.min(until), until };
        self.stays.push(Stay { lot: at.0.clone(), place: at.1.clone(), span, before });
        self.stays.len() - 1
    }

    fn apply(&mut self, act: &Moved, harvested: &BTreeMap<LotCode, DateTime<Utc>>) {
        let harvest_of = |lot: &LotCode| harvested.get(lot).copied().unwrap_or(act.at);
        let mut touched: BTreeMap<At, Touch> = BTreeMap::new();
        // What leaves was there until now, whatever comes in the same act.
        let mut sources: BTreeMap<At, usize> = BTreeMap::new();
        for leg in act.legs.iter().filter(|l| is_followed(l.from_kind)) {
            let at = (leg.lot.clone(), leg.from.clone());
            touched.entry(at.clone()).or_default().grams -= leg.grams;
            if let Entry::Vacant(source) = sources.entry(at) {
                // Where there is none it was written down late: it stood here before it is known to have come.
                let began = harvest_of(&leg.lot);
                let stay = self
                    .end(source.key(), act.at)
                    .unwrap_or_else(|| self.push(source.key(), began, act.at, Vec::new()));
                source.insert(stay);
            }
        }
        for leg in act.legs.iter().filter(|l| is_followed(l.to_kind)) {
            let at = (leg.lot.clone(), leg.to.clone());
            let came = self.ways_in(act, leg, &at, &sources, harvest_of(&leg.lot));
            let touch = touched.entry(at).or_default();
            touch.grams += leg.grams;
            touch.came.extend(came);
        }
        for (at, touch) in touched {
            self.settle(at, touch, &sources, act.at);
        }
    }

    /// Ends the stay of a lot at a place, if there is one.
    fn end(&mut self, at: &At, when: DateTime<Utc>) -> Option<usize> {
        let stay = self.now.get(at).copied()?;
        let span = &mut self.stays[stay].span;
        span.until = when.max(span.from);
        Some(stay)
    }

    fn ways_in(
        &mut self,
        act: &Moved,
        leg: &Leg,
        at: &At,
        sources: &BTreeMap<At, usize>,
        harvested: DateTime<Utc>,
    ) -> Vec<usize> {
        let ways: Vec<usize> = match leg.from_kind {
            PlaceKind::Room => return vec![self.push(at, act.at, act.at, Vec::new())],
            // What a count found was there all the time, though the book had taken it away.
            PlaceKind::Found if self.now.contains_key(at) => return Vec::new(),
            PlaceKind::Found => match self.left.get(at).copied() {
                Some(last) => return vec![self.push(at, self.stays[last].span.until, act.at, vec![last])],
                None => Vec::new(),
            },
            PlaceKind::Packing => {
                let parents = act.made.iter().filter(|(_, child)| child == &leg.lot).map(|(parent, _)| parent);
                parents
                    .flat_map(|p| sources.iter().filter(move |(from, _)| &from.0 == p).map(|(_, stay)| *stay))
                    .collect()
            }
            _ => sources.get(&(leg.lot.clone(), leg.from.clone())).copied().into_iter().collect(),
        };
        // The opening entry, or a beginning that nobody wrote down: it has stood here since its harvest.
        if ways.is_empty() { vec![self.push(at, harvested, act.at, Vec::new())] } else { ways }
    }

    fn settle(&mut self, at: At, touch: Touch, sources: &BTreeMap<At, usize>, when: DateTime<Utc>) {
        let stood = self.now.remove(&at);
        if let Some(stay) = stood {
            let span = &mut self.stays[stay].span;
            span.until = when.max(span.from);
        }
        let here = stood.or_else(|| sources.get(&at).copied());
        let grams = self.grams.entry(at.clone()).or_default();
        *grams += touch.grams;
        if *grams <= Grams::ZERO {
            if let Some(stay) = here {
                self.left.insert(at, stay);
            }
            return;
        }
        let mut before: Vec<usize> = here.into_iter().chain(touch.came).collect();
        before.sort_unstable();
        before.dedup();
        let stay = self.push(&at, when, when, before);
        self.now.insert(at, stay);
    }
}
