//! A probe to try it with: plays a fridge against a running service, at the pace of life or faster.

use std::time::Duration;

use anyhow::{Context, Result, ensure};
use chrono::{DateTime, TimeDelta, Utc};
use clap::Args;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};

/// The most records of one post.
const PACK: usize = 500;
/// The most records that the board keeps while it has no network: about a week of minutes.
const BACKLOG: usize = 10_000;

/// What is played.
#[derive(Debug, Clone, Args)]
pub struct Options {
    /// The service.
    #[arg(long, default_value = "http://127.0.0.1:8080")]
    url: String,
    /// The probe's token.
    #[arg(long, env = "GILLBOOK_TOKEN", hide_env_values = true)]
    token: String,
    /// The probe's name.
    #[arg(long)]
    probe: String,
    /// Minutes to play.
    #[arg(long, default_value_t = 60)]
    minutes: u32,
    /// How many times faster than life. Faster than 1 it plays the minutes that have just passed.
    #[arg(long, default_value_t = 1.0)]
    speed: f64,
    /// Seconds between readings.
    #[arg(long, default_value_t = 60)]
    every: u32,
    /// °C that the thermostat is set to.
    #[arg(long, default_value_t = 2.0)]
    set_point: f64,
    /// Minutes of a compressor's cycle.
    #[arg(long, default_value_t = 24.0)]
    cycle: f64,
    /// The door stands open for ten minutes from this minute on. May be given several times.
    #[arg(long)]
    door: Vec<f64>,
    /// Minutes between defrosts.
    #[arg(long, default_value_t = 480.0)]
    defrost: f64,
    /// The compressor stands still from this minute on …
    #[arg(long)]
    fails: Option<f64>,
    /// … for so many minutes.
    #[arg(long, default_value_t = 180.0)]
    fails_for: f64,
    /// The network is away from this minute on …
    #[arg(long)]
    offline: Option<f64>,
    /// … for so many minutes; then the backlog is sent.
    #[arg(long, default_value_t = 30.0)]
    offline_for: f64,
    /// The board's clock jumps at this minute …
    #[arg(long)]
    clock_jumps: Option<f64>,
    /// … by so many seconds, and is set right ten minutes later.
    #[arg(long, default_value_t = 3600, allow_negative_numbers = true)]
    clock_by: i64,
    /// For the noise.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

fn within(minute: f64, from: Option<f64>, length: f64) -> bool {
    from.is_some_and(|from| minute >= from && minute < from + length)
}

/// Rises while something lasts and decays after it, °C.
fn hump(minute: f64, from: f64, length: f64, height: f64, fades: f64) -> f64 {
    let t = minute - from;
    if t < 0.0 {
        0.0
    } else if t < length {
        height * t / length
    } else {
        height * (-(t - length) / fades).exp()
    }
}

impl Options {
    /// The air at a minute, °C.
    fn air(&self, minute: f64, chance: &mut ChaCha8Rng) -> f64 {
        let phase = (minute % self.cycle) / self.cycle;
        let swing = if phase < 0.5 { 0.6 - 2.4 * phase } else { -0.6 + 2.4 * (phase - 0.5) };
        let defrost = hump(minute % self.defrost, 0.0, 15.0, 3.2, 9.0);
        let doors: f64 = self.door.iter().map(|from| hump(minute, *from, 10.0, 5.0, 8.0)).sum();
        // A room at 18 °C warms the fridge with a time constant of two hours; mended, it is cold again in one.
        let failure = self.fails.map_or(0.0, |from| {
            let still = (minute - from).clamp(0.0, self.fails_for);
            let reached = 16.0 * (1.0 - (-still / 120.0).exp());
            if minute > from + self.fails_for {
                reached * (-(minute - from - self.fails_for) / 40.0).exp()
            } else {
                reached
            }
        });
        let air = self.set_point + swing + defrost + doors + failure + chance.random_range(-0.1..0.1);
        (air * 16.0).round() / 16.0
    }
}

/// Plays it.
///
/// # Errors
/// When the service refuses what is sent, or is not there at the end.
pub async fn play(options: Options) -> Result<()> {
    ensure!(options.speed > 0.0 && options.every > 0, "The speed and the seconds between readings are above zero.");
    let http = reqwest::Client::builder().timeout(Duration::from_secs(20)).build()?;
    let length = TimeDelta::minutes(i64::from(options.minutes));
    let start: DateTime<Utc> = if options.speed > 1.0 { Utc::now() - length } else { Utc::now() };
    let mut chance = ChaCha8Rng::seed_from_u64(options.seed);
    let mut backlog: Vec<Value> = Vec::new();
    let pause = Duration::from_secs_f64(f64::from(options.every) / options.speed);
    let mut pace = tokio::time::interval(pause);
    for n in 0..options.minutes * 60 / options.every {
        pace.tick().await;
        let second = i64::from(n) * i64::from(options.every);
        let minute = f64::from(n) * f64::from(options.every) / 60.0;
        let c = options.air(minute, &mut chance);
        let wrong = if within(minute, options.clock_jumps, 10.0) { options.clock_by } else { 0 };
        let at = start + TimeDelta::seconds(second + wrong);
        backlog.push(json!({"n": options.probe, "u": "Cel", "v": c, "t": at.timestamp()}));
        if backlog.len() > BACKLOG {
            backlog.remove(0);
        }
        if within(minute, options.offline, options.offline_for) {
            continue;
        }
        send(&http, &options, &mut backlog, minute).await?;
    }
    send(&http, &options, &mut backlog, f64::from(options.minutes)).await?;
    ensure!(backlog.is_empty(), "{} readings were not taken; the service is not there", backlog.len());
    Ok(())
}

/// Sends the backlog; what the service does not answer stays in it.
async fn send(http: &reqwest::Client, options: &Options, backlog: &mut Vec<Value>, minute: f64) -> Result<()> {
    while !backlog.is_empty() {
        let pack: Vec<Value> = backlog.iter().take(PACK).cloned().collect();
        let last = pack.last().map(|r| r["v"].clone()).unwrap_or_default();
        let posted = http
            .post(format!("{}/api/readings", options.url))
            .bearer_auth(&options.token)
            .header("content-type", "application/senml+json")
            .body(serde_json::to_vec(&pack)?)
            .send()
            .await;
        let answer = match posted {
            Ok(answer) if answer.status().is_server_error() => return Ok(()),
            Ok(answer) => answer,
            Err(error) => {
                println!("minute {minute:.0}: {error}; {} wait", backlog.len());
                return Ok(());
            }
        };
        let status = answer.status();
        let text = answer.text().await?;
        ensure!(status.is_success(), "The service answered {status}: {text}");
        let receipt: Value = serde_json::from_str(&text).context("a receipt")?;
        println!(
            "minute {minute:.0}: {last} °C, {} kept, {} refused",
            receipt["accepted"],
            receipt["refused"].as_array().map_or(0, Vec::len)
        );
        for refused in receipt["refused"].as_array().into_iter().flatten() {
            println!("    {}", refused["reason"].as_str().unwrap_or_default());
        }
        backlog.drain(..pack.len());
    }
    Ok(())
}
