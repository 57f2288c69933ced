//! What tests stand on: a database of their own each, the whole router, a clock that the test sets, and a farm to work on.
//!
//! The database server is, in this order: the one that `GILLBOOK_TEST_DATABASE_URL` names (connected to as a superuser), or the local
//! Postgres binaries, started once a process on a throw-away cluster, or a container.

mod crowd;
mod farm;
mod http;
mod judged;
mod server;

pub use crowd::crowd;
pub use farm::Farm;
pub use http::{Answer, As, send};
pub use server::{database, scope_of};
