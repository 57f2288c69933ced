//! The cold side of the season: the checks book kept, the probe held in ice, the warm night dealt with.

use anyhow::Result;
use chrono::{NaiveDate, TimeDelta};
use rand::RngExt;
use serde_json::json;

use super::{
    client::Client,
    season::{PROBE, Season},
    setting::CHECKS,
};

impl Season {
    /// Does what is due; the farm forgets now and then.
    pub(super) async fn keep_checks(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
        for (n, (check, _, _, every)) in CHECKS.iter().enumerate() {
            let due = (self.days_in(day) + i64::try_from(n)?) % i64::from(*every) == 0;
            if !due || self.chance.random_bool(0.04) {
                continue;
            }
            let body = if self.chance.random_bool(0.03) {
                json!({"good": false, "what_done": "Done again after lunch"})
            } else {
                json!({"good": true})
            };
            self.post(client, &format!("/api/checks/{check}/done"), body).await?;
            if *check == "ICE" {
                let read_c = f64::from(self.chance.random_range(-3..=5)) / 10.0;
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

    /// Writes down what was done about the spells of the last days, and has a second person sign.
    pub(super) async fn deal_with_spells(&mut self, client: &Client) -> Result<()> {
        let from = self.clock_now() - TimeDelta::days(2);
        let list = client.get(&format!("/api/excursions?from={}", from.format("%Y-%m-%dT%H:%M:%SZ"))).await?;
        for e in list["rows"].as_array().into_iter().flatten() {
            let spell = e["kind"] == "too_warm" && !e["ended_at"].is_null() && e["signed_off"].is_null();
            if !spell {
                continue;
            }
            let path = format!("/api/excursions/{}", e["excursion_id"].as_str().unwrap_or_default());
            let action = json!({"done": "Compressor had tripped; switched on again, oldest crates held", "food": "held", "by": "JP"});
            self.post(client, &format!("{path}/actions"), action).await?;
            self.post(
                client,
                &format!("{path}/sign-off"),
                json!({"note": "Read the hours and the action through; held lots seen in the fridge"}),
            )
            .await?;
        }
        Ok(())
    }
}
