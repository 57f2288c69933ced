//! Random business in money against a plain ledger in memory: what is sold, handed over, sent back, invoiced, credited, paid and taken back,
//! in whatever order, leaves every customer owing what the ledger says, and the journal at what its documents come to.
//!
//! Amounts are whole cents. `GILLBOOK_MONEY_CASES` sets the number of sequences, `GILLBOOK_MONEY_SEED` plays one of them alone.

mod acts;
mod ledger;

use std::collections::BTreeMap;

use anyhow::{Context, Result, bail, ensure};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use uuid::Uuid;

use self::ledger::{Ledger, cents};

/// Acts of a sequence.
const SEQUENCE_LEN: usize = 24;
/// Sequences that are played at the same time, each on a farm of its own.
const WORKERS: u64 = 3;
const CUSTOMERS: [&str; 2] = ["PLUM", "CAFE"];
/// Products: code, cents a kilogram, tax in tenths of a per cent.
const PRODUCTS: [(&str, i64, i64); 2] = [("OY", 1750, 55), ("STEW", 990, 200)];

/// A sequence under way.
struct Business {
    farm: Farm,
    ledger: Ledger,
    chance: ChaCha8Rng,
    log: Vec<String>,
    done: BTreeMap<&'static str, u32>,
}

impl Business {
    fn below(&mut self, n: usize) -> usize {
        self.chance.random_range(0..n)
    }

    fn grams(&mut self, most: i64) -> i64 {
        self.chance.random_range(1..=most)
    }

    /// Asks for an act and holds whether it is done against what the ledger says. What is done comes back.
    async fn ask(
        &mut self,
        act: &'static str,
        path: &str,
        body: Value,
        stands_against: Option<&str>,
    ) -> Result<Option<Value>> {
        self.log.push(format!("{act} {path} {body}; {stands_against:?}"));
        let key = Uuid::from_u128(self.chance.random()).to_string();
        let headers = [("idempotency-key", key.as_str())];
        let answer = self.farm.ask(&self.farm.owner, "POST", path, &headers, Some(body)).await;
        self.log.push(format!("    {} {}", answer.status, answer.text));
        match (answer.status, stands_against) {
            (200 | 201, None) => {
                *self.done.entry(act).or_default() += 1;
                Ok(Some(answer.json()))
            }
            (409 | 422, Some(_)) => {
                *self.done.entry("refused").or_default() += 1;
                Ok(None)
            }
            (status, _) => bail!("{status}, though {}", stands_against.unwrap_or("nothing stands against it")),
        }
    }

    async fn step(&mut self) -> Result<()> {
        self.farm.pass(TimeDelta::minutes(1));
        match self.below(14) {
            0..=2 => self.sell().await?,
            3 | 4 => self.hand_over().await?,
            5 | 6 => self.give_back().await?,
            7 | 8 => self.invoice().await?,
            9 | 10 => self.credit().await?,
            11 | 12 => self.pay().await?,
            _ => self.take_back().await?,
        }
        if self.below(5) == 0 {
            self.farm.pass(TimeDelta::days(1));
        }
        self.ensure_same().await
    }

    /// Holds what is told of every customer and account against the ledger.
    async fn ensure_same(&self) -> Result<()> {
        let told = self.farm.get("/api/receivables").await;
        let rows = told["rows"].as_array().context("rows")?;
        for (n, customer) in CUSTOMERS.iter().enumerate() {
            let row = rows.iter().find(|r| r["customer"] == *customer);
            let of = |name: &str| row.map_or(Ok(0), |r| cents(&r[name]));
            let told = (of("open")?, of("credit")?, of("not_invoiced_net")?);
            let stand = (self.ledger.open(n), self.ledger.credit(n), self.ledger.not_invoiced(n));
            ensure!(told == stand, "{customer}: open, credit, not invoiced are {told:?} and not {stand:?}");
            let account = self.farm.get(&format!("/api/customers/{customer}/statement?from=2026-05-01")).await;
            let balance = cents(&account["closing_balance"])?;
            ensure!(balance == self.ledger.balance(n), "{customer} owes {balance} and not {}", self.ledger.balance(n));
        }
        let until = self.farm.now().date_naive();
        let journal = self.farm.get(&format!("/api/reports/journal?from=2026-05-01&until={until}")).await;
        let mut accounts: BTreeMap<String, i64> = BTreeMap::new();
        for row in journal["rows"].as_array().context("rows")? {
            *accounts.entry(row["account"].as_str().unwrap_or_default().to_owned()).or_default() +=
                cents(&row["amount"])?;
        }
        ensure!(accounts.values().sum::<i64>() == 0, "the journal does not add up: {accounts:?}");
        let all = |of: fn(&Ledger, usize) -> i64| (0..CUSTOMERS.len()).map(|n| of(&self.ledger, n)).sum::<i64>();
        let taxes = self.ledger.invoices.iter().flat_map(|i| i.taxes.values());
        let paid = |method: &str| {
            let of = self.ledger.payments.iter().filter(|p| p.method == method && !p.reversed);
            of.map(|p| p.amount).sum::<i64>()
        };
        for (account, stand) in [
            ("receivables", all(Ledger::balance)),
            ("delivered_not_invoiced", all(Ledger::not_invoiced)),
            ("tax", taxes.map(|(asked, credited)| credited - asked).sum()),
            ("bank", paid("bank_transfer")),
            ("cash", paid("cash")),
            ("card", paid("card")),
            ("bad_debts", paid("write_off")),
        ] {
            let told = accounts.get(account).copied().unwrap_or_default();
            ensure!(told == stand, "{account} is at {told} and not {stand}");
        }
        Ok(())
    }
}

/// Plays a sequence on a new farm. What went wrong comes back with the requests that led there.
async fn play(worker: &Farm, seed: u64) -> Result<BTreeMap<&'static str, u32>, String> {
    worker.turn_back();
    let farm = worker.second(&format!("money{seed}")).await.map_err(|e| e.to_string())?;
    farm.set_up().await;
    let stew =
        json!({"product": "STEW", "name": "For stew", "strains": ["OY"], "least_grade": "B", "tax_percent": "20"});
    farm.create("/api/products", stew).await;
    farm.create("/api/prices", json!({"price_list": "TABLE", "product": "STEW", "amount": "9.90", "unit": "kg"})).await;
    let cafe = json!({"customer": "CAFE", "name": "Café", "kind": "restaurant", "price_list": "TABLE"});
    farm.create("/api/customers", cafe).await;
    let chance = ChaCha8Rng::seed_from_u64(seed);
    let mut business = Business { farm, ledger: Ledger::default(), chance, log: Vec::new(), done: BTreeMap::new() };
    for _ in 0..SEQUENCE_LEN {
        if let Err(error) = business.step().await {
            return Err(format!("seed {seed}:\n{}\n{error:#}", business.log.join("\n")));
        }
    }
    Ok(business.done)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whatever_is_sold_credited_and_paid_the_ledger_agrees() -> Result<()> {
    let number = |name: &str| std::env::var(name).ok().and_then(|n| n.parse::<u64>().ok());
    let seeds = match number("GILLBOOK_MONEY_SEED") {
        Some(only) => only..only + 1,
        None => 0..number("GILLBOOK_MONEY_CASES").unwrap_or(50),
    };
    let first = Farm::bare().await?;
    let mut workers = Vec::new();
    for n in 0..WORKERS {
        let worker = first.beside(&format!("money-worker{n}")).await?;
        let mine: Vec<u64> = seeds.clone().filter(|seed| seed % WORKERS == n).collect();
        workers.push(tokio::spawn(async move {
            let mut done: BTreeMap<&'static str, u32> = BTreeMap::new();
            for seed in mine {
                for (act, n) in play(&worker, seed).await? {
                    *done.entry(act).or_default() += n;
                }
            }
            Ok::<_, String>(done)
        }));
    }
    let mut done: BTreeMap<&'static str, u32> = BTreeMap::new();
    for worker in workers {
        for (act, n) in worker.await?.map_err(anyhow::Error::msg)? {
            *done.entry(act).or_default() += n;
        }
    }
    println!("{done:?}");
    if seeds.end - seeds.start >= 50 {
        for act in ["sell", "hand over", "return", "invoice", "credit", "pay", "take back", "refused"] {
            ensure!(done.get(act).is_some_and(|n| *n >= 10), "too little of {act}: {done:?}");
        }
    }
    Ok(())
}
