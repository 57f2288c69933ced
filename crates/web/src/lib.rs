//! HTTP: the JSON interface, the pages, sign-in, errors.
//!
//! A request travels one way: route → [`rules`] (who may) → extractors (parse into core's types) → one store transaction → core's
//! calculation → reply. A handler is short enough to read at a glance.
//!
//! *Invariant:* no SQL and no calculation stands here, and every route stands in the one table of [`rules`].

pub mod access;
mod api;
mod auth;
mod cookies;
mod documents;
mod extract;
mod live;
mod metrics;
mod pages;
mod plain_http;
mod problem;
mod query_names;
mod request_id;
mod respond;
mod said;
mod setup;
mod sign_in;

use std::sync::{Arc, LazyLock};

use axum::{
    Router,
    extract::{DefaultBodyLimit, State},
    http::{Extensions, HeaderMap, HeaderName, HeaderValue, StatusCode, Uri, Version, header},
    middleware,
    response::{IntoResponse, Response},
    routing::get,
};
use chrono::{DateTime, Utc};
use gillbook_core::limits::{MAX_BODY_BYTES, MAX_BODY_WAIT, MAX_REQUEST_TIME};
use gillbook_store::{Store, cold::ingest::group_commit::GroupCommit};
use tower::ServiceBuilder;
use tower_http::{
    catch_panic::CatchPanicLayer,
    compression::CompressionLayer,
    csrf::CsrfLayer,
    set_header::SetResponseHeaderLayer,
    timeout::{RequestBodyTimeoutLayer, TimeoutLayer},
    trace::TraceLayer,
};

pub use crate::{
    metrics::MetricsSecret,
    plain_http::plain_http,
    sign_in::{Peer, network_of},
};
use crate::{problem::Problem, sign_in::Tries};

/// Tells the time. The system's in service, a manual one in the demo and in tests.
pub type Clock = Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>;

/// How the service is set.
#[derive(Debug, Clone, Default)]
pub struct Settings {
    /// Whether cookies are sent over HTTPS only. True behind a proxy that ends TLS.
    pub secure_cookies: bool,
    /// Whether HTTPS is ended here with an authority of the farm's own, which each phone has to be told to trust.
    pub has_own_authority: bool,
    /// Whether a mail server is set, so that documents can be sent by e-mail.
    pub sends_email: bool,
    /// What shows the figures at `/metrics`; none where they are not shown.
    pub metrics_secret: Option<MetricsSecret>,
}

/// What handlers share. A handle: cloned for every request.
#[derive(Clone)]
pub struct App(Arc<Shared>);

/// What stands behind the handle.
pub struct Shared {
    store: Store,
    clock: Clock,
    settings: Settings,
    tries: Tries,
    setup: setup::Setup,
    streams: live::Streams,
    ingest: GroupCommit,
    metrics: Arc<metrics::Metrics>,
}

impl std::ops::Deref for App {
    type Target = Shared;

    fn deref(&self) -> &Shared {
        &self.0
    }
}

impl std::fmt::Debug for App {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("App").field("settings", &self.settings).finish_non_exhaustive()
    }
}

impl App {
    /// An app over a store.
    #[must_use]
    pub fn new(store: Store, clock: Clock, settings: Settings) -> Self {
        let metrics = Arc::new(metrics::Metrics::new());
        let observed = metrics.clone();
        let committed = move |records, took| observed.committed(records, took);
        let ingest = GroupCommit::new(store.clone(), clock.clone(), Arc::new(committed));
        let (tries, streams) = (Tries::new(), live::Streams::new());
        let setup = setup::Setup::default();
        Self(Arc::new(Shared { store, clock, settings, tries, setup, streams, ingest, metrics }))
    }

    /// Forgets who tried to sign in longer ago than the limit on tries looks back.
    pub fn forget_old_tries(&self) {
        self.tries.forget_old();
    }

    /// Ends the live streams: the service stops.
    pub fn end_streams(&self) {
        self.streams.end();
    }

    fn now(&self) -> DateTime<Utc> {
        (self.clock)()
    }

    /// Brings the farm's stores up to date before somebody looks at them.
    async fn refresh_before_read(&self, who: &auth::Authenticated) -> Result<(), Problem> {
        Ok(self.store.evaluate_farm(who.actor.farm, self.now()).await?)
    }
}

/// Runs a request that creates: once for a key, its answer kept beside the key in the same transaction.
macro_rules! create_tx {
    ($app:expr, $who:expr, $once:expr, |$tx:ident| $work:expr) => {
        crate::write_tx!($app, $who, |tx| match tx.reserve_key($once).await? {
            Some(first) => Ok(first),
            None => {
                let value = async {
                    let $tx = &mut *tx;
                    $work
                }
                .await?;
                tx.answer($once, 201, &value).await
            }
        })
    };
}

/// Runs a request that changes something that is there.
macro_rules! write_tx {
    ($app:expr, $who:expr, |$tx:ident| $work:expr) => {
        gillbook_store::transaction!(write, $app.store, &$who.actor, $app.now(), |$tx| $work)
            .map_err(crate::problem::Problem::from)
    };
}

/// Runs a request that only reads.
macro_rules! read_tx {
    ($app:expr, $who:expr, |$tx:ident| $work:expr) => {
        gillbook_store::transaction!(read, $app.store, &$who.actor, $app.now(), |$tx| $work)
            .map_err(crate::problem::Problem::from)
    };
}

pub(crate) use {create_tx, read_tx, write_tx};

/// The `OpenAPI` description, as JSON. Made once, without a database.
///
/// # Panics
/// Never: the description is made of plain data.
#[must_use]
pub fn openapi_json() -> &'static str {
    static TEXT: LazyLock<String> = LazyLock::new(|| {
        let (_, api) = api::router();
        serde_json::to_string_pretty(&api).expect("a description is plain data") + "\n"
    });
    &TEXT
}

/// The whole service.
///
/// # Panics
/// When a route has no rule, or a rule no route: a mistake of ours that every test would meet.
pub fn router(app: App) -> Router {
    let (api, description) = api::router();
    let (pages, page_routes) = pages::router();
    let routes: Vec<(String, String)> = access::routes_of(&description).into_iter().chain(page_routes).collect();
    access::ensure_complete(&routes);
    let guard = || middleware::from_fn_with_state(app.clone(), auth::guard);
    let same_site = || CsrfLayer::new().with_rejection_response(|_| Problem::other_site().into_response());
    let count = middleware::from_fn_with_state(app.clone(), metrics::count);
    let known_query = middleware::from_fn_with_state(query_names::of(&description), query_names::ensure_known);
    let api = api.route_layer(ServiceBuilder::new().layer(same_site()).layer(guard()).layer(known_query));
    // Scripts and styles alone: what has a secret in it beside what somebody sent is not compressed (RFC 7457, section 2.6).
    let is_asset = |_: StatusCode, _: Version, headers: &HeaderMap, _: &Extensions| {
        let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or_default();
        kind.starts_with("text/css") || kind.starts_with("text/javascript")
    };
    let pages = pages.route_layer(
        ServiceBuilder::new()
            .layer(CompressionLayer::new().compress_when(is_asset))
            .layer(middleware::from_fn_with_state(app.clone(), pages::finished))
            .layer(same_site())
            .layer(guard()),
    );
    api.merge(pages)
        .route("/health/live", get(|| async { StatusCode::NO_CONTENT }))
        .route("/health/ready", get(ready))
        .route("/metrics", get(metrics::show))
        .fallback(async |State(app): State<App>, uri: Uri, headers: HeaderMap| {
            fallback_problem(&app, &uri, &headers, Problem::not_found_page()).await
        })
        .method_not_allowed_fallback(async |State(app): State<App>, uri: Uri, headers: HeaderMap| {
            fallback_problem(&app, &uri, &headers, Problem::wrong_method()).await
        })
        .with_state(app)
        // One layer of all, outermost first: as many layers of a router would each copy all those below for every request.
        .layer(
            ServiceBuilder::new()
                .layer(header_layer("x-content-type-options", "nosniff"))
                // The phone is shared: nothing of the book stays in its browser but what says so itself.
                .layer(header_layer("cache-control", "no-store"))
                .layer(middleware::from_fn(request_id::answer))
                .layer(count)
                .layer(TraceLayer::new_for_http().make_span_with(|request: &axum::extract::Request| {
                    tracing::debug_span!("request", method = %request.method(), path = path_to_log(request), request_id = ?request_id::current())
                }))
                .layer(CatchPanicLayer::custom(|_: Box<dyn std::any::Any + Send>| Problem::broken().into_response()))
                .layer(TimeoutLayer::with_status_code(StatusCode::SERVICE_UNAVAILABLE, MAX_REQUEST_TIME))
                .layer(RequestBodyTimeoutLayer::new(MAX_BODY_WAIT))
                .layer(DefaultBodyLimit::max(MAX_BODY_BYTES)),
        )
}

/// The path of a request, but for a secret that stands in it.
fn path_to_log(request: &axum::extract::Request) -> &str {
    let path = request.uri().path();
    let secret = [("/calendar/", "/calendar/{secret}"), ("/shared/", "/shared/{secret}")];
    secret.into_iter().find(|(start, _)| path.starts_with(start)).map_or(path, |(_, shown)| shown)
}

fn header_layer(name: &'static str, value: &'static str) -> SetResponseHeaderLayer<HeaderValue> {
    SetResponseHeaderLayer::if_not_present(HeaderName::from_static(name), HeaderValue::from_static(value))
}

async fn ready(State(app): State<App>) -> Result<StatusCode, Problem> {
    app.store.ping().await?;
    Ok(StatusCode::NO_CONTENT)
}

/// A problem with an address that has no handler: for a machine as it is, for anybody else as a page.
async fn fallback_problem(app: &App, uri: &Uri, headers: &HeaderMap, problem: Problem) -> Response {
    let machine = ["/api", "/health", "/metrics"].iter().any(|start| uri.path().starts_with(start));
    if machine { problem.into_response() } else { pages::finish(app, headers, problem.into_response()).await }
}
