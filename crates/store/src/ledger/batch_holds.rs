//! Holds of batches: mould on one block puts the whole batch on hold, with every lot that was weighed of it and all that was made of those.
//!
//! While it lasts no block of it is sold, and what is weighed of it is on hold as well, in lots of its own: the database sees to that
//! (`post_entry`). A recall of a batch, or of a sterilising run, holds its batches until it ends.

use gillbook_core::{
    kinds::LotEventKind,
    ledger::trace::TraceFrom,
    refusal::{Refusal, RefusalKind},
    text::{BatchCode, Line, LotCode, OrderCode, RecallCode, Short},
    units::calendar::Instant,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    Result, Tx,
    growing::batches::Batch,
    ledger::{
        holds::{HoldEvent, NewHoldEvent},
        lots::NewLotEvent,
    },
};

/// Why a batch is released.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewBatchRelease {
    /// Why.
    pub reason: Line,
    /// When; now unless said.
    pub happened_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
    /// Whether to release its lots, too, but for those that something else holds. They stay on hold unless said.
    #[serde(default)]
    pub release_lots: bool,
}

/// A batch that was put on hold, and what went with it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct HeldBatch {
    /// The batch.
    #[serde(flatten)]
    pub batch: Batch,
    /// Lots that were put on hold with it. Those that were on hold before are not among them.
    pub held_with: Vec<LotCode>,
    /// Orders that went short: what was set aside of these lots was released.
    pub orders_short: Vec<OrderCode>,
}

/// A batch that was released, and what went with it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ReleasedBatch {
    /// The batch.
    #[serde(flatten)]
    pub batch: Batch,
    /// Lots that were released with it.
    pub released_with: Vec<LotCode>,
}

/// What the hold of a lot names that it has from a batch, as the database writes it (`document_of_hold`).
fn document_of(batch: &BatchCode) -> String {
    format!("batch {batch}")
}

impl Tx {
    /// Every hold and release of a batch, oldest first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.batch_hold_history", skip_all, fields(farm_id = self.farm.0))]
    pub async fn batch_hold_history(&mut self, batch: &BatchCode) -> Result<Vec<HoldEvent>> {
        Ok(sqlx::query_as!(
            HoldEvent,
            r#"select kind as "kind: _", reason, happened_at, done_by from batch_event where farm_id = $1 and batch = $2 order by seq"#,
            self.farm.0,
            batch.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Holds a batch, every lot of it and all that was made of those. What was set aside of them is released, so that the orders show short.
    ///
    /// # Errors
    /// Refuses a batch that is not there or is on hold, and a time to come.
    #[tracing::instrument(level = "debug", name = "store.ledger.hold_batch", skip_all, fields(farm_id = self.farm.0))]
    pub async fn hold_batch(&mut self, code: &BatchCode, new: &NewLotEvent) -> Result<HeldBatch> {
        let at = self.occurred_at(new.happened_at, "/happened_at")?;
        let touched = self.lock_touched_by(&TraceFrom::Batch(code.clone())).await?;
        if let Some(hold) = self.batch(code).await?.hold {
            let detail = format!("Batch {code} is on hold already: {}. This reason was not written down.", hold.reason);
            return Err(Refusal::new(RefusalKind::Closed, detail).into());
        }
        let hold = NewHoldEvent { reason: new.reason.as_str(), at, by: new.by.as_ref(), document: None };
        self.post_batch_events(&touched.batches, LotEventKind::Hold, &hold).await?;
        let document = document_of(code);
        let hold = NewHoldEvent { document: Some(&document), ..hold };
        let held_with = self.hold_locked(&touched.family, &hold).await?;
        let orders_short = self.release_set_aside_of(&touched.family, None).await?;
        Ok(HeldBatch { batch: self.batch(code).await?, held_with, orders_short })
    }

    /// Releases a batch, and where that is asked for the lots that are on hold for it and for nothing else, also of a batch that was released
    /// without them.
    ///
    /// # Errors
    /// Refuses a batch that is not there, one that is not on hold and has no lot to release either, one that a recall under way starts from, a
    /// time to come, and anybody who is not signed in themselves.
    #[tracing::instrument(level = "debug", name = "store.ledger.release_batch", skip_all, fields(farm_id = self.farm.0))]
    pub async fn release_batch(&mut self, code: &BatchCode, new: &NewBatchRelease) -> Result<ReleasedBatch> {
        self.authoriser("Releasing a hold")?;
        let at = self.occurred_at(new.happened_at, "/happened_at")?;
        let touched = self.lock_touched_by(&TraceFrom::Batch(code.clone())).await?;
        if let Some(recall) = self.recall_of_batch(code).await? {
            let detail = format!("Batch {code} is recalled by {recall}. It can be released when that has ended.");
            return Err(Refusal::new(RefusalKind::Closed, detail).into());
        }
        let documents = self.documents_of(code).await?;
        let lots = if new.release_lots { self.lots_of_batch(code).await? } else { Vec::new() };
        let family = self.lock_made_of(&lots, &[]).await?;
        if self.batch(code).await?.hold.is_none() && self.releasable(&documents, &family).await?.is_empty() {
            return Err(Refusal::new(RefusalKind::Closed, format!("Batch {code} is not on hold.")).into());
        }
        let release = NewHoldEvent { reason: new.reason.as_str(), at, by: new.by.as_ref(), document: None };
        // First the batch: until then it holds its lots.
        self.post_batch_events(&touched.batches, LotEventKind::Release, &release).await?;
        let released_with = self.releasable(&documents, &family).await?;
        let document = document_of(code);
        self.release_locked(&released_with, &NewHoldEvent { document: Some(&document), ..release }).await?;
        Ok(ReleasedBatch { batch: self.batch(code).await?, released_with })
    }

    /// How many lots of a batch in stock are on hold; of one that is not on hold itself, those that nothing else holds.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.lots_on_hold_of", skip_all, fields(farm_id = self.farm.0))]
    pub async fn lots_on_hold_of(&mut self, batch: &Batch) -> Result<i64> {
        let mut lots = self.lots_of_batch(&batch.batch).await?;
        if batch.hold.is_none() {
            let documents = self.documents_of(&batch.batch).await?;
            lots = self.releasable(&documents, &lots).await?;
        }
        let lots: Vec<String> = lots.iter().map(ToString::to_string).collect();
        Ok(sqlx::query_scalar!(
            r#"select count(distinct b.lot) as "count!" from balance b join place p using (farm_id, place)
                where b.farm_id = $1 and b.lot = any ($2) and b.grams > 0 and p.kind in ('fridge', 'shelf', 'van', 'stall')
                  and lot_held_since(b.farm_id, b.lot) is not null"#,
            self.farm.0,
            &lots
        )
        .fetch_one(&mut *self.db)
        .await?)
    }

    /// The lots of a batch and what was made of them, and those that its hold took with it: a weighing that was taken back since had put its lot
    /// on hold, too.
    async fn lots_of_batch(&mut self, batch: &BatchCode) -> Result<Vec<LotCode>> {
        let mut lots = self.lots_touched_by(&TraceFrom::Batch(batch.clone())).await?;
        lots.extend(self.lots_held_for(&[document_of(batch)]).await?);
        self.made_of_them(&lots).await
    }

    /// What holds of lots may name that a batch has left to its owner: the batch, and the recalls that started from it, or from its
    /// sterilising run, and have ended.
    async fn documents_of(&mut self, batch: &BatchCode) -> Result<Vec<String>> {
        let mut documents = sqlx::query_scalar!(
            "select r.recall from recall r join recall_end using (farm_id, recall)
               join batch b on b.farm_id = r.farm_id and (r.starts_from = 'batch' and b.batch = r.code or r.starts_from = 'cook' and b.cook = r.code)
              where r.farm_id = $1 and b.batch = $2 order by r.started_at",
            self.farm.0,
            batch.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?;
        documents.push(document_of(batch));
        Ok(documents)
    }

    /// A recall under way that starts from a batch, or from its sterilising run, and holds.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.recall_of_batch", skip_all, fields(farm_id = self.farm.0))]
    pub async fn recall_of_batch(&mut self, batch: &BatchCode) -> Result<Option<RecallCode>> {
        Ok(sqlx::query_scalar!(
            r#"select recall as "recall!: RecallCode" from batch_recalled where farm_id = $1 and batch = $2 order by started_at limit 1"#,
            self.farm.0,
            batch.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?)
    }

    /// Holds or releases batches that are not held or released yet. Call with them locked.
    pub(crate) async fn post_batch_events(
        &mut self,
        batches: &[BatchCode],
        kind: LotEventKind,
        event: &NewHoldEvent<'_>,
    ) -> Result<()> {
        let batches: Vec<String> = batches.iter().map(ToString::to_string).collect();
        sqlx::query!(
            "insert into batch_event (farm_id, batch, seq, kind, reason, recall, happened_at, recorded_at, done_by, entered_by)
             select $1, b.batch, 1 + coalesce((select max(e.seq) from batch_event e where e.farm_id = $1 and e.batch = b.batch), 0),
                    $3, $4, $5, $6, $7, $8, $9
               from unnest($2::text[]) b(batch)
              where ($3 = 'hold') <> exists (select from batch_hold h where h.farm_id = $1 and h.batch = b.batch)",
            self.farm.0,
            &batches,
            kind.as_str(),
            event.reason,
            event.document,
            event.at,
            self.now,
            self.performed_by(event.by),
            self.actor.name
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }
}
