//! What goes out.

use axum::{
    Json,
    http::{HeaderName, HeaderValue, StatusCode, Uri, header},
    response::{IntoResponse, Response},
};
use gillbook_core::selling::{customer::Customer, order::Order, product::Product, standing_order::StandingOrder};
use gillbook_store::{
    cold::places::Place,
    farm::farms::Farm,
    growing::{crate_kinds::Crate, rooms::Room, strains::Strain},
    idempotency::StoredResponse,
};
use serde::Serialize;
use utoipa::ToSchema;

/// A page of a list.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ListResponse<T> {
    /// The rows.
    rows: Vec<T>,
    /// The `after` of the next page; none on the last.
    next: Option<String>,
    #[serde(skip)]
    link: Option<String>,
}

impl<T> ListResponse<T> {
    /// A page that was asked for with `limit` rows; a full one has a next, after the key of its last row.
    pub(crate) fn new(rows: Vec<T>, limit: i64, uri: &Uri, key: impl Fn(&T) -> String) -> Self {
        let full = i64::try_from(rows.len()).is_ok_and(|n| n >= limit);
        let next = rows.last().filter(|_| full).map(key);
        let link = next.as_ref().map(|after| {
            let kept = uri.query().unwrap_or_default().split('&').filter(|p| !p.is_empty() && !p.starts_with("after="));
            let query: Vec<String> = kept.map(str::to_owned).chain([format!("after={after}")]).collect();
            format!("<{}?{}>; rel=\"next\"", uri.path(), query.join("&"))
        });
        Self { rows, next, link }
    }

    /// A list that is given whole.
    pub(crate) fn whole(rows: Vec<T>) -> Self {
        Self { rows, next: None, link: None }
    }
}

impl<T: Serialize> IntoResponse for ListResponse<T> {
    fn into_response(self) -> Response {
        let link = self.link.as_deref().and_then(|l| HeaderValue::from_str(l).ok());
        let mut response = Json(self).into_response();
        if let Some(link) = link {
            response.headers_mut().insert(header::LINK, link);
        }
        response
    }
}

/// The stored answer of a request that created something.
pub(crate) struct Created(pub StoredResponse);

impl IntoResponse for Created {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.0.status).unwrap_or(StatusCode::CREATED);
        (status, [(header::CONTENT_TYPE, "application/json")], self.0.body).into_response()
    }
}

/// Something that has a version, which stands in the `ETag`.
pub(crate) struct Versioned<T>(pub T);

/// What goes up with every change.
pub(crate) trait HasVersion {
    fn version(&self) -> i32;
}

macro_rules! has_version {
    ($($versioned:ty),+ $(,)?) => {
        $(impl HasVersion for $versioned {
            fn version(&self) -> i32 {
                self.version
            }
        })+
    };
}

has_version!(Farm, Strain, Room, Crate, Place, Customer, Order, StandingOrder, Product);

impl<T: Serialize + HasVersion> IntoResponse for Versioned<T> {
    fn into_response(self) -> Response {
        ([(header::ETAG, format!("\"{}\"", self.0.version()))], Json(self.0)).into_response()
    }
}

/// Bytes of a document.
pub(crate) struct Document {
    pub kind: &'static str,
    pub name: String,
    pub bytes: Vec<u8>,
}

impl IntoResponse for Document {
    fn into_response(self) -> Response {
        let disposition = format!("inline; filename=\"{}\"", self.name);
        let headers: [(HeaderName, String); 2] =
            [(header::CONTENT_TYPE, self.kind.to_owned()), (header::CONTENT_DISPOSITION, disposition)];
        (headers, self.bytes).into_response()
    }
}
