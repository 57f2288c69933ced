//! Products, price lists and prices.

use axum::{extract::State, http::Uri};
use gillbook_core::{
    selling::product::{NewPrice, NewProduct, Price, PriceList, Product, ProductChange},
    text::ProductCode,
};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    access::sees_prices,
    api::params::{IdempotencyKeyHeader, IfMatchHeader, ProductPath},
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
        .routes(routes!(get_products, post_products))
        .routes(routes!(get_product, patch_product))
        .routes(routes!(get_price_lists, post_price_lists))
        .routes(routes!(get_prices, post_prices))
}

/// Products, by code.
#[utoipa::path(
    get, path = "/api/products", tag = "selling",
    params(PaginationQuery),
    responses((status = 200, description = "Products", body = ListResponse<Product>), Problems),
)]
async fn get_products(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<Product>, Problem> {
    let page = asked.page()?;
    let mut rows = read_tx!(app, who, |tx| tx.products(&page).await)?;
    if !sees_prices(who.standing) {
        rows = rows.into_iter().map(Product::without_prices).collect();
    }
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.product.to_string()))
}

/// Adds a product.
#[utoipa::path(
    post, path = "/api/products", tag = "selling",
    request_body = NewProduct,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Added", body = Product), Problems),
)]
async fn post_products(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewProduct>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_product(&new.value).await)?))
}

/// One product.
#[utoipa::path(
    get, path = "/api/products/{product}", tag = "selling",
    params(ProductPath),
    responses((status = 200, description = "One product", body = Product), Problems),
)]
async fn get_product(
    State(app): State<App>,
    who: Authenticated,
    PathParam(product): PathParam<ProductCode>,
) -> Result<Versioned<Product>, Problem> {
    let found = read_tx!(app, who, |tx| tx.product(&product).await)?;
    Ok(Versioned(if sees_prices(who.standing) { found } else { found.without_prices() }))
}

/// Changes a product.
#[utoipa::path(
    patch, path = "/api/products/{product}", tag = "selling",
    request_body = ProductChange,
    params(ProductPath, IfMatchHeader),
    responses((status = 200, description = "Changed", body = Product), Problems),
)]
async fn patch_product(
    State(app): State<App>,
    who: Authenticated,
    PathParam(product): PathParam<ProductCode>,
    IfMatch(read): IfMatch,
    JsonBody(change): JsonBody<ProductChange>,
) -> Result<Versioned<Product>, Problem> {
    let changed = write_tx!(app, who, |tx| tx.change_product(&product, &change, read).await)?;
    Ok(Versioned(changed))
}

/// Price lists, by code.
#[utoipa::path(
    get, path = "/api/price-lists", tag = "selling",
    params(PaginationQuery),
    responses((status = 200, description = "Price lists", body = ListResponse<PriceList>), Problems),
)]
async fn get_price_lists(
    State(app): State<App>,
    who: Authenticated,
    uri: Uri,
    Query(asked): Query<PaginationQuery>,
) -> Result<ListResponse<PriceList>, Problem> {
    let page = asked.page()?;
    let rows = read_tx!(app, who, |tx| tx.price_lists(&page).await)?;
    Ok(ListResponse::new(rows, page.limit, &uri, |r| r.price_list.to_string()))
}

/// Adds a price list.
#[utoipa::path(
    post, path = "/api/price-lists", tag = "selling",
    request_body = PriceList,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Added", body = PriceList), Problems),
)]
async fn post_price_lists(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<PriceList>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.add_price_list(&new.value).await.map(|()| new.value.clone()))?))
}

/// Prices in force, by list and product.
#[utoipa::path(
    get, path = "/api/prices", tag = "selling",
    responses((status = 200, description = "Prices in force", body = ListResponse<Price>), Problems),
)]
async fn get_prices(State(app): State<App>, who: Authenticated) -> Result<ListResponse<Price>, Problem> {
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.prices().await)?))
}

/// Sets a price from now or a later instant on.
#[utoipa::path(
    post, path = "/api/prices", tag = "selling",
    request_body = NewPrice,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Set", body = Price), Problems),
)]
async fn post_prices(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewPrice>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.set_price(&new.value).await)?))
}
