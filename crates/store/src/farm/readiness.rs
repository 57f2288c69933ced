//! What a farm has so far, of what it needs before its first weighing, docket and temperature record.

use crate::{Result, Tx};

/// Whether there is at least one of each.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(clippy::struct_excessive_bools, reason = "one answer for each thing")]
pub struct Readiness {
    /// A strain.
    pub strain: bool,
    /// A recipe.
    pub recipe: bool,
    /// A fruiting room.
    pub fruiting_room: bool,
    /// A crate with its tare.
    pub crate_kind: bool,
    /// A fridge.
    pub fridge: bool,
    /// A batch.
    pub batch: bool,
    /// A product.
    pub product: bool,
    /// A price in force.
    pub price: bool,
    /// Days to best before.
    pub best_before: bool,
    /// A customer.
    pub customer: bool,
    /// A limit by a rule that the farm entered itself, and not an example.
    pub own_limit: bool,
    /// A probe.
    pub probe: bool,
    /// A reading of it.
    pub reading: bool,
}

impl Tx {
    /// What the farm has so far.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.farm.readiness", skip_all, fields(farm_id = self.farm.0))]
    pub async fn readiness(&mut self) -> Result<Readiness> {
        Ok(sqlx::query_as!(
            Readiness,
            r#"select exists (select from strain where farm_id = $1) as "strain!",
                      exists (select from recipe where farm_id = $1) as "recipe!",
                      exists (select from room where farm_id = $1 and kind = 'fruiting') as "fruiting_room!",
                      exists (select from crate where farm_id = $1) as "crate_kind!",
                      exists (select from place where farm_id = $1 and kind = 'fridge') as "fridge!",
                      exists (select from batch where farm_id = $1) as "batch!",
                      exists (select from product where farm_id = $1) as "product!",
                      exists (select from price_list l cross join lateral prices_in_force($1, l.price_list, $2) where l.farm_id = $1) as "price!",
                      exists (select from best_before_rule where farm_id = $1 and effective_from <= $2) as "best_before!",
                      exists (select from customer where farm_id = $1) as "customer!",
                      exists (select from place_limit where farm_id = $1 and not example and effective_from <= $2) as "own_limit!",
                      exists (select from probe where farm_id = $1) as "probe!",
                      exists (select from probe p
                                cross join lateral (select from reading r where r.farm_id = $1 and r.probe_id = p.probe_id limit 1) first
                                where p.farm_id = $1) as "reading!""#,
            self.farm.0,
            self.now
        )
        .fetch_one(&mut *self.db)
        .await?)
    }
}
