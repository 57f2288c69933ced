//! Who is told, and what reaches them.

use std::{
    collections::BTreeSet,
    sync::{
        Arc, Mutex,
        atomic::{AtomicUsize, Ordering},
    },
};

use anyhow::{Context, Result};
use axum::{
    Router,
    body::Bytes,
    http::{HeaderMap, StatusCode},
    routing::post,
};
use chrono::{TimeDelta, Utc};
use gillbook::notices::{Mail, Sender};
use gillbook_core::{kinds::NoticeKind, limits::MAX_RECEIVERS};
use gillbook_store::Store;
use gillbook_testkit::Farm;
use gillbook_tests::{mail_server, python, serve};
use serde_json::{Value, json};
use sqlx::Connection;

/// A farm whose fridge has been at 9 °C for two hours and still is, with 2 kg inside.
async fn farm_too_warm() -> Result<Farm> {
    let mut farm = Farm::new().await?;
    farm.pass(Utc::now() - farm.now());
    farm.owner = farm.sign_in("ada").await;
    farm.lot_of(2000).await;
    Ok(farm)
}

/// Plays stretches of minutes of the last three hours, each at a temperature, in one pack.
async fn play(farm: &Farm, stretches: &[(i64, i64, f64)]) {
    let began = farm.now() - TimeDelta::minutes(180);
    let record =
        |m: i64, c: f64| json!({"n": "p1", "u": "Cel", "t": (began + TimeDelta::minutes(m)).timestamp(), "v": c});
    let records: Vec<Value> = stretches
        .iter()
        .flat_map(|(from, until, c)| (*from..*until).map(move |m| (m, *c)))
        .map(|(m, c)| record(m, c))
        .collect();
    farm.ask(&farm.owner, "POST", "/api/readings", &[], Some(json!(records))).await.expect(200);
    farm.get("/api/excursions").await;
}

type Taken = Arc<Mutex<Vec<(HeaderMap, String)>>>;

/// A sender that reaches the receivers of tests, which are on this machine.
fn sender() -> Result<Sender> {
    Sender::new(&Mail { private_webhooks: true, ..Mail::default() })
}

/// A receiver that is down for the first request.
async fn receiver() -> Result<(String, Taken)> {
    let taken = Taken::default();
    let (kept, asked) = (taken.clone(), AtomicUsize::new(0));
    let asked = Arc::new(asked);
    let router = Router::new().route(
        "/hook",
        post(move |headers: HeaderMap, body: Bytes| async move {
            if asked.fetch_add(1, Ordering::SeqCst) == 0 {
                return StatusCode::BAD_GATEWAY;
            }
            if let Ok(mut kept) = kept.lock() {
                kept.push((headers, String::from_utf8_lossy(&body).into_owned()));
            }
            StatusCode::NO_CONTENT
        }),
    );
    Ok((format!("http://{}/hook", serve(router).await?), taken))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_warm_spell_is_told_once_by_a_webhook_that_others_can_verify() -> Result<()> {
    let farm = farm_too_warm().await?;
    let (address, taken) = receiver().await?;
    let added = farm.create("/api/notices", json!({"way": "webhook", "address": address})).await;
    let secret = added["secret"].as_str().context("a secret, once")?.to_owned();
    assert!(farm.get("/api/notices").await["rows"][0].get("secret").is_none());
    play(&farm, &[(0, 60, 2.0), (60, 170, 9.0)]).await;
    play(&farm, &[(170, 175, 9.0)]).await;
    let sender = sender()?;
    assert_eq!(sender.empty_outbox(&farm.store, farm.now()).await?, 0, "the receiver is down");
    assert_eq!(sender.empty_outbox(&farm.store, farm.now()).await?, 0, "not yet due again");
    assert_eq!(sender.empty_outbox(&farm.store, farm.now() + TimeDelta::minutes(2)).await?, 1);
    assert_eq!(sender.empty_outbox(&farm.store, farm.now() + TimeDelta::hours(9)).await?, 0, "told once");
    let (headers, body) = taken.lock().map_err(|_| anyhow::anyhow!("poisoned"))?[0].clone();
    assert!(body.contains("2.0 kg are inside") && body.contains("First look whether the door is shut"), "{body}");
    let header = |name: &str| headers.get(name).and_then(|v| v.to_str().ok()).unwrap_or_default().to_owned();
    let told = json!({"secret": secret, "body": body, "headers": {
        "webhook-id": header("webhook-id"), "webhook-timestamp": header("webhook-timestamp"), "webhook-signature": header("webhook-signature"),
    }});
    let verified = python("webhook.py", &told.to_string())?;
    assert!(verified.status.success(), "{}", String::from_utf8_lossy(&verified.stderr));
    // Cold again: told that it is over.
    play(&farm, &[(175, 180, 2.0)]).await;
    farm.pass(TimeDelta::hours(1));
    play(&farm, &[(120, 179, 2.0)]).await;
    assert_eq!(sender.empty_outbox(&farm.store, farm.now()).await?, 1);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_second_person_is_told_by_mail_if_it_still_lasts() -> Result<()> {
    let farm = farm_too_warm().await?;
    farm.create("/api/notices", json!({"way": "email", "address": "second@farm.example.org", "after_minutes": 30}))
        .await;
    farm.post("/api/notices", json!({"way": "email", "address": "nobody"})).await.ensure_problem(
        422,
        "invalid",
        Some("/address"),
    );
    play(&farm, &[(0, 60, 2.0), (60, 179, 9.0)]).await;
    let (url, taken) = mail_server().await?;
    let sender = Sender::new(&Mail {
        smtp_url: Some(url),
        mail_from: Some("Gillbook <book@farm.example.org>".into()),
        ..Mail::default()
    })?;
    assert_eq!(sender.empty_outbox(&farm.store, farm.now()).await?, 0, "not before half an hour");
    assert_eq!(sender.empty_outbox(&farm.store, farm.now() + TimeDelta::minutes(31)).await?, 1);
    let message = taken.await??;
    assert!(
        message.contains("To: second@farm.example.org") && message.contains("Subject: F1 is too warm"),
        "{message}"
    );
    // RFC 2045: without these a reader guesses what the bytes of °C are.
    let headers = message.to_lowercase();
    assert!(
        headers.contains("mime-version: 1.0") && headers.contains("content-type: text/plain; charset=utf-8"),
        "{message}"
    );
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_doubtful_probe_is_told_once_and_a_good_check_ends_it() -> Result<()> {
    let farm = farm_too_warm().await?;
    let (address, taken) = receiver().await?;
    for (address, after) in [(address, 0), ("https://second.example.org/hook".into(), 30)] {
        farm.create("/api/notices", json!({"way": "webhook", "address": address, "after_minutes": after})).await;
    }
    let checks = "/api/probes/p1/checks";
    farm.create(checks, json!({"kind": "ice_point", "read_c": 0.4})).await;
    let sender = sender()?;
    assert!(
        farm.store.lease_notices(100, farm.now() + TimeDelta::hours(1)).await?.is_empty(),
        "a good check is no news"
    );
    farm.pass(TimeDelta::minutes(1));
    let bad = farm.create(checks, json!({"kind": "ice_point", "read_c": -1.8})).await;
    assert_eq!(sender.empty_outbox(&farm.store, farm.now()).await?, 0, "the receiver is down");
    assert_eq!(sender.empty_outbox(&farm.store, farm.now() + TimeDelta::minutes(2)).await?, 1);
    let (_, body) = taken.lock().map_err(|_| anyhow::anyhow!("poisoned"))?[0].clone();
    let body: Value = serde_json::from_str(&body)?;
    assert_eq!((&body["type"], &body["data"]["check_id"]), (&json!("probe.doubtful"), &bad["checks"][1]["check_id"]));
    let text = body["data"]["text"].as_str().context("words")?;
    assert!(text.starts_with("Probe p1 in F1 read -1.8 °C where 0.0 °C was due."), "{text}");
    assert!(text.contains("local food-safety rules"), "{text}");
    // The second person is told after half an hour, also when it was found bad again meanwhile, unless a good check comes before.
    farm.pass(TimeDelta::minutes(5));
    farm.create(checks, json!({"kind": "ice_point", "read_c": -1.7})).await;
    let later = farm.store.lease_notices(100, farm.now() + TimeDelta::minutes(27)).await?;
    assert_eq!(
        later
            .iter()
            .filter(|n| n.address.contains("second") && n.event.to_string() == bad["checks"][1]["check_id"])
            .count(),
        1
    );
    farm.pass(TimeDelta::minutes(5));
    farm.create(checks, json!({"kind": "ice_point", "read_c": 0.1})).await;
    assert!(farm.store.lease_notices(100, farm.now() + TimeDelta::hours(1)).await?.is_empty());
    Ok(())
}

#[tokio::test]
async fn quiet_hours_over_midnight_hold_all_back_but_a_warm_spell() -> Result<()> {
    let mut farm = Farm::new().await?;
    // 22:30 on the farm, in Paris in summer.
    farm.pass("2026-07-01T20:30:00Z".parse::<chrono::DateTime<Utc>>()? - farm.now());
    farm.owner = farm.sign_in("ada").await;
    let quiet = json!({"way": "email", "address": "me@farm.example.org", "quiet_from": 22 * 60, "quiet_until": 6 * 60});
    farm.create("/api/notices", quiet).await;
    farm.create("/api/probes/p1/checks", json!({"kind": "ice_point", "read_c": 2.5})).await;
    let due = async |minutes: i64| -> Result<Vec<String>> {
        let due = farm.store.lease_notices(100, farm.now() + TimeDelta::minutes(minutes)).await?;
        Ok(due.into_iter().map(|n| n.subject).collect())
    };
    let doubtful = vec!["F1: probe p1 is doubtful".to_owned()];
    for (minutes, told) in [(0, vec![]), (90, vec![]), (449, vec![]), (450, doubtful.clone()), (600, doubtful)] {
        assert_eq!(due(minutes).await?, told, "{minutes} minutes after 22:30");
    }
    play(&farm, &[(0, 60, 2.0), (60, 179, 9.0)]).await;
    assert_eq!(due(0).await?, ["F1 is too warm"]);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn two_programs_on_one_database_send_each_message_once() -> Result<()> {
    let farm = farm_too_warm().await?;
    for n in 0..3 {
        farm.create("/api/notices", json!({"way": "email", "address": format!("p{n}@farm.example.org")})).await;
    }
    play(&farm, &[(0, 60, 2.0), (60, 179, 9.0)]).await;
    let other = Store::connect(farm.admin.clone().username("gillbook_app"), 2).await?;
    let (one, two) = tokio::try_join!(farm.store.lease_notices(2, farm.now()), other.lease_notices(8, farm.now()))?;
    let mut leased: Vec<_> = one.iter().chain(&two).map(|notice| notice.notice_id).collect();
    leased.extend(other.lease_notices(8, farm.now()).await?.iter().map(|notice| notice.notice_id));
    let each: BTreeSet<_> = leased.iter().copied().collect();
    assert_eq!((leased.len(), each.len()), (3, 3), "each once");
    // What a program had leased that died is due again, and its late word is not heard once another has it.
    let later = farm.now() + TimeDelta::minutes(2);
    let again = other.lease_notices(8, later).await?;
    assert_eq!(again.len(), 3);
    let first =
        one.iter().chain(&two).find(|notice| notice.notice_id == again[0].notice_id).context("leased before")?;
    farm.store.notice_tried(first, Some("too late"), later).await?;
    assert!(other.lease_notices(8, later + TimeDelta::minutes(1)).await?.is_empty());
    other.notice_tried(&again[0], None, later).await?;
    assert_eq!(other.lease_notices(8, later + TimeDelta::minutes(3)).await?.len(), 2);
    Ok(())
}

#[tokio::test]
async fn receivers_of_one_farm_that_do_not_answer_leave_room_for_others() -> Result<()> {
    let mut farm = Farm::new().await?;
    let mut other = farm.second("bea").await?;
    other.set_up().await;
    farm.pass(Utc::now() - farm.now());
    farm.owner = farm.sign_in("ada").await;
    other.owner = other.sign_in("bea").await;
    for n in 0..20 {
        farm.create("/api/notices", json!({"way": "email", "address": format!("p{n}@farm.example.org")})).await;
    }
    other.create("/api/notices", json!({"way": "email", "address": "bea@farm.example.org"})).await;
    play(&farm, &[(0, 60, 2.0), (60, 179, 9.0)]).await;
    play(&other, &[(0, 60, 2.0), (60, 179, 9.0)]).await;
    let leased = farm.store.lease_notices(8, farm.now()).await?;
    let to: BTreeSet<_> = leased.iter().map(|notice| notice.address.as_str()).collect();
    assert!(to.contains("bea@farm.example.org"), "{to:?}");
    assert_eq!((leased.len(), to.len()), (5, 5), "four of the one farm, one of the other, one a receiver");
    Ok(())
}

#[tokio::test]
async fn who_was_not_told_of_the_beginning_is_not_told_of_the_end() -> Result<()> {
    let farm = farm_too_warm().await?;
    for (address, after) in [("first@farm.example.org", 0), ("second@farm.example.org", 90)] {
        farm.create("/api/notices", json!({"way": "email", "address": address, "after_minutes": after})).await;
    }
    play(&farm, &[(0, 60, 2.0), (60, 175, 9.0)]).await;
    let began = farm.store.lease_notices(8, farm.now()).await?;
    assert_eq!(began.len(), 1);
    farm.store.notice_tried(&began[0], Some("down"), farm.now()).await?;
    farm.pass(TimeDelta::hours(1));
    play(&farm, &[(115, 179, 2.0)]).await;
    // The first one is still told of both, one after the other, also where it had been down.
    farm.pass(TimeDelta::hours(1));
    let mut told = Vec::new();
    loop {
        let leased = farm.store.lease_notices(8, farm.now()).await?;
        if leased.is_empty() {
            break;
        }
        for notice in leased {
            farm.store.notice_tried(&notice, None, farm.now()).await?;
            told.push((notice.address, notice.about));
        }
    }
    let first = "first@farm.example.org".to_owned();
    assert_eq!(told, [(first.clone(), NoticeKind::Began), (first, NoticeKind::Ended)]);
    Ok(())
}

#[tokio::test]
async fn a_farm_tells_so_many_and_each_can_be_seen_and_removed() -> Result<()> {
    let farm = Farm::bare().await?;
    let add = async |n: i64| {
        farm.post("/api/notices", json!({"way": "email", "address": format!("p{n}@farm.example.org")})).await
    };
    for n in 0..MAX_RECEIVERS {
        add(n).await.expect(201);
    }
    add(MAX_RECEIVERS).await.ensure_problem(409, "closed", None);
    let rows = farm.get("/api/notices").await["rows"].as_array().cloned().unwrap_or_default();
    assert_eq!(i64::try_from(rows.len())?, MAX_RECEIVERS);
    let path = format!("/api/notices/{}", rows[0]["notice_recipient"].as_str().unwrap_or_default());
    farm.ask(&farm.owner, "DELETE", &path, &[], None).await.expect(204);
    add(MAX_RECEIVERS).await.expect(201);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_webhook_reaches_nothing_that_only_this_machine_can() -> Result<()> {
    let farm = farm_too_warm().await?;
    let (address, taken) = receiver().await?;
    for address in [address.clone(), address.replace("127.0.0.1", "localhost")] {
        farm.create("/api/notices", json!({"way": "webhook", "address": address})).await;
    }
    play(&farm, &[(0, 60, 2.0), (60, 179, 9.0)]).await;
    let strict = Sender::new(&Mail::default())?;
    for minutes in [0, 5, 15] {
        assert_eq!(strict.empty_outbox(&farm.store, farm.now() + TimeDelta::minutes(minutes)).await?, 0);
    }
    assert!(taken.lock().map_err(|_| anyhow::anyhow!("poisoned"))?.is_empty());
    let mut db = sqlx::PgConnection::connect_with(&farm.admin).await?;
    let trouble: Vec<String> = sqlx::query_scalar("select trouble from notice").fetch_all(&mut db).await?;
    assert_eq!(trouble.len(), 2);
    assert!(trouble.iter().all(|t| t.contains("not an address of the open network")), "{trouble:?}");
    Ok(())
}
