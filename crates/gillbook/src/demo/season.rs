//! The season, day by day, as the people on the farm live it.

use std::sync::Arc;

use anyhow::{Context, Result};
use chrono::{DateTime, Datelike, Days, NaiveDate, NaiveTime, TimeDelta, Utc, Weekday};
use gillbook_core::units::calendar::{IsoWeek, day_begins, day_of};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use uuid::Uuid;

use super::{
    ManualClock,
    client::Client,
    fridge::Fridge,
    plan::{Planned, plan},
    setting::{OWNER, RESTAURANTS, SHOPS, STRAINS, ZONE, best_before, set_up},
};

pub(super) const PROBE: &str = "urn:dev:ow:28ff641e0116035c";

/// A season to be lived.
#[derive(Debug)]
pub(super) struct Season {
    pub(super) chance: ChaCha8Rng,
    clock: Arc<ManualClock>,
    first: NaiveDate,
    until: DateTime<Utc>,
    plan: Vec<Planned>,
    fridge: Fridge,
    /// Sum and number of what the fridge's air was since the last count, °C by the minute.
    air_since_count: (f64, f64),
    /// The last count.
    last_counted_at: Option<DateTime<Utc>>,
    /// Readings up to here are posted.
    read_until: DateTime<Utc>,
    /// A day whose readings come a day late, out of order.
    gap_day: NaiveDate,
    late: Vec<Value>,
}

impl Season {
    pub(super) fn new(seed: u64, until: DateTime<Utc>, weeks: u32, clock: Arc<ManualClock>) -> Result<Self> {
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        let first = IsoWeek::of(day_of(until, ZONE))
            .monday()
            .checked_sub_days(Days::new(u64::from(weeks) * 7))
            .context("too long ago")?;
        let plan = plan(first, weeks, &mut chance);
        let fails_at = day_begins(first + Days::new(66), ZONE) + TimeDelta::minutes(60);
        Ok(Self {
            fridge: Fridge::new(seed, fails_at),
            air_since_count: (0.0, 0.0),
            last_counted_at: None,
            read_until: day_begins(first, ZONE),
            gap_day: first + Days::new(38),
            chance,
            clock,
            first,
            until,
            plan,
            late: Vec::new(),
        })
    }

    pub(super) fn begins(&self) -> DateTime<Utc> {
        day_begins(self.first, ZONE) + TimeDelta::minutes(5)
    }

    fn id(&mut self) -> Uuid {
        uuid::Builder::from_random_bytes(self.chance.random()).into_uuid()
    }

    /// Sets the clock to a time of a day. False when that is after the season's end.
    fn at(&self, day: NaiveDate, hour: u32, minute: u32) -> bool {
        let Some(time) = NaiveTime::from_hms_opt(hour, minute, 0) else { return false };
        let at = day_begins(day, ZONE) + time.signed_duration_since(NaiveTime::MIN);
        if at > self.until {
            return false;
        }
        self.clock.set(at);
        true
    }

    /// Days since the first.
    pub(super) fn days_in(&self, day: NaiveDate) -> i64 {
        (day - self.first).num_days()
    }

    /// The fridge's mean air since the last count, °C.
    pub(super) fn mean_air_since_count(&self) -> f64 {
        let (sum, minutes) = self.air_since_count;
        sum / f64::max(minutes, 1.0)
    }

    /// When the fridge was counted last.
    pub(super) fn last_counted_at(&self) -> Option<DateTime<Utc>> {
        self.last_counted_at
    }

    /// Notes that the fridge was counted.
    pub(super) fn counted_at(&mut self, at: DateTime<Utc>) {
        self.last_counted_at = Some(at);
        self.air_since_count = (0.0, 0.0);
    }

    /// The time in the season.
    pub(super) fn clock_now(&self) -> DateTime<Utc> {
        self.clock.now()
    }

    pub(super) async fn post(&mut self, client: &Client, path: &str, body: Value) -> Result<Value> {
        let key = self.id();
        client.post(path, key, body).await
    }

    /// Lives from the first day to the end.
    pub(super) async fn live(mut self, client: &mut Client) -> Result<()> {
        self.set_up(client).await?;
        let token = self
            .post(client, "/api/tokens", json!({"name": "fridge board", "scope": "readings", "probe": PROBE}))
            .await?;
        let probe = client.with_token(token["secret"].as_str().context("a token has a secret")?);
        let mut day = self.first;
        while day_begins(day, ZONE) <= self.until {
            if day.weekday() == Weekday::Mon && self.at(day, 5, 0) {
                println!("week of {day} …");
                // Sign-ins end after thirty days.
                if (day - self.first).num_days() % 21 == 0 {
                    client.sign_in(OWNER.2, super::PASSPHRASE).await?;
                }
            }
            self.live_day(client, &probe, day).await.with_context(|| format!("on {day}"))?;
            day = day + Days::new(1);
        }
        self.clock.set(self.until);
        self.hand_in_late(&probe).await?;
        self.post_readings(&probe, self.until).await
    }

    async fn set_up(&mut self, client: &Client) -> Result<()> {
        for (path, body) in set_up() {
            self.post(client, path, body).await?;
        }
        client.patch("/api/farm", 1, best_before()).await?;
        for batch in self.plan.clone() {
            if batch.made_on < self.first {
                self.add_batch(client, &batch, true).await?;
            }
        }
        for (strain, grams, age) in [("OY", 2400, 2), ("SH", 1500, 3)] {
            let harvest_day = self.first - Days::new(age);
            let body = json!({"strain": strain, "grade": "A", "packaging": "open", "harvest_day": harvest_day, "place": "F1", "grams_g": grams});
            self.post(client, "/api/openings", body).await?;
        }
        Ok(())
    }

    async fn add_batch(&mut self, client: &Client, batch: &Planned, opening: bool) -> Result<()> {
        let mut body = json!({
            "batch": batch.code, "strain": batch.strain.code, "recipe": "OAKBRAN", "spawn_supplier": "Fernhill Spawn",
            "spawn_lot": format!("{}{}", batch.strain.code, batch.made_on.format("%y%U")), "made_on": batch.made_on, "blocks": batch.blocks,
            "origin": if opening { "opening" } else { "made" },
        });
        if !opening {
            body["cook"] = json!(batch.cook);
        }
        self.post(client, "/api/batches", body).await?;
        let room = if batch.into_fruiting <= self.first { "FR1" } else { "INC" };
        let moved = json!({"kind": "moved", "blocks": batch.blocks, "room": room});
        self.post(client, &format!("/api/batches/{}/moves", batch.code), moved).await?;
        if opening
            && let Some((lost, on, reason)) = batch.lost
            && on < self.first
        {
            self.post(
                client,
                &format!("/api/batches/{}/losses", batch.code),
                json!({"blocks": lost, "reason": reason}),
            )
            .await?;
        }
        Ok(())
    }

    async fn live_day(&mut self, client: &Client, probe: &Client, day: NaiveDate) -> Result<()> {
        let weekday = day.weekday();
        if self.at(day, 6, 0) {
            self.post_day(probe, day).await?;
        }
        if weekday == Weekday::Sat && self.at(day, 6, 20) {
            self.market_out(client, day).await?;
        }
        if self.at(day, 6, 40) {
            self.harvest(client, day).await?;
        }
        if weekday == Weekday::Wed && self.at(day, 7, 40) {
            self.pack_punnets(client).await?;
        }
        if self.at(day, 8, 10) {
            self.send_out(client, day).await?;
        }
        if weekday == Weekday::Mon && day > self.first && self.at(day, 9, 0) {
            let week = IsoWeek::of(day).previous();
            self.post(client, &format!("/api/weeks/{week}/close"), json!({})).await?;
        }
        if weekday == Weekday::Mon && self.at(day, 10, 0) {
            self.make_blocks(client, day).await?;
        }
        if self.at(day, 11, 0) {
            self.hand_over(client, day).await?;
        }
        if weekday == Weekday::Sat && self.at(day, 14, 10) {
            self.reckon_market(client).await?;
        }
        if self.at(day, 15, 0) {
            self.tend_blocks(client, day).await?;
        }
        if self.at(day, 17, 30) {
            self.clear_out(client, day).await?;
        }
        if self.at(day, 18, 0) {
            self.take_orders(client, day).await?;
        }
        if self.at(day, 16, 30) {
            self.keep_checks(client, day).await?;
        }
        if self.at(day, 16, 45) {
            self.deal_with_spells(client).await?;
        }
        if weekday == Weekday::Sun && self.at(day, 19, 0) {
            self.count(client).await?;
        }
        Ok(())
    }

    /// Posts what the board has gathered; one day it has no network, and hands that day in late and out of order.
    async fn post_day(&mut self, probe: &Client, day: NaiveDate) -> Result<()> {
        if day == self.gap_day {
            let until = self.clock.now();
            self.late = self.records(until);
            return Ok(());
        }
        self.hand_in_late(probe).await?;
        self.post_readings(probe, self.clock.now()).await
    }

    async fn hand_in_late(&mut self, probe: &Client) -> Result<()> {
        let late = std::mem::take(&mut self.late);
        for pack in late.chunks(200).rev() {
            probe.post_unkeyed("/api/readings", json!(pack)).await?;
        }
        Ok(())
    }

    async fn post_readings(&mut self, probe: &Client, until: DateTime<Utc>) -> Result<()> {
        let records = self.records(until);
        for pack in records.chunks(1440) {
            probe.post_unkeyed("/api/readings", json!(pack)).await?;
        }
        Ok(())
    }

    fn records(&mut self, until: DateTime<Utc>) -> Vec<Value> {
        let mut records = Vec::new();
        while self.read_until < until {
            let at = self.read_until;
            let c = self.fridge.air(at);
            self.air_since_count.0 += c;
            self.air_since_count.1 += 1.0;
            // Once in a long while the probe answers before it has measured.
            let c = if self.chance.random_bool(0.000_05) { 85.0 } else { c };
            records.push(json!({"n": PROBE, "u": "Cel", "v": c, "t": at.timestamp()}));
            self.read_until += TimeDelta::minutes(1);
        }
        records
    }

    async fn make_blocks(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
        let batches: Vec<Planned> = self.plan.iter().filter(|b| b.made_on == day).cloned().collect();
        let Some(first) = batches.first() else { return Ok(()) };
        let cook = json!({"cook": first.cook, "method": "sterilised", "started_at": self.clock.now() - TimeDelta::minutes(200), "hours": 2.5, "temperature_c": 121.0});
        self.post(client, "/api/cooks", cook).await?;
        for batch in &batches {
            self.add_batch(client, batch, false).await?;
        }
        Ok(())
    }

    async fn tend_blocks(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
        for batch in self.plan.clone() {
            if batch.made_on >= day {
                continue;
            }
            if let Some((blocks, on, reason)) = batch.lost
                && on == day
            {
                self.post(
                    client,
                    &format!("/api/batches/{}/losses", batch.code),
                    json!({"blocks": blocks, "reason": reason}),
                )
                .await?;
            }
            let left = batch.blocks - batch.lost.map_or(0, |l| l.0);
            let moved = if batch.into_fruiting == day && day > self.first {
                json!({"kind": "moved", "blocks": left, "room": "FR1"})
            } else if batch.finished == day {
                json!({"kind": "finished", "blocks": left, "note": "To the compost"})
            } else {
                continue;
            };
            self.post(client, &format!("/api/batches/{}/moves", batch.code), moved).await?;
        }
        Ok(())
    }

    /// The morning's picking: crate by crate onto the scale.
    async fn harvest(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
        for strain in &STRAINS {
            let picks: Vec<(String, i32, f64)> = self
                .plan
                .iter()
                .filter(|b| b.strain.code == strain.code)
                .flat_map(|b| b.picks.iter().filter(|p| p.1 == day).map(|p| (b.code.clone(), p.0, p.2)))
                .collect();
            for (batch, flush, grams) in picks {
                for (grade, share) in [("A", 0.74), ("B", 0.21), ("C", 0.05)] {
                    #[expect(clippy::cast_possible_truncation, reason = "a crate of grams")]
                    let fresh = (grams * share * self.chance.random_range(0.95..1.05)) as i64;
                    if fresh >= 60 {
                        self.weigh(client, strain.trim, json!([{"batch": batch, "flush": flush}]), grade, fresh)
                            .await?;
                    }
                }
            }
        }
        if day == self.first + Days::new(12) {
            self.weigh_by_mistake(client).await?;
        }
        Ok(())
    }

    async fn weigh(&mut self, client: &Client, trim: f64, sources: Value, grade: &str, fresh: i64) -> Result<Value> {
        #[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "a crate of grams")]
        let trim = (fresh as f64 * trim * self.chance.random_range(0.85..1.15)) as i64;
        let wet = self.chance.random_bool(0.3);
        let crates = 1 + (fresh - trim) / 4000;
        let tare = crates * if wet { 1490 + 18 } else { 1450 + 12 };
        let id = self.id();
        let body = json!({
            "id": id, "sources": sources, "grade": grade, "gross_g": fresh - trim + tare, "trim_g": trim, "cut": true, "by": "JP",
            "tare": {"crate": "BLUE", "crates": crates, "liner": "PAPER", "wet": wet},
        });
        client.post("/api/weighings", id, body).await
    }

    /// Wrong grade tapped: taken back and weighed again.
    async fn weigh_by_mistake(&mut self, client: &Client) -> Result<()> {
        let newest = client.get("/api/weighings?limit=500").await?;
        let Some(last) = newest["rows"].as_array().and_then(|r| r.iter().rev().find(|w| w["grade"] == "A")).cloned()
        else {
            return Ok(());
        };
        let id = last["id"].as_str().unwrap_or_default().to_owned();
        self.post(client, &format!("/api/weighings/{id}/reversal"), json!({"reason": "Wrong grade tapped"})).await?;
        let sources = json!([{"batch": last["sources"][0]["batch"], "flush": last["sources"][0]["flush"]}]);
        let fresh = last["net_g"].as_i64().unwrap_or(0) + last["trim_g"].as_i64().unwrap_or(0);
        self.weigh(client, 0.1, sources, "B", fresh).await?;
        Ok(())
    }

    pub(super) async fn stock(&self, client: &Client, place: &str) -> Result<Vec<Value>> {
        Ok(client.get(&format!("/api/stock?place={place}")).await?["rows"].as_array().cloned().unwrap_or_default())
    }

    pub(super) async fn lots(&self, client: &Client) -> Result<Vec<Value>> {
        Ok(client.get("/api/lots?in_stock=true&limit=500").await?["rows"].as_array().cloned().unwrap_or_default())
    }

    /// Punnets for the shops, out of the best oysters.
    async fn pack_punnets(&mut self, client: &Client) -> Result<()> {
        let lots = self.lots(client).await?;
        let stock = self.stock(client, "F1").await?;
        let mut wanted = 6000;
        let mut lots_in = Vec::new();
        for row in stock.iter().filter(|r| r["strain"] == "OY") {
            let good = lots.iter().any(|l| {
                l["lot"] == row["lot"] && l["grade"] == "A" && l["packaging"] == "open" && l["origin"] == "harvest"
            });
            let free = row["free_g"].as_i64().unwrap_or(0).min(wanted);
            if good && free >= 300 {
                lots_in.push(json!({"lot": row["lot"], "grams_g": free}));
                wanted -= free;
            }
        }
        let gone: i64 = lots_in.iter().filter_map(|l| l["grams_g"].as_i64()).sum();
        let trim = gone / 60;
        let packed = (gone - trim) / 150 * 150;
        if packed < 150 {
            return Ok(());
        }
        let body = json!({
            "place": "F1", "lots_in": lots_in, "trim_g": gone - packed,
            "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": packed, "product": "OYP"}], "by": "JP",
        });
        self.post(client, "/api/packings", body).await?;
        Ok(())
    }

    /// Orders for the day after tomorrow.
    async fn take_orders(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
        let delivery = day + Days::new(2);
        let weekday = delivery.weekday().num_days_from_monday();
        for (code, _, served, _) in RESTAURANTS {
            if served != weekday || !self.chance.random_bool(0.95) {
                continue;
            }
            let grams: i64 = self.chance.random_range(20..=40) * 50;
            let first = self.chance.random_range(0..4usize);
            let main = ["OY", "OY", "KO", "LM"][first];
            let mut lines = vec![json!({"product": main, "grams_g": grams * 6 / 10})];
            let second = ["SH", "LM", "OY", "SH"][first];
            lines.push(json!({"product": second, "grams_g": grams * 4 / 10}));
            self.post(client, "/api/orders", json!({"customer": code, "delivery_day": delivery, "lines": lines}))
                .await?;
        }
        if weekday == 2 {
            for (code, _) in SHOPS {
                let packs = self.chance.random_range(14..=20);
                let loose = self.chance.random_range(20..=36) * 50;
                let lines = json!([{"product": "OYP", "packs": packs}, {"product": "SH", "grams_g": loose}]);
                self.post(client, "/api/orders", json!({"customer": code, "delivery_day": delivery, "lines": lines}))
                    .await?;
            }
        }
        Ok(())
    }

    /// Makes up the day's orders and sends them out.
    async fn send_out(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
        let orders = client.get(&format!("/api/orders?from={day}&until={day}&status=confirmed&limit=500")).await?;
        for order in orders["rows"].as_array().into_iter().flatten() {
            let code = order["order"].as_str().unwrap_or_default().to_owned();
            let made_up = client.put(&format!("/api/orders/{code}/set-aside"), json!({})).await?;
            let any = made_up["lines"]
                .as_array()
                .into_iter()
                .flatten()
                .any(|l| l["set_aside"].as_array().is_some_and(|s| !s.is_empty()));
            if any {
                self.post(client, "/api/dockets", json!({"order": code, "van": "VAN", "short": true, "by": "OF"}))
                    .await?;
            } else {
                let version = made_up["version"].as_i64().unwrap_or(0);
                client
                    .patch(
                        &format!("/api/orders/{code}"),
                        version,
                        json!({"status": "cancelled", "note": "Nothing to send"}),
                    )
                    .await?;
            }
        }
        Ok(())
    }

    /// The round: every docket handed over; once something comes back.
    async fn hand_over(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
        let dockets = client.get(&format!("/api/dockets?day={day}&limit=500")).await?;
        for docket in dockets["rows"].as_array().into_iter().flatten().filter(|d| d["status"] == "dispatched") {
            let code = docket["docket"].as_str().unwrap_or_default().to_owned();
            let c = (self.chance.random_range(30..60_i32), self.chance.random_range(1..3));
            let body = json!({"taken_by": "Kitchen", "temperature_c": f64::from(c.0) / 10.0, "crates_out": c.1, "crates_back": c.1, "by": "OF"});
            self.post(client, &format!("/api/dockets/{code}/delivery"), body).await?;
            if code == "D-40" {
                let grams = docket["lines"][0]["grams_g"].as_i64().unwrap_or(0).min(400);
                let body = json!({"lines": [{"line": 1, "grams_g": grams}], "reason": "Caps were broken", "by": "OF"});
                self.post(client, &format!("/api/dockets/{code}/returns"), body).await?;
            }
        }
        Ok(())
    }

    /// The stall takes what is free, oldest first, up to a good day's sale.
    async fn market_out(&mut self, client: &Client, _: NaiveDate) -> Result<()> {
        let mut wanted: i64 = self.chance.random_range(160..=240) * 50;
        let mut taken = Vec::new();
        for row in self.stock(client, "F1").await? {
            let free = row["free_g"].as_i64().unwrap_or(0).min(wanted).min(3500);
            if free >= 200 {
                taken.push(json!({"lot": row["lot"], "place": "F1", "grams_g": free}));
                wanted -= free;
            }
        }
        if !taken.is_empty() {
            let body = json!({"stall": "STALL", "customer": "SATURDAY", "taken": taken, "float_amount": "60.00"});
            self.post(client, "/api/market-days", body).await?;
        }
        Ok(())
    }

    async fn reckon_market(&mut self, client: &Client) -> Result<()> {
        let days = client.get("/api/market-days?limit=500").await?;
        let Some(open) = days["rows"].as_array().and_then(|d| d.iter().find(|d| d["status"] == "open")).cloned() else {
            return Ok(());
        };
        let mut worth = 0.0;
        let mut lots = Vec::new();
        for row in self.stock(client, "STALL").await? {
            let had = row["grams_g"].as_i64().unwrap_or(0);
            let back = if self.chance.random_bool(0.4) { had * self.chance.random_range(5..25) / 100 } else { 0 };
            let (wasted, tasted) = (had * 2 / 100, had / 100);
            let strain = STRAINS.iter().find(|s| row["strain"] == s.code).context("a strain of the demo")?;
            #[expect(clippy::cast_precision_loss, reason = "a crate of grams")]
            let sold = (had - back - wasted - tasted) as f64;
            worth += sold / 1000.0 * strain.price.parse::<f64>()?;
            lots.push(json!({"lot": row["lot"], "back_g": back, "wasted_g": wasted, "tasted_g": tasted}));
        }
        // The list's prices with tax, rounded this way and that at the stall; a third of it by card.
        #[expect(clippy::cast_possible_truncation, reason = "cents of a market day")]
        let cents = (worth * 105.5 * self.chance.random_range(0.97..1.02)) as i64;
        let card = cents / 3;
        let money = |c: i64| format!("{}.{:02}", c / 100, c % 100);
        let body = json!({"lots": lots, "back_place": "F1", "cash": money(cents - card + 6000), "card": money(card), "fee": "25.00"});
        let code = open["market_day"].as_str().unwrap_or_default();
        client.patch(&format!("/api/market-days/{code}"), 1, body).await?;
        Ok(())
    }

    /// The evening's look through the fridge: what is past its days goes to waste; now and then something is given away or dried.
    async fn clear_out(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
        let lots = self.lots(client).await?;
        for row in self.stock(client, "F1").await? {
            let Some(lot) = lots.iter().find(|l| l["lot"] == row["lot"]) else { continue };
            let harvested: NaiveDate = lot["harvest_day"].as_str().unwrap_or_default().parse()?;
            let age = (day - harvested).num_days();
            let free = row["free_g"].as_i64().unwrap_or(0);
            let most = if matches!(row["strain"].as_str(), Some("KO" | "SH")) { 9 } else { 6 };
            if free == 0 {
                continue;
            }
            let code = row["lot"].as_str().unwrap_or_default();
            if lot["grade"] == "C" && row["strain"] == "SH" && age >= 2 && free >= 100 {
                let dried = free * 12 / 100;
                let body = json!({
                    "place": "F1", "lots_in": [{"lot": code, "grams_g": free}], "water_g": free - dried,
                    "lots_out": [{"grade": "C", "packaging": "open", "form": "dried", "grams_g": dried, "place": "SHELF"}],
                });
                self.post(client, "/api/packings", body).await?;
            } else if age > most {
                let body = json!({"kind": "waste", "lot": code, "from_place": "F1", "grams_g": free, "reason": "Past its days"});
                self.post(client, "/api/movements", body).await?;
            } else if free < 25 && age >= 3 {
                self.post(client, &format!("/api/lots/{code}/finish"), json!({"reason": "Crate is empty"})).await?;
            } else if self.chance.random_bool(0.01) && free > 400 {
                let body = json!({"kind": "gift", "lot": code, "from_place": "F1", "grams_g": 300, "reason": "For the neighbours"});
                self.post(client, "/api/movements", body).await?;
            }
        }
        Ok(())
    }
}
