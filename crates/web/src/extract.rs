//! What comes in: bodies, codes in paths, query parameters, keys and versions. Each parses into core's types or answers with a problem.

use std::str::FromStr;

use axum::{
    extract::{FromRequest, FromRequestParts, Request},
    http::{HeaderMap, StatusCode, header, request::Parts},
};
use bytes::Bytes;
use gillbook_core::{
    refusal::{FieldError, Refusal, RefusalKind},
    units::calendar::IsoWeek,
};
use gillbook_store::{
    Pagination,
    idempotency::{IdempotencyKey, StoredResponse},
};
use serde::{Deserialize, de::DeserializeOwned};
use serde_json::Value;
use sha2::{Digest, Sha256};
use utoipa::IntoParams;
use uuid::Uuid;

use crate::{App, auth::Authenticated, problem::Problem, read_tx};

/// A JSON body.
#[derive(Debug)]
pub(crate) struct JsonBody<T>(pub T);

/// A JSON body of a request that creates, with its key.
#[derive(Debug)]
pub(crate) struct IdempotentJson<T> {
    pub value: T,
    pub once: IdempotencyKey,
}

/// The code in a path. What is no code is not found.
#[derive(Debug)]
pub(crate) struct PathParam<T>(pub T);

/// The ISO week in a path. What is not a week says how one is written.
#[derive(Debug)]
pub(crate) struct PathWeek(pub IsoWeek);

/// Query parameters.
#[derive(Debug)]
pub(crate) struct Query<T>(pub T);

/// The most fields of a form. A count of 500 lots has three of each.
const MAX_FORM_FIELDS: usize = 2000;

/// A filled-in form of a page that creates, with the key that it carries: sent twice, it counts once, whoever sends it the second time.
#[derive(Debug)]
pub(crate) struct KeyedForm<T> {
    pub form: T,
    pub key: Uuid,
    pub once: IdempotencyKey,
    /// What it was answered when it was sent before: looked up first, because what it did may have changed the page that it stood on.
    pub answered: Option<StoredResponse>,
}

/// A filled-in form of a page.
#[derive(Debug)]
pub(crate) struct Form<T>(pub T);

/// The version that a change was made from, out of `If-Match`.
#[derive(Debug)]
pub(crate) struct IfMatch(pub i32);

/// Where a list goes on, and how long it is. Beside an address's own names: those that neither knows are refused before ([`crate::query_names`]).
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub(crate) struct PaginationQuery {
    /// The most rows, 100 unless said.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<i64>,
    /// The last key of the page before.
    #[param(max_length = 100)]
    pub after: Option<String>,
}

impl PaginationQuery {
    /// # Errors
    /// Refuses a limit or key that cannot be.
    pub(crate) fn page(&self) -> Result<Pagination, Problem> {
        let limit = self.limit.unwrap_or(100);
        if !(1..=500).contains(&limit) {
            return Err(Refusal::field("limit", "A page has 1 to 500 rows.").into());
        }
        if self.after.as_ref().is_some_and(|a| a.len() > 100 || a.chars().any(char::is_control)) {
            return Err(Refusal::field("after", "Give the last key of the page before.").into());
        }
        Ok(Pagination { after: self.after.clone(), limit })
    }
}

fn ensure_json(headers: &HeaderMap) -> Result<(), Problem> {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let essence = kind.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
    if essence == "application/json" || essence.ends_with("+json") { Ok(()) } else { Err(Problem::not_json()) }
}

pub(crate) async fn read_bytes(request: Request, app: &App) -> Result<Bytes, Problem> {
    Bytes::from_request(request, app)
        .await
        .map_err(|rejection| unread(rejection.status(), "The body did not arrive whole. Send it again."))
}

/// Why a body was not read.
fn unread(status: StatusCode, otherwise: &'static str) -> Problem {
    if status == StatusCode::PAYLOAD_TOO_LARGE { Problem::too_large() } else { Problem::bad_syntax(otherwise) }
}

/// Parses JSON; what is wrong with a field is told with its pointer.
pub(crate) fn parse<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, Problem> {
    let mut json = serde_json::Deserializer::from_slice(bytes);
    let value = serde_path_to_error::deserialize(&mut json).map_err(|error| {
        let inner = error.inner();
        if inner.is_data() {
            let text = inner.to_string();
            let detail = text.rsplit_once(" at line ").map_or(text.as_str(), |(head, _)| head);
            let fault = FieldError {
                pointer: pointer(error.path()),
                detail: format!("{}{}", capital(detail), if detail.ends_with('.') { "" } else { "." }),
            };
            Problem::from(Refusal { kind: RefusalKind::Invalid, detail: fault.detail.clone(), faults: vec![fault] })
        } else {
            Problem::bad_syntax(format!("The body is not well-formed JSON: {inner}. Correct it and send it again."))
        }
    })?;
    json.end().map_err(|e| {
        Problem::bad_syntax(format!("The body is not well-formed JSON: {e}. Correct it and send it again."))
    })?;
    Ok(value)
}

pub(crate) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|c| c.to_uppercase().chain(chars).collect()).unwrap_or_default()
}

/// A path of serde as a JSON pointer (RFC 6901).
fn pointer(path: &serde_path_to_error::Path) -> String {
    use serde_path_to_error::Segment;
    path.iter()
        .map(|segment| match segment {
            Segment::Seq { index } => format!("/{index}"),
            Segment::Map { key } => format!("/{}", key.replace('~', "~0").replace('/', "~1")),
            Segment::Enum { variant } => format!("/{variant}"),
            Segment::Unknown => String::new(),
        })
        .collect()
}

/// The `Idempotency-Key` header: a string of structured fields, quoted or not.
pub(crate) fn header_key(headers: &HeaderMap) -> Result<Option<String>, Problem> {
    let Some(value) = headers.get("idempotency-key") else { return Ok(None) };
    let key = value.to_str().unwrap_or_default().trim().trim_matches('"');
    if key.is_empty() || key.len() > 150 || !key.bytes().all(|b| b.is_ascii_graphic()) {
        return Err(Problem::bad_syntax("The Idempotency-Key has 1 to 150 printable characters. A UUID does well."));
    }
    Ok(Some(format!("key {key}")))
}

/// Members of bodies that are secrets of a person's own. They are left out of what is kept of a body: its hash is quick to make, and
/// whoever read it could try a million passphrases a second.
pub(crate) const SECRET_MEMBERS: [&str; 1] = ["passphrase"];

/// Fields of forms that a phone fills in with the time at which they were sent: the same form has another, or none, when it is sent again.
const TIMES_OF_FORMS: [&str; 2] = ["delivered_at", "packed_at"];

/// The key, method and path of a request that creates, and what is kept of its body: the header's key, or else the body's id.
///
/// Two bodies are the same if they are but for white space, the order of members, and secrets.
fn once_of_json(request_line: &str, header_key: Option<String>, bytes: &[u8]) -> Result<IdempotencyKey, Problem> {
    let mut body: Value = parse(bytes)?;
    let id = body["id"].as_str().and_then(|id| Uuid::parse_str(id).ok());
    remove_secrets(&mut body);
    let key = header_key.or_else(|| id.map(|id| format!("id {id}")));
    Ok(IdempotencyKey { id, ..once_of(request_line, key, body.to_string().as_bytes())? })
}

fn remove_secrets(value: &mut Value) {
    match value {
        Value::Object(members) => {
            members.retain(|name, _| !SECRET_MEMBERS.contains(&name.as_str()));
            members.values_mut().for_each(remove_secrets);
        }
        Value::Array(values) => values.iter_mut().for_each(remove_secrets),
        _ => {}
    }
}

/// The key, method, path and hash of a request that creates. The body holds no secret.
pub(crate) fn once_of(request_line: &str, key: Option<String>, body: &[u8]) -> Result<IdempotencyKey, Problem> {
    let key = key.ok_or_else(|| {
        Problem::bad_syntax("The request has no key, so sending it twice would count twice. Add an Idempotency-Key header with a new UUID.")
    })?;
    let request = request_line.chars().take(400).collect();
    Ok(IdempotencyKey { key, id: None, request, body_hash: Sha256::digest(body).into() })
}

impl<T: DeserializeOwned> FromRequest<App> for JsonBody<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, app: &App) -> Result<Self, Problem> {
        ensure_json(request.headers())?;
        let bytes = read_bytes(request, app).await?;
        Ok(Self(parse(&bytes)?))
    }
}

impl<T: DeserializeOwned> FromRequest<App> for IdempotentJson<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, app: &App) -> Result<Self, Problem> {
        ensure_json(request.headers())?;
        let line = format!("{} {}", request.method(), request.uri().path());
        let key = header_key(request.headers())?;
        let bytes = read_bytes(request, app).await?;
        let value = parse(&bytes)?;
        Ok(Self { value, once: once_of_json(&line, key, &bytes)? })
    }
}

impl<T: FromStr> FromRequestParts<App> for PathParam<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Problem> {
        let axum::extract::Path(text) = axum::extract::Path::<String>::from_request_parts(parts, app)
            .await
            .map_err(|_| Problem::not_found_page())?;
        let shown: String = text.chars().filter(|c| !c.is_control()).take(40).collect();
        text.parse().map(Self).map_err(|_| {
            Refusal::new(RefusalKind::NotFound, format!("There is no {shown} on this farm. Check the code.")).into()
        })
    }
}

impl FromRequestParts<App> for PathWeek {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        let axum::extract::Path(text) = axum::extract::Path::<String>::from_request_parts(parts, &())
            .await
            .map_err(|_| Problem::not_found_page())?;
        let shown: String = text.chars().filter(|c| !c.is_control()).take(40).collect();
        shown.parse().map(Self).map_err(|refused: String| Refusal::field("week", refused).into())
    }
}

impl<T: DeserializeOwned> FromRequestParts<App> for Query<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Problem> {
        let axum::extract::Query(value) =
            axum::extract::Query::from_request_parts(parts, app).await.map_err(|rejection| {
                let text = rejection.to_string();
                let text = text.strip_prefix("Failed to deserialize query string: ").unwrap_or(&text);
                let (field, detail) = text.split_once(": ").unwrap_or(("", text));
                Problem::from(Refusal::field(field, capital(detail)))
            })?;
        Ok(Self(value))
    }
}

impl<T: DeserializeOwned> FromRequest<App> for Form<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, app: &App) -> Result<Self, Problem> {
        let axum::extract::Form(value) =
            axum::extract::Form::from_request(request, app).await.map_err(|rejection| {
                unread(rejection.status(), "The form did not arrive whole. Open the page again and send it once more.")
            })?;
        Ok(Self(value))
    }
}

impl<T: DeserializeOwned + Send> FromRequest<App> for KeyedForm<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, app: &App) -> Result<Self, Problem> {
        // With the query, which says whose order a form is.
        let line = format!("{} {}", request.method(), request.uri().path_and_query().map_or("/", |uri| uri.as_str()));
        let who = request.extensions().get::<Authenticated>().cloned();
        let bytes = read_bytes(request, app).await?;
        let incomplete =
            || Problem::bad_syntax("The form did not arrive whole. Open the page again and send it once more.");
        let mut fields: Vec<(String, String)> = serde_urlencoded::from_bytes(&bytes).map_err(|_| incomplete())?;
        if fields.len() > MAX_FORM_FIELDS {
            return Err(Problem::too_large());
        }
        let at = fields.iter().position(|(name, _)| name == "key").ok_or_else(incomplete)?;
        let key: Uuid = fields.remove(at).1.parse().map_err(|_| incomplete())?;
        let form = serde_urlencoded::from_bytes(&bytes).map_err(|_| incomplete())?;
        // All that was typed counts but secrets, in whatever order a browser sends it.
        fields.retain(|(name, _)| ![&SECRET_MEMBERS[..], &TIMES_OF_FORMS].concat().contains(&name.as_str()));
        fields.sort_unstable();
        let once = once_of(&line, Some(format!("id {key}")), format!("{fields:?}").as_bytes())?;
        // An id, and no key of the one who is signed in: a phone is shared, and what it kept may be sent by somebody else.
        let once = IdempotencyKey { id: Some(key), ..once };
        let answered = match who {
            Some(who) => read_tx!(app, who, |tx| tx.first_answer(&once).await)?,
            None => None,
        };
        Ok(Self { form, key, once, answered })
    }
}

impl FromRequestParts<App> for IfMatch {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        let value = parts.headers.get(header::IF_MATCH).ok_or_else(|| {
            Problem::from(Refusal::new(
                RefusalKind::VersionNeeded,
                "Say which version you changed, so that nobody's work is lost: send If-Match with the ETag that you read.",
            ))
        })?;
        let version = value.to_str().ok().and_then(|v| v.trim().trim_matches('"').parse().ok());
        version.map(Self).ok_or_else(|| {
            Problem::from(Refusal::new(
                RefusalKind::Stale,
                "If-Match is not a version of this. Read it again and send its ETag.",
            ))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, Deserialize)]
    #[expect(dead_code, reason = "only its parsing is looked at")]
    struct Outer {
        rows: Vec<Inner>,
    }
    #[derive(Debug, Deserialize)]
    #[expect(dead_code, reason = "only its parsing is looked at")]
    struct Inner {
        grams_g: gillbook_core::Grams,
    }

    #[test]
    fn a_wrong_field_is_named_by_its_pointer() {
        let problem = parse::<Outer>(br#"{"rows":[{"grams_g":1},{"grams_g":2.5}]}"#).unwrap_err();
        let json = serde_json::to_value(&problem).unwrap();
        assert_eq!(json["errors"][0]["pointer"], "/rows/1/grams_g");
        assert!(json["detail"].as_str().unwrap().contains("whole grams: 2.34 kg is 2340"), "{json}");
    }

    #[test]
    fn broken_json_is_400_and_says_where() {
        let problem = parse::<Outer>(br#"{"rows":["#).unwrap_err();
        assert_eq!(problem.status(), 400);
        assert!(problem.detail().contains("line 1"));
        assert_eq!(parse::<Outer>(br#"{"rows":[]} x"#).unwrap_err().status(), 400);
    }

    #[test]
    fn a_key_is_quoted_or_not() {
        let mut headers = HeaderMap::new();
        headers.insert("idempotency-key", r#""8e03978e-40d5-43e8-bc93-6894a57f9324""#.parse().unwrap());
        // The header's example in the IETF draft "The Idempotency-Key HTTP Header Field", section 2.1.
        assert_eq!(header_key(&headers).unwrap().unwrap(), "key 8e03978e-40d5-43e8-bc93-6894a57f9324");
        assert!(once_of("POST /", None, b"{}").is_err());
    }

    #[test]
    fn what_is_kept_of_a_body_is_the_same_whatever_its_secrets_and_its_layout() {
        let kept = |body: &str| once_of_json("POST /", Some("key 1".into()), body.as_bytes()).unwrap().body_hash;
        let one = kept(r#"{"name":"Ada","passphrase":"four words do well","in":[{"passphrase":"a"}]}"#);
        assert_eq!(one, kept(r#"{ "in":[{}], "pass\u0070hrase":"another", "name":"Ada" }"#));
        assert_ne!(one, kept(r#"{"name":"Eve","in":[{}]}"#));
    }

    /// What the description calls a password is a secret, also in bodies that are added later.
    #[test]
    fn every_secret_of_a_body_is_left_out_of_what_is_kept() {
        let description: Value = serde_json::from_str(crate::openapi_json()).unwrap();
        let schemas = description["components"]["schemas"].as_object().unwrap();
        let is_secret = |member: &Value| {
            let named = member["$ref"].as_str().and_then(|r| schemas.get(r.rsplit('/').next()?));
            member["format"] == "password" || named.is_some_and(|schema| schema["format"] == "password")
        };
        let secrets = schemas.values().filter_map(|schema| schema["properties"].as_object()).flatten();
        let secrets: Vec<&String> = secrets.filter(|(_, member)| is_secret(member)).map(|(name, _)| name).collect();
        assert!(secrets.len() > 1, "{secrets:?}");
        assert!(secrets.iter().all(|name| SECRET_MEMBERS.contains(&name.as_str())), "{secrets:?}");
    }
}
