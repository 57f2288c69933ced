//! An invented farm's season, lived through the public interface: real weighings, real readings, real dockets.
//!
//! Server and driver run in one process and share a clock that the driver sets; at the end it goes on by itself. The same
//! `--seed` and `--until` give the same season. Names, people, places and figures are invented.

mod client;
mod cold;
mod counting;
mod fridge;
mod plan;
mod season;
mod setting;
mod summary;

use std::{
    net::SocketAddr,
    path::PathBuf,
    sync::{
        Arc,
        atomic::{AtomicBool, AtomicI64, Ordering},
    },
    time::Instant,
};

use anyhow::{Context, Result, bail};
use chrono::{DateTime, TimeDelta, Timelike, Utc};
use gillbook_core::{kinds::Role, text::Text};
use gillbook_store::{
    Store,
    farm::{
        farms::NewFarm,
        people::{NewPerson, Passphrase},
    },
};
use gillbook_web::{App, Clock, Settings};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use crate::{
    database::{Database, Open},
    keeper::{run_evaluator, run_standing_orders},
    listen::{ListenAddr, listen},
    serve::{serve, stop_on_signal},
    service::serve_over,
};

/// The passphrase of everybody in the demo.
pub const PASSPHRASE: &str = "gills under paper";

/// How the demo runs.
#[derive(Debug, Clone, clap::Args)]
pub struct Options {
    /// What chance is drawn from.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// When the season ends: an RFC 3339 instant. This morning unless said.
    #[arg(long)]
    until: Option<DateTime<Utc>>,
    /// Weeks of the season.
    #[arg(long, default_value_t = 16, value_parser = clap::value_parser!(u32).range(1..=60))]
    weeks: u32,
    /// Stop when the season is over instead of serving it.
    #[arg(long)]
    once: bool,
    /// Where to listen.
    #[arg(long, default_value = "127.0.0.1:8080")]
    listen: SocketAddr,
}

/// A clock that stands where it is set, until it is let go.
#[derive(Debug)]
struct ManualClock {
    micros: AtomicI64,
    running: AtomicBool,
    let_go: std::sync::Mutex<Option<Instant>>,
}

impl ManualClock {
    fn new(at: DateTime<Utc>) -> Arc<Self> {
        Arc::new(Self {
            micros: AtomicI64::new(at.timestamp_micros()),
            running: AtomicBool::new(false),
            let_go: std::sync::Mutex::new(None),
        })
    }

    fn set(&self, at: DateTime<Utc>) {
        self.micros.store(at.timestamp_micros(), Ordering::SeqCst);
    }

    fn let_go(&self) {
        if let Ok(mut since) = self.let_go.lock() {
            *since = Some(Instant::now());
        }
        self.running.store(true, Ordering::SeqCst);
    }

    fn now(&self) -> DateTime<Utc> {
        let at = DateTime::from_timestamp_micros(self.micros.load(Ordering::SeqCst)).unwrap_or_default();
        if !self.running.load(Ordering::SeqCst) {
            return at;
        }
        let since = self.let_go.lock().ok().and_then(|s| *s);
        at + since.and_then(|s| TimeDelta::from_std(s.elapsed()).ok()).unwrap_or_default()
    }
}

/// Lives the season, prints what came of it and serves it.
///
/// # Errors
/// When anything on the way is refused: the demo does nothing that should be.
pub async fn run(database: &Database, options: Options) -> Result<()> {
    let until = options.until.unwrap_or_else(Utc::now).with_nanosecond(0).context("a whole second")?;
    let fresh = database.data_dir.is_none() && database.database_url.is_none();
    let home: PathBuf = std::env::temp_dir().join(format!("gillbook-demo-{}", Uuid::new_v4().simple()));
    let database = if fresh { Database { data_dir: Some(home.clone()), ..database.clone() } } else { database.clone() };
    let stop = stop_on_signal()?;
    let mut open = database.open().await?;
    let lived = live_and_serve(&mut open, &options, until, &stop).await;
    let lived = lived.and(open.close().await);
    if fresh {
        std::fs::remove_dir_all(&home).ok();
    }
    lived
}

async fn live_and_serve(
    open: &mut Open,
    options: &Options,
    until: DateTime<Utc>,
    stop: &CancellationToken,
) -> Result<()> {
    if !gillbook_store::farm::farms::farms(open.audit()).await?.is_empty() {
        bail!(
            "There is a farm in this database already. The demo wants a fresh one: leave --data-dir out, or name an empty directory."
        );
    }
    let store = open.store(16).await?.with_ids_from(options.seed);
    let clock = ManualClock::new(until);
    let told = clock.clone();
    let told: Clock = Arc::new(move || told.now());
    let app = App::new(store.clone(), told.clone(), Settings::default());
    let listener = listen(&ListenAddr::Address(options.listen)).await?;
    let ListenAddr::Address(address) = listener.place()? else { bail!("It does not listen on an address.") };

    let season = season::Season::new(options.seed, until, options.weeks, clock.clone())?;
    clock.set(season.begins());
    let farm = NewFarm {
        name: text(setting::FARM)?,
        zone: setting::ZONE,
        currency: setting::CURRENCY.into(),
        owner: NewPerson {
            name: text(setting::OWNER.0)?,
            initials: text(setting::OWNER.1)?,
            role: Role::Owner,
            sign_in_name: text(setting::OWNER.2)?,
            passphrase: Passphrase::new(PASSPHRASE),
        },
    };
    store.open_farm(&farm, season.begins()).await?;

    let began = Instant::now();
    let (end_season, season_ended) = tokio::sync::oneshot::channel::<()>();
    let server = tokio::spawn(serve(listener, gillbook_web::router(app.clone()), async move {
        season_ended.await.ok();
    }));
    let season_lived = async {
        let mut client = client::Client::new(address)?;
        client.sign_in(setting::OWNER.2, PASSPHRASE).await?;
        season.live(&mut client).await?;
        println!("The season took {:.1} s.", began.elapsed().as_secs_f64());
        summary::print(&client, until).await
    };
    let lived = stop.run_until_cancelled(season_lived).await;
    end_season.send(()).ok();
    server.await??;
    match lived {
        Some(lived) => lived?,
        None => bail!("Stopped before the season was over. What was lived of it is of no use."),
    }

    if !options.once {
        clock.let_go();
        println!("\nThe pages are at http://{address}");
        println!(
            "Sign in as {} (owner), {}; the passphrase is: {PASSPHRASE}",
            setting::OWNER.2,
            setting::PEOPLE.map(|p| format!("{} ({})", p.3, p.2)).join(", ")
        );
        println!("Stop with Ctrl-C.");
        let keepers = keep(&store, told);
        serve_over(open, listen(&ListenAddr::Address(options.listen)).await?, &app, stop).await?;
        keepers.iter().for_each(JoinHandle::abort);
    }
    store.close().await;
    Ok(())
}

/// Starts what is done without being asked.
fn keep(store: &Store, clock: Clock) -> [JoinHandle<()>; 2] {
    [tokio::spawn(run_evaluator(store.clone(), clock.clone())), tokio::spawn(run_standing_orders(store.clone(), clock))]
}

fn text<const MIN: usize, const MAX: usize>(text: &str) -> Result<Text<MIN, MAX>> {
    Text::new(text).map_err(anyhow::Error::msg)
}
