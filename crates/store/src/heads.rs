//! Locking first: what a decision will stand on is locked before it is looked at, so that it is still true when the decision is written.
//!
//! A write calls [`Tx::lock`] with the heads of all that it will look at, fetches its facts in later statements (which see what was committed
//! while it waited), decides, and writes. Whatever could change the decision takes the same head, also where it only adds a row: a batch's
//! moves, losses and weighings take the batch; a hold takes the lots and the orders that have any of them; what brings grams to a stall
//! takes the stall, as does the close of its day; every write takes the farm's weeks, shared, and the close of one takes them alone. So of two
//! writes that would see each other one waits, and the result is that of one after the other. An order and its goods are locked by
//! `lock_order_goods`, which works out the lots behind the order's own lock.
//!
//! What is only read, and may as well have been read a moment earlier (prices, tares, a customer's terms, holds
//! elsewhere on the farm), has no head. An excursion has a lock of its own, taken before these (`excursions.rs`, `evaluation`).

use gillbook_core::text::{BatchCode, LotCode, OrderCode, PlaceCode};

use crate::{Result, Tx};

/// What a write stands on: nothing else changes it until the transaction ends. Of places only stalls are locked.
#[derive(Default)]
pub(crate) struct Heads<'a> {
    pub orders: &'a [OrderCode],
    pub places: &'a [PlaceCode],
    pub batches: &'a [BatchCode],
    pub lots: &'a [LotCode],
}

fn codes<T: ToString>(codes: &[T]) -> Vec<String> {
    codes.iter().map(ToString::to_string).collect()
}

impl Tx {
    /// Locks the heads that a decision stands on, in one order for everybody. Facts that were fetched before are to be fetched again.
    pub(crate) async fn lock(&mut self, heads: &Heads<'_>) -> Result<()> {
        sqlx::query!(
            "select lock_heads($1, $2, $3, $4, $5)",
            self.farm.0,
            &codes(heads.orders),
            &codes(heads.places),
            &codes(heads.batches),
            &codes(heads.lots)
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// Locks lots.
    pub(crate) async fn lock_lots(&mut self, lots: &[LotCode]) -> Result<()> {
        self.lock(&Heads { lots, ..Heads::default() }).await
    }
}
