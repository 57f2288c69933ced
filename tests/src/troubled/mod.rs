//! A farm to which everything awkward happens within two weeks: readings late, doubled, missing and from several probes, goods sent out
//! and back, acts taken back, counts and weighings written down late, lots packed, held and taken to a stall.

mod air;
mod setting;

use anyhow::{Context, Result};
use chrono::{DateTime, Datelike, Days, NaiveDate, TimeDelta, TimeZone, Utc, Weekday};
use chrono_tz::Tz;
use gillbook_testkit::Farm;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use uuid::Uuid;

/// Days that it lasts: two weeks and the first two days of a third.
const DAYS: u64 = 16;

/// A farm, and the chance that its days are drawn from.
struct Trouble {
    farm: Farm,
    zone: Tz,
    decimals: u32,
    rng: ChaCha8Rng,
    monday: NaiveDate,
    /// Readings that have not come yet.
    late: Vec<Value>,
}

/// Lives two weeks and two days from a Monday on in a zone, with a currency of so many decimals.
///
/// # Errors
/// When no database is to be had. Whatever the farm does must be taken.
pub async fn troubled_farm(zone: Tz, currency: &str, decimals: u32, monday: NaiveDate, seed: u64) -> Result<Farm> {
    let start = instant(zone, monday, 5, 0)?;
    let farm = Farm::bare_in(zone, currency, start).await?;
    let mut trouble = Trouble { farm, zone, decimals, rng: ChaCha8Rng::seed_from_u64(seed), monday, late: Vec::new() };
    setting::set_up(&trouble).await?;
    for n in 0..DAYS {
        trouble.live(n).await.with_context(|| format!("day {n}"))?;
    }
    Ok(trouble.farm)
}

fn instant(zone: Tz, day: NaiveDate, hour: u32, minute: u32) -> Result<DateTime<Utc>> {
    let local = day.and_hms_opt(hour, minute, 0).context("a time of day")?;
    Ok(zone.from_local_datetime(&local).earliest().context("a time that exists")?.to_utc())
}

fn code(answer: &Value, field: &str) -> String {
    answer[field].as_str().unwrap_or_default().to_owned()
}

impl Trouble {
    fn day(&self, n: u64) -> NaiveDate {
        self.monday + Days::new(n)
    }

    /// Lets time pass until a time of a day.
    fn until(&self, n: u64, hour: u32, minute: u32) -> Result<()> {
        self.farm.pass(instant(self.zone, self.day(n), hour, minute)? - self.farm.now());
        Ok(())
    }

    /// A sum in the farm's currency, with all its decimals; a hundred times as much where it has none.
    fn money(&self, amount: f64) -> String {
        let scale = if self.decimals == 0 { 100.0 } else { 1.0 };
        format!("{:.*}", self.decimals as usize, amount * scale)
    }

    async fn live(&mut self, n: u64) -> Result<()> {
        self.until(n, 5, 40)?;
        self.harvest(n).await;
        self.until(n, 6, 30)?;
        if n % 3 == 1 {
            self.pack().await;
        }
        if n > 0 && n.is_multiple_of(7) {
            self.close_week(n).await?;
        }
        self.until(n, 7, 10)?;
        self.send_out(n).await;
        self.until(n, 10, 0)?;
        self.mishaps(n).await?;
        if self.day(n).weekday() == Weekday::Sat {
            self.market(n).await?;
        }
        self.until(n, 18, 0)?;
        if n % 4 == 2 {
            self.count(n).await;
        }
        self.until(n, 21, 0)?;
        self.readings(n).await?;
        if n + 1 == DAYS {
            self.order_ahead(n).await;
        }
        Ok(())
    }

    /// Orders for the days to come, some for the best grade only; lots are set aside for one of them.
    async fn order_ahead(&self, n: u64) {
        for (days, product, grams) in
            [(1, "OYA", 900), (1, "LM", 700), (2, "OY", 1_300), (3, "OYA", 2_000), (3, "LM", 400)]
        {
            let lines = json!([{"product": product, "grams_g": grams}]);
            let order = json!({"customer": "PLUM", "delivery_day": self.day(n + days), "lines": lines});
            let order = code(&self.farm.create("/api/orders", order).await, "order");
            if days == 2 {
                let path = format!("/api/orders/{order}/set-aside");
                self.farm.ask(&self.farm.owner, "PUT", &path, &[], Some(json!({}))).await.expect(200);
            }
        }
    }

    /// Free grams at a place, the lots with most first.
    async fn free(&self, place: &str) -> Vec<(String, i64)> {
        let stock = self.farm.get(&format!("/api/stock?place={place}")).await;
        let mut lots: Vec<_> = stock["rows"]
            .as_array()
            .into_iter()
            .flatten()
            .filter_map(|row| Some((code(row, "lot"), row["free_g"].as_i64()?)))
            .filter(|(_, grams)| *grams > 0)
            .collect();
        lots.sort_by_key(|(lot, grams)| (-grams, lot.clone()));
        lots
    }

    /// Crates of one batch, of shares of two, trimmed and not; each third day one that was weighed the day before, and one taken back.
    async fn harvest(&mut self, n: u64) {
        for crate_number in 0..self.rng.random_range(3..6) {
            let mixed = self.rng.random_bool(0.3);
            let sources = match (mixed, crate_number % 2) {
                (true, _) => json!([{"batch": "B1", "flush": 1, "share": 3}, {"batch": "B2", "flush": 2, "share": 4}]),
                (false, 0) => json!([{"batch": "B2", "flush": 1 + n % 2}]),
                (false, _) => json!([{"batch": "B3", "flush": 1}]),
            };
            let grade = ["A", "A", "B", "C"][self.rng.random_range(0..4)];
            let mut weighing = json!({"id": Uuid::new_v4(), "sources": sources, "grade": grade, "gross_g": self.rng.random_range(3_000..7_000), "place": "F1", "tare": {"tare_g": 1_450}});
            if crate_number == 1 {
                weighing["trim_g"] = json!(self.rng.random_range(50..300));
            }
            if crate_number == 2 {
                weighing["cut"] = json!(true);
            }
            if n % 3 == 2 && crate_number == 0 {
                weighing["weighed_at"] = json!(self.farm.now() - TimeDelta::hours(9));
            }
            let kept = self.farm.create("/api/weighings", weighing).await;
            if n % 5 == 3 && crate_number == 1 {
                let path = format!("/api/weighings/{}/reversal", code(&kept, "id"));
                self.farm.create(&path, json!({"reason": "Wrong batch"})).await;
            }
        }
    }

    /// Two lots of a strain from open crates into vented punnets, with trim and water; the first packing is taken back.
    async fn pack(&mut self) {
        let lots: Vec<_> =
            self.free("F1").await.into_iter().filter(|(lot, g)| lot.starts_with("OY") && *g > 700).collect();
        let [(first, _), (second, _), ..] = &lots[..] else { return };
        let packing = json!({"place": "F1", "lots_in": [{"lot": first, "grams_g": 500}, {"lot": second, "grams_g": 400}], "lots_out": [{"grade": "B", "packaging": "vented", "grams_g": 750, "product": "OYP"}], "trim_g": 110, "water_g": 40});
        let made = self.farm.create("/api/packings", packing.clone()).await;
        let path = format!("/api/acts/{}/reversal", code(&made["act"], "act_id"));
        self.farm.create(&path, json!({"reason": "Wrong lots"})).await;
        self.farm.create("/api/packings", packing).await;
    }

    /// Orders of two customers, by one of two vans or fetched; some of it refused at the door, and one dispatch taken back and made again.
    async fn send_out(&mut self, n: u64) {
        for (customer, product, lines) in [("PLUM", "OY", 2), ("GREEN", "OYP", 1), ("PLUM", "LM", 1)] {
            let wanted: Vec<_> = (0..lines)
                .map(|line| match product {
                    "OYP" => json!({"product": product, "packs": self.rng.random_range(1..4)}),
                    _ => json!({"product": product, "grams_g": 333 + line * 517 + self.rng.random_range(0..400)}),
                })
                .collect();
            let order = json!({"customer": customer, "delivery_day": self.day(n), "lines": wanted});
            let order = code(&self.farm.create("/api/orders", order).await, "order");
            let path = format!("/api/orders/{order}/set-aside");
            let set = self.farm.ask(&self.farm.owner, "PUT", &path, &[], Some(json!({}))).await.expect(200);
            if !set["lines"]
                .as_array()
                .is_some_and(|l| l.iter().any(|l| l["set_aside"].as_array().is_some_and(|s| !s.is_empty())))
            {
                continue;
            }
            let van = [Some("VAN"), Some("VAN2"), None][self.rng.random_range(0..3)];
            let docket = json!({"order": order, "van": van, "short": true});
            let mut sent = self.farm.create("/api/dockets", docket.clone()).await;
            if n % 6 == 4 {
                let path = format!("/api/acts/{}/reversal", code(&sent, "act_id"));
                self.farm.create(&path, json!({"reason": "Wrong van"})).await;
                self.farm
                    .ask(&self.farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({})))
                    .await
                    .expect(200);
                sent = self.farm.create("/api/dockets", docket).await;
            }
            self.farm.pass(TimeDelta::minutes(25));
            if van.is_some() && !(n == 6 && customer == "GREEN") {
                let part = sent["lines"][0]["grams_g"].as_i64().unwrap_or(0) / 3;
                let refused = if n % 4 == 1 && product != "OYP" {
                    json!([{"line": 1, "grams_g": part, "reason": "Bruised"}])
                } else {
                    json!([])
                };
                let path = format!("/api/dockets/{}/delivery", code(&sent, "docket"));
                self.farm.create(&path, json!({"taken_by": "Kitchen", "refused": refused})).await;
            }
        }
    }

    /// A return of what an earlier docket brought, a transfer there and back, one taken back, waste, a gift, a test and one home.
    async fn mishaps(&mut self, n: u64) -> Result<()> {
        if n % 3 == 2 {
            let dockets = self.farm.get("/api/dockets?limit=200").await;
            let delivered = dockets["rows"].as_array().into_iter().flatten().filter(|d| d["status"] == "delivered");
            if let Some(docket) = delivered.rev().nth(2) {
                let line = json!({"line": docket["lines"][0]["line"], "grams_g": 61});
                let path = format!("/api/dockets/{}/returns", code(docket, "docket"));
                let back = self.farm.post(&path, json!({"lines": [line], "reason": "Bruised"})).await;
                anyhow::ensure!(matches!(back.status, 201 | 409), "{}", back.text);
            }
        }
        let free = self.free("F1").await;
        let Some((lot, grams)) = free.first().cloned() else { return Ok(()) };
        if n.is_multiple_of(3) {
            let to = |from: &str, to: &str, grams: i64| json!({"kind": "transfer", "lot": lot, "from_place": from, "to_place": to, "grams_g": grams});
            let moved = self.farm.create("/api/movements", to("F1", "F2", grams / 3)).await;
            if n.is_multiple_of(2) {
                let path = format!("/api/acts/{}/reversal", code(&moved, "act_id"));
                self.farm.create(&path, json!({"reason": "Not moved after all"})).await;
            } else {
                self.farm.pass(TimeDelta::hours(5));
                self.farm.create("/api/movements", to("F2", "F1", grams / 3)).await;
            }
        }
        let kinds = ["waste", "gift", "test", "home"];
        let away = json!({"kind": kinds[self.rng.random_range(0..4)], "lot": lot, "from_place": "F1", "grams_g": 83, "reason": "So it was", "happened_at": self.farm.now() - TimeDelta::hours(if n % 7 == 5 { 30 } else { 1 })});
        self.farm.create("/api/movements", away).await;
        if let Some((held, _)) = free.get(2).filter(|_| n == 9) {
            self.farm.create(&format!("/api/lots/{held}/hold"), json!({"reason": "Smells odd"})).await;
        }
        if n % 9 == 4 {
            self.farm.create("/api/batches/B1/losses", json!({"blocks": 1, "reason": "Green mould"})).await;
        }
        Ok(())
    }

    /// A stall's day: taken out in the morning, back in the afternoon with what was wasted and tasted.
    async fn market(&mut self, n: u64) -> Result<()> {
        let taken: Vec<_> = self.free("F1").await.into_iter().filter(|(_, grams)| *grams > 600).take(3).collect();
        let out: Vec<_> = taken.iter().map(|(lot, g)| json!({"lot": lot, "place": "F1", "grams_g": g / 2})).collect();
        let day = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": self.money(40.125), "taken": out});
        let day = code(&self.farm.create("/api/market-days", day).await, "market_day");
        self.until(n, 16, 20)?;
        let back: Vec<_> =
            taken.iter().map(|(lot, g)| json!({"lot": lot, "back_g": g / 5, "wasted_g": 31, "tasted_g": 12})).collect();
        let close = json!({"lots": back, "back_place": "F1", "cash": self.money(71.377), "card": self.money(18.604), "fee": self.money(7.5)});
        let path = format!("/api/market-days/{day}");
        self.farm.ask(&self.farm.owner, "PATCH", &path, &[], Some(close)).await.expect(200);
        Ok(())
    }

    /// Some lots of the fridge, a little short or a little over; every second count is written down hours late, and something happened since.
    /// In the others one lot was taken for another.
    async fn count(&mut self, n: u64) {
        let lots: Vec<_> = self.free("F1").await.into_iter().filter(|(_, grams)| *grams > 300).take(4).collect();
        let counted_at = self.farm.now() - TimeDelta::minutes(1);
        let late = n % 8 == 6;
        if let Some((lot, _)) = lots.first().filter(|_| late) {
            self.farm.pass(TimeDelta::hours(1));
            let wasted = json!({"kind": "waste", "lot": lot, "from_place": "F1", "grams_g": 90, "reason": "Wet"});
            self.farm.create("/api/movements", wasted).await;
            self.farm.pass(TimeDelta::hours(1));
        }
        let counted: Vec<_> = lots
            .iter()
            .enumerate()
            .map(|(i, (lot, g))| match i {
                0 if !late => json!({"lot": lot, "counted_g": g / 2}),
                3 if !late => {
                    json!({"lot": lot, "counted_g": g + lots[0].1 / 2, "found_reason": "Under another label"})
                }
                3 => json!({"lot": lot, "counted_g": g + 4}),
                _ => json!({"lot": lot, "counted_g": g - g / [40, 25, 90][i]}),
            })
            .collect();
        let mut count = json!({"place": "F1", "lots": counted});
        if late {
            count["counted_at"] = json!(counted_at);
        }
        self.farm.create("/api/stock-counts", count).await;
    }

    /// Closes the week before, and then comes an entry for it.
    async fn close_week(&mut self, n: u64) -> Result<()> {
        let week = (self.day(n) - Days::new(7)).iso_week();
        let path = format!("/api/weeks/{}-W{:02}/close", week.year(), week.week());
        self.farm.create(&path, json!({})).await;
        self.farm.pass(TimeDelta::minutes(3));
        let yesterday = instant(self.zone, self.day(n) - Days::new(1), 20, 15)?;
        if let Some((lot, _)) = self.free("F1").await.into_iter().next() {
            let late = json!({"kind": "waste", "lot": lot, "from_place": "F1", "grams_g": 47, "reason": "Found on Sunday", "happened_at": yesterday});
            self.farm.create("/api/movements", late).await;
        }
        Ok(())
    }
}
