//! The way of a reading from the queue to the commit.
//!
//! 1. *Group commit* (`group_commit.rs`). A post that comes alone commits at once, in its own task; while a commit is in flight others queue and
//!    share the next one. A large pack is a commit of its own. A post is answered after the commit that has it.
//! 2. *Probes* (`readings.rs`). Names are resolved to numbers by a cache; the partitions of the months are made before the transaction, because
//!    making one is locked for all farms.
//! 3. *One batch* (`insert_batch.rs`). Records are validated, doubled ones joined, and all inserted with their dirty ranges in one statement, in
//!    one transaction over all farms of the batch. If the database refuses the batch it is halved until the one that is refused stands alone.
//! 4. *Pinned connections* (`pinned.rs`). A lone reading costs one round trip, no more than giving a connection back to the pool and taking it
//!    again would; so up to two connections stay out between commits, scoped to the farms that they saw last.
//!
//! ## Dirty ranges and leases
//!
//! A commit that inserts a reading also sees to it that a row of `dirty_range` covers its hour: that is how the evaluator learns of it. Most
//! readings fall into an hour that is dirty already, so a pinned connection remembers one range that it has seen and skips the row. It may do so
//! only while the row is still there, and the evaluator takes rows away (it turns them into leases). So:
//!
//! - a lease takes the farm's advisory lock exclusively, then raises the sequence `place_lease`, then takes the rows, all in one transaction;
//! - a commit that skips takes the same lock shared, without waiting, until its own commit, and compares the sequence with the one that it had read,
//!   under the lock, when it saw the row (`marks_valid`).
//!
//! If the lock is to be had and the sequence is unchanged, no lease has begun since the row was seen: one that had begun before would have
//! raised the sequence, and one that begins later waits until the reading is committed, and then evaluates it. In any other case the row is looked
//! for anew, in the statement that inserts.

pub mod group_commit;
pub(crate) mod insert_batch;
pub(crate) mod pinned;
