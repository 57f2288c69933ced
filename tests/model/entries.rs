//! What becomes of the book when something is done.

use std::collections::BTreeMap;

use chrono_tz::Europe::Paris;
use serde_json::Value;

use crate::{
    acts::{Ask, StallRow, What},
    book::{
        Act, Aside, Book, CUSTOMERS, Docket, FRIDGES, Leg, Line, Lot, Market, Order, PACK_G, ROOM, RULES, STALL,
        STORES, VAN,
    },
    rules::Verdict,
};

fn word(value: &Value, field: &str) -> String {
    value[field].as_str().unwrap_or_default().to_owned()
}

impl Book {
    /// What is moved when it is done. Lots that are made get their legs once they are there.
    pub fn legs(&self, ask: &Ask) -> Vec<Leg> {
        let legs: Vec<Leg> = match &ask.what {
            What::Pack { place, ins, trim, water, .. } => {
                // Only a packing of one lot has trim and water.
                let gave = |(lot, grams): (usize, i64)| {
                    let leg = move |to, grams| Leg { lot, from: place, to, grams };
                    [leg("TRIM", *trim), leg("WATER", *water), leg("PACKING", grams - trim - water)]
                };
                ins.iter().copied().flat_map(gave).collect()
            }
            What::Dispatch { order, by_van, .. } => {
                let o = &self.orders[*order];
                let to = if *by_van { VAN } else { o.customer };
                o.aside.iter().map(|a| Leg { lot: a.lot, from: a.place, to, grams: a.grams }).collect()
            }
            What::Deliver { docket, refused } => {
                let d = &self.dockets[*docket];
                let kept = |line: &i64| refused.iter().filter(|p| p.0 == *line).map(|p| p.1).sum::<i64>();
                let to = self.orders[d.order].customer;
                d.lines.iter().map(|(n, (lot, g))| Leg { lot: *lot, from: VAN, to, grams: g - kept(n) }).collect()
            }
            What::Return { docket, lines } => {
                let d = &self.dockets[*docket];
                let from = self.orders[d.order].customer;
                lines.iter().map(|(n, g)| Leg { lot: d.lines[n].0, from, to: "WASTE", grams: *g }).collect()
            }
            What::Move { lot, from, to, grams, .. } => vec![Leg { lot: *lot, from, to, grams: *grams }],
            What::MarketOut { taken } => {
                taken.iter().map(|(lot, from, g)| Leg { lot: *lot, from, to: STALL, grams: *g }).collect()
            }
            What::MarketClose { rows, .. } => self.stall_legs(rows),
            What::Count { place, rows } => {
                rows.iter().map(|(lot, counted)| self.count_leg(ask, place, *lot, *counted)).collect()
            }
            What::Finish { lot } => {
                let there =
                    STORES.map(|place| Leg { lot: *lot, from: place, to: "WATER", grams: self.grams(*lot, place) });
                there.into()
            }
            What::Reverse { act } => {
                let back = |l: &Leg| Leg { lot: l.lot, from: l.to, to: l.from, grams: l.grams };
                self.acts[*act].legs.iter().map(back).collect()
            }
            _ => Vec::new(),
        };
        legs.into_iter().filter(|l| l.grams > 0).collect()
    }

    fn count_leg(&self, ask: &Ask, place: &'static str, lot: usize, counted: i64) -> Leg {
        let book = if RULES.late_counts_look_back { self.grams_at(lot, place, ask.at) } else { self.grams(lot, place) };
        if counted > book {
            Leg { lot, from: "FOUND", to: place, grams: counted - book }
        } else {
            Leg { lot, from: place, to: "WATER", grams: book - counted }
        }
    }

    /// What is not brought back, thrown away or tasted was sold.
    fn stall_legs(&self, rows: &[StallRow]) -> Vec<Leg> {
        let at_stall = self.stock(&[STALL]).into_iter();
        at_stall
            .flat_map(|(lot, _, there)| {
                let (back, wasted, tasted) =
                    rows.iter().find(|r| r.lot == lot).map_or((0, 0, 0), |r| (r.back, r.wasted, r.tasted));
                let sold = there - back - wasted - tasted;
                [("SATURDAY", sold), ("WASTE", wasted), ("GIFT", tasted), ("PACKING", back)].map(|(to, grams)| Leg {
                    lot,
                    from: STALL,
                    to,
                    grams,
                })
            })
            .collect()
    }

    /// Does what was asked for, with the codes that the program gave. `close` is the act that closed a market day, and `id` that of an act
    /// that has no id of the asker's.
    pub fn done(&mut self, ask: &Ask, answer: &Value, found: &Value) -> Result<(), String> {
        let legs = self.legs(ask);
        let mut act = Act {
            id: ask.id.clone(),
            kind: "",
            at: ask.at,
            legs,
            docket: None,
            parts: Vec::new(),
            counted: Vec::new(),
            reversed: false,
        };
        match &ask.what {
            What::Order { customer, loose, packs } => self.ordered(*customer, *loose, *packs, answer),
            What::Weigh { .. } => self.weighed(ask, act, answer)?,
            What::Pack { place, ins, outs, .. } => {
                let codes: Vec<String> = answer["made"]
                    .as_array()
                    .into_iter()
                    .flatten()
                    .filter_map(|c| c.as_str().map(str::to_owned))
                    .collect();
                let parents: Vec<usize> = ins.iter().map(|i| i.0).collect();
                for (out, code) in outs.iter().zip(codes) {
                    let lot = self.made(out.grade, out.packaging, out.dried, code, &parents);
                    act.legs.push(Leg { lot, from: "PACKING", to: place, grams: out.grams });
                }
                self.post(Act { kind: "packing", ..act });
            }
            What::Hold { lot } => {
                let all = if RULES.hold_follows_the_goods { self.descendants(*lot) } else { [*lot].into() };
                for l in all {
                    self.lots[l].held = true;
                    if RULES.hold_follows_the_goods {
                        self.orders.iter_mut().for_each(|o| o.aside.retain(|a| a.lot != l));
                    }
                }
            }
            What::Release { lot } => self.lots[*lot].held = false,
            What::Choose { order, rows } => {
                self.put_aside(*order, rows);
            }
            What::Propose { order } => self.proposed(*order, answer)?,
            What::LetGo { order } => self.orders[*order].aside.clear(),
            What::Tick { order, line, lot, place, grams, packed } => {
                let of = (*line, *lot, *place);
                self.orders[*order] = self.in_order(*order);
                let Some(now) = self.orders[*order].aside.iter_mut().find(|a| (a.line, a.lot, a.place) == of) else {
                    return Ok(());
                };
                match (packed, now.packed) {
                    (false, _) => now.packed = false,
                    (true, true) => {}
                    (true, false) => {
                        let grams = grams.unwrap_or(now.grams);
                        self.orders[*order].weigh(of, grams);
                    }
                }
            }
            What::Dispatch { order, by_van, .. } => self.sent_out(*order, *by_van, act, answer)?,
            What::Deliver { docket, refused } => {
                let refused = |line: i64| refused.iter().filter(|p| p.0 == line).map(|p| p.1).sum::<i64>();
                let parts = self.dockets[*docket].lines.iter().map(|(n, (_, g))| (*n, g - refused(*n))).collect();
                let by = self.post(Act { kind: "delivery", docket: Some(*docket), parts, ..act });
                self.dockets[*docket].delivery = Some(by);
                let order = self.dockets[*docket].order;
                let taken = !self.acts[by].legs.is_empty();
                self.orders[order].status = if taken { "delivered" } else { "confirmed" };
            }
            What::Return { docket, lines } => {
                let parts = lines.iter().map(|(n, g)| (*n, -g)).collect();
                self.post(Act { kind: "return", docket: Some(*docket), parts, ..act });
            }
            What::Move { kind, .. } => {
                self.post(Act { kind, ..act });
            }
            What::MarketOut { .. } => {
                let out = self.post(Act { kind: "market_out", ..act });
                self.markets.push(Market { code: word(answer, "market_day"), out, close: None });
            }
            What::MarketClose { market, .. } => self.closed(*market, act, found)?,
            What::Count { place, rows } => {
                act.counted = rows.iter().map(|r| (r.0, *place)).collect();
                for (lot, _) in rows {
                    self.lots[*lot].at.entry(place).or_default();
                }
                self.post(Act { kind: "count", ..act });
            }
            What::Finish { lot } => {
                let by = self.post(Act { kind: "finish", id: word(found, "act_id"), ..act });
                self.lots[*lot].finishes.push(by);
            }
            What::Reverse { act: original } => self.taken_back(*original, Act { id: word(answer, "act_id"), ..act }),
        }
        Ok(())
    }

    fn ordered(&mut self, customer: usize, loose: i64, packs: i64, answer: &Value) {
        let mut lines = vec![Line { grams: loose, packed: false }];
        if packs > 0 {
            lines.push(Line { grams: packs * PACK_G, packed: true });
        }
        let (customer, over_percent) = CUSTOMERS[customer];
        let code = word(answer, "order");
        self.orders.push(Order { code, customer, over_percent, lines, status: "confirmed", aside: Vec::new() });
    }

    fn weighed(&mut self, ask: &Ask, act: Act, answer: &Value) -> Result<(), String> {
        let What::Weigh { grade, packaging, net, trim, place } = ask.what else { return Ok(()) };
        let day = ask.at.with_timezone(&Paris).date_naive();
        let code = word(answer, "lot");
        let lot = match self.lot_of_the_day(day, grade, packaging) {
            Some(lot) if self.lots[lot].code == code => lot,
            Some(lot) => return Err(format!("it went into {code} and not into {}", self.lots[lot].code)),
            None if self.lots.iter().any(|l| l.code == code) => return Err(format!("it went into {code}")),
            None => {
                let lot = self.made(grade, packaging, false, code, &[]);
                self.lots[lot].day = Some(day);
                lot
            }
        };
        let legs = [(place, net), ("TRIM", trim)].map(|(to, grams)| Leg { lot, from: ROOM, to, grams });
        self.post(Act { kind: "weighing", legs: legs.into_iter().filter(|l| l.grams > 0).collect(), ..act });
        Ok(())
    }

    /// A new lot, made by the act that is posted next.
    fn made(
        &mut self,
        grade: &'static str,
        packaging: &'static str,
        dried: bool,
        code: String,
        parents: &[usize],
    ) -> usize {
        let held = RULES.hold_follows_the_goods && parents.iter().any(|p| self.lots[*p].held);
        let parents = parents.iter().map(|p| (self.acts.len(), *p)).collect();
        let (day, finishes, at) = (None, Vec::new(), BTreeMap::new());
        self.lots.push(Lot { code, grade, packaging, dried, day, held, finishes, parents, at });
        self.lots.len() - 1
    }

    /// Which lots are proposed is the program's choice. It must be one that may be made, and leave nothing free that would do.
    fn proposed(&mut self, order: usize, answer: &Value) -> Result<(), String> {
        let mut rows = Vec::new();
        for (n, line) in answer["lines"].as_array().into_iter().flatten().enumerate() {
            for row in line["set_aside"].as_array().into_iter().flatten() {
                let lot = self.lots.iter().position(|l| row["lot"] == l.code).ok_or("an unknown lot is set aside")?;
                let place =
                    FRIDGES.into_iter().find(|p| row["place"] == *p).ok_or("set aside where nothing is sold from")?;
                rows.push((n, lot, place, row["grams_g"].as_i64().unwrap_or_default()));
            }
        }
        if let Verdict::Refused(why) = self.decide_choice(order, &rows) {
            return Err(format!("the proposal may not be made: {why}"));
        }
        for (n, line) in self.orders[order].lines.iter().enumerate() {
            let of: i64 = rows.iter().filter(|r| r.0 == n).map(|r| r.3).sum();
            let packed: Vec<&Aside> = self.orders[order].aside.iter().filter(|a| a.line == n && a.packed).collect();
            let stays = |a: &&Aside| rows.contains(&(n, a.lot, a.place, a.grams));
            if !packed.iter().all(stays) {
                return Err("what was packed is no longer set aside as it was".into());
            }
            let packed_g: i64 = packed.iter().map(|a| a.grams).sum();
            if of > line.grams.max(packed_g) {
                return Err("more is proposed than was ordered".into());
            }
            let was = self.orders[order].aside.iter().filter(|a| a.line == n).count();
            if was > 0 && packed.len() == was && self.orders[order].missing(n) == 0 {
                if of != packed_g {
                    return Err("more is proposed for a line that is packed in full".into());
                }
                continue;
            }
            let left = |(lot, place, _): &(usize, &'static str, i64)| {
                let taken: i64 = rows.iter().filter(|r| (r.1, r.2) == (*lot, *place)).map(|r| r.3).sum();
                let is_packed = packed.iter().any(|a| (a.lot, a.place) == (*lot, *place));
                let fit = !self.lots[*lot].held && !self.lots[*lot].dried && !is_packed;
                fit && self.free(*lot, place, Some(order)) - taken >= line.unit()
            };
            if of < line.grams && self.stock(&FRIDGES).iter().any(left) {
                return Err(format!("line {} is short though more is free", n + 1));
            }
        }
        self.put_aside(order, &rows);
        Ok(())
    }

    /// Sets rows aside in place of what was. What is packed and stays as it was stays packed.
    fn put_aside(&mut self, order: usize, rows: &[(usize, usize, &'static str, i64)]) {
        let was = std::mem::take(&mut self.orders[order].aside);
        let now = rows.iter().map(|(line, lot, place, grams)| {
            let row = Aside { line: *line, lot: *lot, place, grams: *grams, packed: true };
            Aside { packed: was.contains(&row), ..row }
        });
        self.orders[order].aside = now.collect();
    }

    fn sent_out(&mut self, order: usize, by_van: bool, act: Act, answer: &Value) -> Result<(), String> {
        let mut lines = BTreeMap::new();
        let mut rows = Vec::new();
        for line in answer["lines"].as_array().into_iter().flatten() {
            let lot = self.lots.iter().position(|l| line["lot"] == l.code).ok_or("an unknown lot is on the docket")?;
            let place = FRIDGES.into_iter().find(|p| line["place"] == *p).ok_or("taken from where nothing is sold")?;
            let number = |field: &str| line[field].as_i64().unwrap_or_default();
            lines.insert(number("line"), (lot, number("grams_g")));
            let of = usize::try_from(number("order_line") - 1).unwrap_or_default();
            rows.push(Aside { line: of, lot, place, grams: number("grams_g"), packed: false });
        }
        let mut aside = std::mem::take(&mut self.orders[order].aside);
        for a in &mut aside {
            a.packed = false;
        }
        aside.sort_unstable();
        rows.sort_unstable();
        if aside != rows {
            return Err(format!("the docket has {rows:?} and set aside were {aside:?}"));
        }
        let docket = self.dockets.len();
        let fetched = lines.iter().filter(|_| !by_van).map(|(n, (_, g))| (*n, *g));
        let act = self.post(Act { kind: "dispatch", docket: Some(docket), parts: fetched.collect(), ..act });
        self.dockets.push(Docket { code: word(answer, "docket"), order, by_van, lines, act, delivery: None });
        self.orders[order].status = if by_van { "dispatched" } else { "delivered" };
        Ok(())
    }

    /// What came back makes lots of its own, in the order in which it was put onto the table.
    fn closed(&mut self, market: usize, mut act: Act, found: &Value) -> Result<(), String> {
        let legs = found["legs"].as_array().cloned().unwrap_or_default();
        let mut codes = legs.iter().filter(|l| l["from_place"] == "PACKING").map(|l| word(l, "lot"));
        let back: Vec<(usize, i64)> = act.legs.iter().filter(|l| l.to == "PACKING").map(|l| (l.lot, l.grams)).collect();
        for (parent, grams) in back {
            let code = codes.next().ok_or("what came back made no lot")?;
            let Lot { grade, packaging, dried, .. } = self.lots[parent];
            let lot = self.made(grade, packaging, dried, code, &[parent]);
            act.legs.push(Leg { lot, from: "PACKING", to: "F1", grams });
        }
        self.markets[market].close = Some(self.post(Act { kind: "market_close", id: word(found, "act_id"), ..act }));
        Ok(())
    }

    fn taken_back(&mut self, original: usize, act: Act) {
        let Act { kind, at, docket, mut parts, .. } = self.acts[original].clone();
        for part in &mut parts {
            part.1 = -part.1;
        }
        if let Some(docket) = docket {
            let order = self.dockets[docket].order;
            match kind {
                "dispatch" => self.orders[order].status = "confirmed",
                "delivery" => {
                    self.orders[order].status = "dispatched";
                    self.orders[order].aside.clear();
                }
                _ => {}
            }
        }
        self.acts[original].reversed = true;
        // It is dated as the act was.
        self.post(Act { kind: "reversal", at, docket, parts, ..act });
    }
}
