//! Reports.

mod books;
mod search;

use utoipa_axum::router::OpenApiRouter;

use crate::App;

/// The routes of the subject.
pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().merge(books::router()).merge(search::router())
}
