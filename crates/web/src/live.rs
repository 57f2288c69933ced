//! Live streams: so many at once, each for as long as whoever follows it is signed in and the service runs.

use std::{convert::Infallible, sync::Arc};

use axum::response::sse::Event;
use futures::{Stream, stream};
use gillbook_core::{
    limits::{MAX_STREAMS, STREAM_SESSION_CHECK},
    text::PlaceCode,
};
use gillbook_store::FarmId;
use tokio::{
    sync::{
        OwnedSemaphorePermit, Semaphore,
        broadcast::{Receiver, error::RecvError},
    },
    time::{Instant, Interval, interval_at},
};
use tokio_util::sync::CancellationToken;

use crate::{App, problem::Problem};

/// Places for streams, and the word that ends them.
#[derive(Debug)]
pub(crate) struct Streams {
    places: Arc<Semaphore>,
    stopping: CancellationToken,
}

impl Streams {
    pub(crate) fn new() -> Self {
        Self { places: Arc::new(Semaphore::new(MAX_STREAMS)), stopping: CancellationToken::new() }
    }

    pub(crate) fn end(&self) {
        self.stopping.cancel();
    }
}

/// Somebody who follows what is judged on a farm.
struct Follower {
    app: App,
    farm: FarmId,
    secret: String,
    judged: Receiver<(FarmId, PlaceCode)>,
    check: Interval,
    /// Held as long as the stream lasts.
    _place: OwnedSemaphorePermit,
}

/// Events of a farm: `judged` with a place's code, `missed` when some could not be told. It ends when the service stops, and when the cookie or
/// token is not good any more: before the next event, or within a minute.
///
/// # Errors
/// Busy when there are too many streams.
pub(crate) fn events(
    app: App,
    farm: FarmId,
    secret: String,
) -> Result<impl Stream<Item = Result<Event, Infallible>>, Problem> {
    let place = app.streams.places.clone().try_acquire_owned().map_err(|_| Problem::busy())?;
    let judged = app.store.subscribe_evaluated();
    let check = interval_at(Instant::now() + STREAM_SESSION_CHECK, STREAM_SESSION_CHECK);
    let follower = Follower { app, farm, secret, judged, check, _place: place };
    Ok(stream::unfold(follower, |mut follower| async move {
        let event = follower.next().await?;
        Some((Ok(event), follower))
    }))
}

impl Follower {
    async fn next(&mut self) -> Option<Event> {
        loop {
            let event = tokio::select! {
                () = self.app.streams.stopping.cancelled() => return None,
                _ = self.check.tick() => None,
                judged = self.judged.recv() => match judged {
                    Ok((of, place)) if of == self.farm => Some(Event::default().event("judged").data(place.as_str())),
                    Ok(_) => continue,
                    Err(RecvError::Lagged(_)) => Some(Event::default().event("missed").data("some")),
                    Err(RecvError::Closed) => return None,
                },
            };
            if !self.is_signed_in().await {
                return None;
            }
            if event.is_some() {
                return event;
            }
        }
    }

    async fn is_signed_in(&self) -> bool {
        matches!(self.app.store.session(&self.secret, self.app.now()).await, Ok(Some(_)))
    }
}
