//! Products, customers, orders, dockets and market days.

mod customers;
mod dockets;
mod market;
mod orders;
mod products;

use utoipa_axum::router::OpenApiRouter;

use crate::App;

/// The routes of the subject.
pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .merge(products::router())
        .merge(customers::router())
        .merge(orders::router())
        .merge(dockets::router())
        .merge(market::router())
}
