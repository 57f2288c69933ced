//! What is asked next: chosen by chance from what is there, and now and then beyond it.

use chrono::{DateTime, TimeDelta, Utc};
use rand::{RngExt, SeedableRng, seq::IndexedRandom};
use rand_chacha::ChaCha8Rng;

use crate::{
    acts::{Ask, Out, StallRow, What},
    book::{Book, CUSTOMERS, FRIDGES, PACK_G, STALL, STORES, VAN},
};

/// Chance over a book.
struct Chooser<'a> {
    book: &'a Book,
    chance: ChaCha8Rng,
}

/// Chooses what is asked next. One number is one choice, so that a sequence stays readable when others are taken out of it.
pub fn choose(roll: u64, book: &Book, now: DateTime<Utc>, id: String) -> Ask {
    let mut chooser = Chooser { book, chance: ChaCha8Rng::seed_from_u64(roll) };
    let what = chooser.what();
    // Most is entered as it happens, some of it late, and now and then a phone's clock runs ahead.
    let minutes = match chooser.chance.random_range(0..20) {
        0..12 => 0,
        12..18 => chooser.chance.random_range(1..400),
        18 => -chooser.chance.random_range(1..5),
        _ => -chooser.chance.random_range(6..60),
    };
    let dated = !matches!(
        what,
        What::Order { .. }
            | What::Choose { .. }
            | What::Propose { .. }
            | What::LetGo { .. }
            | What::Tick { .. }
            | What::Reverse { .. }
    );
    let minutes = if dated { minutes } else { 0 };
    Ask { what, at: now - TimeDelta::minutes(minutes), said: minutes != 0, id }
}

impl Chooser<'_> {
    fn one<T: Copy>(&mut self, of: &[T]) -> Option<T> {
        of.choose(&mut self.chance).copied()
    }

    fn often(&mut self) -> bool {
        self.chance.random_range(0..10) > 0
    }

    fn index(&mut self, len: usize) -> Option<usize> {
        (len > 0).then(|| self.chance.random_range(0..len))
    }

    /// Mostly something that is there; else any lot at any place.
    fn stock(&mut self, places: &[&'static str]) -> Option<(usize, &'static str, i64)> {
        let there = self.book.stock(places);
        if self.often()
            && let Some(row) = self.one(&there)
        {
            return Some(row);
        }
        Some((self.index(self.book.lots.len())?, self.one(places)?, 0))
    }

    /// Part of what is there, all of it, or more.
    fn part(&mut self, of: i64) -> i64 {
        match self.chance.random_range(0..10) {
            0 => of + self.chance.random_range(1..200),
            1..4 => of.max(1),
            _ => self.chance.random_range(1..=of.max(1)),
        }
    }

    fn grade(&mut self) -> &'static str {
        if self.chance.random() { "A" } else { "B" }
    }

    fn packaging(&mut self) -> &'static str {
        ["open", "open", "vented"][self.chance.random_range(0..3)]
    }

    fn weigh(&mut self) -> What {
        let place = ["F1", "F1", "F2", VAN][self.chance.random_range(0..4)];
        let trim = [0, 0, 70][self.chance.random_range(0..3)];
        let net = self.chance.random_range(200..3000);
        What::Weigh { grade: self.grade(), packaging: self.packaging(), net, trim, place }
    }

    /// What brings an order nearer to the customer: weigh, order, set aside, send out, hand over, take back what is broken.
    fn next_in_line(&mut self) -> Option<What> {
        if self.book.stock(&FRIDGES).len() < 2 || self.chance.random_range(0..8) == 0 {
            return None;
        }
        let open = self.book.orders.iter().position(|o| o.status == "confirmed");
        let on_its_way = (0..self.book.dockets.len()).any(|n| self.book.docket_status(n) == "dispatched");
        let delivered = (0..self.book.dockets.len()).any(|n| self.book.docket_status(n) == "delivered");
        match open {
            _ if on_its_way && self.chance.random() => self.deliver(),
            _ if delivered && self.chance.random_range(0..4) == 0 => self.give_back(),
            Some(order) if self.book.orders[order].aside.is_empty() => Some(What::Propose { order }),
            Some(_) if self.chance.random_range(0..3) == 0 => self.tick(),
            Some(order) => Some(What::Dispatch { order, by_van: self.chance.random_range(0..4) > 0, short: true }),
            None => Some(self.order()),
        }
    }

    /// What cannot be asked for yet becomes the next step of an order.
    fn what(&mut self) -> What {
        let chosen = match self.chance.random_range(0..100) {
            0..3 => Some(self.weigh()),
            3..17 => None,
            17..20 => Some(self.order()),
            20..28 => self.pack(),
            28..31 => self.index(self.book.lots.len()).map(|lot| What::Hold { lot }),
            31..35 => self.release(),
            35..41 => self.choose(),
            41..45 => self.index(self.book.orders.len()).map(|order| What::Propose { order }),
            45..47 => self.tick(),
            47..48 => self.index(self.book.orders.len()).map(|order| What::LetGo { order }),
            48..56 => self.dispatch(),
            56..63 => self.deliver(),
            63..68 => self.give_back(),
            68..75 => self.moved(),
            75..80 => self.market(),
            80..85 => self.count(),
            85..88 => self.index(self.book.lots.len()).map(|lot| What::Finish { lot }),
            _ => self.reverse(),
        };
        chosen.or_else(|| self.next_in_line()).unwrap_or_else(|| self.weigh())
    }

    fn order(&mut self) -> What {
        let customer = self.chance.random_range(0..CUSTOMERS.len());
        let loose = self.chance.random_range(100..2500);
        What::Order { customer, loose, packs: [0, 0, 1, 4][self.chance.random_range(0..4)] }
    }

    fn pack(&mut self) -> Option<What> {
        let (lot, place, there) = self.stock(&FRIDGES)?;
        let gone = self.part(there);
        // One lot into one or two, or two lots into one: so it is plain which lot gave what.
        let beside = self.book.stock(&[place]).into_iter().find(|(other, _, _)| *other != lot);
        if let Some((other, _, there)) = beside.filter(|_| self.chance.random_range(0..3) == 0) {
            let more = self.part(there);
            let out = Out { grade: self.grade(), packaging: self.packaging(), dried: false, grams: gone + more };
            return Some(What::Pack {
                place,
                ins: vec![(lot, gone), (other, more)],
                outs: vec![out],
                trim: 0,
                water: 0,
            });
        }
        let dried = self.chance.random_range(0..6) == 0;
        let (trim, water) = if gone > 20 { (gone / 10, if dried { gone / 2 } else { 0 }) } else { (0, 0) };
        let mut left = gone - trim - water;
        let mut outs = Vec::new();
        if left > 1 && self.chance.random() {
            let first = self.chance.random_range(1..left);
            outs.push(Out { grade: self.grade(), packaging: self.packaging(), dried, grams: first });
            left -= first;
        }
        // Now and then it does not add up.
        let grams = left + i64::from(!self.often());
        outs.push(Out { grade: self.grade(), packaging: self.packaging(), dried, grams });
        Some(What::Pack { place, ins: vec![(lot, gone)], outs, trim, water })
    }

    fn release(&mut self) -> Option<What> {
        let held: Vec<usize> = (0..self.book.lots.len()).filter(|n| self.book.lots[*n].held).collect();
        let lot = if self.often() { self.one(&held) } else { self.index(self.book.lots.len()) };
        lot.map(|lot| What::Release { lot })
    }

    /// Mostly an order that has not gone out.
    fn open_order(&mut self) -> Option<usize> {
        let open: Vec<usize> =
            (0..self.book.orders.len()).filter(|n| self.book.orders[*n].status == "confirmed").collect();
        if self.often() { self.one(&open) } else { self.index(self.book.orders.len()) }
    }

    fn choose(&mut self) -> Option<What> {
        let order = self.open_order()?;
        let mut rows: Vec<(usize, usize, &'static str, i64)> = Vec::new();
        for _ in 0..self.chance.random_range(1..4) {
            let line = self.index(self.book.orders[order].lines.len())?;
            let (lot, place, there) = self.stock(&FRIDGES)?;
            let of = &self.book.orders[order].lines[line];
            let grams = self.part(there).min(of.limit(10) + 1);
            let grams = if of.packed && self.often() { (grams / PACK_G).max(1) * PACK_G } else { grams };
            if !rows.iter().any(|r| (r.0, r.1, r.2) == (line, lot, place)) {
                rows.push((line, lot, place, grams));
            }
        }
        Some(What::Choose { order, rows })
    }

    /// Mostly what is set aside, with about its weight.
    fn tick(&mut self) -> Option<What> {
        let full: Vec<usize> = (0..self.book.orders.len()).filter(|n| !self.book.orders[*n].aside.is_empty()).collect();
        let order = self.one(&full)?;
        let aside = &self.book.orders[order].aside;
        let of = aside[self.chance.random_range(0..aside.len())].clone();
        let line = &self.book.orders[order].lines[of.line];
        let (unit, off) = (if self.often() { line.unit() } else { 1 }, self.chance.random_range(-20..=20));
        let grams = match self.chance.random_range(0..6) {
            0..2 => None,
            2 => Some(of.grams + self.chance.random_range(-of.grams..=of.grams)),
            _ => Some(of.grams + off * unit),
        };
        let (lot, place) =
            if self.often() { (of.lot, of.place) } else { (self.index(self.book.lots.len())?, self.one(&FRIDGES)?) };
        Some(What::Tick { order, line: of.line, lot, place, grams, packed: self.chance.random_range(0..5) > 0 })
    }

    fn dispatch(&mut self) -> Option<What> {
        let ready: Vec<usize> =
            (0..self.book.orders.len()).filter(|n| !self.book.orders[*n].aside.is_empty()).collect();
        let order = if self.often() { self.one(&ready)? } else { self.index(self.book.orders.len())? };
        Some(What::Dispatch { order, by_van: self.chance.random_range(0..4) > 0, short: self.often() })
    }

    fn docket(&mut self, status: &str) -> Option<usize> {
        let fit: Vec<usize> = (0..self.book.dockets.len()).filter(|n| self.book.docket_status(*n) == status).collect();
        if self.often() { self.one(&fit) } else { self.index(self.book.dockets.len()) }
    }

    fn deliver(&mut self) -> Option<What> {
        let docket = self.docket("dispatched")?;
        let mut refused = Vec::new();
        for (line, (_, grams)) in &self.book.dockets[docket].lines {
            if self.chance.random_range(0..4) == 0 {
                refused.push((*line, self.part(*grams)));
            }
        }
        Some(What::Deliver { docket, refused })
    }

    fn give_back(&mut self) -> Option<What> {
        let docket = self.docket("delivered")?;
        let mut lines = Vec::new();
        for (line, (_, grams)) in &self.book.dockets[docket].lines {
            if lines.is_empty() || self.chance.random() {
                lines.push((*line, self.part(*grams)));
            }
        }
        Some(What::Return { docket, lines })
    }

    fn moved(&mut self) -> Option<What> {
        let kind = ["transfer", "transfer", "transfer", "waste", "gift", "test", "trim", "home"]
            [self.chance.random_range(0..8)];
        let (lot, from, there) = self.stock(&STORES)?;
        let anywhere = if self.often() { 3 } else { 4 };
        let to = match kind {
            "transfer" => STORES[self.chance.random_range(0..anywhere)],
            "waste" => "WASTE",
            "gift" => "GIFT",
            "test" => "TEST",
            "trim" => "TRIM",
            _ => "HOME",
        };
        Some(What::Move { kind, lot, from, to, grams: self.part(there) })
    }

    fn market(&mut self) -> Option<What> {
        let open = self.book.markets.iter().position(|m| m.close.is_none());
        let market = if self.often() { open } else { self.index(self.book.markets.len()) };
        let Some(market) = market else {
            let mut taken = Vec::new();
            for _ in 0..self.chance.random_range(1..3) {
                let (lot, place, there) = self.stock(&STORES[..3])?;
                taken.push((lot, place, self.part(there)));
            }
            return Some(What::MarketOut { taken });
        };
        let mut rows = Vec::new();
        for (lot, _, there) in self.book.stock(&[STALL]) {
            if self.chance.random_range(0..3) > 0 {
                let back = self.chance.random_range(0..=there);
                let wasted = self.chance.random_range(0..=there - back);
                rows.push(StallRow { lot, back, wasted, tasted: i64::from(!self.often()) });
            }
        }
        Some(What::MarketClose { market, rows })
    }

    fn count(&mut self) -> Option<What> {
        let (lot, place, there) = self.stock(&STORES)?;
        let mut rows = vec![(lot, self.counted(there))];
        if let Some((other, _, there)) = self.book.stock(&[place]).into_iter().find(|r| r.0 != lot)
            && self.chance.random()
        {
            rows.push((other, self.counted(there)));
        }
        Some(What::Count { place, rows })
    }

    /// A little less than the book has, the same, or a few grams more, which a scale may find.
    fn counted(&mut self, there: i64) -> i64 {
        (there + self.chance.random_range(-120..=5)).max(0)
    }

    fn reverse(&mut self) -> Option<What> {
        // The last acts are those that can be taken back, and most stands in the way of those under a docket.
        let acts = &self.book.acts;
        let stands = |n: &usize| !acts[*n].reversed && acts[*n].kind != "reversal";
        let recent: Vec<usize> = (0..acts.len()).rev().filter(stands).take(6).collect();
        let under_docket: Vec<usize> = (0..acts.len()).filter(|n| stands(n) && acts[*n].docket.is_some()).collect();
        let act = match self.chance.random_range(0..10) {
            0 => self.index(acts.len()),
            1..6 if !under_docket.is_empty() => self.one(&under_docket),
            _ => self.one(&recent),
        }?;
        Some(What::Reverse { act })
    }
}
