//! What bounds the outside: how much of anything is taken from a client, and for how long. Those of a pack of readings stand in
//! [`crate::senml`] and where posts are gathered, those of a list of lots beside the command that takes it.
//!
//! `deploy/bounds.md` tells them to operators; [`table`] is where it comes from, and a test compares the two.

use std::time::Duration;

/// The largest body of a request, in bytes: a pack of 10,000 readings is about half of it.
pub const MAX_BODY_BYTES: usize = 2 * 1024 * 1024;
/// The largest body of a request to sign in, in bytes: anybody may send one.
pub const MAX_SIGN_IN_BYTES: usize = 16 * 1024;
/// The longest that the next part of a body is waited for.
pub const MAX_BODY_WAIT: Duration = Duration::from_secs(10);
/// The longest that a request may take until its answer begins.
pub const MAX_REQUEST_TIME: Duration = Duration::from_mins(1);

/// The most connections at once, of everybody.
pub const MAX_CONNECTIONS: usize = 1024;
/// The most connections at once from one address. Those of this machine, where a proxy is, are not counted.
pub const MAX_CONNECTIONS_PER_ADDRESS: usize = 128;
/// The longest that a request's head may take to arrive, and that a connection rests between two requests.
pub const MAX_HEAD_TIME: Duration = Duration::from_secs(10);
/// The longest that an answer may wait for the other side to take the next part of it.
pub const MAX_WRITE_TIME: Duration = Duration::from_secs(30);
/// The longest that open requests are waited for when the service stops.
pub const MAX_STOP_TIME: Duration = Duration::from_secs(20);
/// The most live streams at once.
pub const MAX_STREAMS: usize = 256;
/// How often the follower of a live stream is checked for being signed in still.
pub const STREAM_SESSION_CHECK: Duration = Duration::from_mins(1);

/// Tries to sign in with one name, a minute, from wherever.
pub const MAX_SIGN_INS_PER_NAME: u32 = 10;
/// Tries to sign in from one address, a minute, whatever the names.
pub const MAX_SIGN_INS_PER_ADDRESS: u32 = 60;
/// Passphrases that are hashed at once. Each takes 19 MiB and some hundredths of a second.
pub const MAX_HASHES: usize = 2;
/// Passphrases that are hashed or wait for it.
pub const MAX_HASHES_WAITING: usize = 16;

/// Rules of standing orders that are held against the calendar at once. One that has no day takes half a second.
pub const MAX_RULE_CHECKS: usize = 1;
/// Rules that are checked or wait for it.
pub const MAX_RULE_CHECKS_WAITING: usize = 16;

/// Simulations of what can be promised that run at once.
pub const MAX_SIMULATIONS: usize = 2;
/// Simulations that run or wait for it.
pub const MAX_SIMULATIONS_WAITING: usize = 16;
/// Best plans that are searched for at once.
pub const MAX_SOLVERS: usize = 1;
/// Time that the search for a best plan has.
pub const MAX_SOLVER_TIME: Duration = Duration::from_secs(2);

/// Documents that are set at once.
pub const MAX_DOCUMENTS: usize = 2;
/// Documents that are set or wait for it.
pub const MAX_DOCUMENTS_WAITING: usize = 16;

/// Posts of readings that wait for their commit.
pub const MAX_POSTS_WAITING: usize = 4096;
/// Packs of 500 records and more that are kept or wait for it.
pub const MAX_LARGE_POSTS_WAITING: usize = 64;

/// The most receivers of notices on one farm.
pub const MAX_RECEIVERS: i64 = 50;
/// Notices that are on their way at once.
pub const MAX_NOTICES_IN_FLIGHT: usize = 8;
/// The longest that a receiver may take.
pub const MAX_NOTICE_TIME: Duration = Duration::from_secs(15);
/// The longest that a mail server may take for an e-mail with its documents.
pub const MAX_EMAIL_TIME: Duration = Duration::from_mins(1);
/// Tries after which a notice or an e-mail is given up, about two days on.
pub const MAX_NOTICE_TRIES: i32 = 12;

/// E-mails with documents that one farm may send within 24 hours.
pub const MAX_EMAILS_PER_DAY: i64 = 500;

/// How long it is remembered what a request with a key was answered.
pub const IDEMPOTENCY_DAYS: i64 = 90;
/// The length at which the log of the embedded database is begun anew; the one before is kept.
pub const MAX_DATABASE_LOG_BYTES: u64 = 8 * 1024 * 1024;

/// A bound: of what, how much, and what happens beyond it.
type Row = (&'static str, String, &'static str);

fn mib(bytes: u64) -> String {
    format!("{} MiB", bytes / 1024 / 1024)
}

fn seconds(time: Duration) -> String {
    format!("{} s", time.as_secs())
}

fn rows() -> Vec<Row> {
    vec![
        ("body of a request", mib(MAX_BODY_BYTES as u64), "413 `too-large`"),
        ("body of a request to sign in", format!("{} KiB", MAX_SIGN_IN_BYTES / 1024), "413 `too-large`"),
        (
            "time until the next part of a body arrives",
            seconds(MAX_BODY_WAIT),
            "400 `bad-request`, connection closed, nothing kept",
        ),
        ("time until an answer begins", seconds(MAX_REQUEST_TIME), "503, nothing kept"),
        ("connections", MAX_CONNECTIONS.to_string(), "wait to be accepted"),
        (
            "connections from one address, but for this machine's own",
            MAX_CONNECTIONS_PER_ADDRESS.to_string(),
            "closed at once",
        ),
        ("time for a request's head, and between two requests", seconds(MAX_HEAD_TIME), "connection closed"),
        ("time for the other side to take the next part of an answer", seconds(MAX_WRITE_TIME), "connection closed"),
        ("time for open requests when stopping", seconds(MAX_STOP_TIME), "connections cut"),
        ("live streams (`/api/events`)", MAX_STREAMS.to_string(), "503 `unavailable`, Retry-After"),
        ("life of a live stream whose person or token was removed", seconds(STREAM_SESSION_CHECK), "stream ended"),
        (
            "tries to sign in with one name, a minute",
            MAX_SIGN_INS_PER_NAME.to_string(),
            "429 `too-many`; a browser that signed in with this name before is let through",
        ),
        (
            "tries to sign in from one address, a minute",
            MAX_SIGN_INS_PER_ADDRESS.to_string(),
            "429 `too-many`; a browser that signed in with this name before is let through",
        ),
        ("passphrases hashed at once", MAX_HASHES.to_string(), "the next wait"),
        ("passphrases hashed or waiting", MAX_HASHES_WAITING.to_string(), "503 `unavailable`, Retry-After"),
        ("rules of standing orders checked at once", MAX_RULE_CHECKS.to_string(), "the next wait"),
        ("rules checked or waiting", MAX_RULE_CHECKS_WAITING.to_string(), "503 `unavailable`, Retry-After"),
        ("simulations of what can be promised at once", MAX_SIMULATIONS.to_string(), "the next wait"),
        ("simulations run or waiting", MAX_SIMULATIONS_WAITING.to_string(), "503 `unavailable`, Retry-After"),
        ("best plans for all orders searched for at once", MAX_SOLVERS.to_string(), "the next wait"),
        ("time to search for a best plan", seconds(MAX_SOLVER_TIME), "the best that was found stands, and says so"),
        ("documents (PDF) made at once", MAX_DOCUMENTS.to_string(), "the next wait"),
        ("documents made or waiting", MAX_DOCUMENTS_WAITING.to_string(), "503 `unavailable`, Retry-After"),
        ("posts of readings waiting", MAX_POSTS_WAITING.to_string(), "503 `unavailable`, Retry-After"),
        (
            "packs of 500 records and more, kept or waiting",
            MAX_LARGE_POSTS_WAITING.to_string(),
            "503 `unavailable`, Retry-After",
        ),
        ("receivers of notices on one farm", MAX_RECEIVERS.to_string(), "409 `closed`"),
        ("notices on their way, one a receiver", MAX_NOTICES_IN_FLIGHT.to_string(), "the next wait"),
        (
            "time for a receiver to take a notice",
            seconds(MAX_NOTICE_TIME),
            "tried again, each time twice as long after",
        ),
        ("time to take an e-mail with documents", seconds(MAX_EMAIL_TIME), "tried again, as a notice is"),
        ("tries to send a notice or an e-mail", MAX_NOTICE_TRIES.to_string(), "given up, after about two days"),
        ("e-mails with documents of one farm within a day", MAX_EMAILS_PER_DAY.to_string(), "429 `too-many`"),
        (
            "memory of the answer to a request with a key",
            format!("{IDEMPOTENCY_DAYS} days"),
            "forgotten; what carries an `id` of its own is never kept twice",
        ),
        (
            "log of the embedded database",
            mib(MAX_DATABASE_LOG_BYTES),
            "begun anew; the one before is kept as `database.log.before`",
        ),
    ]
}

/// The table of `deploy/bounds.md`, in Markdown.
#[must_use]
pub fn table() -> String {
    let rows: Vec<String> =
        rows().iter().map(|(what, limit, beyond)| format!("| {what} | {limit} | {beyond} |\n")).collect();
    format!("| bound | at most | beyond it |\n|---|---|---|\n{}", rows.concat())
}

#[cfg(test)]
mod tests {
    #[test]
    fn what_is_told_to_operators_is_what_holds() {
        let told = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../../deploy/bounds.md")).unwrap();
        assert!(told.contains(&super::table()), "deploy/bounds.md wants this table:\n{}", super::table());
    }
}
