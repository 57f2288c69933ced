//! Holds: nothing of a lot on hold leaves but to waste or to a test, until the owner releases it.
//!
//! The database has the last word (`lot_hold_kept`): it lets no grams of a held lot go and none be set aside. Here is what people do: a
//! hold takes every lot that was made of the lot with it and releases what was set aside of them, a child of a held lot begins on hold,
//! and a release is of one lot.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use gillbook_core::{
    kinds::LotEventKind,
    ledger::{entry::PlannedLot, trace::TraceFrom},
    refusal::{Refusal, RefusalKind},
    text::{BatchCode, LotCode, OrderCode, PlaceCode, RecallCode, Short},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Result, Tx,
    heads::Heads,
    ledger::{
        lots::{Lot, NewLotEvent},
        posting::LotEvent,
    },
};

/// A hold that lasts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Hold {
    /// Why.
    pub reason: String,
    /// Since when.
    pub since: DateTime<Utc>,
    /// By whom.
    pub done_by: String,
    /// Who was signed in.
    pub entered_by: String,
    /// The excursion that it is for.
    pub excursion_id: Option<Uuid>,
    /// The recall that it is for.
    pub recall: Option<RecallCode>,
    /// The batch that it was put on hold with.
    pub batch: Option<BatchCode>,
}

/// A lot that was put on hold, and what went with it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct HeldLot {
    /// The lot.
    #[serde(flatten)]
    pub lot: Lot,
    /// Lots that were made of it and are held with it.
    pub held_with: Vec<LotCode>,
    /// Orders that went short: what was set aside of these lots was released.
    pub orders_short: Vec<OrderCode>,
}

/// A hold or a release to be written down.
#[derive(Clone, Copy)]
pub(crate) struct NewHoldEvent<'a> {
    pub reason: &'a str,
    pub at: DateTime<Utc>,
    pub by: Option<&'a Short>,
    /// The warm spell, the recall or the batch that it is for.
    pub document: Option<&'a str>,
}

impl<'a> NewHoldEvent<'a> {
    /// The hold of one lot.
    pub(crate) const fn hold(self, lot: PlannedLot) -> LotEvent<'a> {
        self.of(LotEventKind::Hold, lot)
    }

    const fn of(self, kind: LotEventKind, lot: PlannedLot) -> LotEvent<'a> {
        LotEvent { lot, kind, reason: self.reason, happened_at: self.at, by: self.by, document: self.document }
    }
}

/// What a start of a trace touched, locked.
pub(crate) struct Affected {
    /// The batch, or those of the sterilising run; none of another start.
    pub batches: Vec<BatchCode>,
    /// The lots.
    pub lots: Vec<LotCode>,
    /// They, and what was made of them.
    pub family: Vec<LotCode>,
}

/// A hold or a release, as it was written down.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HoldEvent {
    /// Hold or release.
    pub kind: LotEventKind,
    /// Why.
    pub reason: String,
    /// When.
    pub happened_at: DateTime<Utc>,
    /// By whom.
    pub done_by: String,
}

impl Tx {
    /// Every hold and release of a lot, oldest first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.hold_history", skip_all, fields(farm_id = self.farm.0))]
    pub async fn hold_history(&mut self, lot: &LotCode) -> Result<Vec<HoldEvent>> {
        Ok(sqlx::query_as!(
            HoldEvent,
            r#"select kind as "kind: _", reason, happened_at, done_by from lot_event
                where farm_id = $1 and lot = $2 and kind in ('hold', 'release') order by seq"#,
            self.farm.0,
            lot.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Holds a lot, and every lot that was made of it: nothing of them leaves but to waste or a test until they are released. What was set
    /// aside of them is released, so that the orders show short.
    ///
    /// # Errors
    /// Refuses a lot that is not there or is on hold.
    #[tracing::instrument(level = "debug", name = "store.ledger.hold_lot", skip_all, fields(farm_id = self.farm.0))]
    pub async fn hold_lot(&mut self, code: &LotCode, new: &NewLotEvent) -> Result<HeldLot> {
        let at = self.occurred_at(new.happened_at, "/happened_at")?;
        self.lot_exists(code).await?;
        let family = self.lock_made_of(std::slice::from_ref(code), &[]).await?;
        if let Some(hold) = self.holds_of(&[code.to_string()]).await?.remove(code) {
            let detail = format!("Lot {code} is on hold already: {}. This reason was not written down.", hold.reason);
            return Err(Refusal::new(RefusalKind::Closed, detail).into());
        }
        let hold = NewHoldEvent { reason: new.reason.as_str(), at, by: new.by.as_ref(), document: None };
        let held = self.hold_locked(&family, &hold).await?;
        let orders_short = self.release_set_aside_of(&family, None).await?;
        Ok(HeldLot {
            lot: self.lot(code).await?,
            held_with: held.into_iter().filter(|l| l != code).collect(),
            orders_short,
        })
    }

    /// Releases one lot from hold. Lots that were held with it stay on hold until each is released.
    ///
    /// # Errors
    /// Refuses a lot that is not there or not on hold, and whoever is not signed in themselves.
    #[tracing::instrument(level = "debug", name = "store.ledger.release_lot", skip_all, fields(farm_id = self.farm.0))]
    pub async fn release_lot(&mut self, code: &LotCode, new: &NewLotEvent) -> Result<Lot> {
        self.authoriser("Releasing a hold")?;
        let at = self.occurred_at(new.happened_at, "/happened_at")?;
        // Whoever holds, wastes or sends at this moment has the same locks.
        self.lock_lots(std::slice::from_ref(code)).await?;
        if !self.lot_facts(code).await?.on_hold {
            return Err(Refusal::new(RefusalKind::Closed, format!("Lot {code} is not on hold.")).into());
        }
        if let Some(recall) = self.recall_that_holds(code).await? {
            let detail = format!("Lot {code} is recalled by {recall}. It can be released when that has ended.");
            return Err(Refusal::new(RefusalKind::Closed, detail).into());
        }
        if let Some(batch) = self.other_batch_that_holds(code).await? {
            let detail = format!(
                "Lot {code} has mushrooms of batch {batch}, which is on hold as well. Release that batch first."
            );
            return Err(Refusal::new(RefusalKind::Closed, detail).into());
        }
        let release = NewHoldEvent { reason: new.reason.as_str(), at, by: new.by.as_ref(), document: None };
        self.release_locked(std::slice::from_ref(code), &release).await?;
        self.lot(code).await
    }

    /// A batch on hold that a lot, or what it was made of, was weighed of, but for the one that its own hold names: what is on hold for that alone
    /// the owner may release before the rest of it.
    async fn other_batch_that_holds(&mut self, lot: &LotCode) -> Result<Option<BatchCode>> {
        Ok(sqlx::query_scalar!(
            r#"with recursive up(lot) as (
                   select $2::text
                   union
                   select k.parent from up join lot_kin k on k.farm_id = $1 and k.child = up.lot
                    where not exists (select from act x where x.farm_id = k.farm_id and x.reverses = k.act_id))
               select h.batch as "batch!: BatchCode" from up join weighing w on w.farm_id = $1 and w.lot = up.lot
                 join weighing_source s on s.farm_id = $1 and s.act_id = w.act_id
                 join batch_hold h on h.farm_id = $1 and h.batch = s.batch
                where not exists (select from act x where x.farm_id = $1 and x.reverses = w.act_id)
                  and h.batch is distinct from (select o.batch from lot_hold o where o.farm_id = $1 and o.lot = $2)
                order by h.batch limit 1"#,
            self.farm.0,
            lot.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?)
    }

    /// A recall under way that has a lot on hold, itself or what it was made of.
    async fn recall_that_holds(&mut self, lot: &LotCode) -> Result<Option<RecallCode>> {
        Ok(sqlx::query_scalar!(
            r#"with recursive up(lot) as (
                   select $2::text
                   union
                   select k.parent from up join lot_kin k on k.farm_id = $1 and k.child = up.lot
                    where not exists (select from act x where x.farm_id = k.farm_id and x.reverses = k.act_id))
               select r.recall as "recall!: RecallCode" from up join lot_recalled r on r.farm_id = $1 and r.lot = up.lot
                order by r.started_at limit 1"#,
            self.farm.0,
            lot.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?)
    }

    /// Those of some lots that nothing holds any more when what put them on hold ends: a recall, a batch's hold, named by `documents`. Neither they
    /// nor what they were made of are held for another reason: by another recall that has not let go, by a batch that is on hold still, or by what
    /// was decided of a warm spell since. What a recall that ended did not let go stays until somebody releases it.
    pub(crate) async fn releasable(&mut self, documents: &[String], lots: &[LotCode]) -> Result<Vec<LotCode>> {
        let lots: Vec<String> = lots.iter().map(ToString::to_string).collect();
        Ok(sqlx::query_scalar!(
            r#"with recursive own(lot, since) as (
                   select e.lot, e.recorded_at from lot_event e
                    where e.farm_id = $1 and e.lot = any ($3) and e.kind = 'hold'
                      and (e.document = any ($2) or exists (select from recall_end d where d.farm_id = $1 and d.recall = e.document and d.released))
                      and not exists (select from lot_event n where n.farm_id = $1 and n.lot = e.lot and n.kind = 'release' and n.seq > e.seq)),
               up(lot, kin) as (
                   select lot, lot from own
                   union
                   select up.lot, k.parent from up join lot_kin k on k.farm_id = $1 and k.child = up.kin
                    where not exists (select from act x where x.farm_id = k.farm_id and x.reverses = k.act_id))
               select o.lot as "lot!: LotCode" from own o
                where not exists (
                          select from up where up.lot = o.lot and (
                              exists (select from recall_lot l join recall_under_way r using (farm_id, recall)
                                       where l.farm_id = $1 and l.lot = up.kin and r.holds and r.recall <> all ($2))
                              or exists (select from recall_lot l join recall r using (farm_id, recall) join recall_end d using (farm_id, recall)
                                          where l.farm_id = $1 and l.lot = up.kin and r.holds and not d.released and r.recall <> all ($2)
                                            and not exists (select from lot_event n where n.farm_id = $1 and n.lot = up.kin and n.kind = 'release'
                                                               and n.recorded_at > d.ended_at))
                              or exists (select from weighing w join weighing_source s on s.farm_id = $1 and s.act_id = w.act_id
                                           join batch_hold h on h.farm_id = $1 and h.batch = s.batch
                                          where w.farm_id = $1 and w.lot = up.kin
                                            and not exists (select from act x where x.farm_id = $1 and x.reverses = w.act_id))
                              or (lot_held_since($1, up.kin) is not null and not exists (select from own p where p.lot = up.kin))
                              or exists (select from excursion_action_lot q join excursion_action a using (farm_id, action_id)
                                          where q.farm_id = $1 and coalesce(q.set_apart, q.lot) = up.kin and a.food = 'held'
                                            and a.recorded_at >= coalesce((select min(p.since) from own p where p.lot = up.kin), o.since))))
                order by o.lot"#,
            self.farm.0,
            documents,
            &lots
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// The lots that are on hold for something.
    pub(crate) async fn lots_held_for(&mut self, documents: &[String]) -> Result<Vec<LotCode>> {
        Ok(sqlx::query_scalar!(
            r#"select h.lot as "lot!: LotCode" from lot_hold h
                where h.farm_id = $1 and h.document = any ($2)
                  and h.lot in (select e.lot from lot_event e where e.farm_id = $1 and e.document = any ($2)) order by h.lot"#,
            self.farm.0,
            documents
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Puts lots on hold that are not yet. Call with them locked. Gives those that were not.
    pub(crate) async fn hold_locked(&mut self, lots: &[LotCode], hold: &NewHoldEvent<'_>) -> Result<Vec<LotCode>> {
        let events: Vec<LotEvent> = lots.iter().map(|lot| hold.hold(lot.clone().into())).collect();
        self.post_lot_events(&events).await
    }

    /// Releases lots that are on hold. Call with them locked.
    pub(crate) async fn release_locked(&mut self, lots: &[LotCode], release: &NewHoldEvent<'_>) -> Result<()> {
        let of = |lot: &LotCode| release.of(LotEventKind::Release, lot.clone().into());
        self.post_lot_events(&lots.iter().map(of).collect::<Vec<_>>()).await?;
        Ok(())
    }

    /// Refuses lots that are on hold. Call with the lots locked.
    pub(crate) async fn ensure_not_on_hold(&mut self, lots: &[LotCode]) -> Result<()> {
        let lots: Vec<String> = lots.iter().map(ToString::to_string).collect();
        match self.holds_of(&lots).await?.pop_first() {
            None => Ok(()),
            Some((lot, hold)) => Err(Refusal::on_hold(lot, &hold.reason).into()),
        }
    }

    /// The holds of those lots that are on hold.
    pub(crate) async fn holds_of(&mut self, lots: &[String]) -> Result<BTreeMap<LotCode, Hold>> {
        let rows = sqlx::query!(
            r#"select h.lot as "lot!: LotCode", h.reason as "reason!", h.happened_at as "since!", h.done_by as "done_by!", h.entered_by as "entered_by!",
                      h.excursion_id, h.recall as "recall: RecallCode", h.batch as "batch: BatchCode"
                 from lot_hold h where h.farm_id = $1 and h.lot = any ($2)"#,
            self.farm.0,
            lots
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| {
                let hold = Hold {
                    reason: r.reason,
                    since: r.since,
                    done_by: r.done_by,
                    entered_by: r.entered_by,
                    excursion_id: r.excursion_id,
                    recall: r.recall,
                    batch: r.batch,
                };
                (r.lot, hold)
            })
            .collect())
    }

    /// Lots and every lot that was made of them.
    pub(crate) async fn made_of_them(&mut self, lots: &[LotCode]) -> Result<Vec<LotCode>> {
        let lots: Vec<String> = lots.iter().map(ToString::to_string).collect();
        Ok(sqlx::query_scalar!(
            r#"with recursive down(lot) as (
                   select unnest($2::text[])
                   union
                   select k.child from down join lot_kin k on k.farm_id = $1 and k.parent = down.lot
                    where not exists (select from act x where x.farm_id = k.farm_id and x.reverses = k.act_id))
               select lot as "lot!: LotCode" from down order by lot"#,
            self.farm.0,
            &lots
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Locks the batches and the lots that something touched, and what was made of them. Looks again until nothing has come in between.
    pub(crate) async fn lock_touched_by(&mut self, from: &TraceFrom) -> Result<Affected> {
        let (mut batches, mut lots) = (self.batches_of_start(from).await?, self.lots_touched_by(from).await?);
        loop {
            let family = self.lock_made_of(&lots, &batches).await?;
            let now = (self.batches_of_start(from).await?, self.lots_touched_by(from).await?);
            if now == (batches.clone(), lots.clone()) {
                return Ok(Affected { batches, lots, family });
            }
            (batches, lots) = now;
        }
    }

    /// Locks lots and batches, what was made of the lots, and before them the orders that have any of it set aside. Looks again until
    /// nothing has come in between. Gives all the lots.
    pub(crate) async fn lock_made_of(&mut self, lots: &[LotCode], batches: &[BatchCode]) -> Result<Vec<LotCode>> {
        let mut locked: Option<(Vec<LotCode>, Vec<OrderCode>)> = None;
        loop {
            let family = self.made_of_them(lots).await?;
            let orders = self.orders_with(&family).await?;
            if locked.as_ref().is_some_and(|(l, o)| *l == family && *o == orders) {
                return Ok(family);
            }
            self.lock(&Heads { orders: &orders, batches, lots: &family, ..Heads::default() }).await?;
            locked = Some((family, orders));
        }
    }

    /// The orders that have something of lots set aside.
    async fn orders_with(&mut self, lots: &[LotCode]) -> Result<Vec<OrderCode>> {
        let lots: Vec<String> = lots.iter().map(ToString::to_string).collect();
        Ok(sqlx::query_scalar!(
            r#"select distinct order_code as "order: OrderCode" from set_aside where farm_id = $1 and lot = any ($2) order by 1"#,
            self.farm.0,
            &lots
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Releases what is set aside of lots, everywhere or at one place, and gives the orders that are short by it.
    pub(crate) async fn release_set_aside_of(
        &mut self,
        lots: &[LotCode],
        place: Option<&PlaceCode>,
    ) -> Result<Vec<OrderCode>> {
        let lots: Vec<String> = lots.iter().map(ToString::to_string).collect();
        let mut orders = sqlx::query_scalar!(
            r#"delete from set_aside where farm_id = $1 and lot = any ($2) and ($3::text is null or place = $3)
               returning order_code as "order: OrderCode""#,
            self.farm.0,
            &lots,
            place.map(PlaceCode::as_str)
        )
        .fetch_all(&mut *self.db)
        .await?;
        orders.sort_unstable();
        orders.dedup();
        Ok(orders)
    }
}
