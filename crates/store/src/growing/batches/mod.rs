//! Batches of blocks: made, moved, lost, finished.

mod moves;

pub use moves::{BatchLoss, BatchMove, NewBatchLoss, NewBatchMove};

use chrono::{DateTime, NaiveDate, Utc};
use gillbook_core::{
    growing::yields::{likely_flush, next_flush},
    kinds::BatchOrigin,
    refusal::{Refusal, RefusalKind},
    text::{BatchCode, CookCode, RecallCode, RecipeCode, RoomCode, StrainCode, Text},
    units::calendar::{Day, day_of},
};
use serde::{Deserialize, Serialize};
use sqlx::types::Json;
use utoipa::ToSchema;

use crate::{Pagination, Result, Tx, heads::Heads};

/// A batch to be written down.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewBatch {
    /// Code, as markered on the bags.
    pub batch: BatchCode,
    /// What it grows.
    pub strain: StrainCode,
    /// What it is made of.
    pub recipe: RecipeCode,
    /// The cook that it was in, if it was made here.
    pub cook: Option<CookCode>,
    /// Where the spawn came from.
    #[serde(default)]
    pub spawn_supplier: Text<0, 200>,
    /// The spawn's own lot.
    #[serde(default)]
    pub spawn_lot: Text<0, 60>,
    /// The day it was made.
    pub made_on: Day,
    /// Number of blocks.
    #[schema(minimum = 1, maximum = 100_000)]
    pub blocks: i32,
    /// Made here, bought in, or in the rooms when the book was opened.
    pub origin: BatchOrigin,
}

/// A batch, and where its blocks are.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Batch {
    /// Code.
    pub batch: BatchCode,
    /// What it grows.
    pub strain: StrainCode,
    /// What it is made of.
    pub recipe: RecipeCode,
    /// The cook that it was in.
    pub cook: Option<CookCode>,
    /// Where the spawn came from.
    pub spawn_supplier: String,
    /// The spawn's own lot.
    pub spawn_lot: String,
    /// The day it was made.
    pub made_on: NaiveDate,
    /// Number of blocks made.
    pub blocks: i32,
    /// Made here, bought in, or standing at opening.
    pub origin: BatchOrigin,
    /// Blocks that were lost.
    pub lost: i32,
    /// Blocks that are still there: made less lost, sold and finished.
    pub standing: i32,
    /// The room they were moved to last.
    pub room: Option<RoomCode>,
    /// Why it is on hold, where it is.
    #[schema(value_type = Option<BatchHold>)]
    pub hold: Option<Json<BatchHold>>,
}

/// A batch's hold: until the owner releases it no block of it is sold, and what is weighed of it is on hold.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct BatchHold {
    /// Why.
    pub reason: String,
    /// Since when.
    pub since: DateTime<Utc>,
    /// Who put it on hold.
    pub done_by: String,
    /// Who was signed in.
    pub entered_by: String,
    /// The recall that it is for, such as `RC-3`.
    pub recall: Option<RecallCode>,
}

/// A batch that can be harvested from, as the phone form needs it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InFruit {
    /// The batch.
    pub batch: BatchCode,
    /// Its strain.
    pub strain: StrainCode,
    /// The strain's name.
    pub strain_name: String,
    /// Blocks standing.
    pub standing: i32,
    /// The flush it is likely to be in.
    pub likely_flush: i32,
    /// Whether a flush is due by the strain's own rhythm.
    pub due: bool,
    /// The next flush that has not begun and the day on which it is due; none after the last.
    pub next_flush: Option<(i32, NaiveDate)>,
    /// Whether it is on hold: no flush of it is due or expected, and what is weighed of it is on hold.
    pub on_hold: bool,
}

impl Tx {
    /// Writes down a batch.
    ///
    /// # Errors
    /// Refuses a taken code, a day in the future, and codes that are not there.
    #[tracing::instrument(level = "debug", name = "store.growing.add_batch", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_batch(&mut self, new: &NewBatch) -> Result<Batch> {
        let zone = self.farm_settings().await?.zone;
        if new.made_on.0 > day_of(self.now, zone) {
            return Err(
                Refusal::field("/made_on", "The day is in the future. Write a batch down when it is made.").into()
            );
        }
        sqlx::query!(
            "insert into batch (farm_id, batch, strain, recipe, cook, spawn_supplier, spawn_lot, made_on, blocks, origin, recorded_at)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
            self.farm.0,
            new.batch.as_str(),
            new.strain.as_str(),
            new.recipe.as_str(),
            new.cook.as_ref().map(CookCode::as_str),
            new.spawn_supplier.as_str(),
            new.spawn_lot.as_str(),
            new.made_on.0,
            new.blocks,
            new.origin.as_str(),
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        self.batch(&new.batch).await
    }

    /// One batch.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.growing.batch", skip_all, fields(farm_id = self.farm.0))]
    pub async fn batch(&mut self, code: &BatchCode) -> Result<Batch> {
        self.batches_where(Some(code), &Pagination { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(BatchCode::NOUN, code).into())
    }

    /// Batches by code.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.growing.batches", skip_all, fields(farm_id = self.farm.0))]
    pub async fn batches(&mut self, page: &Pagination) -> Result<Vec<Batch>> {
        self.batches_where(None, page).await
    }

    async fn batches_where(&mut self, only: Option<&BatchCode>, page: &Pagination) -> Result<Vec<Batch>> {
        Ok(sqlx::query_as!(
            Batch,
            r#"select b.batch as "batch: _", b.strain as "strain: _", b.recipe as "recipe: _", b.cook as "cook: _", b.spawn_supplier,
                      b.spawn_lot, b.made_on, b.blocks, b.origin as "origin: _",
                      coalesce(l.lost, 0)::int as "lost!", (b.blocks - coalesce(l.lost, 0) - coalesce(m.gone, 0))::int as "standing!",
                      (select r.room from batch_move r where r.farm_id = b.farm_id and r.batch = b.batch and r.kind = 'moved'
                        order by r.moved_at desc, r.recorded_at desc, r.move_id desc limit 1) as "room?: _",
                      (select jsonb_build_object('reason', h.reason, 'since', h.happened_at, 'done_by', h.done_by, 'entered_by', h.entered_by,
                                                 'recall', h.recall)
                         from batch_hold h where h.farm_id = b.farm_id and h.batch = b.batch) as "hold: _"
                 from batch b
                 left join lateral (select sum(blocks) as lost from batch_loss where farm_id = b.farm_id and batch = b.batch) l on true
                 left join lateral (select sum(blocks) as gone from batch_move where farm_id = b.farm_id and batch = b.batch and kind <> 'moved') m on true
                where b.farm_id = $1 and ($2::text is null or b.batch = $2) and ($3::text is null or b.batch > $3)
                order by b.batch limit $4"#,
            self.farm.0,
            only.map(BatchCode::as_str),
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Locks a batch against other changes of its blocks and returns it.
    async fn batch_for_change(&mut self, code: &BatchCode, blocks: i32) -> Result<Batch> {
        self.lock(&Heads { batches: std::slice::from_ref(code), ..Heads::default() }).await?;
        let batch = self.batch(code).await?;
        if blocks > batch.standing {
            let (kind, text) = match batch.standing {
                0 => (RefusalKind::Closed, format!("Batch {code} is finished: no block of it is left.")),
                n => (
                    RefusalKind::NotEnough,
                    format!("Batch {code} has {n} blocks left, not {blocks}. Check the number."),
                ),
            };
            return Err(Refusal::new(kind, text).at("/blocks").into());
        }
        Ok(batch)
    }

    /// Batches with blocks in a fruiting room: those due first, then by code.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.growing.in_fruit", skip_all, fields(farm_id = self.farm.0))]
    pub async fn in_fruit(&mut self) -> Result<Vec<InFruit>> {
        let today = day_of(self.now, self.farm_settings().await?.zone);
        let rows = sqlx::query!(
            // With `offset 0` the few batches that fruit are looked up one by one, and not every weighing that there ever was.
            r#"with gone(batch, blocks) as (
                   select g.batch, sum(g.blocks)::int
                     from (select batch, blocks from batch_loss where farm_id = $1
                           union all
                           select batch, blocks from batch_move where farm_id = $1 and kind <> 'moved') g group by g.batch)
               select b.batch as "batch: BatchCode", b.strain as "strain: StrainCode", s.name as strain_name, b.made_on,
                      s.days_to_first_flush, s.flush_interval_days, s.flushes, b.blocks - coalesce(g.blocks, 0) as "standing!",
                      h.flush as "flush?", h.first_day as "first_day?",
                      exists (select from batch_hold c where c.farm_id = $1 and c.batch = b.batch) as "on_hold!"
                 from batch b left join gone g on g.batch = b.batch
                 join strain s on s.farm_id = $1 and s.strain = b.strain
                 join lateral (select m.room from batch_move m where m.farm_id = $1 and m.batch = b.batch and m.kind = 'moved'
                                order by m.moved_at desc, m.recorded_at desc, m.move_id desc limit 1) last on true
                 join room r on r.farm_id = $1 and r.room = last.room and r.kind = 'fruiting'
                 left join lateral (select p.flush, min(p.harvest_day) as first_day
                                      from (select ws.flush, l.harvest_day from weighing_source ws cross join lateral (
                                                   select l.harvest_day from weighing w join lot l on l.farm_id = $1 and l.lot = w.lot
                                                    where w.farm_id = $1 and w.act_id = ws.act_id
                                                      and not exists (select from act x where x.farm_id = $1 and x.reverses = w.act_id offset 0) offset 0) l
                                             where ws.farm_id = $1 and ws.batch = b.batch) p
                                     group by p.flush order by p.flush desc limit 1) h on true
                where b.farm_id = $1 and b.blocks > coalesce(g.blocks, 0) order by b.batch"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut batches: Vec<InFruit> = rows
            .into_iter()
            .map(|r| {
                let last = r.flush.zip(r.first_day.map(|d| (today - d).num_days()));
                let due = match last {
                    None => (today - r.made_on).num_days() >= i64::from(r.days_to_first_flush) - 2,
                    // A flush is picked over a few days; the next is due an interval later.
                    Some((_, days)) => days <= 3 || days >= i64::from(r.flush_interval_days) - 2,
                };
                let began = r.flush.zip(r.first_day);
                InFruit {
                    next_flush: next_flush(r.made_on, r.days_to_first_flush, began, r.flush_interval_days, r.flushes)
                        .filter(|_| !r.on_hold),
                    likely_flush: likely_flush(last, r.flush_interval_days, r.flushes),
                    batch: r.batch,
                    strain: r.strain,
                    strain_name: r.strain_name,
                    standing: r.standing,
                    due: due && !r.on_hold,
                    on_hold: r.on_hold,
                }
            })
            .collect();
        batches.sort_by(|a, b| (&a.strain, !a.due, &a.batch).cmp(&(&b.strain, !b.due, &b.batch)));
        Ok(batches)
    }
}
