//! Which farms have hours to evaluate, and the leases under which one program evaluates them.

use crate::{FarmId, Result, Tx};
use chrono::{DateTime, Utc};
use gillbook_core::text::PlaceCode;
use std::{
    collections::BTreeSet,
    sync::{Mutex, MutexGuard, PoisonError},
    time::{Duration, Instant},
};
use tokio::sync::Notify;

/// Farms that this program touched and has not looked at since. The marks themselves are in the database; this only says where to look
/// first.
#[derive(Debug, Default)]
pub(crate) struct DirtyFarms {
    waiting: Mutex<Waiting>,
    pub(super) bell: Notify,
}

#[derive(Debug, Default)]
pub(super) struct Waiting {
    farms: BTreeSet<FarmId>,
    /// Since when the first of them waits.
    since: Option<Instant>,
    /// Since when the first of those waited that are being evaluated.
    pub(super) in_hand: Option<Instant>,
}

impl DirtyFarms {
    pub(crate) fn notify(&self, farms: impl IntoIterator<Item = FarmId>) {
        let mut waiting = self.waiting();
        waiting.farms.extend(farms);
        waiting.since.get_or_insert_with(Instant::now);
        drop(waiting);
        self.bell.notify_one();
    }

    pub(super) fn take(&self) -> Vec<FarmId> {
        let mut waiting = self.waiting();
        waiting.in_hand = waiting.since.take();
        std::mem::take(&mut waiting.farms).into_iter().collect()
    }

    /// For how long the first touch has waited that is not evaluated; zero where none waits.
    pub(crate) fn lag(&self) -> Duration {
        let waiting = self.waiting();
        waiting.in_hand.into_iter().chain(waiting.since).map(|at| at.elapsed()).max().unwrap_or_default()
    }

    pub(super) fn waiting(&self) -> MutexGuard<'_, Waiting> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Turns marks of farms, which are given in order, into leases: of one place or of all. Leases that are there already are widened where this
/// transaction has them locked, `in_hand`; the marks beside others are left, because whoever posts would wait as long as the judge that has
/// those.
pub(super) async fn lease(
    db: &mut sqlx::PgConnection,
    farms: &[FarmId],
    place: Option<&PlaceCode>,
    in_hand: impl Iterator<Item = (i32, PlaceCode)>,
) -> Result<()> {
    let farms: Vec<i32> = farms.iter().map(|farm| farm.0).collect();
    sqlx::query!("select begin_lease($1)", &farms).fetch_one(&mut *db).await?;
    let (in_hand_farms, in_hand_places): (Vec<_>, Vec<_>) =
        in_hand.map(|(farm, place)| (farm, place.to_string())).unzip();
    // Locked in the order in which whoever posts locks them.
    sqlx::query!(
        r#"with marked as materialized (
               select m.farm_id, m.place from dirty_range m
                where not m.leased and m.farm_id = any ($1) and ($2::text is null or m.place = $2)
                  and ((m.farm_id, m.place) in (select * from unnest($3::int[], $4::text[]))
                       or not exists (select from dirty_range c where c.leased and (c.farm_id, c.place) = (m.farm_id, m.place)))
                order by m.farm_id, m.place collate "C" for update of m),
           mark as (
               delete from dirty_range t using marked m where not t.leased and (t.farm_id, t.place) = (m.farm_id, m.place) returning t.*)
           insert into dirty_range as t (farm_id, place, leased, from_at, through_at)
           select farm_id, place, true, from_at, through_at from mark order by farm_id, place
           on conflict (farm_id, place, leased) do update
              set from_at = least(t.from_at, excluded.from_at), through_at = greatest(t.through_at, excluded.through_at)"#,
        &farms,
        place.map(PlaceCode::as_str),
        &in_hand_farms,
        &in_hand_places
    )
    .execute(db)
    .await?;
    Ok(())
}

impl Tx {
    /// Marks a place: what was judged from an instant on, at least through another, is judged again.
    pub(crate) async fn mark_dirty(
        &mut self,
        place: &PlaceCode,
        from: DateTime<Utc>,
        through: DateTime<Utc>,
    ) -> Result<()> {
        sqlx::query!(
            "insert into dirty_range as t (farm_id, place, leased, from_at, through_at) values ($1, $2, false, $3, $4)
             on conflict (farm_id, place, leased) do update
                set from_at = least(t.from_at, excluded.from_at), through_at = greatest(t.through_at, excluded.through_at)",
            self.farm.0,
            place.as_str(),
            from,
            through
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    pub(super) async fn lease_place(&mut self, place: &PlaceCode) -> Result<bool> {
        let farm = self.farm;
        // Waits for a judge that has it in hand before the mark is locked, so that nobody who posts waits with it.
        let in_hand = sqlx::query_scalar!(
            "select farm_id from dirty_range where farm_id = $1 and place = $2 and leased for update",
            farm.0,
            place.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        lease(&mut self.db, &[farm], Some(place), in_hand.into_iter().map(|farm| (farm, place.clone()))).await?;
        Ok(sqlx::query_scalar!(
            r#"select exists (select from dirty_range where farm_id = $1 and place = $2) as "there!""#,
            farm.0,
            place.as_str()
        )
        .fetch_one(&mut *self.db)
        .await?)
    }

    pub(super) async fn dirty_places(&mut self) -> Result<Vec<PlaceCode>> {
        Ok(sqlx::query_scalar!(
            r#"select distinct place as "place: PlaceCode" from dirty_range where farm_id = $1"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?)
    }
}
