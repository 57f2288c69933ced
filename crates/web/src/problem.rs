//! Problem Details (RFC 9457): every error says what happened, to which field, and what to do.

use axum::{
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use gillbook_core::refusal::{FieldError, Refusal, RefusalKind};
use gillbook_store::Error as StoreError;
use serde::{Serialize, Serializer};
use utoipa::ToSchema;

use crate::request_id;

/// A field to blame.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct FieldProblem {
    /// JSON pointer into the body, or the name of a query parameter.
    pointer: String,
    /// What is wrong and what to do.
    detail: String,
}

/// A problem, as RFC 9457 shapes it.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Problem {
    /// Stable type, a URI reference. Kept as its last part.
    #[serde(rename = "type", serialize_with = "address")]
    #[schema(value_type = String)]
    slug: &'static str,
    /// The type in a few words.
    title: &'static str,
    /// HTTP status.
    status: u16,
    /// What happened and what to do.
    detail: String,
    /// The request's id, where we are to blame.
    #[serde(skip_serializing_if = "Option::is_none")]
    instance: Option<String>,
    /// The fields to blame.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    errors: Vec<FieldProblem>,
    /// Seconds after which trying again may help.
    #[serde(skip)]
    retry_after: Option<u16>,
}

fn address<S: Serializer>(slug: &&'static str, s: S) -> Result<S::Ok, S::Error> {
    s.collect_str(&format_args!("/problems/{slug}"))
}

impl Problem {
    pub(crate) fn new(slug: &'static str, title: &'static str, status: StatusCode, detail: impl Into<String>) -> Self {
        Self {
            slug,
            title,
            status: status.as_u16(),
            detail: detail.into(),
            instance: None,
            errors: Vec::new(),
            retry_after: None,
        }
    }

    /// Every type: its last part, title and status.
    pub(crate) fn kinds() -> Vec<(&'static str, &'static str, StatusCode)> {
        let own = [
            Self::not_found_page(),
            Self::wrong_method(),
            Self::other_site(),
            Self::too_large(),
            Self::broken(),
            Self::not_json(),
            Self::bad_syntax(""),
        ];
        own.into_iter()
            .map(|p| (p.slug, p.title, p.status()))
            .chain(RefusalKind::ALL.iter().map(|k| shape(*k)))
            .collect()
    }

    pub(crate) fn status(&self) -> StatusCode {
        StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }

    pub(crate) fn detail(&self) -> &str {
        &self.detail
    }

    /// What a form says over its fields. Whoever fills one in knows of no key and no version.
    pub(crate) fn on_form(&self) -> &str {
        match self.slug {
            "key-reused" => {
                "This form was saved already, with something else in it. Look at what was saved before you open the page again."
            }
            "stale" if !self.detail.starts_with("This page") => {
                "Somebody changed this after you opened the page. What you typed stands below and is not saved: open the page again to see how it is now."
            }
            _ => &self.detail,
        }
    }

    /// The pointers of the fields to blame, and what is wrong with each.
    pub(crate) fn faults(&self) -> impl Iterator<Item = (&str, &str)> {
        self.errors.iter().map(|e| (e.pointer.as_str(), e.detail.as_str()))
    }

    pub(crate) fn title(&self) -> &'static str {
        self.title
    }

    pub(crate) fn not_found_page() -> Self {
        Self::new("not-found", "Not found", StatusCode::NOT_FOUND, "There is nothing at this address.")
    }

    pub(crate) fn wrong_method() -> Self {
        Self::new(
            "wrong-method",
            "Wrong method",
            StatusCode::METHOD_NOT_ALLOWED,
            "This address does not take that method.",
        )
    }

    pub(crate) fn other_site() -> Self {
        Self::new(
            "other-site",
            "From another site",
            StatusCode::FORBIDDEN,
            "The request came from a page of another site and was not carried out.",
        )
    }

    pub(crate) fn too_large() -> Self {
        Self::new(
            "too-large",
            "Too large",
            StatusCode::PAYLOAD_TOO_LARGE,
            format!(
                "The body is larger than {} MiB. Send it in parts.",
                gillbook_core::limits::MAX_BODY_BYTES / 1024 / 1024
            ),
        )
    }

    pub(crate) fn broken() -> Self {
        Self {
            instance: request_id::current().map(|id| id.urn().to_string()),
            ..Self::new(
                "internal",
                "Internal error",
                StatusCode::INTERNAL_SERVER_ERROR,
                "Something went wrong on our side. Nothing was kept. Try again.",
            )
        }
    }

    pub(crate) fn not_signed_in() -> Self {
        Refusal::new(RefusalKind::NotSignedIn, "Sign in again. A program sends a good token.").into()
    }

    pub(crate) fn not_json() -> Self {
        Self::new(
            "wrong-content-type",
            "Wrong content type",
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "The body must be JSON. Send it with Content-Type: application/json.",
        )
    }

    pub(crate) fn not_senml() -> Self {
        Self::new(
            "wrong-content-type",
            "Wrong content type",
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "Readings are SenML. Send them with Content-Type: application/senml+json or application/senml+cbor.",
        )
    }

    /// Whether it will do later.
    pub(crate) fn is_busy(&self) -> bool {
        self.status == StatusCode::SERVICE_UNAVAILABLE.as_u16()
    }

    pub(crate) fn busy() -> Self {
        let mut problem = Self::new(
            "unavailable",
            "Not available",
            StatusCode::SERVICE_UNAVAILABLE,
            "The book is busy or restarting. Nothing was kept. Try again in a moment.",
        );
        problem.retry_after = Some(2);
        problem
    }

    pub(crate) fn bad_syntax(detail: impl Into<String>) -> Self {
        Self::new("bad-request", "Bad request", StatusCode::BAD_REQUEST, detail)
    }
}

/// The one place where a refusal becomes HTTP.
const fn shape(kind: RefusalKind) -> (&'static str, &'static str, StatusCode) {
    match kind {
        RefusalKind::Invalid => ("invalid", "Check one entry", StatusCode::UNPROCESSABLE_ENTITY),
        RefusalKind::NotFound => ("not-found", "Not found", StatusCode::NOT_FOUND),
        RefusalKind::AlreadyThere => ("already-there", "Already there", StatusCode::CONFLICT),
        RefusalKind::NotEnough => ("not-enough", "Not enough there", StatusCode::CONFLICT),
        RefusalKind::SetAside => ("set-aside", "Set aside for an order", StatusCode::CONFLICT),
        RefusalKind::OnHold => ("on-hold", "On hold", StatusCode::CONFLICT),
        RefusalKind::Closed => ("closed", "Closed", StatusCode::CONFLICT),
        RefusalKind::AlreadyReversed => ("already-reversed", "Already taken back", StatusCode::CONFLICT),
        RefusalKind::NotReversible => ("not-reversible", "Cannot be taken back", StatusCode::CONFLICT),
        RefusalKind::RecordKept => ("record-kept", "Records are kept", StatusCode::CONFLICT),
        RefusalKind::Stale => ("stale", "Changed by somebody else", StatusCode::PRECONDITION_FAILED),
        RefusalKind::VersionNeeded => ("version-needed", "Version needed", StatusCode::PRECONDITION_REQUIRED),
        RefusalKind::PriceMissing => ("price-missing", "Price missing", StatusCode::CONFLICT),
        RefusalKind::KeyReused => ("key-reused", "Key used before", StatusCode::UNPROCESSABLE_ENTITY),
        RefusalKind::InProgress => ("in-progress", "In progress", StatusCode::CONFLICT),
        RefusalKind::ShownOnce => ("shown-once", "Shown once", StatusCode::CONFLICT),
        RefusalKind::NotSignedIn => ("not-signed-in", "Not signed in", StatusCode::UNAUTHORIZED),
        RefusalKind::NotAllowed => ("not-allowed", "Not allowed", StatusCode::FORBIDDEN),
        RefusalKind::OwnSignIn => ("own-sign-in", "It takes your own sign-in", StatusCode::FORBIDDEN),
        RefusalKind::TooMany => ("too-many", "Too many tries", StatusCode::TOO_MANY_REQUESTS),
    }
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Self {
        let (slug, title, status) = shape(refusal.kind);
        let mut problem = Self::new(slug, title, status, refusal.detail);
        problem.errors =
            refusal.faults.into_iter().map(|FieldError { pointer, detail }| FieldProblem { pointer, detail }).collect();
        problem
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Refused(refusal) => refusal.into(),
            error if error.is_transient() => {
                tracing::warn!(%error, "the database is away or overloaded");
                Self::busy()
            }
            error => {
                tracing::error!(%error, request_id = ?request_id::current(), "a request failed");
                Self::broken()
            }
        }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let body = serde_json::to_vec(&self).unwrap_or_default();
        let mut response = (self.status(), body).into_response();
        let (retry_after, status) = (self.retry_after, self.status);
        // Kept beside the answer, so that a page can say it in words.
        response.extensions_mut().insert(self);
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        if let Some(seconds) = retry_after {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        if status == 401 {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        response
    }
}

macro_rules! problems {
    ($($status:literal = $text:literal),+ $(,)?) => {
        /// The problems that any endpoint may answer with.
        pub(crate) struct Problems;

        impl utoipa::IntoResponses for Problems {
            fn responses() -> std::collections::BTreeMap<String, utoipa::openapi::RefOr<utoipa::openapi::response::Response>> {
                use utoipa::openapi::{ContentBuilder, Ref, ResponseBuilder};
                [$(($status, $text)),+]
                    .into_iter()
                    .map(|(status, text)| {
                        let content = ContentBuilder::new().schema(Some(Ref::from_schema_name("Problem"))).build();
                        (status.to_owned(), ResponseBuilder::new().description(text).content("application/problem+json", content).build().into())
                    })
                    .collect()
            }
        }
    };
}

problems! {
    "400" = "The request cannot be read",
    "401" = "Nobody is signed in",
    "403" = "The role does not allow it",
    "404" = "There is no such thing on this farm",
    "409" = "It does not go with what the book holds",
    "412" = "Somebody else changed it",
    "413" = "The body is too large",
    "415" = "The body is not JSON",
    "422" = "A field needs correcting",
    "428" = "The version is missing",
    "429" = "Too many tries",
    "500" = "Something went wrong on our side",
    "503" = "The book is busy or restarting",
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_problem_has_the_shape_of_rfc_9457() {
        // RFC 9457, section 3, second example: type, title, and `errors` with detail and a JSON pointer.
        let problem: Problem = Refusal::field("/age", "must be a positive integer").into();
        let json = serde_json::to_value(&problem).unwrap();
        assert_eq!(
            json,
            serde_json::json!({
                "type": "/problems/invalid", "title": "Check one entry", "status": 422,
                "detail": "must be a positive integer",
                "errors": [{"pointer": "/age", "detail": "must be a positive integer"}],
            })
        );
        let response = problem.into_response();
        assert_eq!(response.status(), 422);
        assert_eq!(response.headers()[header::CONTENT_TYPE], "application/problem+json");
    }

    #[test]
    fn what_goes_wrong_on_our_side_tells_nothing_of_it() {
        let problem = Problem::from(StoreError::Stored("the passphrase table is on fire".into()));
        let json = serde_json::to_string(&problem).unwrap();
        assert!(!json.contains("fire") && json.contains("internal"), "{json}");
    }
}
