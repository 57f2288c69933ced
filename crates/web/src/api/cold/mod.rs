//! Places, readings, excursions, checks, the record, and who is told.

mod checks;
mod excursions;
mod notices;
mod places;
mod readings;
mod record;

pub(crate) use self::record::RecordQuery;
use utoipa_axum::router::OpenApiRouter;

use crate::App;

/// The routes of the subject.
pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .merge(places::router())
        .merge(readings::router())
        .merge(excursions::router())
        .merge(checks::router())
        .merge(record::router())
        .merge(notices::router())
}
