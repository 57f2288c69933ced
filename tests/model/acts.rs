//! What can be asked of a farm in any order, and how it is put as a request.

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};

use crate::book::{Book, CUSTOMERS, STALL, VAN};

/// A lot that a packing makes.
#[derive(Debug, Clone)]
pub struct Out {
    pub grade: &'static str,
    pub packaging: &'static str,
    pub dried: bool,
    pub grams: i64,
}

/// What became of a lot at the stall.
#[derive(Debug, Clone)]
pub struct StallRow {
    pub lot: usize,
    pub back: i64,
    pub wasted: i64,
    pub tasted: i64,
}

/// What is asked for. Lots, orders, dockets and acts by their place in the book.
#[derive(Debug, Clone)]
pub enum What {
    Order { customer: usize, loose: i64, packs: i64 },
    Weigh { grade: &'static str, packaging: &'static str, net: i64, trim: i64, place: &'static str },
    Pack { place: &'static str, ins: Vec<(usize, i64)>, outs: Vec<Out>, trim: i64, water: i64 },
    Hold { lot: usize },
    Release { lot: usize },
    Choose { order: usize, rows: Vec<(usize, usize, &'static str, i64)> },
    Propose { order: usize },
    LetGo { order: usize },
    Tick { order: usize, line: usize, lot: usize, place: &'static str, grams: Option<i64>, packed: bool },
    Dispatch { order: usize, by_van: bool, short: bool },
    Deliver { docket: usize, refused: Vec<(i64, i64)> },
    Return { docket: usize, lines: Vec<(i64, i64)> },
    Move { kind: &'static str, lot: usize, from: &'static str, to: &'static str, grams: i64 },
    MarketOut { taken: Vec<(usize, &'static str, i64)> },
    MarketClose { market: usize, rows: Vec<StallRow> },
    Count { place: &'static str, rows: Vec<(usize, i64)> },
    Finish { lot: usize },
    Reverse { act: usize },
}

/// An act that is asked for: what, and when it happened.
#[derive(Debug, Clone)]
pub struct Ask {
    pub what: What,
    pub at: DateTime<Utc>,
    /// Whether the time is said, or is that of the request.
    pub said: bool,
    /// The act's id.
    pub id: String,
}

/// A request.
#[derive(Debug)]
pub struct Request {
    pub method: &'static str,
    pub path: String,
    pub body: Option<Value>,
}

impl What {
    /// Its name, for counting how often each was done.
    pub fn name(&self, book: &Book) -> String {
        let name = match self {
            Self::Order { .. } => "order",
            Self::Weigh { .. } => "weigh",
            Self::Pack { .. } => "pack",
            Self::Hold { .. } => "hold",
            Self::Release { .. } => "release",
            Self::Choose { .. } => "choose lots",
            Self::Propose { .. } => "set aside",
            Self::LetGo { .. } => "let go",
            Self::Tick { .. } => "tick off",
            Self::Dispatch { .. } => "dispatch",
            Self::Deliver { .. } => "deliver",
            Self::Return { .. } => "return",
            Self::Move { kind, .. } => kind,
            Self::MarketOut { .. } => "go to market",
            Self::MarketClose { .. } => "close the market",
            Self::Count { .. } => "count",
            Self::Finish { .. } => "finish",
            Self::Reverse { act } => return format!("reverse {}", book.acts[*act].kind),
        };
        name.into()
    }
}

impl Ask {
    /// A phone's clock may be a few minutes ahead; nothing happens later than it is entered.
    pub fn as_entered(&self, now: DateTime<Utc>) -> Self {
        let ahead = self.at > now && self.at <= now + TimeDelta::minutes(5);
        Self { at: if ahead { now } else { self.at }, ..self.clone() }
    }

    /// The request that asks for it.
    pub fn request(&self, book: &Book) -> Request {
        let (method, path, mut body) = self.bare_request(book);
        if let Some(Value::Object(fields)) = &mut body
            && self.said
        {
            let field = match self.what {
                What::Weigh { .. } => "weighed_at",
                What::Dispatch { .. } => "dispatched_at",
                What::Deliver { .. } => "delivered_at",
                What::Return { .. } => "returned_at",
                What::MarketOut { .. } => "left_at",
                What::MarketClose { .. } => "closed_at",
                What::Count { .. } => "counted_at",
                _ => "happened_at",
            };
            fields.insert(field.into(), json!(self.at));
        }
        Request { method, path, body }
    }

    fn bare_request(&self, book: &Book) -> (&'static str, String, Option<Value>) {
        let lot = |n: &usize| book.lots[*n].code.clone();
        let id = &self.id;
        let post = |path: &str, body: Value| ("POST", path.to_owned(), Some(body));
        match &self.what {
            What::Order { customer, loose, packs } => {
                let day = (self.at + TimeDelta::days(1)).date_naive();
                let mut lines = vec![json!({"product": "OY", "grams_g": loose})];
                if *packs > 0 {
                    lines.push(json!({"product": "PUN", "packs": packs}));
                }
                post("/api/orders", json!({"customer": CUSTOMERS[*customer].0, "delivery_day": day, "lines": lines}))
            }
            What::Weigh { grade, packaging, net, trim, place } => post(
                "/api/weighings",
                json!({"id": id, "sources": [{"batch": "B1", "flush": 1}], "grade": grade, "packaging": packaging, "gross_g": net + 12,
                       "tare": {"tare_g": 12}, "trim_g": trim, "place": place}),
            ),
            What::Pack { place, ins, outs, trim, water } => {
                let ins: Vec<Value> = ins.iter().map(|(l, g)| json!({"lot": lot(l), "grams_g": g})).collect();
                let form = |o: &Out| if o.dried { "dried" } else { "fresh" };
                let outs: Vec<Value> = outs
                    .iter()
                    .map(|o| json!({"grade": o.grade, "packaging": o.packaging, "form": form(o), "grams_g": o.grams}))
                    .collect();
                post(
                    "/api/packings",
                    json!({"id": id, "place": place, "lots_in": ins, "lots_out": outs, "trim_g": trim, "water_g": water}),
                )
            }
            What::Hold { lot: l } => post(&format!("/api/lots/{}/hold", lot(l)), json!({"reason": "Smell"})),
            What::Release { lot: l } => post(&format!("/api/lots/{}/release", lot(l)), json!({"reason": "Crate"})),
            What::Finish { lot: l } => post(&format!("/api/lots/{}/finish", lot(l)), json!({"reason": "Empty"})),
            What::Choose { order, rows } => {
                let chosen: Vec<Value> = rows
                    .iter()
                    .map(|(line, l, place, g)| json!({"line": line + 1, "lot": lot(l), "place": place, "grams_g": g}))
                    .collect();
                let path = format!("/api/orders/{}/set-aside", book.orders[*order].code);
                ("PUT", path, Some(json!({"chosen": chosen, "reason": "In front"})))
            }
            What::Propose { order } => {
                ("PUT", format!("/api/orders/{}/set-aside", book.orders[*order].code), Some(json!({})))
            }
            What::LetGo { order } => ("DELETE", format!("/api/orders/{}/set-aside", book.orders[*order].code), None),
            What::Tick { order, line, lot: l, place, grams, packed } => {
                let mut body = json!({"line": line + 1, "lot": lot(l), "place": place, "packed": packed});
                if let Some(grams) = grams {
                    body["grams_g"] = json!(grams);
                }
                ("PUT", format!("/api/orders/{}/packed", book.orders[*order].code), Some(body))
            }
            What::Dispatch { order, by_van, short } => post(
                "/api/dockets",
                json!({"id": id, "order": book.orders[*order].code, "van": by_van.then_some(VAN), "short": short}),
            ),
            What::Deliver { docket, refused } => post(
                &format!("/api/dockets/{}/delivery", book.dockets[*docket].code),
                json!({"id": id, "taken_by": "Cook", "refused": refusals(refused)}),
            ),
            What::Return { docket, lines } => post(
                &format!("/api/dockets/{}/returns", book.dockets[*docket].code),
                json!({"id": id, "lines": parts(lines), "reason": "Broken"}),
            ),
            What::Move { kind, lot: l, from, to, grams } => {
                let mut body = json!({"id": id, "kind": kind, "lot": lot(l), "from_place": from, "grams_g": grams, "reason": "Said"});
                if *kind == "transfer" {
                    body["to_place"] = json!(to);
                }
                post("/api/movements", body)
            }
            What::MarketOut { taken } => {
                let taken: Vec<Value> =
                    taken.iter().map(|(l, place, g)| json!({"lot": lot(l), "place": place, "grams_g": g})).collect();
                post(
                    "/api/market-days",
                    json!({"id": id, "stall": STALL, "customer": "SATURDAY", "float_amount": "60.00", "taken": taken}),
                )
            }
            What::MarketClose { market, rows } => {
                let lots: Vec<Value> = rows
                    .iter()
                    .map(|r| json!({"lot": lot(&r.lot), "back_g": r.back, "wasted_g": r.wasted, "tasted_g": r.tasted}))
                    .collect();
                let body = json!({"lots": lots, "back_place": "F1", "cash": "80.00", "card": "0.00", "fee": "0.00"});
                ("PATCH", format!("/api/market-days/{}", book.markets[*market].code), Some(body))
            }
            What::Count { place, rows } => {
                let lots: Vec<Value> = rows.iter().map(|(l, g)| json!({"lot": lot(l), "counted_g": g})).collect();
                post("/api/stock-counts", json!({"id": id, "place": place, "lots": lots}))
            }
            What::Reverse { act } => {
                post(&format!("/api/acts/{}/reversal", book.acts[*act].id), json!({"reason": "Mistake"}))
            }
        }
    }
}

fn refusals(lines: &[(i64, i64)]) -> Vec<Value> {
    lines.iter().map(|(line, grams)| json!({"line": line, "grams_g": grams, "reason": "Bruised"})).collect()
}

fn parts(lines: &[(i64, i64)]) -> Vec<Value> {
    lines.iter().map(|(line, grams)| json!({"line": line, "grams_g": grams})).collect()
}
