//! Readings from probes.

use axum::{
    Json,
    extract::{Request, State},
    http::header,
};
use chrono::{DateTime, Utc};
use gillbook_core::{
    refusal::Refusal,
    senml::{
        Refused, Resolved, Sent,
        decode::{from_cbor, from_json},
        resolve,
    },
};
use gillbook_store::{
    cold::readings::{IngestReceipt, ReadingPack, RefusedReading, Retryability},
    idempotency::IdempotencyKey,
};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    auth::Authenticated,
    extract::{header_key, once_of, read_bytes},
    problem::{Problem, Problems},
    write_tx,
};

type Decode = fn(&[u8]) -> Result<Vec<Sent>, String>;

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(post_readings))
}

/// A pack of so many bytes is parsed away from the threads that answer everybody else.
const LARGE_PACK_BYTES: usize = 64 * 1024;

/// Keeps the readings of a `SenML` pack (RFC 8428, JSON or CBOR).
///
/// A pack that can be read is answered with 200: what was accepted, what was there before, and which records were refused. Every record is
/// in one of these counts; only one that gives nothing but base fields is in none, because it is no reading. What is refused with the
/// remedy `retry` can be sent again as it is once the reason is mended; what is `permanent` is better dropped. Idempotent by probe and
/// time; a pack with times that are missing or relative to now needs an `Idempotency-Key`.
///
/// Bounds: 10,000 records, 8 levels of nesting, names (base name and name joined) of 100 characters, units of 20.
#[utoipa::path(
    post, path = "/api/readings", tag = "places",
    request_body(
        content(         (Vec<serde_json::Value> = "application/senml+json"),         (Vec<u8> = "application/senml+cbor"),     ),
        description = "A SenML pack of at most 10,000 records",
    ),
    params(
        ("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new pack, the same again when it is sent again. Needed for times that are missing or relative to now."),
    ),
    responses((status = 200, description = "What became of the pack", body = IngestReceipt), Problems),
)]
async fn post_readings(
    State(app): State<App>,
    who: Authenticated,
    request: Request,
) -> Result<Json<IngestReceipt>, Problem> {
    let kind = request.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let decode: Decode = match kind {
        k if k.contains("json") => from_json,
        k if k.contains("cbor") => from_cbor,
        _ => return Err(Problem::not_senml()),
    };
    let key = header_key(request.headers())?;
    let bytes = read_bytes(request, &app).await?;
    let now = app.now();
    let (records, bad) = if bytes.len() < LARGE_PACK_BYTES {
        parse(decode, &bytes, now)?
    } else {
        let pack = bytes.clone();
        app.ingest.parse_large(move || parse(decode, &pack, now)).await??
    };
    let post = ReadingPack { farm: who.actor.farm, standing: who.standing, records, relative_allowed: key.is_some() };
    let refused =
        bad.into_iter().map(|b| RefusedReading { index: b.index, remedy: Retryability::Permanent, reason: b.reason });
    if key.is_none() {
        drop(bytes);
        let mut receipt = app.ingest.keep(post).await?;
        receipt.refused.extend(refused);
        receipt.refused.sort_by_key(|r| r.index);
        return Ok(Json(receipt));
    }
    let once = once_of("POST /api/readings", key, &bytes)?;
    // Boxed, so that the many packs without a key do not carry the room for it.
    Box::pin(insert_once(&app, &who, &once, &post, refused.collect())).await
}

fn parse(decode: Decode, bytes: &[u8], now: DateTime<Utc>) -> Result<(Vec<Resolved>, Vec<Refused>), Refusal> {
    let pack = decode(bytes).map_err(|reason| Refusal::field("", reason))?;
    Ok(resolve(&pack, now))
}

async fn insert_once(
    app: &App,
    who: &Authenticated,
    once: &IdempotencyKey,
    post: &ReadingPack,
    refused: Vec<RefusedReading>,
) -> Result<Json<IngestReceipt>, Problem> {
    app.store.ensure_months_of(post, app.now()).await?;
    let answer = write_tx!(app, who, |tx| {
        if let Some(first) = tx.reserve_key(once).await? {
            return Ok(first.body);
        }
        let mut receipt = tx.insert_readings(post).await?;
        receipt.refused.extend(refused.iter().cloned());
        receipt.refused.sort_by_key(|r| r.index);
        Ok(tx.answer(once, 200, &receipt).await?.body)
    })?;
    app.store.mark_dirty(who.actor.farm);
    serde_json::from_str(&answer).map(Json).map_err(|e| gillbook_store::Error::Stored(e.to_string()).into())
}
