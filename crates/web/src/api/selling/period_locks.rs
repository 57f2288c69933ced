//! Periods that are locked.

use axum::extract::State;
use gillbook_core::selling::period_lock::{NewPeriodLock, PeriodLock};
use gillbook_store::Pagination;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    App,
    api::params::IdempotencyKeyHeader,
    auth::Authenticated,
    create_tx,
    extract::IdempotentJson,
    problem::{Problem, Problems},
    read_tx,
    respond::{Created, ListResponse},
};

/// The most that are told of.
const TOLD: i64 = 100;

pub(super) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(get_period_locks, post_period_lock))
}

/// How the books were locked, newest first, the last hundred: the first is the one that counts.
#[utoipa::path(
    get, path = "/api/period-locks", tag = "selling",
    responses((status = 200, description = "Locks", body = ListResponse<PeriodLock>), Problems),
)]
async fn get_period_locks(State(app): State<App>, who: Authenticated) -> Result<ListResponse<PeriodLock>, Problem> {
    let page = Pagination { after: None, limit: TOLD };
    Ok(ListResponse::whole(read_tx!(app, who, |tx| tx.period_locks(&page).await)?))
}

/// Locks the books up to a day. Invoices, credit notes, payments and their reversals, goods that a customer had or brought back, cash-ups of stalls
/// and what takes them back are refused from then on where they bear a day of it.
#[utoipa::path(
    post, path = "/api/period-locks", tag = "selling",
    request_body = NewPeriodLock,
    params(IdempotencyKeyHeader),
    responses((status = 201, description = "Locked", body = PeriodLock), Problems),
)]
async fn post_period_lock(
    State(app): State<App>,
    who: Authenticated,
    new: IdempotentJson<NewPeriodLock>,
) -> Result<Created, Problem> {
    Ok(Created(create_tx!(app, who, &new.once, |tx| tx.lock_period(&new.value).await)?))
}
