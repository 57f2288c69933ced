//! The farm.

use axum::extract::State;
use gillbook_store::farm::{farm_change::FarmChange, farms::Farm};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::IfMatchHeader,
    auth::Authenticated,
    extract::{IfMatch, JsonBody},
    problem::{Problem, Problems},
    read_tx,
    respond::Versioned,
    write_tx,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(get_farm, patch_farm))
}

/// The farm and its settings.
#[utoipa::path(
    get, path = "/api/farm", tag = "farm",
    responses((status = 200, description = "The farm", body = Farm), Problems),
)]
async fn get_farm(State(app): State<App>, who: Authenticated) -> Result<Versioned<Farm>, Problem> {
    let farm = read_tx!(app, who, |tx| tx.farm().await)?;
    Ok(Versioned(farm))
}

/// Changes settings.
#[utoipa::path(
    patch, path = "/api/farm", tag = "farm",
    request_body = FarmChange,
    params(IfMatchHeader),
    responses((status = 200, description = "Changed", body = Farm), Problems),
)]
async fn patch_farm(
    State(app): State<App>,
    who: Authenticated,
    IfMatch(read): IfMatch,
    JsonBody(change): JsonBody<FarmChange>,
) -> Result<Versioned<Farm>, Problem> {
    let farm = write_tx!(app, who, |tx| tx.change_farm(&change, read).await)?;
    Ok(Versioned(farm))
}
