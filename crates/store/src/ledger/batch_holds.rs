//! Holds of batches: mould on one block puts the whole batch on hold, with every lot that was weighed of it and all that was made of those.
//!
//! While it lasts nothing is harvested from it and no block of it is sold. What was picked before and is weighed late goes on hold as well. A
//! recall of a batch, or of a sterilising run, holds its batches until it ends.

use gillbook_core::{
    kinds::LotEventKind,
    ledger::trace::TraceFrom,
    refusal::{Refusal, RefusalKind},
    text::{BatchCode, Line, LotCode, OrderCode, Short},
    units::calendar::Instant,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    Result, Tx,
    growing::batches::Batch,
    heads::Heads,
    ledger::{holds::NewHold, posting::LotEvent},
};

/// Why a batch is put on hold.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewBatchHold {
    /// Why, such as green mould on a block.
    pub reason: Line,
    /// When it was found; now unless said.
    pub happened_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// Why a batch is released.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewBatchRelease {
    /// Why.
    pub reason: Line,
    /// Whether the lots go that are on hold for this batch alone. The others stay on hold, and so do all where nothing is said.
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

/// What a lot's hold names as its reason's document: no code of a batch can be a recall's or a warm spell's.
fn document_of(batch: &BatchCode) -> String {
    format!("batch {batch}")
}

impl Tx {
    /// Holds a batch, every lot of it and all that was made of those. What was set aside of them is released, so that the orders show short.
    ///
    /// # Errors
    /// Refuses a batch that is not there or is on hold, and a time to come.
    #[tracing::instrument(level = "debug", name = "store.ledger.hold_batch", skip_all, fields(farm_id = self.farm.0))]
    pub async fn hold_batch(&mut self, code: &BatchCode, new: &NewBatchHold) -> Result<HeldBatch> {
        let at = self.occurred_at(new.happened_at, "/happened_at")?;
        // Whoever weighs of it or sells a block of it has the same lock.
        self.lock(&Heads { batches: std::slice::from_ref(code), ..Heads::default() }).await?;
        if self.batch(code).await?.hold.is_some() {
            return Err(Refusal::new(RefusalKind::Closed, format!("Batch {code} is on hold already.")).into());
        }
        let lots = self.lots_touched_by(&TraceFrom::Batch(code.clone())).await?;
        let family = self.lock_made_of(&lots).await?;
        let hold = NewHold { reason: new.reason.as_str(), at, by: new.by.as_ref(), document: None };
        self.post_batch_events(std::slice::from_ref(code), true, &hold).await?;
        let document = document_of(code);
        let held_with = self.hold_locked(&family, &NewHold { document: Some(&document), ..hold }).await?;
        let orders_short = self.release_set_aside_of(&family, None).await?;
        Ok(HeldBatch { batch: self.batch(code).await?, held_with, orders_short })
    }

    /// Releases a batch, and where that is asked for the lots that are on hold for it and for nothing else.
    ///
    /// # Errors
    /// Refuses a batch that is not there or not on hold, one that a recall under way holds, and whoever is not signed in themselves.
    #[tracing::instrument(level = "debug", name = "store.ledger.release_batch", skip_all, fields(farm_id = self.farm.0))]
    pub async fn release_batch(&mut self, code: &BatchCode, new: &NewBatchRelease) -> Result<ReleasedBatch> {
        self.authoriser("Releasing a hold")?;
        self.lock(&Heads { batches: std::slice::from_ref(code), ..Heads::default() }).await?;
        let Some(hold) = self.batch(code).await?.hold else {
            return Err(Refusal::new(RefusalKind::Closed, format!("Batch {code} is not on hold.")).into());
        };
        let lots = self.lots_touched_by(&TraceFrom::Batch(code.clone())).await?;
        let family = self.lock_made_of(&lots).await?;
        if let Some(recall) = &hold.recall
            && self.recall_lasts(recall).await?
        {
            let detail = format!("Batch {code} is recalled by {recall}. It can be released when that has ended.");
            return Err(Refusal::new(RefusalKind::Closed, detail).into());
        }
        let release = NewHold { reason: new.reason.as_str(), at: self.now, by: None, document: None };
        self.post_batch_events(std::slice::from_ref(code), false, &release).await?;
        let mut released_with = Vec::new();
        if new.release_lots {
            let document = document_of(code);
            released_with = self.free_of(&document, &family).await?;
            let releases: Vec<LotEvent> = released_with
                .iter()
                .map(|lot| LotEvent {
                    kind: LotEventKind::Release,
                    ..NewHold { document: Some(&document), ..release }.of(lot.clone().into())
                })
                .collect();
            self.post_lot_events(&releases).await?;
        }
        Ok(ReleasedBatch { batch: self.batch(code).await?, released_with })
    }

    /// Holds or releases batches that are not held or released yet. Call with them locked.
    pub(crate) async fn post_batch_events(
        &mut self,
        batches: &[BatchCode],
        held: bool,
        event: &NewHold<'_>,
    ) -> Result<()> {
        let batches: Vec<String> = batches.iter().map(ToString::to_string).collect();
        sqlx::query!(
            "insert into batch_event (farm_id, batch, seq, held, reason, document, happened_at, recorded_at, done_by, entered_by)
             select $1, b.batch, 1 + coalesce((select max(e.seq) from batch_event e where e.farm_id = $1 and e.batch = b.batch), 0),
                    $3, $4, $5, $6, $7, $8, $9
               from unnest($2::text[]) b(batch)
              where $3 <> exists (select from batch_hold h where h.farm_id = $1 and h.batch = b.batch)",
            self.farm.0,
            &batches,
            held,
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

    /// Puts a lot on hold, and what was made of it, as something of a batch on hold was weighed into it.
    pub(crate) async fn hold_with_batch(&mut self, lot: &LotCode, batch: &BatchCode, reason: &str) -> Result<()> {
        let family = self.lock_made_of(std::slice::from_ref(lot)).await?;
        let document = document_of(batch);
        self.hold_locked(&family, &NewHold { reason, at: self.now, by: None, document: Some(&document) }).await?;
        self.release_set_aside_of(&family, None).await?;
        Ok(())
    }
}
