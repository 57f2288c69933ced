//! The JSON interface, `/api/…`: a folder a subject, as in the store.

mod cold;
mod described;
mod farm;
mod growing;
mod ledger;
pub(crate) mod params;
mod reports;
mod selling;

use axum::{Router, http::header, response::IntoResponse};
use utoipa::{
    Modify, OpenApi,
    openapi::security::{ApiKey, ApiKeyValue, HttpAuthScheme, HttpBuilder, SecurityScheme},
};
use utoipa_axum::{router::OpenApiRouter, routes};

pub(crate) use self::cold::RecordQuery;
use crate::{App, problem::Problem};

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Gillbook",
        description = "The weigh book, the fridge book and the sales book of a small mushroom farm, kept as one ledger.\n\nWeights are integer grams (`_g`), temperatures °C (`_c`), money decimal strings, instants RFC 3339 with offset, days ISO 8601 dates of the farm's own time zone. Every error is a Problem Details object (RFC 9457). A request that creates takes an `Idempotency-Key` header or an `id` made by the client: sent again, it counts once and gives the first answer. Figures on temperature and shelf life are planning aids: the local food-safety rules and the farm's own plan decide.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0")
    ),
    servers((url = "/", description = "This farm's own service")),
    components(schemas(Problem)),
    modifiers(&Security),
    security(("cookie" = []), ("token" = []))
)]
struct Description;

struct Security;

impl Modify for Security {
    fn modify(&self, api: &mut utoipa::openapi::OpenApi) {
        let Some(components) = &mut api.components else { return };
        components.add_security_scheme("cookie", SecurityScheme::ApiKey(ApiKey::Cookie(ApiKeyValue::new("gillbook"))));
        components.add_security_scheme(
            "token",
            SecurityScheme::Http(HttpBuilder::new().scheme(HttpAuthScheme::Bearer).build()),
        );
    }
}

/// The routes of the interface and their description.
pub(crate) fn router() -> (Router<App>, utoipa::openapi::OpenApi) {
    let (router, mut description) = OpenApiRouter::with_openapi(Description::openapi())
        .merge(farm::router())
        .merge(growing::router())
        .merge(ledger::router())
        .merge(cold::router())
        .merge(selling::router())
        .merge(reports::router())
        .routes(routes!(get_openapi))
        .split_for_parts();
    described::describe(&mut description);
    (router, description)
}

/// This description.
#[utoipa::path(
    get, path = "/api/openapi.json", tag = "description",
    responses((status = 200, description = "This description", body = serde_json::Value)),
    security(()),
)]
async fn get_openapi() -> impl IntoResponse {
    ([(header::CONTENT_TYPE, "application/json")], crate::openapi_json())
}
