//! A farm in a database of its own, with everything set up to weigh and to sell.

use std::{
    net::SocketAddr,
    sync::{
        Arc,
        atomic::{AtomicI64, Ordering},
    },
};

use anyhow::{Context, Result};
use axum::Router;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use gillbook_core::{kinds::Role, text::Text, units::calendar::day_of};
use gillbook_store::{
    FarmId, Store,
    farm::{
        farms::NewFarm,
        people::{NewPerson, Passphrase},
    },
};
use gillbook_web::{App, Settings};
use serde_json::{Value, json};
use sqlx::postgres::PgConnectOptions;
use uuid::Uuid;

use crate::http::{Answer, As, send};

/// When a bare farm begins: 2026-05-04T08:00 in Paris.
const START: DateTime<Utc> =
    NaiveDate::from_ymd_opt(2026, 5, 4).expect("a day").and_hms_opt(6, 0, 0).expect("a time").and_utc();

/// The passphrase of everybody.
const PASSPHRASE: &str = "four words do well";

/// A farm, its router and who is signed in there.
#[derive(Debug, Clone)]
pub struct Farm {
    /// Its number.
    pub id: FarmId,
    /// The whole service.
    pub router: Router,
    /// The owner.
    pub owner: As,
    /// The database, as its superuser.
    pub admin: PgConnectOptions,
    /// The service's store.
    pub store: Store,
    clock: Arc<AtomicI64>,
}

fn text<const MIN: usize, const MAX: usize>(text: &str) -> Text<MIN, MAX> {
    Text::new(text).expect("a good text")
}

impl Farm {
    /// A farm with nothing in it but its owner, at 2026-05-04T08:00 in Paris.
    ///
    /// # Errors
    /// When no database is to be had.
    pub async fn bare() -> Result<Self> {
        Self::bare_in(chrono_tz::Europe::Paris, "EUR", START).await
    }

    /// A farm with nothing in it but its owner, in a zone and a currency, from an instant on.
    ///
    /// # Errors
    /// When no database is to be had.
    pub async fn bare_in(zone: Tz, currency: &str, start: DateTime<Utc>) -> Result<Self> {
        Self::at(crate::database().await?, start).await?.opened("ada", zone, currency).await
    }

    /// The farm that is in a database already, at an instant, signed in to as somebody.
    ///
    /// # Errors
    /// When the database is not to be had.
    pub async fn resumed(admin: PgConnectOptions, now: DateTime<Utc>, name: &str, passphrase: &str) -> Result<Self> {
        let farm = Self::at(admin, now).await?;
        let owner = farm.sign_in_with(name, passphrase, false).await;
        let me = farm.ask(&owner, "GET", "/api/me", &[], None).await.expect(200);
        let id = FarmId(me["farm_id"].as_i64().and_then(|id| id.try_into().ok()).context("a farm's number")?);
        Ok(Self { id, owner, ..farm })
    }

    /// The service over a database, with a clock of its own and nobody signed in.
    async fn at(admin: PgConnectOptions, start: DateTime<Utc>) -> Result<Self> {
        let store = Store::connect(admin.clone().username("gillbook_app"), 12).await?;
        Ok(Self::clocked(admin, store, start))
    }

    /// Another farm in the same database, with a clock of its own.
    ///
    /// # Errors
    /// When the name is taken.
    pub async fn beside(&self, owner: &str) -> Result<Self> {
        Self::clocked(self.admin.clone(), self.store.clone(), START).second(owner).await
    }

    fn clocked(admin: PgConnectOptions, store: Store, start: DateTime<Utc>) -> Self {
        Self::of_app(admin, store, start, |_| ()).0
    }

    /// No farm yet, on a database with none, and the code that opens one. Nobody is signed in.
    ///
    /// # Errors
    /// When no database is to be had.
    pub async fn unopened() -> Result<(Self, String)> {
        let admin = crate::database().await?;
        let store = Store::connect(admin.clone().username("gillbook_app"), 12).await?;
        Ok(Self::of_app(admin, store, START, App::offer_setup))
    }

    /// The service over a database, and whatever is asked of it before.
    fn of_app<T>(
        admin: PgConnectOptions,
        store: Store,
        start: DateTime<Utc>,
        asked: impl FnOnce(&App) -> T,
    ) -> (Self, T) {
        let clock = Arc::new(AtomicI64::new(start.timestamp_micros()));
        let told = clock.clone();
        let now = Arc::new(move || DateTime::from_timestamp_micros(told.load(Ordering::SeqCst)).unwrap_or_default());
        let app = App::new(store.clone(), now, Settings { sends_email: true, ..Settings::default() });
        let answered = asked(&app);
        let router = gillbook_web::router(app);
        (Self { id: FarmId(0), router, owner: As::Nobody, admin, store, clock }, answered)
    }

    /// A farm with nothing in it but its owner, asked of running programs in turn. Its time is the system's.
    ///
    /// # Errors
    /// When the database is not to be had.
    pub async fn over(admin: PgConnectOptions, programs: Vec<SocketAddr>) -> Result<Self> {
        let store = Store::connect(admin.clone().username("gillbook_app"), 2).await?;
        let clock = Arc::new(AtomicI64::new(Utc::now().timestamp_micros()));
        let router = crate::http::in_turn(programs);
        Self { id: FarmId(0), router, owner: As::Nobody, admin, store, clock }.second("ada").await
    }

    /// The same farm, asked of other programs.
    #[must_use]
    pub fn moved_to(self, programs: Vec<SocketAddr>) -> Self {
        Self { router: crate::http::in_turn(programs), ..self }
    }

    /// Another farm in the same database.
    ///
    /// # Errors
    /// When the name is taken.
    pub async fn second(&self, owner: &str) -> Result<Self> {
        self.opened(owner, chrono_tz::Europe::Paris, "EUR").await
    }

    async fn opened(&self, owner: &str, zone: Tz, currency: &str) -> Result<Self> {
        let new = NewFarm {
            name: text(&format!("Farm of {owner}")),
            zone,
            currency: currency.into(),
            owner: NewPerson {
                name: text(owner),
                initials: text("AB"),
                role: Role::Owner,
                sign_in_name: text(owner),
                passphrase: Passphrase::new(PASSPHRASE),
            },
        };
        let id = self.store.open_farm(&new, self.now()).await?;
        let owner = self.sign_in(owner).await;
        Ok(Self { id, owner, ..self.clone() })
    }

    /// A farm with a strain, two batches in fruit, a fridge with a probe, products, prices and customers.
    ///
    /// # Errors
    /// When no database is to be had.
    pub async fn new() -> Result<Self> {
        let farm = Self::bare().await?;
        farm.set_up().await;
        Ok(farm)
    }

    /// Sets a bare farm up.
    pub async fn set_up(&self) {
        let life = json!([{"packaging": "open", "spread": 0.2, "source": "test", "points": [{"c": 1, "days": 17}, {"c": 6, "days": 10}, {"c": 20, "days": 2.5}]}]);
        for (strain, species) in [("OY", "Oyster mushroom"), ("LM", "Lion's mane")] {
            self.create("/api/strains", json!({"strain": strain, "name": species, "species": species, "latin_name": species, "lowest_safe_c": 0, "expected_yield_g": 1000, "days_to_first_flush": 16, "flush_interval_days": 11, "flushes": 2, "trim_share": 0.1, "life": life})).await;
        }
        self.create(
            "/api/recipes",
            json!({"recipe": "OAK", "name": "Oak", "block_wet_g": 4200, "block_dry_g": 2000, "block_cost": "2.95"}),
        )
        .await;
        self.create(
            "/api/rooms",
            json!({"room": "FR1", "name": "Fruiting", "kind": "fruiting", "capacity_blocks": 200, "area_m2": 20}),
        )
        .await;
        for (batch, strain) in [("B1", "OY"), ("B2", "OY"), ("B3", "LM")] {
            self.create("/api/batches", json!({"batch": batch, "strain": strain, "recipe": "OAK", "made_on": "2026-04-15", "blocks": 20, "origin": "made"})).await;
            self.create(&format!("/api/batches/{batch}/moves"), json!({"kind": "moved", "blocks": 20, "room": "FR1"}))
                .await;
        }
        self.create(
            "/api/crates",
            json!({"crate": "BLUE", "name": "Blue", "kind": "crate", "tare_dry_g": 1450, "tare_wet_g": 1490}),
        )
        .await;
        self.create(
            "/api/crates",
            json!({"crate": "PAPER", "name": "Paper", "kind": "liner", "tare_dry_g": 12, "tare_wet_g": 18}),
        )
        .await;
        self.create("/api/places", json!({"place": "F1", "name": "Fridge", "kind": "fridge", "limit": {"name": "Cold", "warm_c": 5, "cold_c": 0, "example": true}})).await;
        self.create("/api/places", json!({"place": "VAN", "name": "Van", "kind": "van"})).await;
        self.create("/api/places", json!({"place": "STALL", "name": "Stall", "kind": "stall"})).await;
        self.create("/api/probes", json!({"probe": "p1", "place": "F1"})).await;
        self.create("/api/price-lists", json!({"price_list": "TABLE", "name": "Table"})).await;
        for product in ["OY", "LM"] {
            self.create("/api/products", json!({"product": product, "name": product, "strains": [product], "least_grade": "B", "tax_percent": "5.5"})).await;
        }
        self.create("/api/prices", json!({"price_list": "TABLE", "product": "OY", "amount": "17.50", "unit": "kg"}))
            .await;
        for (code, kind) in [("PLUM", "restaurant"), ("SATURDAY", "market")] {
            self.create("/api/customers", json!({"customer": code, "name": code, "kind": kind, "price_list": "TABLE"}))
                .await;
        }
    }

    /// The time on the farm.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        DateTime::from_timestamp_micros(self.clock.load(Ordering::SeqCst)).unwrap_or_default()
    }

    /// The day on the farm.
    #[must_use]
    pub fn today(&self) -> NaiveDate {
        day_of(self.now(), chrono_tz::Europe::Paris)
    }

    /// Lets time pass.
    pub fn pass(&self, time: TimeDelta) {
        self.clock.fetch_add(time.num_microseconds().unwrap_or(0), Ordering::SeqCst);
    }

    /// Turns the clock back to when a bare farm begins, for the next farm on it.
    pub fn turn_back(&self) {
        self.clock.store(START.timestamp_micros(), Ordering::SeqCst);
    }

    /// Signs somebody in, on a phone of their own.
    pub async fn sign_in(&self, name: &str) -> As {
        self.sign_in_with(name, PASSPHRASE, false).await
    }

    /// Signs somebody in, on a phone that several people use.
    pub async fn sign_in_on_shared_phone(&self, name: &str) -> As {
        self.sign_in_with(name, PASSPHRASE, true).await
    }

    /// Signs in somebody with a passphrase of their own.
    pub async fn sign_in_with(&self, name: &str, passphrase: &str, shared_phone: bool) -> As {
        let body = json!({"sign_in_name": name, "passphrase": passphrase, "shared_phone": shared_phone});
        let answer = self.ask(&As::Nobody, "POST", "/api/sign-in", &[], Some(body)).await;
        assert_eq!(answer.status, 204, "{}", answer.text);
        let cookie =
            answer.headers["set-cookie"].to_str().expect("a cookie").split(';').next().unwrap_or_default().to_owned();
        As::Cookie(cookie)
    }

    /// Adds a person and signs them in.
    pub async fn person(&self, role: &str) -> As {
        let name = format!("{role}{}", self.id.0);
        let initials = role[..2].to_uppercase();
        self.create(
            "/api/people",
            json!({"name": name, "initials": initials, "role": role, "sign_in_name": name, "passphrase": PASSPHRASE}),
        )
        .await;
        self.sign_in(&name).await
    }

    /// Sends a request.
    pub async fn ask(
        &self,
        who: &As,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: Option<Value>,
    ) -> Answer {
        let mut all = headers.to_vec();
        if body.is_some() {
            all.push(("content-type", "application/json"));
        }
        let bytes = body.map(|b| b.to_string().into_bytes()).unwrap_or_default();
        send(&self.router, who, method, path, &all, bytes).await
    }

    /// Sends raw bytes as the owner.
    pub async fn raw(&self, method: &str, path: &str, headers: &[(&str, &str)], body: Vec<u8>) -> Answer {
        self.raw_as(&self.owner, method, path, headers, body).await
    }

    /// Sends bytes as somebody.
    pub async fn raw_as(&self, who: &As, method: &str, path: &str, headers: &[(&str, &str)], body: Vec<u8>) -> Answer {
        send(&self.router, who, method, path, headers, body).await
    }

    /// Posts as the owner with a new key.
    pub async fn post(&self, path: &str, body: Value) -> Answer {
        self.ask(&self.owner, "POST", path, &[("idempotency-key", &Uuid::new_v4().to_string())], Some(body)).await
    }

    /// Posts as somebody with a new key.
    pub async fn post_as(&self, who: &As, path: &str, body: Value) -> Answer {
        self.ask(who, "POST", path, &[("idempotency-key", &Uuid::new_v4().to_string())], Some(body)).await
    }

    /// Posts as the owner what must be taken.
    pub async fn create(&self, path: &str, body: Value) -> Value {
        self.post(path, body).await.expect(201)
    }

    /// Reads as the owner what must be there.
    pub async fn get(&self, path: &str) -> Value {
        self.ask(&self.owner, "GET", path, &[], None).await.expect(200)
    }

    /// A weighing's body: so many grams net from B1.
    #[must_use]
    pub fn weighing(net_g: i64) -> Value {
        json!({"id": Uuid::new_v4(), "sources": [{"batch": "B1", "flush": 1}], "grade": "A", "gross_g": net_g + 1462, "tare": {"crate": "BLUE", "liner": "PAPER"}})
    }

    /// Weighs so many grams and returns the lot.
    pub async fn lot_of(&self, net_g: i64) -> String {
        self.create("/api/weighings", Self::weighing(net_g)).await["lot"].as_str().unwrap_or_default().to_owned()
    }

    /// Weighs so many grams of OY, and has PLUM fetch them. Returns the docket.
    pub async fn docket_of(&self, grams_g: i64) -> String {
        self.docket_for("PLUM", grams_g).await
    }

    /// Weighs so many grams of OY, and has a customer fetch them. Returns the docket.
    pub async fn docket_for(&self, customer: &str, grams_g: i64) -> String {
        self.docket_ordered_as("", customer, grams_g).await
    }

    /// The same, of an order that the customer has a number for.
    pub async fn docket_ordered_as(&self, reference: &str, customer: &str, grams_g: i64) -> String {
        self.lot_of(grams_g).await;
        let order = json!({"customer": customer, "delivery_day": self.today(), "reference": reference, "lines": [{"product": "OY", "grams_g": grams_g}]});
        let order = self.create("/api/orders", order).await["order"].clone();
        let path = format!("/api/orders/{}/set-aside", order.as_str().unwrap_or_default());
        self.ask(&self.owner, "PUT", &path, &[], Some(json!({}))).await.expect(200);
        self.create("/api/dockets", json!({"order": order})).await["docket"].as_str().unwrap_or_default().to_owned()
    }
}
