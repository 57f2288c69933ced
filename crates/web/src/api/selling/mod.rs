//! Products, customers, orders, dockets and market days.

mod availability;
mod customers;
mod dockets;
mod emails;
mod invoices;
mod labels;
mod market;
mod orders;
mod packing_list;
mod payments;
mod period_locks;
mod products;
mod recalls;
mod receivables;
mod standing_orders;

use utoipa_axum::router::OpenApiRouter;

use crate::App;

/// The routes of the subject.
pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .merge(products::router())
        .merge(customers::router())
        .merge(orders::router())
        .merge(packing_list::router())
        .merge(availability::router())
        .merge(standing_orders::router())
        .merge(dockets::router())
        .merge(emails::router())
        .merge(market::router())
        .merge(invoices::router())
        .merge(labels::router())
        .merge(payments::router())
        .merge(period_locks::router())
        .merge(recalls::router())
        .merge(receivables::router())
}
