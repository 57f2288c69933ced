//! The program: command line, configuration, the embedded database, start and stop.

mod addresses;
pub mod cluster;
pub mod commands;
pub mod database;
pub mod demo;
pub mod keeper;
pub mod listen;
pub mod notices;
mod passphrase;
mod places;
pub mod probe;
mod self_wake;
pub mod serve;
pub(crate) mod service;
mod stalled;
pub mod tls;
