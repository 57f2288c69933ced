//! Two acts at once end as one after the other would: every pair is stopped between its locks, its facts and its writing, and what comes of
//! it is what one of the two orders gives.

use anyhow::{Context, Result, ensure};
use chrono::TimeDelta;
use gillbook_testkit::Farm;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, Connection, PgConnection};

/// An act on a farm of [`scene`].
struct Act {
    name: &'static str,
    method: &'static str,
    path: &'static str,
    body: fn() -> Value,
}

/// Acts that stand in each other's way. There are 3,700 g of one lot in the fridge, 600 g of them set aside, and 500 g in the van; of another 700 g
/// in the fridge and 600 g at the stall; of a third 300 g in the fridge; and 200 g of a fourth were wasted at the stall, all that there was.
const ACTS: [Act; 20] = [
    Act { name: "weigh", method: "POST", path: "/api/weighings", body: || Farm::weighing(400) },
    Act {
        name: "lose blocks",
        method: "POST",
        path: "/api/batches/B1/losses",
        body: || json!({"blocks": 20, "reason": "contamination"}),
    },
    Act {
        name: "hold the batch",
        method: "POST",
        path: "/api/batches/B1/hold",
        body: || json!({"reason": "Green mould"}),
    },
    Act { name: "hold", method: "POST", path: "/api/lots/{lot}/hold", body: || json!({"reason": "Smell"}) },
    Act {
        name: "recall the batch",
        method: "POST",
        path: "/api/recalls",
        body: || json!({"kind": "recall", "starts_from": "batch", "code": "B1", "reason": "Mould"}),
    },
    Act {
        name: "waste",
        method: "POST",
        path: "/api/movements",
        body: || json!({"kind": "waste", "lot": "{lot}", "from_place": "F1", "grams_g": 1300, "reason": "Soft"}),
    },
    Act {
        name: "pack",
        method: "POST",
        path: "/api/packings",
        body: || json!({"place": "F1", "lots_in": [{"lot": "{lot}", "grams_g": 1200}], "lots_out": [{"grade": "A", "packaging": "vented", "grams_g": 1200}]}),
    },
    Act {
        name: "count",
        method: "POST",
        path: "/api/stock-counts",
        body: || json!({"place": "F1", "lots": [{"lot": "{lot}", "counted_g": 2960}]}),
    },
    Act { name: "finish", method: "POST", path: "/api/lots/{third}/finish", body: || json!({"reason": "Sold out"}) },
    Act {
        name: "move the third",
        method: "POST",
        path: "/api/movements",
        body: || json!({"kind": "transfer", "lot": "{third}", "from_place": "F1", "to_place": "VAN", "grams_g": 100}),
    },
    Act { name: "set aside", method: "PUT", path: "/api/orders/O-3/set-aside", body: || json!({}) },
    Act {
        name: "tick off",
        method: "PUT",
        path: "/api/orders/O-2/packed",
        body: || json!({"line": 1, "lot": "{lot}", "place": "F1", "grams_g": 640}),
    },
    Act { name: "call off", method: "PATCH", path: "/api/orders/O-2", body: || json!({"status": "cancelled"}) },
    Act { name: "dispatch", method: "POST", path: "/api/dockets", body: || json!({"order": "O-2", "van": "VAN"}) },
    Act {
        name: "deliver",
        method: "POST",
        path: "/api/dockets/D-1/delivery",
        body: || json!({"taken_by": "Cook", "paid": {"amount": "1"}}),
    },
    Act {
        name: "take the dispatch back",
        method: "POST",
        path: "/api/acts/{dispatch}/reversal",
        body: || json!({"reason": "Rain"}),
    },
    Act {
        name: "close the stall",
        method: "PATCH",
        path: "/api/market-days/M-1",
        body: || json!({"cash": "10", "card": "0", "fee": "0", "back_place": "F1", "lots": [{"lot": "{other}", "back_g": 200}]}),
    },
    Act {
        name: "sell at the stall",
        method: "POST",
        path: "/api/market-days/M-1/sales",
        body: || json!({"method": "cash", "lines": [{"product": "LM", "grams_g": 100, "price": "100.00"}]}),
    },
    Act {
        name: "take the waste at the stall back",
        method: "POST",
        path: "/api/acts/{waste}/reversal",
        body: || json!({"reason": "Found it"}),
    },
    Act { name: "close the week", method: "POST", path: "/api/weeks/2026-W18/close", body: || json!({}) },
];

/// A farm to try a pair on, and what the names in the acts stand for.
struct Scene {
    farm: Farm,
    lot: String,
    other: String,
    third: String,
    dispatch: String,
    waste: String,
}

async fn scene(home: &Farm, name: &str) -> Result<Scene> {
    let farm = home.beside(name).await?;
    farm.set_up().await;
    let lot = farm.lot_of(4200).await;
    for grams in [500, 600, 1500] {
        let lines = json!([{"product": "OY", "grams_g": grams}]);
        farm.create("/api/orders", json!({"customer": "PLUM", "delivery_day": "2026-05-05", "lines": lines})).await;
    }
    for order in ["O-1", "O-2"] {
        farm.ask(&farm.owner, "PUT", &format!("/api/orders/{order}/set-aside"), &[], Some(json!({}))).await.expect(200);
    }
    let dispatch = farm.create("/api/dockets", json!({"order": "O-1", "van": "VAN"})).await["act_id"].clone();
    let weighed = |grade: &str, batch: &str, grams: i64| {
        let mut weighing = Farm::weighing(grams);
        weighing["grade"] = json!(grade);
        weighing["sources"] = json!([{"batch": batch, "flush": 1}]);
        weighing
    };
    let other =
        farm.create("/api/weighings", weighed("A", "B3", 1300)).await["lot"].as_str().unwrap_or_default().to_owned();
    let third =
        farm.create("/api/weighings", weighed("C", "B2", 300)).await["lot"].as_str().unwrap_or_default().to_owned();
    let fourth = farm.create("/api/weighings", weighed("B", "B2", 200)).await["lot"].clone();
    let taken = json!([{"lot": other, "place": "F1", "grams_g": 600}, {"lot": fourth, "place": "F1", "grams_g": 200}]);
    farm.create(
        "/api/market-days",
        json!({"stall": "STALL", "customer": "SATURDAY", "float_amount": "0", "taken": taken}),
    )
    .await;
    let waste = json!({"kind": "waste", "lot": fourth, "from_place": "STALL", "grams_g": 200, "reason": "Soft"});
    let waste = farm.create("/api/movements", waste).await["act_id"].as_str().unwrap_or_default().to_owned();
    let dispatch = dispatch.as_str().context("the entry of the docket")?.to_owned();
    farm.pass(TimeDelta::minutes(1));
    Ok(Scene { farm, lot, other, third, dispatch, waste })
}

impl Scene {
    /// Does an act, and says how it was answered.
    async fn act(&self, act: &Act) -> u16 {
        let names = [
            ("{lot}", &self.lot),
            ("{other}", &self.other),
            ("{third}", &self.third),
            ("{dispatch}", &self.dispatch),
            ("{waste}", &self.waste),
        ];
        let named = |text: &str| names.iter().fold(text.to_owned(), |text, (name, value)| text.replace(name, value));
        let body = serde_json::from_str(&named(&(act.body)().to_string())).expect("a body");
        let key = uuid::Uuid::new_v4().to_string();
        let headers = match act.method {
            "POST" => vec![("idempotency-key", key.as_str())],
            "PATCH" if act.path.starts_with("/api/orders") => vec![("if-match", "\"1\"")],
            _ => Vec::new(),
        };
        let answer = self.farm.ask(&self.farm.owner, act.method, &named(act.path), &headers, Some(body)).await;
        assert!(answer.status < 500, "{}: {}", act.name, answer.text);
        answer.status
    }

    /// What the book says: grams, orders, holds, dockets, blocks and weeks.
    async fn book(&self, db: &mut PgConnection) -> Result<Vec<String>> {
        let sql = "select format('%s at %s: %s, %s', lot, place, grams, set_aside_g) from balance where farm_id = $1 and grams > 0
             union all select format('%s: %s', order_code, status) from customer_order where farm_id = $1
             union all select format('%s: %s', lot, kind) from lot_event where farm_id = $1
             union all select format('%s of %s', docket, order_code) from docket where farm_id = $1
             union all select format('%s: %s', market_day, status) from market_day where farm_id = $1
             union all select format('%s tallied %s', market_day, total) from tally_sale where farm_id = $1
             union all select format('%s lost %s', batch, blocks) from batch_loss where farm_id = $1
             union all select format('%s: %s', batch, kind) from batch_event where farm_id = $1
             union all select format('%s of %s', recall, lot) from recall_lot where farm_id = $1
             union all select format('%s closed', week) from week_close where farm_id = $1
             union all select format('%s %s', kind, after_close) from act where farm_id = $1
             order by 1";
        Ok(sqlx::query_scalar(sql).bind(self.farm.id.0).fetch_all(db).await?)
    }
}

/// Where both acts are stopped: nobody gets past looking at these tables, or past writing into them.
const STOPS: [(&str, &str); 2] = [
    (
        "before the facts",
        "lock table lot_event, batch_move, customer, product, docket_line, place_limit in access exclusive mode",
    ),
    (
        "before the writing",
        "lock table act, lot_event, set_aside, batch_loss, batch_move, customer_order in share mode",
    ),
];

/// Waits until so many statements of this database wait for a lock, or until `over` says that no more will.
async fn until_waiting(db: &mut PgConnection, so_many: i64, over: impl Fn() -> bool) -> Result<()> {
    loop {
        let waiting: i64 = sqlx::query_scalar(
            "select count(distinct pid) from pg_locks l join pg_stat_activity a using (pid) where not l.granted and a.datname = current_database()",
        )
        .fetch_one(&mut *db)
        .await?;
        if waiting >= so_many || over() {
            return Ok(());
        }
        tokio::task::yield_now().await;
    }
}

async fn ensure_one_after_the_other(
    home: &Farm,
    admin: &mut PgConnection,
    a: &Act,
    b: &Act,
    n: &mut u32,
) -> Result<()> {
    let mut next = || {
        *n += 1;
        format!("pair{n}")
    };
    let mut orders = Vec::new();
    for swapped in [false, true] {
        let scene = scene(home, &next()).await?;
        let (first, second) = if swapped { (b, a) } else { (a, b) };
        let name = first.name;
        let (first, second) = (scene.act(first).await, scene.act(second).await);
        ensure!(first < 300, "{name} is refused with {first} though it is the first");
        let answers = if swapped { (second, first) } else { (first, second) };
        orders.push((answers, scene.book(admin).await?));
    }
    for (stop, sql) in STOPS {
        let scene = scene(home, &next()).await?;
        let mut stopper = PgConnection::connect_with(&home.admin).await?;
        sqlx::raw_sql(AssertSqlSafe(format!("begin; {sql}"))).execute(&mut stopper).await?;
        let ended = std::sync::atomic::AtomicUsize::new(0);
        let run = async |act: &Act| {
            let answer = scene.act(act).await;
            ended.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
            answer
        };
        let over = |so_many: usize| ended.load(std::sync::atomic::Ordering::SeqCst) >= so_many;
        let let_go = async {
            until_waiting(admin, 2, || over(1)).await?;
            sqlx::raw_sql("rollback").execute(&mut stopper).await?;
            anyhow::Ok(())
        };
        let (first, second, let_go) = tokio::join!(run(a), run(b), let_go);
        let_go?;
        let result = ((first, second), scene.book(admin).await?);
        ensure!(
            orders.contains(&result),
            "{} and {}, stopped {stop}: {result:#?}\nis neither of {orders:#?}",
            a.name,
            b.name
        );
    }
    Ok(())
}

/// Every pair whose first act is one of these, also with itself.
async fn pairs_of(acts: std::ops::Range<usize>) -> Result<()> {
    let home = Farm::bare().await?;
    let mut admin = PgConnection::connect_with(&home.admin).await?;
    let mut n = 0;
    for a in acts {
        for b in &ACTS[a..] {
            ensure_one_after_the_other(&home, &mut admin, &ACTS[a], b, &mut n).await?;
        }
    }
    let found = gillbook_store::check::check(&home.admin.clone().username("gillbook_audit")).await?;
    ensure!(found.is_empty(), "{found:?}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn growing_acts_and_any_other_end_as_one_after_the_other() -> Result<()> {
    pairs_of(0..3).await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn acts_on_stock_and_any_other_end_as_one_after_the_other() -> Result<()> {
    pairs_of(3..7).await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn counts_and_any_other_end_as_one_after_the_other() -> Result<()> {
    pairs_of(7..11).await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn sales_and_any_other_end_as_one_after_the_other() -> Result<()> {
    pairs_of(11..ACTS.len()).await
}
