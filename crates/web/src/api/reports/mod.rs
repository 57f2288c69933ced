//! Reports.

mod books;
mod journal;
mod search;
mod weight_loss;

use utoipa_axum::router::OpenApiRouter;

use crate::App;

/// The routes of the subject.
pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .merge(books::router())
        .merge(journal::router())
        .merge(search::router())
        .merge(weight_loss::router())
}
