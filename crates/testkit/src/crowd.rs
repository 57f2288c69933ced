//! Many clients at once on the same few lots, from a seed.

use std::sync::Arc;

use anyhow::{Result, ensure};
use chrono::Days;
use chrono_tz::Europe::Paris;
use futures::future::try_join_all;
use gillbook_core::units::calendar::{IsoWeek, day_of};
use gillbook_store::check::check;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::Farm;

/// The lots and orders that everybody reaches for.
struct Prize {
    lots: Vec<String>,
    orders: Vec<String>,
}

/// One client: its chance, and the acts that it may still take back.
struct Client {
    chance: ChaCha8Rng,
    acts: Vec<String>,
    carried_out: usize,
}

fn code(answer: &Value, field: &str) -> String {
    answer[field].as_str().unwrap_or_default().to_owned()
}

impl Prize {
    async fn put_out(farm: &Farm) -> Self {
        let mut lots = Vec::new();
        for grade in ["A", "A", "A", "B", "B", "B"] {
            let mut body = Farm::weighing(9000);
            body["grade"] = json!(grade);
            lots.push(code(&farm.create("/api/weighings", body).await, "lot"));
        }
        let day = farm.now().date_naive() + Days::new(1);
        let mut orders = Vec::new();
        for _ in 0..40 {
            let order = json!({"customer": "PLUM", "delivery_day": day, "lines": [{"product": "OY", "grams_g": 1200}]});
            orders.push(code(&farm.create("/api/orders", order).await, "order"));
        }
        Self { lots, orders }
    }
}

impl Client {
    /// Sets aside, packs, dispatches, wastes, lets go or takes back: what, of which lot and how much is chance.
    async fn operate(&mut self, farm: &Farm, prize: &Prize) -> Result<()> {
        let lot = &prize.lots[self.chance.random_range(0..prize.lots.len())];
        let order = &prize.orders[self.chance.random_range(0..prize.orders.len())];
        let grams = self.chance.random_range(50..900);
        let set_aside = || ("PUT", format!("/api/orders/{order}/set-aside"), Some(json!({})));
        let (method, path, body) = match self.chance.random_range(0..6) {
            0 => set_aside(),
            1 => {
                let lots_out = json!([{"grade": "A", "packaging": "vented", "grams_g": grams}]);
                let packing = json!({"place": "F1", "lots_in": [{"lot": lot, "grams_g": grams}], "lots_out": lots_out});
                ("POST", "/api/packings".into(), Some(packing))
            }
            2 => ("POST", "/api/dockets".into(), Some(json!({"order": order, "van": "VAN", "short": true}))),
            3 => {
                let waste =
                    json!({"kind": "waste", "lot": lot, "from_place": "F1", "grams_g": grams, "reason": "Soft"});
                ("POST", "/api/movements".into(), Some(waste))
            }
            4 => ("DELETE", format!("/api/orders/{order}/set-aside"), None),
            _ => match self.acts.pop() {
                Some(act) => ("POST", format!("/api/acts/{act}/reversal"), Some(json!({"reason": "Mistake"}))),
                None => set_aside(),
            },
        };
        let key = Uuid::new_v4().to_string();
        let answer = farm.ask(&farm.owner, method, &path, &[("idempotency-key", &key)], body).await;
        ensure!(matches!(answer.status, 200 | 201 | 409), "{method} {path}: {} {}", answer.status, answer.text);
        let json = answer.json();
        if answer.status == 409 {
            ensure!(json["detail"].as_str().is_some_and(|d| d.len() > 15), "a refusal says why: {json}");
            return Ok(());
        }
        self.carried_out += 1;
        let act = json["act_id"].as_str().or_else(|| json["act"]["act_id"].as_str());
        if answer.status == 201 && !path.ends_with("reversal") {
            self.acts.extend(act.map(str::to_owned));
        }
        Ok(())
    }
}

/// Lets clients loose on the same six lots of 9 kg, then proves every invariant again. Returns how many operations were carried
/// out; the others were refused with a reason.
///
/// # Errors
/// When an answer is anything but done or refused with a reason, or an invariant is broken.
pub async fn crowd(farm: Farm, clients: u64, operations: usize) -> Result<usize> {
    let prize = Arc::new(Prize::put_out(&farm).await);
    let farm = Arc::new(farm);
    let tasks = (0..clients).map(|seed| {
        let (farm, prize) = (farm.clone(), prize.clone());
        tokio::spawn(async move {
            let mut client = Client { chance: ChaCha8Rng::seed_from_u64(seed), acts: Vec::new(), carried_out: 0 };
            for _ in 0..operations {
                client.operate(&farm, &prize).await?;
            }
            anyhow::Ok(client.carried_out)
        })
    });
    let carried_out = try_join_all(tasks).await?.into_iter().sum::<Result<usize>>()?;
    let found = check(&farm.admin.clone().username("gillbook_audit")).await?;
    ensure!(found.is_empty(), "{found:?}");
    let week = farm.get(&format!("/api/reports/weeks/{}", IsoWeek::of(day_of(farm.now(), Paris)))).await;
    let total = &week["now"]["total"];
    ensure!(total["harvested_g"] == 54_000 && week["book_check"]["lots_off"] == json!([]), "{week}");
    Ok(carried_out)
}
