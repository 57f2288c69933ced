//! The cold side of the season: the checks book kept, the probe held in ice, the warm night dealt with.

use anyhow::Result;
use chrono::{NaiveDate, TimeDelta};
use rand::RngExt;
use serde_json::{Value, json};

use super::{
    client::Client,
    season::{PROBE, Season},
    setting::{CHECKS, VERIFIER},
};

impl Season {
    /// Does what is due; the farm forgets now and then.
    pub(super) async fn live_checks(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
        for (n, (check, _, _, every)) in CHECKS.iter().enumerate() {
            let due = (self.days_in(day) + i64::try_from(n)?) % i64::from(*every) == 0;
            if !due || self.rng.random_bool(0.04) {
                continue;
            }
            let body = if self.rng.random_bool(0.03) {
                json!({"good": false, "what_done": "Done again after lunch"})
            } else {
                json!({"good": true})
            };
            self.post(client, &format!("/api/checks/{check}/done"), body).await?;
            if *check == "ICE" {
                let read_c = f64::from(self.rng.random_range(-3..=5)) / 10.0;
                self.post(
                    client,
                    &format!("/api/probes/{PROBE}/checks"),
                    json!({"kind": "ice_point", "read_c": read_c}),
                )
                .await?;
            }
        }
        Ok(())
    }

    /// Deals with the spells of the last days: on the day the two oldest lots are held and the rest is kept; a day later what was held is
    /// wasted, and the verifier countersigns by a sign-in of her own.
    pub(super) async fn deal_with_spells(&mut self, client: &Client) -> Result<()> {
        let from = self.clock_now() - TimeDelta::days(2);
        let list = client.get(&format!("/api/excursions?from={}", from.format("%Y-%m-%dT%H:%M:%SZ"))).await?;
        for e in list["rows"].as_array().into_iter().flatten() {
            let spell = e["kind"] == "too_warm" && e["standing"] == "undecided";
            if !spell {
                continue;
            }
            let path = format!("/api/excursions/{}", e["excursion_id"].as_str().unwrap_or_default());
            let one = client.get(&path).await?;
            let actions = format!("{path}/actions");
            let mut inside: Vec<&Value> =
                one["lots"].as_array().into_iter().flatten().filter(|l| l["stock_g"] != 0).collect();
            // A lot's code is its strain, its harvest day and a number.
            inside.sort_by_key(|l| l["lot"].as_str().and_then(|code| code.split('-').nth(1)).map(str::to_owned));
            if e["actions"].as_array().is_some_and(|a| !a.is_empty()) {
                let held: Vec<&Value> = inside.into_iter().filter(|l| l["on_hold"] == true).collect();
                self.about(client, &actions, "The lots on hold thrown away", "wasted", &held).await?;
                let mut verifier = client.clone();
                verifier.sign_in(VERIFIER, super::PASSPHRASE).await?;
                self.post(
                    &verifier,
                    &format!("{path}/sign-off"),
                    json!({"note": "Read the hours and the actions through; saw the held lots go"}),
                )
                .await?;
            } else if inside.is_empty() {
                let food = if one["lots"] == json!([]) { "none_there" } else { "kept" };
                self.post(client, &actions, json!({"done": "Compressor switched on again", "food": food})).await?;
            } else {
                let (oldest, rest) = inside.split_at(inside.len().min(2));
                let done = "Compressor had tripped; switched on again";
                self.about(client, &actions, done, "held", oldest).await?;
                self.about(client, &actions, done, "kept", rest).await?;
            }
        }
        Ok(())
    }

    /// Writes down what is done with some lots of a spell, if there are any.
    async fn about(&mut self, client: &Client, actions: &str, done: &str, food: &str, lots: &[&Value]) -> Result<()> {
        if lots.is_empty() {
            return Ok(());
        }
        let lots: Vec<Value> = lots.iter().map(|l| json!({"lot": l["lot"]})).collect();
        self.post(client, actions, json!({"done": done, "food": food, "lots": lots, "by": "JP"})).await?;
        Ok(())
    }
}
