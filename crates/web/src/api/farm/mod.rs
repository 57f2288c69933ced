//! The farm and its people.

mod farms;
mod people;

use utoipa_axum::router::OpenApiRouter;

use crate::App;

/// The routes of the subject.
pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().merge(people::router()).merge(farms::router())
}
