//! Figures for the operator of the service, in the `OpenMetrics` text format (version 1.0.0), at `/metrics`.
//!
//! They belong to no farm and name none, nor a person, a lot or an address of one: routes are told by their pattern. They are shown to whoever
//! has the operator's secret, which is no farm's; without one set there is no such page.

use std::{
    fmt,
    str::FromStr,
    sync::atomic::AtomicU64,
    time::{Duration, Instant},
};

use axum::{
    extract::{MatchedPath, Request, State},
    http::{HeaderMap, Method, header},
    middleware::Next,
    response::{IntoResponse, Response},
};
use gillbook_core::refusal::{Refusal, RefusalKind};
use prometheus_client::{
    encoding::{EncodeLabelSet, text::encode},
    metrics::{
        counter::Counter,
        family::Family,
        gauge::Gauge,
        histogram::{Histogram, exponential_buckets},
    },
    registry::{Registry, Unit},
};
use sha2::{Digest, Sha256};

use crate::{App, problem::Problem};

/// The media type of `OpenMetrics` 1.0.0.
const OPENMETRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";
/// The fewest characters of the operator's secret.
const MIN_SECRET: usize = 32;

/// What shows the figures. Only its hash is kept.
#[derive(Clone)]
pub struct MetricsSecret([u8; 32]);

impl MetricsSecret {
    fn hash(secret: &str) -> [u8; 32] {
        Sha256::digest(secret).into()
    }

    /// Whether a request bears it. Hashes are compared, so that the time it takes tells nothing of the secret.
    fn is_borne(&self, headers: &HeaderMap) -> bool {
        let given = headers.get(header::AUTHORIZATION).and_then(|h| h.to_str().ok()?.split_once(' '));
        given.is_some_and(|(scheme, given)| scheme.eq_ignore_ascii_case("bearer") && Self::hash(given) == self.0)
    }
}

impl FromStr for MetricsSecret {
    type Err = String;

    fn from_str(secret: &str) -> Result<Self, String> {
        if secret.len() < MIN_SECRET || !secret.bytes().all(|b| b.is_ascii_graphic()) {
            return Err(format!("use at least {MIN_SECRET} letters and digits, drawn by chance, without spaces"));
        }
        Ok(Self(Self::hash(secret)))
    }
}

impl fmt::Debug for MetricsSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("MetricsSecret(…)")
    }
}

/// A request, without anything that is its own.
#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Created {
    method: String,
    route: String,
    status: u16,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Route {
    method: String,
    route: String,
}

/// Work that waits.
#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Queue {
    queue: &'static str,
}

/// What is counted while the service runs.
#[derive(Debug)]
pub(crate) struct Metrics {
    requests: Family<Created, Counter>,
    request_seconds: Family<Route, Histogram>,
    commit_records: Histogram,
    commit_seconds: Histogram,
}

impl Metrics {
    pub(crate) fn new() -> Self {
        // From 1 ms to 33 s.
        let seconds = || Histogram::new(exponential_buckets(0.001, 2.0, 16));
        Self {
            requests: Family::default(),
            request_seconds: Family::new_with_constructor(seconds),
            // From one reading to 16,384.
            commit_records: Histogram::new(exponential_buckets(1.0, 4.0, 8)),
            commit_seconds: seconds(),
        }
    }

    /// A commit of readings ended.
    pub(crate) fn committed(&self, records: usize, took: Duration) {
        #[expect(clippy::cast_precision_loss, reason = "some thousands")]
        self.commit_records.observe(records as f64);
        self.commit_seconds.observe(took.as_secs_f64());
    }
}

/// Counts a request under the pattern of its route, and how long its answer took to begin.
pub(crate) async fn count(State(app): State<App>, request: Request, next: Next) -> Response {
    let began = Instant::now();
    let method = known_method(request.method()).to_owned();
    let route = request.extensions().get::<MatchedPath>().map_or("none", |path| path.as_str()).to_owned();
    let response = next.run(request).await;
    let answered = Created { method: method.clone(), route: route.clone(), status: response.status().as_u16() };
    app.metrics.requests.get_or_create(&answered).inc();
    app.metrics.request_seconds.get_or_create(&Route { method, route }).observe(began.elapsed().as_secs_f64());
    response
}

/// The method, or "other": whoever asks may make up as many as they like, and each would be a counter for good.
fn known_method(method: &Method) -> &str {
    let known = [Method::GET, Method::HEAD, Method::POST, Method::PUT, Method::PATCH, Method::DELETE, Method::OPTIONS];
    if known.contains(method) { method.as_str() } else { "other" }
}

/// `GET /metrics`.
pub(crate) async fn show(State(app): State<App>, headers: HeaderMap) -> Result<Response, Problem> {
    let Some(secret) = &app.settings.metrics_secret else { return Err(Problem::not_found_page()) };
    if !secret.is_borne(&headers) {
        let detail = "These figures take the operator's secret: Authorization: Bearer and the secret.";
        return Err(Refusal::new(RefusalKind::NotSignedIn, detail).into());
    }
    let mut text = String::new();
    encode(&mut text, &registry(&app).await?).map_err(|_| Problem::broken())?;
    Ok(([(header::CONTENT_TYPE, OPENMETRICS)], text).into_response())
}

/// The counters as they stand, and what is looked up now.
async fn registry(app: &App) -> Result<Registry, Problem> {
    let mut registry = Registry::with_prefix("gillbook");
    let m = &app.metrics;
    registry.register("http_requests", "Requests by route and status", m.requests.clone());
    let help = "Time until the answer began";
    registry.register_with_unit("http_request_duration", help, Unit::Seconds, m.request_seconds.clone());
    registry.register("commit_records", "Records of readings that shared a commit", m.commit_records.clone());
    let help = "Time that a commit of readings took";
    registry.register_with_unit("commit_duration", help, Unit::Seconds, m.commit_seconds.clone());

    let backlog = app.store.backlog(app.now()).await?;
    let (posts, large) = app.ingest.queued();
    let queues = Family::<Queue, Gauge>::default();
    for (queue, waiting) in
        [("posts", posts), ("large_posts", large), ("dirty_places", backlog.dirty_places), ("notices", backlog.notices)]
    {
        queues.get_or_create(&Queue { queue }).set(waiting);
    }
    registry.register("queue_length", "Work that waits: posts of readings, places to be evaluated, notices", queues);
    let ages = [
        (
            "evaluation_lag",
            "For how long the first reading has waited that this process took in and has not evaluated",
            backlog.evaluation_lag,
        ),
        ("outbox_age", "Age of the oldest notice that is neither sent nor given up", backlog.outbox_age),
    ];
    for (name, help, age) in ages {
        let gauge = Gauge::<f64, AtomicU64>::default();
        gauge.set(age.as_secs_f64());
        registry.register_with_unit(name, help, Unit::Seconds, gauge);
    }
    let pool = app.store.connections();
    let connections = Family::<Connection, Gauge>::default();
    for (state, number) in [("idle", pool.idle), ("in_use", pool.in_use), ("max", pool.max)] {
        connections.get_or_create(&Connection { state }).set(number);
    }
    registry.register("database_connections", "Connections of the pool", connections);
    Ok(registry)
}

/// A state of connections.
#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Connection {
    state: &'static str,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_that_cannot_be_borne_is_refused_and_none_is_shown() {
        for wrong in
            ["too short", "long enough it is, but with spaces in it", "ä-letter-that-no-header-carries-as-it-is"]
        {
            assert!(wrong.parse::<MetricsSecret>().is_err(), "{wrong}");
        }
        let secret: MetricsSecret = "m7QxT2v9-made-up-for-this-test-alone".parse().unwrap();
        assert_eq!(format!("{secret:?}"), "MetricsSecret(…)");
    }
}
