//! Strains, recipes, rooms, cooks, crates.

use axum::{extract::State, http::Uri};
use gillbook_core::text::{CrateCode, RoomCode, StrainCode};
use gillbook_store::growing::{
    cooks::Cook,
    crates::{Crate, CrateChange, NewCrate},
    recipes::Recipe,
    rooms::{NewRoom, Room, RoomChange},
    strains::{NewStrain, Strain, StrainChange},
};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    body::{Asked, Body, Code, Create, IfMatch, PageAsked},
    once,
    problem::{Problem, Problems},
    read,
    reply::{Answered, Listed, Versioned},
    who::Who,
    write,
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
#[utoipa::path(get, path = "/api/strains", tag = "growing", params(PageAsked), responses((status = 200, description = "Strains", body = Listed<Strain>), Problems))]
async fn get_strains(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<Strain>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.strains(&page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.strain.to_string()))
}

/// Adds a strain.
#[utoipa::path(post, path = "/api/strains", tag = "growing", request_body = NewStrain, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Added", body = Strain), Problems))]
async fn post_strains(State(app): State<App>, who: Who, new: Create<NewStrain>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.add_strain(&new.value).await)?))
}

/// One strain.
#[utoipa::path(get, path = "/api/strains/{strain}", tag = "growing", params(("strain" = StrainCode, Path, description = "The strain's code")), responses((status = 200, description = "One strain", body = Strain), Problems))]
async fn get_strain(
    State(app): State<App>,
    who: Who,
    Code(strain): Code<StrainCode>,
) -> Result<Versioned<Strain>, Problem> {
    let found = read!(app, who, |tx| tx.strain(&strain).await)?;
    let version = found.version;
    Ok(Versioned(found, version))
}

/// Changes a strain. A new life profile is a new version.
#[utoipa::path(patch, path = "/api/strains/{strain}", tag = "growing", request_body = StrainChange, params(("strain" = StrainCode, Path, description = "The strain's code"), ("If-Match" = Option<String>, Header, description = "The ETag that was read")), responses((status = 200, description = "Changed", body = Strain), Problems))]
async fn patch_strain(
    State(app): State<App>,
    who: Who,
    Code(strain): Code<StrainCode>,
    IfMatch(read): IfMatch,
    Body(change): Body<StrainChange>,
) -> Result<Versioned<Strain>, Problem> {
    let changed = write!(app, who, |tx| tx.change_strain(&strain, &change, read).await)?;
    let version = changed.version;
    Ok(Versioned(changed, version))
}

/// Substrate recipes, by code.
#[utoipa::path(get, path = "/api/recipes", tag = "growing", params(PageAsked), responses((status = 200, description = "Recipes", body = Listed<Recipe>), Problems))]
async fn get_recipes(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<Recipe>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.recipes(&page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.recipe.to_string()))
}

/// Adds a recipe. A changed recipe is a new one.
#[utoipa::path(post, path = "/api/recipes", tag = "growing", request_body = Recipe, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Added", body = Recipe), Problems))]
async fn post_recipes(State(app): State<App>, who: Who, new: Create<Recipe>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.add_recipe(&new.value).await.map(|()| new.value.clone()))?))
}

/// Rooms, by code.
#[utoipa::path(get, path = "/api/rooms", tag = "growing", params(PageAsked), responses((status = 200, description = "Rooms", body = Listed<Room>), Problems))]
async fn get_rooms(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<Room>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.rooms(&page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.room.to_string()))
}

/// Adds a room.
#[utoipa::path(post, path = "/api/rooms", tag = "growing", request_body = NewRoom, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Added", body = Room), Problems))]
async fn post_rooms(State(app): State<App>, who: Who, new: Create<NewRoom>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.add_room(&new.value).await)?))
}

/// Changes a room.
#[utoipa::path(patch, path = "/api/rooms/{room}", tag = "growing", request_body = RoomChange, params(("room" = RoomCode, Path, description = "The room's code"), ("If-Match" = Option<String>, Header, description = "The ETag that was read")), responses((status = 200, description = "Changed", body = Room), Problems))]
async fn patch_room(
    State(app): State<App>,
    who: Who,
    Code(room): Code<RoomCode>,
    IfMatch(read): IfMatch,
    Body(change): Body<RoomChange>,
) -> Result<Versioned<Room>, Problem> {
    let changed = write!(app, who, |tx| tx.change_room(&room, &change, read).await)?;
    let version = changed.version;
    Ok(Versioned(changed, version))
}

/// Cooks, by code.
#[utoipa::path(get, path = "/api/cooks", tag = "growing", params(PageAsked), responses((status = 200, description = "Cooks", body = Listed<Cook>), Problems))]
async fn get_cooks(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<Cook>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.cooks(&page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.cook.to_string()))
}

/// Writes down a cook.
#[utoipa::path(post, path = "/api/cooks", tag = "growing", request_body = Cook, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Written down", body = Cook), Problems))]
async fn post_cooks(State(app): State<App>, who: Who, new: Create<Cook>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.add_cook(&new.value).await.map(|()| new.value.clone()))?))
}

/// Crate and liner kinds, by code.
#[utoipa::path(get, path = "/api/crates", tag = "growing", params(PageAsked), responses((status = 200, description = "Crate and liner kinds", body = Listed<Crate>), Problems))]
async fn get_crates(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<Crate>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.crates(&page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.code.to_string()))
}

/// Adds a crate or liner kind.
#[utoipa::path(post, path = "/api/crates", tag = "growing", request_body = NewCrate, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Added", body = Crate), Problems))]
async fn post_crates(State(app): State<App>, who: Who, new: Create<NewCrate>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.add_crate(&new.value).await)?))
}

/// Changes a crate or liner kind.
#[utoipa::path(patch, path = "/api/crates/{crate}", tag = "growing", request_body = CrateChange, params(("crate" = CrateCode, Path, description = "The crate's code"), ("If-Match" = Option<String>, Header, description = "The ETag that was read")), responses((status = 200, description = "Changed", body = Crate), Problems))]
async fn patch_crate(
    State(app): State<App>,
    who: Who,
    Code(crate_kind): Code<CrateCode>,
    IfMatch(read): IfMatch,
    Body(change): Body<CrateChange>,
) -> Result<Versioned<Crate>, Problem> {
    let changed = write!(app, who, |tx| tx.change_crate(&crate_kind, &change, read).await)?;
    let version = changed.version;
    Ok(Versioned(changed, version))
}
