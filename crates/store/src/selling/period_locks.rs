//! Periods that are locked.

use gillbook_core::selling::period_lock::{NewPeriodLock, PeriodLock, ensure_over};

use crate::{Pagination, Result, Tx};

impl Tx {
    /// Locks the books up to a day: from then on no money and no goods that are sold are entered with a day of it.
    ///
    /// # Errors
    /// As [`ensure_over`] decides.
    #[tracing::instrument(level = "debug", name = "store.selling.lock_period", skip_all, fields(farm_id = self.farm.0))]
    pub async fn lock_period(&mut self, new: &NewPeriodLock) -> Result<PeriodLock> {
        ensure_over(new, self.farm_day().await?)?;
        let lock =
            PeriodLock { locked_until: new.locked_until.0, locked_at: self.now, entered_by: self.actor.name.clone() };
        sqlx::query!(
            "with alone as (select lock_list($1, 'period_lock', true))
             insert into period_lock (farm_id, locked_at, locked_until, entered_by) select $1, $2, $3, $4 from alone",
            self.farm.0,
            lock.locked_at,
            lock.locked_until,
            lock.entered_by
        )
        .execute(&mut *self.db)
        .await?;
        Ok(lock)
    }

    /// How the books were locked, newest first: the first is the one that counts.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.period_locks", skip_all, fields(farm_id = self.farm.0))]
    pub async fn period_locks(&mut self, page: &Pagination) -> Result<Vec<PeriodLock>> {
        Ok(sqlx::query_as!(
            PeriodLock,
            "select locked_until, locked_at, entered_by from period_lock
              where farm_id = $1 and ($2::text is null or locked_at < $2::text::timestamptz) order by locked_at desc limit $3",
            self.farm.0,
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?)
    }
}
