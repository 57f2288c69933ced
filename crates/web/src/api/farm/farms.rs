//! The farm.

use axum::extract::State;
use gillbook_store::farm::farms::{Farm, FarmChange};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    body::{Body, IfMatch},
    problem::{Problem, Problems},
    read,
    reply::Versioned,
    who::Who,
    write,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(get_farm, patch_farm))
}

/// The farm and its settings.
#[utoipa::path(get, path = "/api/farm", tag = "farm", responses((status = 200, description = "The farm", body = Farm), Problems))]
async fn get_farm(State(app): State<App>, who: Who) -> Result<Versioned<Farm>, Problem> {
    let farm = read!(app, who, |tx| tx.farm().await)?;
    let version = farm.version;
    Ok(Versioned(farm, version))
}

/// Changes settings.
#[utoipa::path(patch, path = "/api/farm", tag = "farm", request_body = FarmChange, params(("If-Match" = Option<String>, Header, description = "The ETag that was read")), responses((status = 200, description = "Changed", body = Farm), Problems))]
async fn patch_farm(
    State(app): State<App>,
    who: Who,
    IfMatch(read): IfMatch,
    Body(change): Body<FarmChange>,
) -> Result<Versioned<Farm>, Problem> {
    let farm = write!(app, who, |tx| tx.change_farm(&change, read).await)?;
    let version = farm.version;
    Ok(Versioned(farm, version))
}
