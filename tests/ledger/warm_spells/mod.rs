//! What is done about a warm spell happens to the food, and until it is settled the lots carry the caution.

mod acting;
mod coming_to_light;
mod deciding;
mod inside;
mod leaving;
mod signing_off;

use anyhow::{Context, Result};
use chrono::{DateTime, TimeDelta, Utc};
use gillbook_store::check::check;
use gillbook_testkit::{Answer, As, Farm};
use serde_json::{Value, json};

/// A farm with a second fridge, hours after a warm spell in the first.
struct AfterTheSpell {
    farm: Farm,
    /// 3000 g in F1 since before the spell.
    lot: String,
    /// The excursion's address.
    path: String,
    began: DateTime<Utc>,
}

async fn weigh(farm: &Farm, batch: &str, net_g: i64, at: DateTime<Utc>) -> String {
    weigh_into(farm, "F1", batch, net_g, at).await
}

async fn weigh_into(farm: &Farm, place: &str, batch: &str, net_g: i64, at: DateTime<Utc>) -> String {
    let mut weighing = Farm::weighing(net_g);
    weighing["sources"] = json!([{"batch": batch, "flush": 1}]);
    weighing["weighed_at"] = json!(at);
    weighing["place"] = json!(place);
    farm.create("/api/weighings", weighing).await["lot"].as_str().unwrap_or_default().to_owned()
}

/// Six hours of minutes until now: an hour cold, three warm, two cold again.
async fn warm_air(farm: &Farm) {
    let first = farm.now() - TimeDelta::hours(6);
    let air = |m: i64| if (60..240).contains(&m) { 9.0 } else { 2.0 };
    let pack: Vec<Value> = (0..360)
        .map(|m| json!({"n": "p1", "u": "Cel", "t": (first + TimeDelta::minutes(m)).timestamp(), "v": air(m)}))
        .collect();
    farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(pack))).await.expect(200);
}

impl AfterTheSpell {
    async fn new() -> Result<Self> {
        let farm = Farm::new().await?;
        farm.create("/api/places", json!({"place": "F2", "name": "Second", "kind": "fridge"})).await;
        farm.pass(TimeDelta::hours(8));
        let lot = weigh(&farm, "B1", 3000, farm.now() - TimeDelta::hours(7)).await;
        warm_air(&farm).await;
        let spell = farm.get("/api/excursions").await["rows"][0].clone();
        let path = format!("/api/excursions/{}", spell["excursion_id"].as_str().context("an id")?);
        let began = spell["began_at"].as_str().context("began")?.parse()?;
        Ok(Self { farm, lot, path, began })
    }

    async fn act(&self, action: Value) -> Value {
        self.farm.create(&format!("{}/actions", self.path), action).await
    }

    async fn sign(&self, who: &As) -> Answer {
        self.farm.post_as(who, &format!("{}/sign-off", self.path), json!({})).await
    }

    /// An order of grams of oyster with lots set aside.
    async fn order(&self, grams: i64) -> Value {
        let order =
            json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": [{"product": "OY", "grams_g": grams}]});
        let code = self.farm.create("/api/orders", order).await["order"].as_str().unwrap_or_default().to_owned();
        let path = format!("/api/orders/{code}/set-aside");
        self.farm.ask(&self.farm.owner, "PUT", &path, &[], Some(json!({}))).await.expect(200)
    }

    /// Grams of a lot by place, with those that are free.
    async fn stock_of(&self, lot: &str) -> Vec<(String, i64, i64)> {
        let stock = self.farm.get("/api/stock").await;
        let rows = stock["rows"].as_array().cloned().unwrap_or_default();
        rows.iter()
            .filter(|r| r["lot"] == lot)
            .map(|r| {
                let grams = |field: &str| r[field].as_i64().unwrap_or(-1);
                (r["place"].as_str().unwrap_or_default().to_owned(), grams("grams_g"), grams("free_g"))
            })
            .collect()
    }

    /// Carries grams of a lot from one store to another, some minutes after the spell began.
    async fn carry(&self, lot: &str, (from, to): (&str, &str), grams: i64, minute: i64) {
        let moved = json!({"kind": "transfer", "lot": lot, "from_place": from, "to_place": to, "grams_g": grams, "happened_at": self.began + TimeDelta::minutes(minute)});
        self.farm.create("/api/movements", moved).await;
    }

    /// Packs grams of lots in a store, some minutes after the spell began, and gives the lot of the punnets.
    async fn pack(&self, place: &str, lots: &[&str], grams: i64, minute: i64) -> Result<String> {
        let lots_in: Vec<Value> = lots.iter().map(|lot| json!({"lot": lot, "grams_g": grams})).collect();
        let out = grams * i64::try_from(lots.len())?;
        let packing = json!({"place": place, "lots_in": lots_in, "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": out}], "happened_at": self.began + TimeDelta::minutes(minute)});
        let made = self.farm.create("/api/packings", packing).await;
        Ok(made["made"][0].as_str().context("a lot")?.to_owned())
    }

    /// Where the warm spell of a lot stands, by the lot; nothing where it was in none.
    async fn spell_of(&self, lot: &str) -> Value {
        self.farm.get(&format!("/api/lots/{lot}")).await["warm_spell"]["standing"].clone()
    }

    /// The lots inside, by the excursion.
    async fn inside(&self) -> Vec<String> {
        let lots = self.farm.get(&self.path).await["lots"].as_array().cloned().unwrap_or_default();
        lots.iter().filter_map(|l| Some(l["lot"].as_str()?.to_owned())).collect()
    }

    async fn everything_holds(&self) -> Result<()> {
        assert_eq!(check(&self.farm.admin.clone().username("gillbook_audit")).await?, []);
        Ok(())
    }
}

fn at(place: &str, grams: i64, free: i64) -> (String, i64, i64) {
    (place.to_owned(), grams, free)
}

impl AfterTheSpell {
    /// The last act of a kind that stands, taken back.
    async fn take_back_last(&self, who: &As, kind: &str) -> Answer {
        let acts = self.farm.get(&format!("/api/movements?kind={kind}&limit=500")).await;
        let standing = acts["rows"].as_array().into_iter().flatten().rfind(|a| a["reversed_by"].is_null()).cloned();
        let id = standing.unwrap_or_default()["act_id"].as_str().unwrap_or_default().to_owned();
        self.farm.post_as(who, &format!("/api/acts/{id}/reversal"), json!({"reason": "Mistake"})).await
    }

    /// Decides on the food and has it countersigned.
    async fn settle(&self, action: Value) {
        self.act(action).await;
        self.sign(&self.farm.person("verifier").await).await.expect(201);
        self.farm.pass(TimeDelta::minutes(5));
    }
}
