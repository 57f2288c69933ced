//! Orders follow the standing order that they were made of, until somebody makes one their own.

use anyhow::{Result, ensure};
use chrono::TimeDelta;
use futures::future::try_join_all;
use gillbook_testkit::Farm;
use serde_json::json;

use super::{body, change, confirmed, orders};

#[tokio::test]
async fn orders_are_made_two_weeks_ahead_and_each_once() -> Result<()> {
    let farm = Farm::new().await?;
    let standing = farm.create("/api/standing-orders", body(json!({"note": "Back door"}))).await;
    ensure!(standing["rule"] == "FREQ=WEEKLY;BYDAY=TU,FR" && standing["next"][0]["order"] == "O-1", "{standing}");
    let ahead = ["05", "08", "12", "15"];
    ensure!(confirmed(&farm).await == ahead, "{:?}", orders(&farm).await);
    let order = farm.get("/api/orders/O-1").await;
    ensure!(order["standing_order"] == "SO-1" && order["note"] == "Back door" && order["status"] == "confirmed");
    // Eight programs look at once: nothing is made twice.
    farm.pass(TimeDelta::days(7));
    try_join_all((0..8).map(|_| farm.store.make_standing_orders(farm.now()))).await?;
    ensure!(confirmed(&farm).await == ["05", "08", "12", "15", "19", "22"], "{:?}", orders(&farm).await);
    // Days that went by while nothing ran are not made up for.
    farm.pass(TimeDelta::days(21));
    farm.store.make_standing_orders(farm.now()).await?;
    ensure!(confirmed(&farm).await[6..] == ["02", "05", "09", "12"], "{:?}", orders(&farm).await);
    Ok(())
}

#[tokio::test]
async fn a_change_reaches_the_orders_that_nobody_touched() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/standing-orders", body(json!({}))).await;
    farm.lot_of(3000).await;
    // The first is set aside for, the second was changed.
    farm.ask(&farm.owner, "PUT", "/api/orders/O-1/set-aside", &[], Some(json!({}))).await.expect(200);
    let more = json!({"lines": [{"product": "OY", "grams_g": 5000}]});
    farm.ask(&farm.owner, "PATCH", "/api/orders/O-2", &[("if-match", "\"1\"")], Some(more)).await.expect(200);
    let changed = change(&farm, json!({"lines": [{"product": "OY", "grams_g": 4000}]})).await;
    let follows: Vec<bool> =
        changed["next"].as_array().into_iter().flatten().filter_map(|d| d["follows"].as_bool()).collect();
    ensure!(follows == [false, false, true, true], "{changed}");
    // What was set aside may be released: the order stays that person's.
    farm.ask(&farm.owner, "DELETE", "/api/orders/O-1/set-aside", &[], None).await.expect(200);
    change(&farm, json!({"note": "x"})).await;
    let grams: Vec<i64> = orders(&farm).await.into_iter().map(|(_, kg, _)| kg).collect();
    ensure!(grams == [3, 5, 4, 4], "{grams:?}");
    // Other days: what followed the Friday is called off, what was touched stays.
    change(&farm, json!({"weekdays": ["tuesday"]})).await;
    ensure!(confirmed(&farm).await == ["05", "08", "12"], "{:?}", orders(&farm).await);
    Ok(())
}

#[tokio::test]
async fn a_rest_calls_off_and_its_end_brings_back_but_not_what_a_person_called_off() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/standing-orders", body(json!({}))).await;
    let off = json!({"status": "cancelled"});
    farm.ask(&farm.owner, "PATCH", "/api/orders/O-3", &[("if-match", "\"1\"")], Some(off)).await.expect(200);
    ensure!(confirmed(&farm).await == ["05", "08", "15"]);
    let pause = json!({"from": "2026-05-08", "until": "2026-05-15", "reason": "Holiday"});
    let paused = farm.create("/api/standing-orders/SO-1/pauses", pause).await;
    ensure!(paused["pauses"][0]["reason"] == "Holiday", "{paused}");
    ensure!(confirmed(&farm).await == ["05"]);
    farm.store.make_standing_orders(farm.now()).await?;
    ensure!(orders(&farm).await.len() == 4, "{:?}", orders(&farm).await);
    farm.ask(&farm.owner, "DELETE", "/api/standing-orders/SO-1/pauses", &[], None).await.expect(200);
    ensure!(confirmed(&farm).await == ["05", "08", "15"], "{:?}", orders(&farm).await);
    // It ends: what comes after its last day is called off.
    let ended = change(&farm, json!({"until": "2026-05-08"})).await;
    ensure!(ended["until"] == "2026-05-08" && confirmed(&farm).await == ["05", "08"], "{ended}");
    ensure!(ended["version"] == 4, "a pause, its end and a last day each count: {ended}");
    let read = [("if-match", "\"4\"")];
    let past =
        farm.ask(&farm.owner, "PATCH", "/api/standing-orders/SO-1", &read, Some(json!({"until": "2026-05-02"}))).await;
    past.ensure_problem(422, "invalid", Some("/until"));
    let goes_on = change(&farm, json!({"until_further_notice": true})).await;
    ensure!(goes_on["until"].is_null() && confirmed(&farm).await == ["05", "08", "15"], "{goes_on}");
    Ok(())
}

#[tokio::test]
async fn a_pause_that_is_under_way_keeps_what_was_of_it() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/standing-orders", body(json!({}))).await;
    for reason in ["Holiday", "Long holiday"] {
        let pause = json!({"from": "2026-05-06", "until": "2026-05-20", "reason": reason});
        let paused = farm.create("/api/standing-orders/SO-1/pauses", pause).await;
        ensure!(paused["pauses"].as_array().is_some_and(|p| p.len() == 1) && paused["pauses"][0]["reason"] == reason);
    }
    farm.pass(TimeDelta::days(6));
    let resumed = farm.ask(&farm.owner, "DELETE", "/api/standing-orders/SO-1/pauses", &[], None).await.expect(200);
    ensure!(resumed["pauses"] == json!([]), "{resumed}");
    ensure!(confirmed(&farm).await == ["05", "12", "15", "19", "22"], "{:?}", orders(&farm).await);
    Ok(())
}

#[tokio::test]
async fn closing_a_day_and_placing_at_once_leave_nothing_on_the_closed_day() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/standing-orders", body(json!({}))).await;
    for day in ["2026-05-08", "2026-05-12", "2026-05-15"] {
        let placing = (0..4).map(|_| farm.post("/api/standing-orders", body(json!({}))));
        let closing = farm.post("/api/closed-days", json!({"day": day, "name": "Fair"}));
        let (closed, placed) = futures::join!(closing, futures::future::join_all(placing));
        closed.expect(201);
        for answer in placed {
            answer.expect(201);
        }
        ensure!(!confirmed(&farm).await.contains(&day[8..].to_owned()), "{day}: {:?}", orders(&farm).await);
    }
    Ok(())
}

#[tokio::test]
async fn a_closed_day_moves_or_skips_the_delivery_and_gives_it_back() -> Result<()> {
    let farm = Farm::new().await?;
    for closed_day in ["skip", "day_before", "day_after"] {
        farm.create("/api/standing-orders", body(json!({"on_closed_day": closed_day, "weekdays": ["friday"]}))).await;
    }
    ensure!(confirmed(&farm).await == ["08", "08", "08", "15", "15", "15"]);
    farm.create("/api/closed-days", json!({"day": "2026-05-08", "name": "Holiday"})).await;
    farm.create("/api/closed-days", json!({"day": "2026-05-09", "name": "Day after"})).await;
    ensure!(confirmed(&farm).await == ["07", "10", "15", "15", "15"], "{:?}", orders(&farm).await);
    farm.ask(&farm.owner, "DELETE", "/api/closed-days/2026-05-08", &[], None).await.expect(204);
    ensure!(confirmed(&farm).await == ["08", "08", "08", "15", "15", "15"], "{:?}", orders(&farm).await);
    Ok(())
}

#[tokio::test]
async fn what_can_no_longer_be_ordered_is_said_and_nothing_is_lost() -> Result<()> {
    let farm = Farm::new().await?;
    farm.create("/api/standing-orders", body(json!({}))).await;
    let least = json!({"min_order_g": 5000});
    farm.ask(&farm.owner, "PATCH", "/api/customers/PLUM", &[("if-match", "\"1\"")], Some(least)).await.expect(200);
    farm.pass(TimeDelta::days(7));
    farm.store.make_standing_orders(farm.now()).await?;
    ensure!(confirmed(&farm).await == ["05", "08", "12", "15"], "{:?}", orders(&farm).await);
    let standing = farm.get("/api/standing-orders/SO-1").await;
    ensure!(standing["blocked_by"].as_str().is_some_and(|why| why.contains("minimum order")), "{standing}");
    change(&farm, json!({"lines": [{"product": "OY", "grams_g": 5000}]})).await;
    ensure!(confirmed(&farm).await == ["05", "08", "12", "15", "19", "22"], "{:?}", orders(&farm).await);
    Ok(())
}
