//! Weighings, lots and stock.

mod batch_holds;
mod lots;
mod stock;
mod weighings;

use utoipa_axum::router::OpenApiRouter;

use crate::App;

/// The routes of the subject.
pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .merge(weighings::router())
        .merge(lots::router())
        .merge(batch_holds::router())
        .merge(stock::router())
}
