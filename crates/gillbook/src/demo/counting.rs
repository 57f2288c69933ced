//! Sunday's count: every crate on the scale, having lost what its strain loses in this fridge, with scatter.

use anyhow::{Context, Result};
use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    cold::weight_loss::{Entry, Goods, Rates, Surroundings, published_loss, rates},
    kinds::{Form, Packaging},
    ledger::stock_count::SCALE_STEP_G,
};
use rand::RngExt;
use serde_json::{Value, json};

use super::{
    client::Client,
    season::Season,
    setting::{FRIDGE_HUMIDITY_PERCENT, STRAINS},
};

/// How far a crate's loss lies from its strain's, at most.
const SCATTER: f64 = 0.15;

impl Season {
    /// Counts the fridge.
    pub(super) async fn count(&mut self, client: &Client) -> Result<()> {
        let air_c = self.mean_air_since_count();
        let lots = self.lots(client).await?;
        let mut counted = Vec::new();
        for row in self.stock(client, "F1").await?.into_iter().filter(|r| r["on_hold"] != true) {
            let Some(lot) = lots.iter().find(|l| l["lot"] == row["lot"]) else { continue };
            let book = row["grams_g"].as_i64().unwrap_or(0);
            let lost = self.water_lost(client, lot, air_c).await?;
            // The scale shows whole steps.
            let shown = (book - lost.0 + SCALE_STEP_G / 2) / SCALE_STEP_G * SCALE_STEP_G;
            let aside = row["set_aside_g"].as_i64().unwrap_or(0);
            counted.push(json!({"lot": row["lot"], "counted_g": shown.max(aside)}));
        }
        if !counted.is_empty() {
            self.post(client, "/api/stock-counts", json!({"place": "F1", "lots": counted, "by": "JP"})).await?;
        }
        self.counted_at(self.clock_now());
        Ok(())
    }

    /// What a lot in the fridge has truly lost since it came there or was last counted.
    async fn water_lost(&mut self, client: &Client, lot: &Value, air_c: f64) -> Result<Grams> {
        let strain = STRAINS.iter().find(|s| lot["strain"] == s.code).context("a strain of the demo")?;
        let goods = Goods {
            packaging: if lot["packaging"] == "open" { Packaging::Open } else { Packaging::Vented },
            form: if lot["form"] == "dried" { Form::Dried } else { Form::Fresh },
        };
        let air = Surroundings {
            known_hours: 1.0,
            known_c: air_c,
            unknown_hours: 0.0,
            unknown_c: [air_c; 3],
            humidity_percent: FRIDGE_HUMIDITY_PERCENT,
        };
        let Rates([_, likely, _]) = rates(goods, &air);
        let rate = likely * strain.loss_factor * self.rng.random_range(1.0 - SCATTER..1.0 + SCATTER);
        let code = lot["lot"].as_str().context("a lot has a code")?;
        let acts = client.get(&format!("/api/movements?lot={code}&limit=500")).await?;
        let (now, since) = (self.clock_now(), self.last_counted_at());
        let mut entries = Vec::new();
        for act in acts["rows"].as_array().into_iter().flatten() {
            let at: DateTime<Utc> = act["happened_at"].as_str().unwrap_or_default().parse()?;
            let at = since.map_or(at, |s| at.max(s));
            #[expect(clippy::cast_precision_loss, reason = "minutes of a season")]
            let hours = (now - at).num_minutes() as f64 / 60.0;
            for leg in act["legs"].as_array().into_iter().flatten().filter(|l| l["lot"] == code) {
                let grams = leg["grams_g"].as_i64().unwrap_or(0);
                let signed = i64::from(leg["to_place"] == "F1") - i64::from(leg["from_place"] == "F1");
                entries.push(Entry { grams: Grams(grams * signed), hours });
            }
        }
        Ok(published_loss(&entries, Rates([rate; 3])).likely_g)
    }
}
