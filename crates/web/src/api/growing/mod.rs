//! Strains, recipes, rooms, cooks and batches.

mod batches;
mod strains;

use utoipa_axum::router::OpenApiRouter;

use crate::App;

/// The routes of the subject.
pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().merge(strains::router()).merge(batches::router())
}
