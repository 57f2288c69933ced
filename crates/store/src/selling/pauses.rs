//! Pauses of standing orders.

use gillbook_core::{
    selling::standing_order::{Pause, StandingOrder, ensure_pause},
    text::StandingOrderCode,
};

use crate::{Result, Tx};

impl Tx {
    /// Pauses a standing order for some days. Orders of those days that follow it are called off.
    ///
    /// # Errors
    /// Refuses days that are over.
    #[tracing::instrument(level = "debug", name = "store.selling.pause_standing_order", skip_all, fields(farm_id = self.farm.0))]
    pub async fn pause_standing_order(&mut self, code: &StandingOrderCode, pause: &Pause) -> Result<StandingOrder> {
        self.lock_standing_orders(Some(code)).await?;
        ensure_pause(pause, self.standing_order(code).await?.pauses.len(), self.farm_day().await?)?;
        sqlx::query!(
            "insert into standing_order_pause (farm_id, standing_order, from_day, until_day, reason) values ($1, $2, $3, $4, $5)
                 on conflict (farm_id, standing_order, from_day, until_day) do update set reason = excluded.reason",
            self.farm.0,
            code.as_str(),
            pause.from.0,
            pause.until.0,
            pause.reason.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        self.raise_version(code).await?;
        self.updated(code).await
    }

    /// Takes back the pauses of a standing order from today on; what has been of one stays. Orders that were called off for them are confirmed again.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.selling.resume_standing_order", skip_all, fields(farm_id = self.farm.0))]
    pub async fn resume_standing_order(&mut self, code: &StandingOrderCode) -> Result<StandingOrder> {
        self.lock_standing_orders(Some(code)).await?;
        let today = self.farm_day().await?;
        sqlx::query!(
            "with gone as (delete from standing_order_pause where farm_id = $1 and standing_order = $2 and from_day >= $3)
             update standing_order_pause set until_day = $3 - 1
              where farm_id = $1 and standing_order = $2 and from_day < $3 and until_day >= $3",
            self.farm.0,
            code.as_str(),
            today
        )
        .execute(&mut *self.db)
        .await?;
        self.raise_version(code).await?;
        self.updated(code).await
    }

    async fn raise_version(&mut self, code: &StandingOrderCode) -> Result<()> {
        sqlx::query!(
            "update standing_order set version = version + 1 where farm_id = $1 and standing_order = $2",
            self.farm.0,
            code.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }
}
