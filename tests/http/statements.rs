//! How many statements each request asks of the database: what grows with its lines is found here before a farm finds it.

use std::sync::{Arc, Mutex, PoisonError};

use anyhow::{Result, ensure};
use gillbook_testkit::Farm;
use serde_json::json;
use tracing::{
    Event, Subscriber,
    field::{Field, Visit},
};
use tracing_subscriber::{
    Layer, Registry,
    layer::{Context, SubscriberExt},
};
use uuid::Uuid;

/// Statements that every request asks, whatever it does: who is signed in, the transaction, the farm, and the key of what is sent again.
const NOT_COUNTED: [&str; 6] = ["begin", "commit", "rollback", "set_config", "idempotency", "from sign_in"];

/// Notes each statement as the driver logs it.
#[derive(Clone, Default)]
struct Statements(Arc<Mutex<Vec<String>>>);

impl Statements {
    fn take(&self) -> Vec<String> {
        let all = std::mem::take(&mut *self.0.lock().unwrap_or_else(PoisonError::into_inner));
        all.into_iter().filter(|s| !NOT_COUNTED.iter().any(|not| s.to_lowercase().contains(not))).collect()
    }
}

struct Summary(String);

impl Visit for Summary {
    fn record_debug(&mut self, field: &Field, value: &dyn std::fmt::Debug) {
        if field.name() == "summary" || field.name() == "db.statement" {
            self.0.extend([format!("{value:?}"), " ".to_owned()]);
        }
    }
}

impl<S: Subscriber> Layer<S> for Statements {
    fn on_event(&self, event: &Event<'_>, _: Context<'_, S>) {
        if event.metadata().target() == "sqlx::query" {
            let mut summary = Summary(String::new());
            event.record(&mut summary);
            self.0.lock().unwrap_or_else(PoisonError::into_inner).push(summary.0);
        }
    }
}

/// An order of so many lines.
async fn order(farm: &Farm, lines: usize) -> String {
    let lines = vec![json!({"product": "OY", "grams_g": 100}); lines];
    let order =
        farm.create("/api/orders", json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": lines})).await;
    order["order"].as_str().unwrap_or_default().to_owned()
}

/// Every request stays within its bound, and a large one asks no more than a small one. The bounds are what was reached and are lowered with it.
#[tokio::test]
async fn no_act_asks_more_than_it_needs() -> Result<()> {
    let farm = Farm::new().await?;
    let statements = Statements::default();
    let subscriber = Registry::default().with(statements.clone());
    let _guard = tracing::subscriber::set_default(subscriber);
    let mut counted: Vec<(&str, usize, usize)> = Vec::new();
    let mut count = |name: &'static str, max: usize| {
        counted.push((name, statements.take().len(), max));
    };
    farm.lot_of(5000).await;
    // Another test may have made the driver's events known just before the subscriber was there.
    tracing::callsite::rebuild_interest_cache();
    statements.take();
    farm.lot_of(5000).await;
    count("a weighing into a lot that is there", 5);
    let two = json!({"id": Uuid::new_v4(), "sources": [{"batch": "B1", "flush": 1, "share": 1}, {"batch": "B2", "flush": 1, "share": 1}], "grade": "A", "gross_g": 3000, "tare": {"tare_g": 0}});
    farm.create("/api/weighings", two).await;
    count("a weighing of two batches", 5);
    let one = order(&farm, 1).await;
    count("an order of one line", 4);
    let many = order(&farm, 12).await;
    count("an order of twelve lines", 4);
    // Once before, so that nothing is left over that whoever looks first has to do.
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{one}/set-aside"), &[], Some(json!({}))).await.expect(200);
    statements.take();
    for (name, order, max) in [("setting aside one line", &one, 6), ("setting aside twelve lines", &many, 6)] {
        farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
        count(name, max);
    }
    let lot = farm.get(&format!("/api/orders/{many}")).await["lines"][0]["set_aside"][0].clone();
    statements.take();
    let packed = json!({"line": 1, "lot": lot["lot"], "place": lot["place"], "grams_g": 99});
    farm.ask(&farm.owner, "PUT", &format!("/api/orders/{many}/packed"), &[], Some(packed)).await.expect(200);
    count("ticking off one of twelve lots", 6);
    farm.create("/api/dockets", json!({"order": many, "van": "VAN"})).await;
    count("a dispatch of twelve lines", 6);
    let standing = json!({"customer": "PLUM", "from": "2026-05-05", "weekdays": ["tuesday", "friday"], "lines": [{"product": "OY", "grams_g": 500}]});
    farm.create("/api/standing-orders", standing).await;
    count("a standing order with four orders", 18);
    farm.create("/api/standing-orders/SO-1/pauses", json!({"from": "2026-05-08", "until": "2026-05-09"})).await;
    count("a pause of one order", 19);
    let pages = [
        ("/", 27),
        ("/weigh", 6),
        ("/stall", 4),
        ("/stock", 10),
        ("/orders", 4),
        ("/fridge", 14),
        ("/week", 21),
        ("/blocks", 8),
    ];
    for (path, max) in pages.into_iter().chain([
        ("/standing-orders", 4),
        ("/standing-orders/SO-1", 5),
        ("/packing-list?day=2026-05-05", 6),
        ("/availability", 18),
        ("/orders/new?customer=PLUM", 25),
        ("/orders/O-3", 25),
    ]) {
        let page = farm.raw("GET", path, &[], Vec::new()).await;
        ensure!(page.status == 200, "{path}: {}", page.status);
        count(path, max);
    }
    farm.create("/api/batches/B2/hold", json!({"reason": "Green mould"})).await;
    count("holding a batch", 16);
    let mut held = Farm::weighing(500);
    held["sources"] = json!([{"batch": "B2", "flush": 1}]);
    farm.create("/api/weighings", held).await;
    count("a weighing of a batch on hold", 5);
    farm.create("/api/batches/B2/release", json!({"reason": "Fine", "release_lots": true})).await;
    count("releasing a batch", 27);
    let out = json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "0", "taken": [{"lot": lot["lot"], "place": "F1", "grams_g": 100}]});
    farm.create("/api/market-days", out).await;
    statements.take();
    let sale = json!({"method": "cash", "lines": [{"product": "OY", "grams_g": 50, "price": "20"}]});
    farm.create("/api/market-days/M-1/sales", sale).await;
    count("a sale at a stall", 14);
    farm.raw("GET", "/stall", &[], Vec::new()).await;
    count("/stall with a stall that is out", 9);
    let over: Vec<_> = counted.iter().filter(|(_, asked, max)| asked > max).collect();
    ensure!(over.is_empty(), "more statements than allowed: {over:?}");
    ensure!(counted.iter().all(|(_, asked, _)| *asked > 0), "the driver's log is not read: {counted:?}");
    Ok(())
}
