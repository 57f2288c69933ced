//! Judging what was touched: hours and excursions brought in line with the readings.
//!
//! Whoever keeps a reading, a limit or an offset marks the place in the same commit. The judge leases marks in a short transaction, because
//! whoever posts for those places waits for it, and judges each place in a transaction of its own. A judge that dies leaves its leases to
//! the next.
//!
//! Whoever posts one reading after the other for a place need not look at its mark each time: leases are counted, and a mark that was seen
//! at a count stands while the count is the same and no lease is on its way.

mod dirty;
mod hours;

pub(crate) use dirty::DirtyFarms;

use self::dirty::lease;

use chrono::{DateTime, Utc};
use gillbook_core::text::PlaceCode;
use tokio::sync::broadcast;

use crate::{Actor, FarmId, Result, Store, tenancy::FarmsSetting, transaction};

/// The most places that are judged in one round.
const PLACES_PER_ROUND: i64 = 500;
/// The most farms whose marks are leased at once. A lease is short, because whoever posts for them waits for it.
const FARMS_PER_LEASE: usize = 200;

fn evaluator_of(farm: FarmId) -> Actor {
    Actor::program(farm, "judge")
}

impl Store {
    /// Rung when something was touched.
    #[tracing::instrument(level = "debug", name = "store.cold.dirty_notified", skip_all)]
    pub async fn dirty_notified(&self) {
        self.dirty_farms.bell.notified().await;
    }

    /// Says that a farm was touched, so that the judge looks there next.
    pub fn mark_dirty(&self, farm: FarmId) {
        self.dirty_farms.notify([farm]);
    }

    /// Every place that is judged from now on.
    #[must_use]
    pub fn subscribe_evaluated(&self) -> broadcast::Receiver<(FarmId, PlaceCode)> {
        self.evaluated_tx.subscribe()
    }

    /// Judges what this program touched since it was last asked. Returns how many places were judged.
    ///
    /// # Errors
    /// When the database fails; what is left then is found by [`Store::evaluate_all_dirty`].
    #[tracing::instrument(level = "debug", name = "store.cold.evaluate_dirty", skip_all)]
    pub async fn evaluate_dirty(&self, now: DateTime<Utc>) -> Result<usize> {
        let judged = self.evaluate_farms(&self.dirty_farms.take(), now).await;
        self.dirty_farms.waiting().in_hand = None;
        judged
    }

    /// Judges what is marked on any farm, whoever touched it. Returns how many places were judged.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.evaluate_all_dirty", skip_all)]
    pub async fn evaluate_all_dirty(&self, now: DateTime<Utc>) -> Result<usize> {
        let mut db = self.begin_across_all().await?;
        let farms =
            sqlx::query_scalar!(r#"select distinct farm_id as "farm_id: FarmId" from dirty_range order by farm_id"#)
                .fetch_all(&mut *db)
                .await?;
        db.commit().await?;
        self.evaluate_farms(&farms, now).await
    }

    async fn evaluate_farms(&self, farms: &[FarmId], now: DateTime<Utc>) -> Result<usize> {
        let mut judged = 0;
        for some in farms.chunks(FARMS_PER_LEASE) {
            let setting = FarmsSetting::of(some.iter().copied());
            let mut db = self.begin_across(&setting).await?;
            // A place that another judge has in hand keeps its mark for the next time.
            let in_hand = sqlx::query!(
                r#"select farm_id, place as "place: PlaceCode" from dirty_range where leased for update skip locked"#
            )
            .fetch_all(&mut *db)
            .await?;
            lease(&mut db, some, None, in_hand.into_iter().map(|p| (p.farm_id, p.place))).await?;
            db.commit().await?;
            judged += self.drain_leased(&setting, now).await?;
        }
        Ok(judged)
    }

    async fn drain_leased(&self, farms: &FarmsSetting, now: DateTime<Utc>) -> Result<usize> {
        let mut judged = 0;
        loop {
            let mut db = self.begin_across(farms).await?;
            let places = sqlx::query!(
                r#"select farm_id as "farm_id: FarmId", place as "place: PlaceCode" from dirty_range where leased
                    order by through_at, farm_id, place limit $1"#,
                PLACES_PER_ROUND
            )
            .fetch_all(&mut *db)
            .await?;
            db.commit().await?;
            let before = judged;
            for p in &places {
                match self.evaluate_until_settled(p.farm_id, &p.place, now).await {
                    Ok(()) => judged += 1,
                    Err(error) if error.is_transient() => return Err(error),
                    // The others are judged all the same; this one keeps its lease.
                    Err(error) => {
                        tracing::error!(%error, farm = p.farm_id.0, place = p.place.as_str(), "not judged");
                    }
                }
            }
            if judged == before || i64::try_from(places.len()).is_ok_and(|n| n < PLACES_PER_ROUND) {
                return Ok(judged);
            }
        }
    }

    /// Judges one place, if it was touched, before somebody looks at it.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.evaluate_place", skip_all)]
    pub async fn evaluate_place(&self, farm: FarmId, place: &PlaceCode, now: DateTime<Utc>) -> Result<()> {
        let signed = evaluator_of(farm);
        let touched = transaction!(write, self, &signed, now, |tx| tx.lease_place(place).await)?;
        if touched {
            self.evaluate_until_settled(farm, place, now).await?;
        }
        Ok(())
    }

    async fn evaluate_until_settled(&self, farm: FarmId, place: &PlaceCode, now: DateTime<Utc>) -> Result<()> {
        let signed = evaluator_of(farm);
        while transaction!(write, self, &signed, now, |tx| tx.evaluate_leased_place(place).await)? {}
        self.evaluated_tx.send((farm, place.clone())).ok();
        Ok(())
    }

    /// Judges every touched place of a farm.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.evaluate_farm", skip_all)]
    pub async fn evaluate_farm(&self, farm: FarmId, now: DateTime<Utc>) -> Result<()> {
        let signed = evaluator_of(farm);
        let places = transaction!(write, self, &signed, now, |tx| tx.dirty_places().await)?;
        for place in &places {
            self.evaluate_place(farm, place, now).await?;
        }
        Ok(())
    }

    /// Opens what time alone opens, such as silence, on any farm. Returns at how many places.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.open_no_data_excursions", skip_all)]
    pub async fn open_no_data_excursions(&self, now: DateTime<Utc>) -> Result<usize> {
        let farms = self.farms_with_people().await?;
        let mut db = self.begin_across(&FarmsSetting::of(farms.iter().copied())).await?;
        let silent = sqlx::query!(
            r#"select farm_id as "farm_id!: FarmId", place as "place!: PlaceCode" from silent_places($1, $2)"#,
            &farms.iter().map(|farm| farm.0).collect::<Vec<_>>(),
            now
        )
        .fetch_all(&mut *db)
        .await?;
        db.commit().await?;
        let places = silent.len();
        for p in silent {
            let signed = evaluator_of(p.farm_id);
            transaction!(write, self, &signed, now, |tx| tx.open_no_data_of(&p.place).await)?;
            self.evaluated_tx.send((p.farm_id, p.place)).ok();
        }
        Ok(places)
    }
}
