//! The season in the rooms: blocks made, tended and picked.

use super::Season;
use crate::demo::{client::Client, plan::Planned, setting::STRAINS};
use anyhow::Result;
use chrono::{Days, NaiveDate, TimeDelta};
use rand::RngExt;
use serde_json::{Value, json};

impl Season {
    pub(super) async fn make_blocks(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
        let batches: Vec<Planned> = self.plan.iter().filter(|b| b.made_on == day).cloned().collect();
        let Some(first) = batches.first() else { return Ok(()) };
        let cook = json!({"cook": first.cook, "method": "sterilised", "started_at": self.clock.now() - TimeDelta::minutes(200), "hours": 2.5, "temperature_c": 121.0});
        self.post(client, "/api/cooks", cook).await?;
        for batch in &batches {
            self.add_batch(client, batch, false).await?;
        }
        Ok(())
    }

    pub(super) async fn tend_blocks(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
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
    pub(super) async fn harvest(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
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
                    let fresh = (grams * share * self.rng.random_range(0.95..1.05)) as i64;
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
        let trim = (fresh as f64 * trim * self.rng.random_range(0.85..1.15)) as i64;
        let wet = self.rng.random_bool(0.3);
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

    pub(super) async fn add_batch(&mut self, client: &Client, batch: &Planned, opening: bool) -> Result<()> {
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
}
