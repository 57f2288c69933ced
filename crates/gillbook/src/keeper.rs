//! What is done without being asked: stores are judged as readings arrive, silence is noticed, partitions are made ahead.

use std::time::Duration;

use chrono::TimeDelta;
use gillbook_store::Store;
use gillbook_web::Clock;
use tokio::time::{MissedTickBehavior, interval};

/// How long touches gather before they are judged, so that a backlog is not judged reading by reading.
const GATHER: Duration = Duration::from_millis(250);
/// How often touches by other programs on the same database are looked for.
const LOOK: Duration = Duration::from_secs(1);
/// How often silence is looked for.
const SILENCE: Duration = Duration::from_secs(20);
/// How far ahead partitions are made.
const AHEAD: TimeDelta = TimeDelta::days(40);

/// Keeps stores judged, for good. Failures are logged and tried again.
pub async fn keep_judged(store: Store, clock: Clock) {
    let mut look = interval(LOOK);
    let mut silence = interval(SILENCE);
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    silence.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = store.wait_for_touch() => tokio::time::sleep(GATHER).await,
            _ = look.tick() => {}
            _ = silence.tick() => {
                let now = clock();
                if let Err(error) = store.judge_silence(now).await {
                    tracing::warn!(%error, "silence could not be judged");
                }
                if let Err(error) = store.ensure_months(now, now + AHEAD).await {
                    tracing::warn!(%error, "partitions could not be made ahead");
                }
            }
        }
        loop {
            match store.judge_touched(clock()).await {
                Ok(0) => break,
                Ok(places) => tracing::debug!(places, "judged"),
                Err(error) => {
                    tracing::warn!(%error, "touched stores could not be judged");
                    break;
                }
            }
        }
    }
}
