//! The season at the door: packed, ordered, sent out, sold at the market.

use std::ops::AddAssign;

use super::Season;
use crate::demo::{
    client::Client,
    setting::{RESTAURANTS, Rhythm, SHOPS, STRAINS},
};
use anyhow::{Context, Result};
use chrono::{Datelike, Days, NaiveDate};
use rand::RngExt;
use rust_decimal::Decimal;
use serde_json::json;

/// What people paid at the stall.
#[derive(Default)]
struct Takings {
    cash: Decimal,
    card: Decimal,
}

impl AddAssign for Takings {
    fn add_assign(&mut self, more: Self) {
        self.cash += more.cash;
        self.card += more.card;
    }
}

impl Season {
    /// Punnets for the shops, out of the best oysters.
    pub(super) async fn pack_punnets(&mut self, client: &Client) -> Result<()> {
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
    pub(super) async fn take_orders(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
        let delivery = day + Days::new(2);
        let weekday = delivery.weekday().num_days_from_monday();
        for (code, _, served, _) in RESTAURANTS {
            if served != weekday || !self.rng.random_bool(0.95) {
                continue;
            }
            let grams: i64 = self.rng.random_range(20..=40) * 50;
            let first = self.rng.random_range(0..4usize);
            let main = ["OY", "OY", "KO", "LM"][first];
            let mut lines = vec![json!({"product": main, "grams_g": grams * 6 / 10})];
            let second = ["SH", "LM", "OY", "SH"][first];
            lines.push(json!({"product": second, "grams_g": grams * 4 / 10}));
            self.post(client, "/api/orders", json!({"customer": code, "delivery_day": delivery, "lines": lines}))
                .await?;
        }
        if weekday == 2 {
            for (code, _) in SHOPS {
                let packs = self.rng.random_range(14..=20);
                let loose = self.rng.random_range(20..=36) * 50;
                let lines = json!([{"product": "OYP", "packs": packs}, {"product": "SH", "grams_g": loose}]);
                self.post(client, "/api/orders", json!({"customer": code, "delivery_day": delivery, "lines": lines}))
                    .await?;
            }
        }
        Ok(())
    }

    /// Makes up the day's orders and sends them out.
    pub(super) async fn send_out(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
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
    pub(super) async fn hand_over(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
        let dockets = client.get(&format!("/api/dockets?day={day}&limit=500")).await?;
        for docket in dockets["rows"].as_array().into_iter().flatten().filter(|d| d["status"] == "dispatched") {
            let code = docket["docket"].as_str().unwrap_or_default().to_owned();
            let c = (self.rng.random_range(30..60_i32), self.rng.random_range(1..3));
            // Now and then nobody is in, and a crate stays where it is.
            let nth: i32 = code.trim_start_matches("D-").parse().unwrap_or_default();
            let (hand_over, taken_by) =
                if nth % 11 == 0 { ("unattended", "Back door") } else { ("in_person", "Kitchen") };
            let body = json!({"hand_over": hand_over, "taken_by": taken_by, "temperature_c": f64::from(c.0) / 10.0, "crates_out": c.1, "crates_back": c.1 - i32::from(nth % 9 == 0), "by": "OF"});
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
    pub(super) async fn market_out(&mut self, client: &Client, _: NaiveDate) -> Result<()> {
        let mut wanted: i64 = self.rng.random_range(160..=240) * 50;
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

    pub(super) async fn reckon_market(&mut self, client: &Client) -> Result<()> {
        let days = client.get("/api/market-days?limit=500").await?;
        let Some(open) = days["rows"].as_array().and_then(|d| d.iter().find(|d| d["status"] == "open")).cloned() else {
            return Ok(());
        };
        let code = open["market_day"].as_str().unwrap_or_default();
        let mut taken = Takings::default();
        let mut lots = Vec::new();
        for row in self.stock(client, "STALL").await? {
            let had = row["grams_g"].as_i64().unwrap_or(0);
            let back = if self.rng.random_bool(0.4) { had * self.rng.random_range(5..25) / 100 } else { 0 };
            let (wasted, tasted) = (had * 2 / 100, had / 100);
            let strain = STRAINS.iter().find(|s| row["strain"] == s.code).context("a strain of the demo")?;
            taken += self.sell(client, code, strain, had - back - wasted - tasted).await?;
            lots.push(json!({"lot": row["lot"], "back_g": back, "wasted_g": wasted, "tasted_g": tasted}));
        }
        // Now and then a coin is missing in the evening.
        let (missing, why) =
            if self.rng.random_bool(0.4) { (Decimal::TWO, "Wrong change, a coin short") } else { (Decimal::ZERO, "") };
        let cash = taken.cash + Decimal::from(60) - missing;
        let body = json!({"lots": lots, "back_place": "F1", "cash": cash, "card": taken.card, "fee": "25.00", "difference_reason": why});
        client.patch(&format!("/api/market-days/{code}"), 1, body).await?;
        Ok(())
    }

    /// Sells grams of a strain to one buyer after the other, at the stall's price, tallied as on the phone.
    async fn sell(&mut self, client: &Client, market_day: &str, strain: &Rhythm, grams: i64) -> Result<Takings> {
        let price: Decimal = strain.stall_price.parse()?;
        let (mut left, mut taken) = (grams, Takings::default());
        while left > 0 {
            let sold = self.rng.random_range(200..900).min(left);
            let method = if self.rng.random_bool(0.3) { "card" } else { "cash" };
            let sale = json!({"method": method, "lines": [{"product": strain.code, "grams_g": sold, "price": price}]});
            let sale = self.post(client, &format!("/api/market-days/{market_day}/sales"), sale).await?;
            let of = |field: &str| sale[field].as_str().and_then(|amount| amount.parse::<Decimal>().ok());
            let total =
                of("total").zip(of("cash_rounding")).map(|(total, rounding)| total + rounding).context("an amount")?;
            if method == "card" {
                taken.card += total;
            } else {
                taken.cash += total;
            }
            left -= sold;
        }
        Ok(taken)
    }

    /// The evening's look through the fridge: what is past its days goes to waste; now and then something is given away or dried.
    pub(super) async fn clear_out(&mut self, client: &Client, day: NaiveDate) -> Result<()> {
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
            } else if self.rng.random_bool(0.01) && free > 400 {
                let body = json!({"kind": "gift", "lot": code, "from_place": "F1", "grams_g": 300, "reason": "For the neighbours"});
                self.post(client, "/api/movements", body).await?;
            }
        }
        Ok(())
    }
}
