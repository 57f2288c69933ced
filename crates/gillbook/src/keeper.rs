//! What is done without being asked: stores are judged as readings arrive, silence is noticed, partitions are made ahead, and so are the orders of standing orders.

use std::time::{Duration, Instant};

use chrono::TimeDelta;
use gillbook_store::Store;
use gillbook_web::{App, Clock};
use tokio::time::{MissedTickBehavior, interval};

/// How long touches gather at least before they are judged, so that a backlog is not judged reading by reading.
const MIN_DEBOUNCE: Duration = Duration::from_millis(500);
/// How long they gather at most.
const MAX_DEBOUNCE: Duration = Duration::from_secs(2);
/// Between those, touches gather so many times as long as the last judging took: an hour that is judged once for many readings costs less
/// than one that is judged for each.
const DEBOUNCE_FACTOR: u32 = 16;
/// How often every farm is looked at: for touches by other programs on the same database, and for what was left over.
const SWEEP_INTERVAL: Duration = Duration::from_secs(5);
/// How often silence is looked for.
const NO_DATA_INTERVAL: Duration = Duration::from_secs(20);
/// How far ahead partitions are made.
const PARTITION_LEAD: TimeDelta = TimeDelta::days(40);

/// How often standing orders are looked at: their orders are made two weeks ahead.
const STANDING_ORDERS_INTERVAL: Duration = Duration::from_hours(1);
/// How often tries to sign in are forgotten.
const TIDY_TRIES: Duration = Duration::from_mins(1);
/// How often answers to old requests are forgotten.
const TIDY_ANSWERS: Duration = Duration::from_hours(1);

/// Forgets what is remembered for a while only, for good. Failures are logged and tried again.
pub async fn run_pruning(app: App, store: Store, clock: Clock) {
    let (mut tries, mut answers) = (interval(TIDY_TRIES), interval(TIDY_ANSWERS));
    tries.set_missed_tick_behavior(MissedTickBehavior::Delay);
    answers.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            _ = tries.tick() => {
                app.forget_old_tries();
                continue;
            }
            _ = answers.tick() => {}
        }
        match store.prune_idempotency(clock()).await {
            Ok(rows) => tracing::debug!(rows, "answers to old requests are forgotten"),
            Err(error) => tracing::warn!(%error, "answers to old requests could not be forgotten"),
        }
    }
}

/// Makes the orders of standing orders as their days come near, for good. Failures are logged and tried again.
pub async fn run_standing_orders(store: Store, clock: Clock) {
    let mut look = interval(STANDING_ORDERS_INTERVAL);
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        look.tick().await;
        match store.make_standing_orders(clock()).await {
            Ok(standing_orders) => tracing::debug!(standing_orders, "orders are made ahead"),
            Err(error) => tracing::warn!(%error, "orders could not be made ahead"),
        }
    }
}

/// Keeps stores judged, for good. Failures are logged and tried again.
pub async fn run_evaluator(store: Store, clock: Clock) {
    let mut gather = MIN_DEBOUNCE;
    let mut look = interval(SWEEP_INTERVAL);
    let mut silence = interval(NO_DATA_INTERVAL);
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    silence.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        let judged = tokio::select! {
            () = store.dirty_notified() => {
                tokio::time::sleep(gather).await;
                let began = Instant::now();
                let judged = store.evaluate_dirty(clock()).await;
                gather = (began.elapsed() * DEBOUNCE_FACTOR).clamp(MIN_DEBOUNCE, MAX_DEBOUNCE);
                judged
            }
            _ = look.tick() => store.evaluate_all_dirty(clock()).await,
            _ = silence.tick() => {
                let now = clock();
                if let Err(error) = store.ensure_months(now, now + PARTITION_LEAD).await {
                    tracing::warn!(%error, "partitions could not be made ahead");
                }
                store.open_no_data_excursions(now).await
            }
        };
        match judged {
            Ok(0) => {}
            Ok(places) => tracing::debug!(places, "judged"),
            Err(error) => tracing::warn!(%error, "stores could not be judged"),
        }
    }
}
