//! The service: the book opened, the keepers started, and HTTP served until it is told to stop.

use std::{io::Write, sync::Arc};

use anyhow::Result;
use chrono::Utc;
use gillbook_web::{App, Clock, Settings};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::{
    database::{Database, Open},
    keeper::{run_evaluator, run_pruning, run_standing_orders},
    listen::{ListenAddr, Listener, listen},
    notices::{Mail, Sender, run_outbox},
    serve::{allow_open_files, serve, stop_on_signal},
    tls::{Tls, TlsOptions},
};

/// Serves the book until the program is told to stop.
pub(crate) async fn run_serve(
    database: &Database,
    place: &ListenAddr,
    settings: Settings,
    tls: &TlsOptions,
    mail: &Mail,
) -> Result<()> {
    allow_open_files();
    let stop = stop_on_signal()?;
    let sender = Sender::new(mail)?;
    let mut open = database.open().await?;
    // The database makes the data directory, which an authority of the farm's own is kept in.
    let served = match tls.tls(&database.home()) {
        Ok(tls) => serve_with(&mut open, sender, place, settings, tls, &stop).await,
        Err(error) => Err(error),
    };
    // Also where it could not begin: what this program started it stops.
    served.and(open.close().await)
}

async fn serve_with(
    open: &mut Open,
    sender: Sender,
    place: &ListenAddr,
    mut settings: Settings,
    tls: Option<Tls>,
    stop: &CancellationToken,
) -> Result<()> {
    settings.secure_cookies |= tls.is_some();
    settings.has_own_authority = tls.as_ref().is_some_and(Tls::has_own_authority);
    let store = open.store(16).await?;
    let listener = listen(place).await?;
    let scheme = if tls.is_some() { "https" } else { "http" };
    let clock: Clock = Arc::new(Utc::now);
    let app = App::new(store.clone(), clock.clone(), settings);
    let mut keepers = JoinSet::new();
    keepers.spawn(run_evaluator(store.clone(), clock.clone()));
    keepers.spawn(run_pruning(app.clone(), store.clone(), clock.clone()));
    keepers.spawn(run_standing_orders(store.clone(), clock.clone()));
    keepers.spawn(run_outbox(sender, store.clone(), clock));
    println!("Gillbook is at {}", listener.place()?.over(scheme));
    let listener = match tls {
        Some(tls) => {
            keepers.spawn(tls.clone().renew(stop.clone()));
            listener.ending(tls)
        }
        None => listener,
    };
    if !store.has_farm().await? {
        let code = app.offer_setup();
        // Its output may be closed once the address was read: that is no reason not to serve.
        let told = writeln!(std::io::stdout(), "It keeps no farm yet. Open one at /setup there, with the code {code}.");
        if let Err(error) = told {
            tracing::warn!(%error, "the code that opens a farm could not be printed; start again to see one");
        }
    }
    let served = serve_over(open, listener, &app, stop).await;
    keepers.shutdown().await;
    store.close().await;
    served
}

/// Serves until it is to stop, and keeps a cluster of ours alive meanwhile.
pub(crate) async fn serve_over(open: &mut Open, listener: Listener, app: &App, stop: &CancellationToken) -> Result<()> {
    let watch = async {
        let Some(cluster) = &mut open.cluster else { return std::future::pending().await };
        loop {
            tokio::time::sleep(std::time::Duration::from_millis(500)).await;
            if let Err(error) = cluster.keep_alive().await {
                tracing::error!(%error, "the database is not there");
            }
        }
    };
    let stop = async {
        stop.cancelled().await;
        // They have no end of their own, and would be waited for.
        app.end_streams();
    };
    tokio::select! {
        served = serve(listener, gillbook_web::router(app.clone()), stop) => served,
        () = watch => Ok(()),
    }
}
