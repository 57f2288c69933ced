//! Many at once on the same few lots: nothing below zero, nothing lost, every refusal with a reason.

use std::{task::Poll, time::Duration};

use anyhow::Result;
use chrono::TimeDelta;
use futures::{future::join_all, poll};
use gillbook_store::{Actor, Store};
use gillbook_testkit::{As, Farm, crowd};
use serde_json::json;
use sqlx::{Connection, PgConnection};
use tokio::time::timeout;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn thirty_two_at_once_on_the_same_lots() -> Result<()> {
    let carried_out = crowd(Farm::new().await?, 32, 100).await?;
    assert!(carried_out > 500, "{carried_out} of 3200 were carried out");
    Ok(())
}

/// Posts one reading of a minute of the hour before, and gives what became of it: accepted and there before.
async fn post_minute(farm: &Farm, who: &As, minute: i64) -> (u64, u64) {
    let at = farm.now() - TimeDelta::minutes(60 - minute);
    let pack = json!([{"n": "p1", "u": "Cel", "t": at.timestamp(), "v": 2.5}]);
    let answer = farm.ask(who, "POST", "/api/readings", &[], Some(pack)).await.expect(200);
    assert_eq!(answer["refused"], json!([]), "{answer}");
    (answer["accepted"].as_u64().unwrap_or_default(), answer["duplicate"].as_u64().unwrap_or_default())
}

async fn readings_kept(farm: &Farm) -> Result<i64> {
    let mut db = PgConnection::connect_with(&farm.admin).await?;
    Ok(sqlx::query_scalar("select count(*) from reading").fetch_one(&mut db).await?)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readings_that_are_posted_together_and_twice_are_each_kept_once() -> Result<()> {
    let farm = Farm::new().await?;
    for round in 0..3 {
        // Each minute twice at the same time, so that doubles meet in one commit and in two that overlap.
        let posts = (0..20).chain(0..20).map(|minute| post_minute(&farm, &farm.owner, round * 20 + minute));
        let (kept, there) = join_all(posts).await.into_iter().fold((0, 0), |sum, of| (sum.0 + of.0, sum.1 + of.1));
        assert_eq!((kept, there), (20, 20));
    }
    assert_eq!(readings_kept(&farm).await?, 60);
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readings_that_come_one_by_one_while_programs_judge_are_all_judged() -> Result<()> {
    let farm = Farm::new().await?;
    let other = Store::connect(farm.admin.clone().username("gillbook_app"), 4).await?;
    let (stop, mut stopped) = tokio::sync::oneshot::channel::<()>();
    let now = farm.now();
    let judge = tokio::spawn(async move {
        let mut judged = 0;
        while stopped.try_recv().is_err() {
            judged += other.evaluate_all_dirty(now).await?;
            tokio::task::yield_now().await;
        }
        anyhow::Ok(judged)
    });
    // Ten hours of minutes, three of them warm. Most come upon a mark that the one before saw, some upon one that was leased since.
    for minute in 0..600 {
        let at = now - TimeDelta::minutes(600 - minute);
        let c = if (200..380).contains(&minute) { 9.0 } else { 2.0 };
        let pack = json!([{"n": "p1", "u": "Cel", "t": at.timestamp(), "v": c}]);
        let answer = farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(pack)).await.expect(200);
        assert_eq!(answer["accepted"], 1, "{answer}");
        if minute % 50 == 0 {
            farm.get("/api/excursions").await;
        }
    }
    stop.send(()).ok();
    let judged = judge.await??;
    assert!(judged > 20, "only {judged} judgings met the posts");
    farm.ensure_evaluated_as_once(&[]).await
}

#[tokio::test]
async fn a_mark_that_was_seen_stands_until_somebody_leases_marks_of_its_farm() -> Result<()> {
    let farm = Farm::bare().await?;
    let (mut judge, mut poster) =
        (PgConnection::connect_with(&farm.admin).await?, PgConnection::connect_with(&farm.admin).await?);
    let (own, another) = (farm.id.0, farm.id.0 + 1);
    let stands = async |db: &mut PgConnection, farm: i32, leases: i64| -> Result<bool> {
        Ok(sqlx::query_scalar("select marks_valid($1, $2)").bind(farm).bind(leases).fetch_one(db).await?)
    };
    let leases: i64 = sqlx::query_scalar("select nextval('place_lease')").fetch_one(&mut judge).await?;
    assert!(stands(&mut poster, own, leases).await?);
    assert!(!stands(&mut poster, own, leases - 1).await?, "a lease came after it was seen");

    // While a lease is on its way nothing is sure of that farm, whatever the count says.
    let mut leasing = judge.begin().await?;
    let leases: i64 = sqlx::query_scalar("select begin_lease($1)").bind([own]).fetch_one(&mut *leasing).await?;
    assert!(!stands(&mut poster, own, leases).await?);
    assert!(stands(&mut poster, another, leases).await?);
    leasing.commit().await?;
    assert!(stands(&mut poster, own, leases).await?);

    // And none begins until whoever relies on it has committed.
    let mut posting = poster.begin().await?;
    assert!(stands(&mut posting, own, leases).await?);
    let begins = "select pg_try_advisory_xact_lock(1, $1)";
    assert!(!sqlx::query_scalar::<_, bool>(begins).bind(own).fetch_one(&mut judge).await?);
    posting.commit().await?;
    assert!(sqlx::query_scalar::<_, bool>(begins).bind(own).fetch_one(&mut judge).await?);
    Ok(())
}

#[tokio::test]
async fn clients_that_go_away_half_way_leave_the_line_open() -> Result<()> {
    let farm = Farm::new().await?;
    let board = farm.create("/api/tokens", json!({"name": "board", "scope": "readings", "probe": "p1"})).await;
    let board = As::Token(board["secret"].as_str().unwrap_or_default().to_owned());
    // From here on it is remembered who posts, so that the first poll of a post already stands in line.
    post_minute(&farm, &board, 0).await;
    let mut went_on = 0;
    // They go away at another moment each time: before they stand in line, one with its turn and the others waiting, some answered.
    for minute in 1..60_i64 {
        let mut posts: Vec<_> = (0..3).map(|_| Some(Box::pin(post_minute(&farm, &board, minute)))).collect();
        for _ in 0..(minute % 10).pow(2) {
            for post in &mut posts {
                if let Some(asked) = post
                    && poll!(asked.as_mut()).is_ready()
                {
                    *post = None;
                }
            }
            tokio::task::yield_now().await;
        }
        let none_answered = posts.iter().all(Option::is_some);
        drop(posts);
        let (kept, there) = timeout(Duration::from_secs(20), post_minute(&farm, &board, minute)).await?;
        assert_eq!(kept + there, 1, "minute {minute}");
        assert_eq!(readings_kept(&farm).await?, minute + 1);
        if none_answered {
            went_on += there;
        }
    }
    assert!(went_on > 0, "nobody went away with their commit on its way");
    Ok(())
}

#[tokio::test]
async fn a_transaction_that_is_given_up_while_it_begins_is_not_left_open() -> Result<()> {
    let farm = Farm::bare().await?;
    let store = Store::connect(farm.admin.clone().username("gillbook_app"), 1).await?;
    let signed = Actor::program(farm.id, "given up");
    let mut admin = PgConnection::connect_with(&farm.admin).await?;
    let (mut given_up, mut had_begun) = (0, 0);
    // Given up at another moment each time: before the connection is there, while it begins, when it has begun.
    for round in 0_u32.. {
        let polls = (round % 20).pow(2);
        let mut beginning = Box::pin(store.begin_read(&signed, farm.now()));
        let mut begun = None;
        for _ in 0..polls {
            if let Poll::Ready(transaction) = poll!(beginning.as_mut()) {
                begun = Some(transaction?);
                break;
            }
            tokio::task::yield_now().await;
        }
        if begun.is_some() {
            had_begun += 1;
        } else if polls > 0 {
            given_up += 1;
        }
        drop((beginning, begun));
        // There is one connection, so that this waits until it is back.
        store.ping().await?;
        let open: i64 = sqlx::query_scalar(
            "select count(*) from pg_stat_activity
              where datname = current_database() and usename = 'gillbook_app' and state like 'idle in transaction%'",
        )
        .fetch_one(&mut admin)
        .await?;
        assert_eq!(open, 0, "given up after {polls} polls");
        if round >= 20 && given_up > 0 && had_begun > 0 {
            break;
        }
    }
    Ok(())
}

/// Thirty-two at once invoice the same dockets, pay and credit: each gram is on one invoice, no number is missing and none comes twice.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn invoices_and_payments_of_many_at_once_have_no_gaps() -> Result<()> {
    let farm = Farm::new().await?;
    let mut dockets = Vec::new();
    for _ in 0..4 {
        dockets.push(farm.docket_of(1000).await);
    }
    let invoices = (0..32).map(|n| {
        let docket = &dockets[n % 4];
        farm.post("/api/invoices", json!({"customer": "PLUM", "dockets": [docket]}))
    });
    let issued = join_all(invoices).await;
    assert_eq!(issued.iter().filter(|a| a.status == 201).count(), 4, "each docket once");
    assert!(
        issued.iter().all(|a| a.status == 201 || a.status == 422),
        "{:?}",
        issued.iter().map(|a| a.status).collect::<Vec<_>>()
    );
    // 4 × 18.46 are owed: of 32 payments of 5 all are taken, and what is over is credit.
    let payments =
        (0..32).map(|_| farm.post("/api/payments", json!({"customer": "PLUM", "amount": "5", "method": "cash"})));
    let notes = (0..8).map(|_| {
        let body = json!({"invoice": "INV-1", "lines": [{"line": 1, "net": "4.00"}], "reason": "Bruised"});
        farm.post("/api/credit-notes", body)
    });
    let (paid, credited) = tokio::join!(join_all(payments), join_all(notes));
    assert_eq!(paid.iter().filter(|a| a.status == 201).count(), 32);
    assert_eq!(credited.iter().filter(|a| a.status == 201).count(), 4, "17.50 holds four times 4.00");
    let account = farm.get("/api/customers/PLUM/statement").await;
    // 73.84 asked for, 160 paid, four times 4.22 credited.
    assert_eq!(account["closing_balance"], "-103.04", "{account}");
    assert_eq!(gillbook_store::check::check(&farm.admin.clone().username("gillbook_audit")).await?, []);
    Ok(())
}

/// Runs that invoice everybody and people who invoice one customer, all at once: nobody waits for ever, and each docket is on one invoice.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn everybody_and_each_are_invoiced_at_once() -> Result<()> {
    let farm = Farm::new().await?;
    for code in ["CAFE", "INN"] {
        let customer = json!({"customer": code, "name": code, "kind": "shop", "price_list": "TABLE"});
        farm.create("/api/customers", customer).await;
    }
    let mut dockets = Vec::new();
    for customer in ["PLUM", "CAFE", "INN", "PLUM", "CAFE", "INN"] {
        dockets.push((customer, farm.docket_for(customer, 1000).await));
    }
    let singles = (0..24).map(|n| {
        let (customer, docket) = &dockets[n % 6];
        farm.post("/api/invoices", json!({"customer": customer, "dockets": [docket]}))
    });
    let runs = (0..6).map(|_| farm.post("/api/invoice-runs", json!({})));
    let (singles, runs) = tokio::join!(join_all(singles), join_all(runs));
    for answer in singles.iter().chain(&runs) {
        assert!(matches!(answer.status, 201 | 422), "{} {}", answer.status, answer.text);
    }
    let issued = farm.get("/api/invoices?limit=100").await;
    let lines: usize =
        issued["rows"].as_array().into_iter().flatten().filter_map(|i| i["lines"].as_array()).map(Vec::len).sum();
    assert_eq!(lines, 6, "{issued}");
    assert_eq!(gillbook_store::check::check(&farm.admin.clone().username("gillbook_audit")).await?, []);
    Ok(())
}
