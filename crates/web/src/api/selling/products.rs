//! Products, price lists and prices.

use axum::{extract::State, http::Uri};
use gillbook_core::{
    selling::product::{NewProduct, Price, PriceList, Product, ProductChange},
    text::ProductCode,
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
        .routes(routes!(get_products, post_products))
        .routes(routes!(get_product, patch_product))
        .routes(routes!(get_price_lists, post_price_lists))
        .routes(routes!(get_prices, post_prices))
}

/// Products, by code.
#[utoipa::path(get, path = "/api/products", tag = "selling", params(PageAsked), responses((status = 200, description = "Products", body = Listed<Product>), Problems))]
async fn get_products(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<Product>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.products(&page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.product.to_string()))
}

/// Adds a product.
#[utoipa::path(post, path = "/api/products", tag = "selling", request_body = NewProduct, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Added", body = Product), Problems))]
async fn post_products(State(app): State<App>, who: Who, new: Create<NewProduct>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.add_product(&new.value).await)?))
}

/// One product.
#[utoipa::path(get, path = "/api/products/{product}", tag = "selling", params(("product" = ProductCode, Path, description = "The product's code")), responses((status = 200, description = "One product", body = Product), Problems))]
async fn get_product(
    State(app): State<App>,
    who: Who,
    Code(product): Code<ProductCode>,
) -> Result<Versioned<Product>, Problem> {
    let found = read!(app, who, |tx| tx.product(&product).await)?;
    let version = found.version;
    Ok(Versioned(found, version))
}

/// Changes a product.
#[utoipa::path(patch, path = "/api/products/{product}", tag = "selling", request_body = ProductChange, params(("product" = ProductCode, Path, description = "The product's code"), ("If-Match" = Option<String>, Header, description = "The ETag that was read")), responses((status = 200, description = "Changed", body = Product), Problems))]
async fn patch_product(
    State(app): State<App>,
    who: Who,
    Code(product): Code<ProductCode>,
    IfMatch(read): IfMatch,
    Body(change): Body<ProductChange>,
) -> Result<Versioned<Product>, Problem> {
    let changed = write!(app, who, |tx| tx.change_product(&product, &change, read).await)?;
    let version = changed.version;
    Ok(Versioned(changed, version))
}

/// Price lists, by code.
#[utoipa::path(get, path = "/api/price-lists", tag = "selling", params(PageAsked), responses((status = 200, description = "Price lists", body = Listed<PriceList>), Problems))]
async fn get_price_lists(
    State(app): State<App>,
    who: Who,
    uri: Uri,
    Asked(asked): Asked<PageAsked>,
) -> Result<Listed<PriceList>, Problem> {
    let page = asked.page()?;
    let rows = read!(app, who, |tx| tx.price_lists(&page).await)?;
    Ok(Listed::new(rows, page.limit, &uri, |r| r.price_list.to_string()))
}

/// Adds a price list.
#[utoipa::path(post, path = "/api/price-lists", tag = "selling", request_body = PriceList, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Added", body = PriceList), Problems))]
async fn post_price_lists(State(app): State<App>, who: Who, new: Create<PriceList>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.add_price_list(&new.value).await.map(|()| new.value.clone()))?))
}

/// Prices in force, by list and product.
#[utoipa::path(get, path = "/api/prices", tag = "selling", responses((status = 200, description = "Prices in force", body = Listed<Price>), Problems))]
async fn get_prices(State(app): State<App>, who: Who) -> Result<Listed<Price>, Problem> {
    Ok(Listed::whole(read!(app, who, |tx| tx.prices().await)?))
}

/// Sets a price from now or a later instant on.
#[utoipa::path(post, path = "/api/prices", tag = "selling", request_body = Price, params(("Idempotency-Key" = Option<String>, Header, description = "A new UUID for a new request")), responses((status = 201, description = "Set", body = Price), Problems))]
async fn post_prices(State(app): State<App>, who: Who, new: Create<Price>) -> Result<Answered, Problem> {
    Ok(Answered(once!(app, who, &new.once, |tx| tx.set_price(&new.value).await.map(|()| new.value.clone()))?))
}
