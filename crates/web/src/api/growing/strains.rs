//! Strains, recipes, rooms, cooks, crates.

use axum::{extract::State, http::Uri};
use gillbook_core::text::{CrateCode, RoomCode, StrainCode};
use gillbook_store::growing::{
    cooks::Cook,
    crate_kinds::{Crate, CrateChange, NewCrate},
    recipes::Recipe,
    rooms::{NewRoom, Room, RoomChange},
    strains::{NewStrain, Strain, StrainChange},
};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::{CratePath, IdempotencyKeyHeader, IfMatchHeader, RoomPath, StrainPath},
    auth::Authenticated,
    create_tx,
    extract::{IdempotentJson, IfMatch, JsonBody, PaginationQuery, PathParam, Query},
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse, Versioned},
    write_tx,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_strains, post_strains))
        .routes(routes!(get_strain, patch_strain))
        .routes(routes!(get_recipes, post_recipes))
        .routes(routes!(get_rooms, post_rooms))
        .routes(routes!(patch_room))
        .routes(routes!(get_cooks, post_cooks))
        .routes(routes!(get_crates, post_crates))
        .routes(routes!(patch_crate))
}

/// Strains, by code.
#[utoipa::path(
    get, path = "/api/strains", tag = "growing",
    params(PaginationQuery),
    responses((status = 200, description = "Strains", body = ListResponse<Strain>), Problems),
)]
async fn get_strains(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<Strain>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.strains(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.strain.to_string()))
}

/// Adds a strain.
#[utoipa::path(
    post, path = "/api/strains", tag = "growing",
    request_body = NewStrain,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Added", body = Strain), Problems),
)]
async fn post_strains(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewStrain>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_strain(&new.value).await)?))
}

/// One strain.
#[utoipa::path(
    get, path = "/api/strains/{strain}", tag = "growing",
    params(StrainPath),
    responses((status = 200, description = "One strain", body = Strain), Problems),
)]
async fn get_strain(
    State(app): State<App>,
    who: Authenticated,
    PathParam(strain): PathParam<StrainCode>,
) -> Result<Versioned<Strain>, Problem> {
    let found = read_tx!(app, who, |tx| tx.strain(&strain).await)?;
    Ok(Versioned(found))
}

/// Changes a strain. A new life profile is a new version.
#[utoipa::path(
    patch, path = "/api/strains/{strain}", tag = "growing",
    request_body = StrainChange,
    params(StrainPath, IfMatchHeader),
    responses((status = 200, description = "Changed", body = Strain), Problems),
)]
async fn patch_strain(
    State(app): State<App>,
    who: Authenticated,
    PathParam(strain): PathParam<StrainCode>,
    IfMatch(read): IfMatch,
    JsonBody(change): JsonBody<StrainChange>,
) -> Result<Versioned<Strain>, Problem> {
    let changed = write_tx!(app, who, |tx| tx.change_strain(&strain, &change, read).await)?;
    Ok(Versioned(changed))
}

/// Substrate recipes, by code.
#[utoipa::path(
    get, path = "/api/recipes", tag = "growing",
    params(PaginationQuery),
    responses((status = 200, description = "Recipes", body = ListResponse<Recipe>), Problems),
)]
async fn get_recipes(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<Recipe>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.recipes(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.recipe.to_string()))
}

/// Adds a recipe. A changed recipe is a new one.
#[utoipa::path(
    post, path = "/api/recipes", tag = "growing",
    request_body = Recipe,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Added", body = Recipe), Problems),
)]
async fn post_recipes(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<Recipe>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_recipe(&new.value).await.map(|()| new.value.clone()))?))
}

/// Rooms, by code.
#[utoipa::path(
    get, path = "/api/rooms", tag = "growing",
    params(PaginationQuery),
    responses((status = 200, description = "Rooms", body = ListResponse<Room>), Problems),
)]
async fn get_rooms(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<Room>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.rooms(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.room.to_string()))
}

/// Adds a room.
#[utoipa::path(
    post, path = "/api/rooms", tag = "growing",
    request_body = NewRoom,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Added", body = Room), Problems),
)]
async fn post_rooms(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewRoom>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_room(&new.value).await)?))
}

/// Changes a room.
#[utoipa::path(
    patch, path = "/api/rooms/{room}", tag = "growing",
    request_body = RoomChange,
    params(RoomPath, IfMatchHeader),
    responses((status = 200, description = "Changed", body = Room), Problems),
)]
async fn patch_room(
    State(app): State<App>,
    who: Authenticated,
    PathParam(room): PathParam<RoomCode>,
    IfMatch(read): IfMatch,
    JsonBody(change): JsonBody<RoomChange>,
) -> Result<Versioned<Room>, Problem> {
    let changed = write_tx!(app, who, |tx| tx.change_room(&room, &change, read).await)?;
    Ok(Versioned(changed))
}

/// Cooks, by code.
#[utoipa::path(
    get, path = "/api/cooks", tag = "growing",
    params(PaginationQuery),
    responses((status = 200, description = "Cooks", body = ListResponse<Cook>), Problems),
)]
async fn get_cooks(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<Cook>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.cooks(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.cook.to_string()))
}

/// Writes down a cook.
#[utoipa::path(
    post, path = "/api/cooks", tag = "growing",
    request_body = Cook,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Written down", body = Cook), Problems),
)]
async fn post_cooks(State(app): State<App>, who: Authenticated, new: IdempotentJson<Cook>) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_cook(&new.value).await.map(|()| new.value.clone()))?))
}

/// Crate and liner kinds, by code.
#[utoipa::path(
    get, path = "/api/crates", tag = "growing",
    params(PaginationQuery),
    responses((status = 200, description = "Crate and liner kinds", body = ListResponse<Crate>), Problems),
)]
async fn get_crates(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<Crate>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.crates(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.code.to_string()))
}

/// Adds a crate or liner kind.
#[utoipa::path(
    post, path = "/api/crates", tag = "growing",
    request_body = NewCrate,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Added", body = Crate), Problems),
)]
async fn post_crates(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewCrate>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_crate(&new.value).await)?))
}

/// Changes a crate or liner kind.
#[utoipa::path(
    patch, path = "/api/crates/{crate}", tag = "growing",
    request_body = CrateChange,
    params(CratePath, IfMatchHeader),
    responses((status = 200, description = "Changed", body = Crate), Problems),
)]
async fn patch_crate(
    State(app): State<App>,
    who: Authenticated,
    PathParam(crate_kind): PathParam<CrateCode>,
    IfMatch(read): IfMatch,
    JsonBody(change): JsonBody<CrateChange>,
) -> Result<Versioned<Crate>, Problem> {
    let changed = write_tx!(app, who, |tx| tx.change_crate(&crate_kind, &change, read).await)?;
    Ok(Versioned(changed))
}
