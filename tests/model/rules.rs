//! What the rules of the trade say to what is asked for.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};

use crate::{
    acts::{Ask, Out, StallRow, What},
    book::{Act, Book, Leg, Market, RULES, STALL, STORES, VAN},
};

/// What the rules say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Verdict {
    /// It is done.
    Done,
    /// It is refused, and why.
    Refused(String),
    /// The rules leave it open, and why; the book follows the program.
    Either(&'static str),
}

fn refused(why: impl Into<String>) -> Verdict {
    Verdict::Refused(why.into())
}

impl Book {
    /// Judges what is asked for.
    pub fn judge(&self, ask: &Ask, now: DateTime<Utc>) -> Verdict {
        if ask.at > now {
            return refused("it has not happened yet");
        }
        match &ask.what {
            What::Pack { ins, outs, trim, water, .. } => self.decide_packing(ask, ins, outs, trim + water),
            What::Hold { lot } if self.lots[*lot].held => refused("it is on hold already"),
            What::Release { lot } if !self.lots[*lot].held => refused("it is not on hold"),
            What::Order { .. } | What::Weigh { .. } | What::Hold { .. } | What::Release { .. } => Verdict::Done,
            What::Choose { order, rows } => self.decide_choice(*order, rows),
            What::Propose { order } | What::LetGo { order } => self.decide_open(*order),
            What::Tick { order, line, lot, place, grams, packed } => {
                self.decide_tick(*order, (*line, *lot, place), *grams, *packed)
            }
            What::Dispatch { order, short, .. } => self.decide_dispatch(ask, *order, *short),
            What::Deliver { docket, refused } => self.decide_delivery(ask, *docket, refused),
            What::Return { docket, lines } => self.decide_return(ask, *docket, lines),
            What::Move { kind, lot, from, to, .. } => self.decide_move(ask, kind, *lot, from, to),
            What::MarketOut { taken } => self.decide_market_out(ask, taken),
            What::MarketClose { market, rows } => self.decide_market_close(*market, rows),
            What::Count { place, rows } => self.decide_count(ask, place, rows),
            What::Finish { lot } => self.decide_finish(ask, *lot),
            What::Reverse { act } => self.decide_reversal(ask, *act),
        }
    }

    fn held(&self, lots: impl IntoIterator<Item = usize>) -> Option<Verdict> {
        lots.into_iter().find(|l| self.lots[*l].held).map(|l| refused(format!("{} is on hold", self.lots[l].code)))
    }

    /// Done if every gram that the legs take is there and free.
    fn if_there(&self, ask: &Ask, sent: Option<usize>) -> Verdict {
        let own = match &ask.what {
            What::Deliver { docket, .. } => Some(*docket),
            What::Reverse { act } if self.acts[*act].kind == "dispatch" => self.acts[*act].docket,
            _ => None,
        };
        self.short_of(&self.legs(ask), sent, own).map_or(Verdict::Done, Verdict::Refused)
    }

    fn decide_packing(&self, ask: &Ask, ins: &[(usize, i64)], outs: &[Out], lost: i64) -> Verdict {
        let gone: i64 = ins.iter().map(|i| i.1).sum();
        let come: i64 = outs.iter().map(|o| o.grams).sum();
        if gone != come + lost || outs.iter().any(|o| o.grams <= 0) {
            return refused("in = out + trim + water");
        }
        if ins.iter().any(|i| self.lots[i.0].dried) && outs.iter().any(|o| !o.dried) {
            return refused("what is dried does not become fresh");
        }
        self.held(ins.iter().map(|i| i.0)).unwrap_or_else(|| self.if_there(ask, None))
    }

    fn decide_open(&self, order: usize) -> Verdict {
        if self.orders[order].status == "confirmed" { Verdict::Done } else { refused("the order has gone out") }
    }

    pub fn decide_choice(&self, order: usize, rows: &[(usize, usize, &'static str, i64)]) -> Verdict {
        let o = &self.orders[order];
        if o.status != "confirmed" {
            return refused("the order has gone out");
        }
        for (line, lot, place, grams) in rows {
            let of: i64 = rows.iter().filter(|r| r.0 == *line).map(|r| r.3).sum();
            let taken: i64 = rows.iter().filter(|r| (r.1, r.2) == (*lot, *place)).map(|r| r.3).sum();
            if self.lots[*lot].dried || self.lots[*lot].held {
                return refused("the lot is on hold, or not what the product is sold of");
            }
            if *grams <= 0 || grams % o.lines[*line].unit() != 0 || of > o.lines[*line].limit(o.over_percent) {
                return refused("it is not whole packs, or more than the line takes");
            }
            if taken > self.free(*lot, place, Some(order)) {
                return refused("it is not free");
            }
        }
        Verdict::Done
    }

    fn decide_tick(&self, order: usize, of: (usize, usize, &str), grams: Option<i64>, packed: bool) -> Verdict {
        let o = &self.orders[order];
        let Some(aside) = o.aside.iter().find(|a| (a.line, a.lot, a.place) == of) else {
            return refused("it is not set aside");
        };
        if o.status != "confirmed" {
            return refused("the order has gone out");
        }
        let grams = grams.unwrap_or(aside.grams);
        if grams == aside.grams {
            return Verdict::Done;
        }
        if !packed || aside.packed {
            return refused("a weight is given when it is ticked off, once");
        }
        let line = &o.lines[aside.line];
        let others: i64 = o.aside.iter().filter(|a| a.line == aside.line && a.packed).map(|a| a.grams).sum();
        if grams <= 0 || grams % line.unit() != 0 || others + grams > line.limit(o.over_percent) {
            return refused("it is not whole packs, or more than the line takes");
        }
        let mut after = self.in_order(order);
        after.weigh(of, grams);
        let mut taken = BTreeMap::new();
        for a in &after.aside {
            *taken.entry((a.lot, a.place)).or_insert(0) += a.grams;
        }
        if taken.into_iter().any(|((lot, place), grams)| grams > self.free(lot, place, Some(order))) {
            return refused("it is not free");
        }
        Verdict::Done
    }

    fn decide_dispatch(&self, ask: &Ask, order: usize, short: bool) -> Verdict {
        let o = &self.orders[order];
        if o.status != "confirmed" || o.aside.is_empty() {
            return refused("the order has gone out, or nothing is set aside for it");
        }
        if !short && (0..o.lines.len()).any(|n| o.missing(n) > 0) {
            return refused("it is short, and nobody said to send it so");
        }
        self.held(o.aside.iter().map(|a| a.lot)).unwrap_or_else(|| self.if_there(ask, Some(order)))
    }

    fn decide_delivery(&self, ask: &Ask, docket: usize, parts: &[(i64, i64)]) -> Verdict {
        let lines = &self.dockets[docket].lines;
        if self.docket_status(docket) != "dispatched" {
            return refused("it is void or was handed over");
        }
        if ask.at < self.acts[self.dockets[docket].act].at {
            return refused("it had not gone out yet");
        }
        if parts.iter().any(|(line, grams)| *grams <= 0 || *grams > lines[line].1) {
            return refused("more was refused than the line has");
        }
        match self.if_there(ask, None) {
            Verdict::Done if self.held(lines.values().map(|l| l.0)).is_some() => Verdict::Either(
                "nothing of a held lot leaves, but what was handed over before the hold was known is a fact that is written down",
            ),
            verdict => verdict,
        }
    }

    fn decide_return(&self, ask: &Ask, docket: usize, parts: &[(i64, i64)]) -> Verdict {
        let lines = &self.dockets[docket].lines;
        if self.docket_status(docket) != "delivered" {
            return refused("it was not handed over");
        }
        let d = &self.dockets[docket];
        if ask.at < self.acts[d.delivery.unwrap_or(d.act)].at {
            return refused("it had not been handed over yet");
        }
        for (line, grams) in parts {
            if *grams <= 0 || *grams > lines[line].1 || *grams > self.customer_has(docket, *line) {
                return refused("the customer has not so much of this line");
            }
        }
        Verdict::Done
    }

    fn decide_move(&self, ask: &Ask, kind: &str, lot: usize, from: &str, to: &str) -> Verdict {
        if kind == "transfer" && (from == to || from == STALL || to == STALL) {
            return refused("goods go to a stall by a market day and come back from it as lots of their own");
        }
        if !["transfer", "waste", "test"].contains(&kind)
            && let Some(held) = self.held([lot])
        {
            return held;
        }
        self.if_there(ask, None)
    }

    fn decide_market_out(&self, ask: &Ask, taken: &[(usize, &'static str, i64)]) -> Verdict {
        if self.markets.iter().any(|m| m.close.is_none()) {
            return refused("the stall is out already");
        }
        self.held(taken.iter().map(|t| t.0)).unwrap_or_else(|| self.if_there(ask, None))
    }

    fn decide_market_close(&self, market: usize, rows: &[StallRow]) -> Verdict {
        if self.markets[market].close.is_some() {
            return refused("the day is closed");
        }
        if rows.iter().any(|r| r.back + r.wasted + r.tasted > self.grams(r.lot, STALL)) {
            return refused("the stall has not so much");
        }
        Verdict::Done
    }

    fn decide_count(&self, ask: &Ask, place: &'static str, rows: &[(usize, i64)]) -> Verdict {
        // A count lets grams of a held lot go only where it finds less than the book has.
        let less = rows.iter().filter(|(lot, counted)| *counted < self.grams_at(*lot, place, ask.at));
        if RULES.hold_stops_the_books
            && let Some(held) = self.held(less.map(|r| r.0))
        {
            return held;
        }
        let verdict = self.if_there(ask, None);
        if verdict == Verdict::Done && rows.iter().any(|r| !self.lots[r.0].at.contains_key(place)) {
            return Verdict::Either("the rules do not say whether a lot can be counted where it never was");
        }
        let since = |lot: usize| self.acts.iter().any(|a| a.at > ask.at && a.legs.iter().any(|l| l.lot == lot));
        if RULES.late_counts_look_back && verdict == Verdict::Done && rows.iter().any(|r| since(r.0)) {
            return Verdict::Either("a count from before a movement may be held against the book of then, or refused");
        }
        verdict
    }

    fn decide_finish(&self, ask: &Ask, lot: usize) -> Verdict {
        if self.finished(lot) && self.legs(ask).is_empty() {
            return refused("it is finished already");
        }
        // To finish an empty lot moves nothing, held or not.
        if RULES.hold_stops_the_books
            && !self.legs(ask).is_empty()
            && let Some(held) = self.held([lot])
        {
            return held;
        }
        let under_way =
            |d: &usize| self.docket_status(*d) == "dispatched" && self.dockets[*d].lines.values().any(|l| l.0 == lot);
        let at_stall = |m: &Market| m.close.is_none() && self.acts[m.out].legs.iter().any(|l| l.lot == lot);
        if (0..self.dockets.len()).any(|d| under_way(&d)) || self.markets.iter().any(at_stall) {
            return refused("some of it is on its way");
        }
        self.if_there(ask, None)
    }

    /// Whether the order of a docket has another one that stands.
    fn sent_again(&self, docket: usize) -> bool {
        let order = self.dockets[docket].order;
        (0..self.dockets.len())
            .any(|d| d != docket && self.dockets[d].order == order && self.docket_status(d) != "void")
    }

    /// Whether the van would lack goods of the docket, had it not been handed over.
    fn left_the_van(&self, docket: usize, handed_over: &[Leg]) -> bool {
        self.dockets[docket].lines.values().any(|(lot, _)| {
            let of = |l: &&Leg| l.lot == *lot;
            let back: i64 = handed_over.iter().filter(of).map(|l| l.grams).sum();
            let own: i64 = self.dockets[docket].lines.values().filter(|l| l.0 == *lot).map(|l| l.1).sum();
            self.grams(*lot, VAN) + back < self.under_way(*lot, None) + own
        })
    }

    fn decide_reversal(&self, ask: &Ask, act: usize) -> Verdict {
        let a = &self.acts[act];
        if a.reversed || ["reversal", "market_out", "market_close"].contains(&a.kind) {
            return refused("it was taken back, or is not taken back");
        }
        // What a reversal brings home stays on hold; nothing of a held lot leaves by one but to waste or a test.
        let home = |place: &str| STORES.contains(&place) || ["WASTE", "TEST"].contains(&place);
        if RULES.hold_stops_the_books
            && let Some(held) = self.held(a.legs.iter().filter(|l| !home(l.from)).map(|l| l.lot))
        {
            return held;
        }
        if let Some(docket) = a.docket {
            let d = &self.dockets[docket];
            let handed_over = a.kind == "dispatch" && d.by_van && self.docket_status(docket) == "delivered";
            let returned = |b: &Act| b.kind == "return" && !b.reversed && b.docket == Some(docket);
            let brought = a.kind == "delivery" || (a.kind == "dispatch" && !d.by_van);
            if handed_over {
                return refused("it was handed over");
            }
            if brought && self.acts.iter().any(returned) {
                return refused("some of it came back");
            }
            if a.kind == "delivery" && self.sent_again(docket) {
                return refused("the order went out again");
            }
            if a.kind == "delivery" && self.left_the_van(docket, &a.legs) {
                return refused("what was refused at the door is no longer in the van");
            }
        }
        let again = |b: &Act| !b.reversed && b.at >= a.at && b.counted.iter().any(|c| a.counted.contains(c));
        if self.acts[act + 1..].iter().any(again) {
            return refused("it was counted again");
        }
        let stood = a.legs.iter().any(|l| l.from == STALL || l.to == STALL);
        if stood && self.markets.iter().any(|m| m.close.is_some_and(|close| close > act)) {
            return refused("the stall's day was closed on it");
        }
        self.if_there(ask, None)
    }
}
