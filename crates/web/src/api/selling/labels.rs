//! Labels of lots and crates.

use axum::extract::State;
use gillbook_core::{selling::label::LabelQuery, text::LotCode};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::LotPath,
    auth::Authenticated,
    extract::{PathParam, Query},
    pages,
    problem::{Problem, Problems},
    respond::Document,
};

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(get_lot_label))
}

/// Labels of a lot. Of a product with a GTIN their code is GS1 `DataMatrix`, on sheets GS1-128 beside it; without one a QR code of the lot's code.
#[utoipa::path(
    get, path = "/api/lots/{lot}/label", tag = "lots",
    params(LotPath, LabelQuery),
    responses(
        (status = 200, description = "The labels", body = Vec<u8>, content_type = "application/pdf"),
        Problems,
    ),
)]
async fn get_lot_label(
    State(app): State<App>,
    who: Authenticated,
    PathParam(lot): PathParam<LotCode>,
    Query(asked): Query<LabelQuery>,
) -> Result<Document, Problem> {
    pages::label_pdf(&app, &who, &lot, &asked).await
}
