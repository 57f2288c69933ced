//! Random business against a plain book in memory: whatever is asked of a farm in whatever order, the program does what the rules of the
//! trade say and refuses what they refuse, and after each act every gram, hold, order and docket stands where the book has it.
//!
//! `GILLBOOK_CASES` sets the number of sequences, `GILLBOOK_SEED` plays one of them alone.

mod acts;
mod book;
mod chance;
mod entries;
mod money;
mod rules;

use std::collections::{BTreeMap, BTreeSet};

use anyhow::{Result, bail, ensure};
use chrono::{DateTime, TimeDelta, Utc};
use gillbook_store::check::check;
use gillbook_testkit::Farm;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::{
    acts::{Ask, What},
    book::{Aside, Book},
    chance::choose,
    rules::Verdict,
};

/// Acts of a sequence.
const SEQUENCE_LEN: usize = 32;
/// Sequences that are played at the same time, each on a farm of its own.
const WORKERS: u64 = 3;
/// How often a sequence that went wrong is played again in the search for a shorter one.
const SHRINK_MAX: usize = 150;

/// What a hundred sequences do.
const MUST_HAPPEN: [&str; 21] = [
    "weigh",
    "pack",
    "hold",
    "release",
    "choose lots",
    "set aside",
    "tick off",
    "dispatch",
    "deliver",
    "return",
    "transfer",
    "waste",
    "gift",
    "go to market",
    "close the market",
    "count",
    "finish",
    "reverse weighing",
    "reverse packing",
    "reverse dispatch",
    "reverse delivery",
];

/// How often each kind of act was done, and refused for what.
type Tally = BTreeMap<String, BTreeMap<String, u32>>;

/// A farm with what the acts need: one strain in fruit, two fridges, a van, a stall, a loose product and one in packs.
async fn set_up(farm: &Farm) {
    for (path, body) in [
        (
            "/api/strains",
            json!({"strain": "OY", "name": "Oyster", "species": "Oyster", "latin_name": "Pleurotus", "lowest_safe_c": 0, "expected_yield_g": 1000, "days_to_first_flush": 16, "flush_interval_days": 11, "flushes": 2, "trim_share": 0.1, "life": []}),
        ),
        (
            "/api/recipes",
            json!({"recipe": "OAK", "name": "Oak", "block_wet_g": 4200, "block_dry_g": 2000, "block_cost": "2.95"}),
        ),
        (
            "/api/rooms",
            json!({"room": "FR1", "name": "Fruiting", "kind": "fruiting", "capacity_blocks": 200, "area_m2": 20}),
        ),
        (
            "/api/batches",
            json!({"batch": "B1", "strain": "OY", "recipe": "OAK", "made_on": "2026-04-15", "blocks": 20, "origin": "made"}),
        ),
        ("/api/batches/B1/moves", json!({"kind": "moved", "blocks": 20, "room": "FR1"})),
        ("/api/places", json!({"place": "F1", "name": "Fridge", "kind": "fridge"})),
        ("/api/places", json!({"place": "F2", "name": "Cellar", "kind": "fridge"})),
        ("/api/places", json!({"place": "VAN", "name": "Van", "kind": "van"})),
        ("/api/places", json!({"place": "STALL", "name": "Stall", "kind": "stall"})),
        ("/api/price-lists", json!({"price_list": "TABLE", "name": "Table"})),
        (
            "/api/products",
            json!({"product": "OY", "name": "Oyster", "strains": ["OY"], "least_grade": "B", "tax_percent": "5.5"}),
        ),
        (
            "/api/products",
            json!({"product": "PUN", "name": "Punnet", "strains": ["OY"], "least_grade": "B", "pack_g": book::PACK_G, "tax_percent": "5.5"}),
        ),
        (
            "/api/prices",
            json!({"price_list": "TABLE", "product": "OY", "amount": "17.50", "unit": "kg", "effective_from": "2026-01-01T00:00:00Z"}),
        ),
        (
            "/api/prices",
            json!({"price_list": "TABLE", "product": "PUN", "amount": "3.20", "unit": "pack", "effective_from": "2026-01-01T00:00:00Z"}),
        ),
        (
            "/api/customers",
            json!({"customer": "SATURDAY", "name": "Saturday", "kind": "market", "price_list": "TABLE"}),
        ),
    ] {
        farm.create(path, body).await;
    }
    for (code, over) in book::CUSTOMERS {
        let customer =
            json!({"customer": code, "name": code, "kind": "restaurant", "price_list": "TABLE", "over_percent": over});
        farm.create("/api/customers", customer).await;
    }
}

fn rows(list: &Value) -> &[Value] {
    list["rows"].as_array().map(Vec::as_slice).unwrap_or_default()
}

/// Holds everything that the program tells against the book.
async fn ensure_same(farm: &Farm, book: &Book) -> Result<()> {
    let lots = farm.get("/api/lots?limit=500").await;
    ensure!(rows(&lots).len() == book.lots.len(), "{} lots and not {}", rows(&lots).len(), book.lots.len());
    for row in rows(&lots) {
        let Some(n) = book.lots.iter().position(|l| row["lot"] == l.code) else {
            bail!("{} is not in the book", row["lot"])
        };
        let lot = &book.lots[n];
        let there = lot.at.iter().filter(|(_, grams)| **grams > 0);
        let stand: BTreeMap<&str, (i64, i64)> =
            there.map(|(place, grams)| (*place, (*grams, book.aside(n, place, None)))).collect();
        let number = |of: &Value| of.as_i64().unwrap_or(-1);
        let told = row["places"].as_array().into_iter().flatten();
        let told: BTreeMap<&str, (i64, i64)> = told
            .map(|p| (p["place"].as_str().unwrap_or_default(), (number(&p["grams_g"]), number(&p["set_aside_g"]))))
            .collect();
        ensure!(told == stand, "{}, grams and set aside by place: {told:?} and not {stand:?}", lot.code);
        let state =
            json!([lot.grade, lot.packaging, if lot.dried { "dried" } else { "fresh" }, lot.held, book.finished(n)]);
        let told = json!([row["grade"], row["packaging"], row["form"], row["on_hold"], row["finished"]]);
        ensure!(told == state, "{}: {told} and not {state}", lot.code);
        let harvested_at: DateTime<Utc> = row["harvested_at"].as_str().unwrap_or_default().parse()?;
        ensure!(
            book.harvested_at(n).is_none_or(|at| at == harvested_at),
            "{}: harvested {harvested_at} and not {:?}",
            lot.code,
            book.harvested_at(n)
        );
    }
    let orders = farm.get("/api/orders?limit=500").await;
    let told: Vec<&str> = book.orders.iter().map(|o| status_of(&orders, "order", &o.code)).collect();
    let stand: Vec<&str> = book.orders.iter().map(|o| o.status).collect();
    ensure!(told == stand, "orders: {told:?} and not {stand:?}");
    for o in &book.orders {
        let told = rows(&orders).iter().find(|r| r["order"] == o.code).map(set_aside).unwrap_or_default();
        let row = |a: &Aside| (a.line, book.lots[a.lot].code.clone(), a.place.to_owned(), a.grams, a.packed);
        let stand: BTreeSet<_> = o.aside.iter().map(row).collect();
        ensure!(told == stand, "{}: {told:?} is set aside and not {stand:?}", o.code);
    }
    let dockets = farm.get("/api/dockets?limit=500").await;
    let told: Vec<&str> = book.dockets.iter().map(|d| status_of(&dockets, "docket", &d.code)).collect();
    let stand: Vec<&str> = (0..book.dockets.len()).map(|d| book.docket_status(d)).collect();
    ensure!(told == stand && rows(&dockets).len() == stand.len(), "dockets: {told:?} and not {stand:?}");
    Ok(())
}

/// What an order says is set aside for it: line, lot, place, grams, whether it is packed.
fn set_aside(order: &Value) -> BTreeSet<(usize, String, String, i64, bool)> {
    let text = |of: &Value| of.as_str().unwrap_or_default().to_owned();
    let mut all = BTreeSet::new();
    for (n, line) in order["lines"].as_array().into_iter().flatten().enumerate() {
        for s in line["set_aside"].as_array().into_iter().flatten() {
            let grams = s["grams_g"].as_i64().unwrap_or(-1);
            all.insert((n, text(&s["lot"]), text(&s["place"]), grams, !s["packed_at"].is_null()));
        }
    }
    all
}

fn status_of<'a>(list: &'a Value, field: &str, code: &str) -> &'a str {
    rows(list).iter().find(|r| r[field] == code).and_then(|r| r["status"].as_str()).unwrap_or("not there")
}

/// Asks for one act, holds the answer against what the rules say, and the farm against the book after it.
async fn step(farm: &Farm, book: &mut Book, ask: &Ask, log: &mut Vec<String>, tally: &mut Tally) -> Result<()> {
    let request = ask.request(book);
    let ask = &ask.as_entered(farm.now());
    let verdict = book.judge(ask, farm.now());
    let body = request.body.as_ref().map(ToString::to_string).unwrap_or_default();
    log.push(format!("{} {} {} {body}", farm.now().format("%dT%H:%M:%S"), request.method, request.path));
    let key = format!("k{}", ask.id);
    let answer = farm.ask(&farm.owner, request.method, &request.path, &[("idempotency-key", &key)], request.body).await;
    log.push(format!("    {}, {verdict:?}", answer.status));
    let done = match answer.status {
        200 | 201 => true,
        409 | 422 => false,
        other => bail!("{other}: {}", answer.text),
    };
    match &verdict {
        Verdict::Done if !done => bail!("refused, though nothing stands in the way: {}", answer.text),
        Verdict::Refused(why) if done => bail!("done, though {why}"),
        _ => {}
    }
    let outcome = match &verdict {
        _ if done => "done",
        Verdict::Refused(why) if why.contains(" g of ") => "not so much is free",
        Verdict::Refused(why) if why.ends_with("is on hold") => "the lot is on hold",
        Verdict::Refused(why) => why,
        _ => "left open, and refused",
    };
    *tally.entry(ask.what.name(book)).or_default().entry(outcome.into()).or_default() += 1;
    if done {
        let answer = answer.json();
        let found = match &ask.what {
            What::Finish { .. } => rows(&farm.get("/api/movements?kind=finish&limit=500").await).last().cloned(),
            What::MarketClose { .. } => {
                Some(farm.get(&format!("/api/acts/{}", answer["close_act"].as_str().unwrap_or_default())).await)
            }
            _ => None,
        };
        book.done(ask, &answer, &found.unwrap_or_default()).map_err(anyhow::Error::msg)?;
    }
    ensure_same(farm, book).await
}

/// Plays a sequence on a new farm. What went wrong comes back with the requests that led there.
async fn play(worker: &Farm, name: &str, rolls: &[u64], tally: &mut Tally) -> Result<(), String> {
    worker.turn_back();
    let farm = worker.second(name).await.map_err(|e| e.to_string())?;
    set_up(&farm).await;
    let (mut book, mut log) = (Book::default(), Vec::new());
    for (n, roll) in (1..).zip(rolls) {
        // No two acts are written down at the same instant.
        farm.pass(TimeDelta::seconds(i64::try_from(roll % 7200).unwrap_or_default() + 1));
        let ask = choose(*roll, &book, farm.now(), Uuid::from_u128(n).to_string());
        if let Err(error) = step(&farm, &mut book, &ask, &mut log, tally).await {
            return Err(format!("{}\n{error}", log.join("\n")));
        }
    }
    Ok(())
}

/// Takes acts out for as long as it still goes wrong without them.
async fn shorten(worker: &Farm, seed: u64, mut rolls: Vec<u64>, mut wrong: String) -> String {
    let (mut tried, mut size) = (0, rolls.len() / 2);
    while size > 0 && tried < SHRINK_MAX {
        let mut from = 0;
        while from < rolls.len() && tried < SHRINK_MAX {
            tried += 1;
            let without: Vec<u64> = [&rolls[..from], &rolls[(from + size).min(rolls.len())..]].concat();
            match play(worker, &format!("seed{seed}-try{tried}"), &without, &mut Tally::new()).await {
                Err(still) => (rolls, wrong) = (without, still),
                Ok(()) => from += size,
            }
        }
        size /= 2;
    }
    format!("seed {seed}, {} acts:\n{wrong}", rolls.len())
}

async fn play_seeds(worker: Farm, seeds: Vec<u64>) -> Result<Tally, String> {
    let mut tally = Tally::new();
    for seed in seeds {
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        let rolls: Vec<u64> = (0..SEQUENCE_LEN).map(|_| chance.random()).collect();
        if let Err(wrong) = play(&worker, &format!("seed{seed}"), &rolls, &mut tally).await {
            return Err(shorten(&worker, seed, rolls, wrong).await);
        }
    }
    Ok(tally)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whatever_is_asked_in_whatever_order_the_book_agrees() -> Result<()> {
    let number = |name: &str| std::env::var(name).ok().and_then(|n| n.parse::<u64>().ok());
    let seeds = match number("GILLBOOK_SEED") {
        Some(only) => only..only + 1,
        None => 0..number("GILLBOOK_CASES").unwrap_or(100),
    };
    let first = Farm::bare().await?;
    let mut workers = Vec::new();
    for n in 0..WORKERS {
        let worker = first.beside(&format!("worker{n}")).await?;
        let mine = seeds.clone().filter(|seed| seed % WORKERS == n).collect();
        workers.push(tokio::spawn(play_seeds(worker, mine)));
    }
    let (mut tally, mut wrong) = (Tally::new(), Vec::new());
    for worker in workers {
        match worker.await? {
            Ok(counts) => {
                for (what, outcomes) in counts {
                    let all = tally.entry(what).or_default();
                    for (outcome, n) in outcomes {
                        *all.entry(outcome).or_default() += n;
                    }
                }
            }
            Err(told) => wrong.push(told),
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
    for (what, outcomes) in &tally {
        println!("{what}: {outcomes:?}");
    }
    // A sequence of which most is refused proves little.
    if seeds.end - seeds.start >= 100 {
        for what in MUST_HAPPEN {
            assert!(tally.get(what).is_some_and(|outcomes| outcomes.contains_key("done")), "{what} was never done");
        }
    }
    assert_eq!(check(&first.admin.username("gillbook_audit")).await?, []);
    Ok(())
}
