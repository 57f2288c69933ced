//! The season, day by day, as the people on the farm live it.

mod growing;
mod money;
mod selling;

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
    setting::{OWNER, ZONE, best_before, set_up},
};

pub(super) const PROBE: &str = "urn:dev:ow:28ff641e0116035c";

/// A season to be lived.
#[derive(Debug)]
pub(super) struct Season {
    pub(super) rng: ChaCha8Rng,
    /// Chance of the office, apart from that of the farm: what is paid when changes no gram.
    paperwork: ChaCha8Rng,
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
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let first = IsoWeek::of(day_of(until, ZONE))
            .monday()
            .checked_sub_days(Days::new(u64::from(weeks) * 7))
            .context("too long ago")?;
        let plan = plan(first, weeks, &mut rng);
        let fails_at = day_begins(first + Days::new(66), ZONE) + TimeDelta::minutes(60);
        Ok(Self {
            fridge: Fridge::new(seed, fails_at),
            air_since_count: (0.0, 0.0),
            last_counted_at: None,
            read_until: day_begins(first, ZONE),
            gap_day: first + Days::new(38),
            rng,
            paperwork: ChaCha8Rng::seed_from_u64(seed.wrapping_add(1)),
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
        uuid::Builder::from_random_bytes(self.rng.random()).into_uuid()
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
        self.post_readings(&probe, self.until).await?;
        self.take_standing_orders(client).await
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
            self.live_checks(client, day).await?;
        }
        if self.at(day, 16, 45) {
            self.deal_with_spells(client).await?;
        }
        if self.at(day, 17, 0) {
            self.look_at_the_bank(client, day).await?;
        }
        if weekday == Weekday::Mon && self.at(day, 17, 10) {
            self.make_good(client).await?;
            self.invoice(client).await?;
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
            let c = if self.rng.random_bool(0.000_05) { 85.0 } else { c };
            records.push(json!({"n": PROBE, "u": "Cel", "v": c, "t": at.timestamp()}));
            self.read_until += TimeDelta::minutes(1);
        }
        records
    }

    pub(super) async fn stock(&self, client: &Client, place: &str) -> Result<Vec<Value>> {
        Ok(client.get(&format!("/api/stock?place={place}")).await?["rows"].as_array().cloned().unwrap_or_default())
    }

    pub(super) async fn lots(&self, client: &Client) -> Result<Vec<Value>> {
        Ok(client.get("/api/lots?in_stock=true&limit=500").await?["rows"].as_array().cloned().unwrap_or_default())
    }
}
