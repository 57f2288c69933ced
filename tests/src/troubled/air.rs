//! What the probes say, when it comes, and what does not come.

use anyhow::{Result, ensure};
use chrono::{DateTime, TimeDelta, Utc};
use rand::{RngExt, seq::SliceRandom};
use serde_json::{Value, json};

use super::{Trouble, instant};

/// Minutes between two readings of a probe, but for what is shaken.
const EVERY_MINUTES: i64 = 2;

impl Trouble {
    /// A probe's readings from one instant to another: cold, but for doors, a warm afternoon each fifth day and an hour of frost; two days
    /// on which the network comes and goes over a fridge that is too warm; faults between.
    fn air_of(&mut self, probe: &str, n: u64, from: DateTime<Utc>, until: DateTime<Utc>) -> Vec<Value> {
        let mut records = Vec::new();
        let mut at = from;
        while at < until {
            let minute = (at - from).num_minutes();
            let patchy = n % 8 == 5 && probe != "p3";
            let warm = n % 5 == 2 && (600..790).contains(&minute);
            let frost = n == 8 && (200..290).contains(&minute);
            // To and fro over the limit, never long enough on one side.
            let wavering = n == 6 && (300..700).contains(&minute);
            #[expect(clippy::cast_precision_loss, reason = "minutes of a day")]
            let wave = 5.0 + 0.9 * (minute as f64 / 56.0 * std::f64::consts::TAU).sin();
            let base = match (probe, patchy, warm, frost) {
                ("p1" | "p2", ..) if wavering => wave,
                ("p3", ..) => 4.0 + 6.0 * f64::from(u8::from(n.is_multiple_of(3) && (120..260).contains(&minute))),
                (_, true, ..) => 6.8,
                (_, _, true, _) => 9.0,
                (_, _, _, true) => -2.2,
                _ => 2.4,
            };
            let beside = if probe == "p2" { 0.3 } else { 0.0 };
            let fault = self.rng.random_bool(0.004);
            let c = if fault {
                [85.0, -127.0][self.rng.random_range(0..2)]
            } else {
                base + beside + self.rng.random_range(-0.4..0.4)
            };
            let silent = (patchy && minute % 45 > 24)
                || (n % 4 == 3 && (300..300 + 40 * (n.cast_signed() % 3 + 1)).contains(&minute));
            let dead = n == 11 && (700..830).contains(&minute);
            if dead {
                records.push(json!({"n": probe, "u": "Cel", "t": seconds(at), "v": 85.0}));
            } else if !(silent || self.rng.random_bool(0.02)) {
                records.push(json!({"n": probe, "u": "Cel", "t": seconds(at), "v": c}));
            }
            let long = self.rng.random_bool(0.003);
            at += TimeDelta::milliseconds(EVERY_MINUTES * 60_000 + self.rng.random_range(-20_000..20_000));
            at += TimeDelta::minutes(if long { self.rng.random_range(8..28) } else { 0 });
        }
        records
    }

    /// The day's readings until now, in packs that come out of order, some twice; those of one day only five days later.
    pub(super) async fn readings(&mut self, n: u64) -> Result<()> {
        let now = self.farm.now();
        let from = if n == 0 { now - TimeDelta::hours(17) } else { instant(self.zone, self.day(n - 1), 21, 0)? };
        let mut late = Vec::new();
        for probe in ["p1", "p2", "p3"] {
            let mut records = self.air_of(probe, n, from, now);
            if n == 3 && probe != "p3" {
                late.extend(records.split_off(records.len() / 2));
            }
            let mut packs: Vec<_> = records.chunks(150).map(<[Value]>::to_vec).collect();
            packs.shuffle(&mut self.rng);
            packs.extend(packs.first().cloned());
            for pack in packs {
                self.post(pack).await?;
            }
        }
        if n == 3 {
            self.late = late;
        }
        if n == 8 {
            let late = std::mem::take(&mut self.late);
            self.post(late).await?;
        }
        if n == 13 {
            let check = json!({"kind": "ice_point", "read_c": 0.7, "correct_from": now - TimeDelta::hours(30)});
            self.farm.create("/api/probes/p2/checks", check).await;
        }
        if n == 12 {
            let limit = json!({"limit": {"name": "Colder", "warm_c": 4.5, "cold_c": 0.5, "grace_minutes": 30, "hysteresis_c": 0.5, "gap_minutes": 15, "silence_minutes": 30, "lag_minutes": 20}});
            let version = self.farm.get("/api/places/F1").await["version"].to_string();
            let headers = [("if-match", format!("\"{version}\""))];
            let headers: Vec<_> = headers.iter().map(|(name, value)| (*name, value.as_str())).collect();
            self.farm.ask(&self.farm.owner, "PATCH", "/api/places/F1", &headers, Some(limit)).await.expect(200);
        }
        self.farm.create("/api/places/F1/spot-readings", json!({"c": 3.1})).await;
        Ok(())
    }

    async fn post(&self, pack: Vec<Value>) -> Result<()> {
        let answer = self.farm.ask(&self.farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
        ensure!(answer["refused"].as_array().is_some_and(Vec::is_empty), "{answer}");
        Ok(())
    }
}

/// Seconds since 1970, to the millisecond.
#[expect(clippy::cast_precision_loss, reason = "milliseconds of our time are far below 2^53")]
fn seconds(at: DateTime<Utc>) -> f64 {
    at.timestamp_millis() as f64 / 1000.0
}
