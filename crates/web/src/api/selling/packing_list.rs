//! What is packed for a day.

use axum::{Json, extract::State};
use gillbook_core::{
    selling::{
        order::Order,
        packing_list::{NewPacked, PackingList},
    },
    text::OrderCode,
    units::calendar::Day,
};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::OrderPath,
    auth::Authenticated,
    extract::{JsonBody, PathParam, Query},
    pages,
    problem::{Problem, Problems},
    read_tx,
    respond::{Document, Versioned},
    write_tx,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(get_packing_list))
        .routes(routes!(get_packing_list_pdf))
        .routes(routes!(put_packed))
}

/// Which day.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct PackingListQuery {
    /// The delivery day; today unless said.
    day: Option<Day>,
}

/// What to take from where for a day, and the orders that it goes into, by round and stop: of every order that is promised for the day or has
/// gone out, the first thousand by code.
#[utoipa::path(
    get, path = "/api/packing-list", tag = "selling",
    params(PackingListQuery),
    responses((status = 200, description = "The packing list", body = PackingList), Problems),
)]
async fn get_packing_list(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<PackingListQuery>,
) -> Result<Json<PackingList>, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Json(read_tx!(app, who, |tx| {
        let day = asked.day.unwrap_or(Day(tx.farm_day().await?));
        tx.packing_list(day.0).await
    })?))
}

/// The packing list as it prints, with boxes to tick.
#[utoipa::path(
    get, path = "/api/packing-list/pdf", tag = "selling",
    params(PackingListQuery),
    responses(
        (status = 200, description = "The packing list", body = Vec<u8>, content_type = "application/pdf"),
        Problems,
    ),
)]
async fn get_packing_list_pdf(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<PackingListQuery>,
) -> Result<Document, Problem> {
    app.refresh_before_read(&who).await?;
    let (farm, list) = read_tx!(app, who, |tx| {
        let day = asked.day.unwrap_or(Day(tx.farm_day().await?));
        Ok((tx.farm().await?, tx.packing_list(day.0).await?))
    })?;
    let name = pages::packing_list_name(list.day);
    let bytes = pages::packing_list_pdf(farm, list, app.now()).await?;
    Ok(Document { kind: "application/pdf", name, bytes })
}

/// Ticks off a lot that is packed for a line of an order, with the weight that the scale shows in place of what was set aside; or takes the
/// tick back.
#[utoipa::path(
    put, path = "/api/orders/{order}/packed", tag = "selling",
    request_body = NewPacked,
    params(OrderPath),
    responses((status = 200, description = "The order, as it is packed", body = Order), Problems),
)]
async fn put_packed(
    State(app): State<App>,
    who: Authenticated,
    PathParam(order): PathParam<OrderCode>,
    JsonBody(new): JsonBody<NewPacked>,
) -> Result<Versioned<Order>, Problem> {
    app.refresh_before_read(&who).await?;
    Ok(Versioned(write_tx!(app, who, |tx| tx.pack_set_aside(&order, &new).await)?))
}
