//! Readings from probes.

use axum::{
    Json,
    extract::{Request, State},
    http::header,
};
use gillbook_core::{
    refusal::Refusal,
    senml::{Record, resolve},
};
use gillbook_store::readings::{Receipt, RefusedReading, Remedy};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    body::{header_key, once_of, read_bytes},
    problem::{Problem, Problems},
    who::Who,
    write,
};

/// The most records of one pack.
const MOST_RECORDS: usize = 10_000;

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(post_readings))
}

/// Keeps the readings of a `SenML` pack (RFC 8428, JSON).
///
/// A pack that can be read is answered with 200: what was accepted, what was there before, and which records were refused. Idempotent by
/// probe and time; a pack with times that are missing or relative to now needs an `Idempotency-Key`.
#[utoipa::path(post, path = "/api/readings", tag = "places", request_body(content = Vec<serde_json::Value>, description = "A SenML pack of at most 10,000 records", content_type = "application/senml+json"), params(("Idempotency-Key" = Option<String>, Header, description = "Needed for times relative to now")), responses((status = 200, description = "What became of the pack", body = Receipt), Problems))]
async fn post_readings(State(app): State<App>, who: Who, request: Request) -> Result<Json<Receipt>, Problem> {
    let kind = request.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    if !kind.contains("json") {
        return Err(Problem::not_json());
    }
    let line = format!("POST {}", request.uri().path());
    let headers = request.headers().clone();
    let bytes = read_bytes(request, &app).await?;
    let pack = decode(&bytes)?;
    let keyed = header_key(&headers)?.is_some();
    let once = keyed.then(|| once_of(&line, &headers, &bytes)).transpose()?;
    let answer = write!(app, who, |tx| {
        if let Some(once) = &once
            && let Some(first) = tx.claim(once).await?
        {
            return Ok(first.body);
        }
        let (good, bad) = resolve(&pack, tx.now());
        let mut receipt = tx.keep_readings(who.standing, &good, once.is_some()).await?;
        receipt.refused.extend(bad.into_iter().map(|b| RefusedReading {
            index: b.index,
            remedy: Remedy::Permanent,
            reason: b.reason,
        }));
        receipt.refused.sort_by_key(|r| r.index);
        match &once {
            Some(once) => Ok(tx.answer(once, 200, &receipt).await?.body),
            None => serde_json::to_string(&receipt).map_err(|e| gillbook_store::Error::Stored(e.to_string())),
        }
    })?;
    serde_json::from_str(&answer).map(Json).map_err(|e| gillbook_store::Error::Stored(e.to_string()).into())
}

fn decode(bytes: &[u8]) -> Result<Vec<Record>, Problem> {
    let pack: Vec<Record> = match crate::body::parse(bytes) {
        Ok(pack) => pack,
        // Boards print NaN where a probe is unplugged, which JSON has no word for. JSON5 has; such a record is kept as a fault.
        Err(problem) => std::str::from_utf8(bytes)
            .ok()
            .filter(|text| text.contains("NaN"))
            .and_then(|text| json5::from_str(text).ok())
            .ok_or(problem)?,
    };
    if pack.len() > MOST_RECORDS {
        return Err(Refusal::field(
            "",
            format!("The pack has {} records, {MOST_RECORDS} is the most. Send it in parts.", pack.len()),
        )
        .into());
    }
    Ok(pack)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nan_as_boards_print_it_is_read() {
        let pack = decode(br#"[{"n":"a","u":"Cel","v":NaN}]"#).unwrap();
        assert!(pack[0].v.unwrap().is_nan());
        assert!(decode(br#"[{"n":"a","u":"Cel","v":}]"#).is_err());
    }
}
