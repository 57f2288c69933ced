//! Places, readings, excursions and checks.

mod excursions;
mod places;
mod readings;

pub(crate) use self::excursions::RecordQuery;
use utoipa_axum::router::OpenApiRouter;

use crate::App;

/// The routes of the subject.
pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().merge(places::router()).merge(readings::router()).merge(excursions::router())
}
