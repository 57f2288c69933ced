//! Blocks that were moved, and blocks that were lost.

use crate::{Result, Tx};
use chrono::{DateTime, Utc};
use gillbook_core::{
    kinds::BlockMove,
    refusal::{Refusal, RefusalKind},
    text::{BatchCode, Line, Note, RoomCode, Short},
    units::calendar::{Instant, day_of},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// Blocks to be moved, sold or finished.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewBatchMove {
    /// Where they go.
    pub kind: BlockMove,
    /// How many.
    #[schema(minimum = 1, maximum = 100_000)]
    pub blocks: i32,
    /// The room, when they are moved.
    pub room: Option<RoomCode>,
    /// When; now unless said.
    pub moved_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
    /// Anything worth knowing.
    #[serde(default)]
    pub note: Note,
}

/// Blocks moved, sold or finished.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BatchMove {
    /// Id.
    pub move_id: Uuid,
    /// The batch.
    pub batch: BatchCode,
    /// Where they went.
    pub kind: BlockMove,
    /// How many.
    pub blocks: i32,
    /// The room.
    pub room: Option<RoomCode>,
    /// When.
    pub moved_at: DateTime<Utc>,
    /// Who.
    pub done_by: String,
    /// Anything worth knowing.
    pub note: String,
}

/// Blocks that were lost.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewBatchLoss {
    /// How many.
    #[schema(minimum = 1, maximum = 100_000)]
    pub blocks: i32,
    /// Why.
    pub reason: Line,
    /// When; now unless said.
    pub lost_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// Blocks that were lost.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BatchLoss {
    /// Id.
    pub loss_id: Uuid,
    /// The batch.
    pub batch: BatchCode,
    /// How many.
    pub blocks: i32,
    /// Why.
    pub reason: String,
    /// When.
    pub lost_at: DateTime<Utc>,
    /// Days since it was made.
    pub age_days: i64,
    /// Who.
    pub done_by: String,
}

impl Tx {
    /// Moves, sells or finishes blocks.
    ///
    /// # Errors
    /// Refuses more blocks than are left, a room that is missing or too many, and the future.
    #[tracing::instrument(level = "debug", name = "store.growing.move_blocks", skip_all, fields(farm_id = self.farm.0))]
    pub async fn move_blocks(&mut self, code: &BatchCode, new: &NewBatchMove) -> Result<BatchMove> {
        let moved_at = self.occurred_at(new.moved_at, "/moved_at")?;
        if (new.kind == BlockMove::Moved) != new.room.is_some() {
            return Err(Refusal::field("/room", "Name the room when blocks are moved, and only then.").into());
        }
        let batch = self.batch_for_change(code, new.blocks).await?;
        if let Some(hold) = batch.hold.filter(|_| new.kind == BlockMove::Sold) {
            // What was sold before it was put on hold may be entered late, by a person's own word.
            if moved_at >= hold.since {
                let detail = format!(
                    "Batch {code} is on hold: {}. No block of it is sold until the owner releases it.",
                    hold.reason
                );
                return Err(Refusal::new(RefusalKind::OnHold, detail).at("/kind").into());
            }
            self.authoriser("Entering a sale of blocks that are on hold since")?;
        }
        let moved = BatchMove {
            move_id: self.new_id(),
            batch: code.clone(),
            kind: new.kind,
            blocks: new.blocks,
            room: new.room.clone(),
            moved_at,
            done_by: self.performed_by(new.by.as_ref()),
            note: new.note.to_string(),
        };
        sqlx::query!(
            "insert into batch_move (farm_id, move_id, batch, kind, blocks, room, moved_at, recorded_at, done_by, note)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
            self.farm.0,
            moved.move_id,
            code.as_str(),
            moved.kind.as_str(),
            moved.blocks,
            moved.room.as_ref().map(RoomCode::as_str),
            moved.moved_at,
            self.now,
            moved.done_by,
            moved.note
        )
        .execute(&mut *self.db)
        .await?;
        Ok(moved)
    }

    /// Moves of a batch, oldest first.
    ///
    /// # Errors
    /// Refuses a batch that is not there.
    #[tracing::instrument(level = "debug", name = "store.growing.batch_moves", skip_all, fields(farm_id = self.farm.0))]
    pub async fn batch_moves(&mut self, code: &BatchCode) -> Result<Vec<BatchMove>> {
        self.batch(code).await?;
        Ok(sqlx::query_as!(
            BatchMove,
            r#"select move_id, batch as "batch: _", kind as "kind: _", blocks, room as "room: _", moved_at, done_by, note
                 from batch_move where farm_id = $1 and batch = $2 order by moved_at, move_id limit 1000"#,
            self.farm.0,
            code.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Writes down lost blocks.
    ///
    /// # Errors
    /// Refuses more blocks than are left, and the future.
    #[tracing::instrument(level = "debug", name = "store.growing.lose_blocks", skip_all, fields(farm_id = self.farm.0))]
    pub async fn lose_blocks(&mut self, code: &BatchCode, new: &NewBatchLoss) -> Result<BatchLoss> {
        let lost_at = self.occurred_at(new.lost_at, "/lost_at")?;
        let zone = self.farm_settings().await?.zone;
        let batch = self.batch_for_change(code, new.blocks).await?;
        let loss = BatchLoss {
            loss_id: self.new_id(),
            batch: code.clone(),
            blocks: new.blocks,
            reason: new.reason.to_string(),
            lost_at,
            age_days: (day_of(lost_at, zone) - batch.made_on).num_days(),
            done_by: self.performed_by(new.by.as_ref()),
        };
        sqlx::query!(
            "insert into batch_loss (farm_id, loss_id, batch, blocks, reason, lost_at, recorded_at, done_by) values ($1, $2, $3, $4, $5, $6, $7, $8)",
            self.farm.0,
            loss.loss_id,
            code.as_str(),
            loss.blocks,
            loss.reason,
            loss.lost_at,
            self.now,
            loss.done_by
        )
        .execute(&mut *self.db)
        .await?;
        Ok(loss)
    }

    /// Losses of a batch, oldest first.
    ///
    /// # Errors
    /// Refuses a batch that is not there.
    #[tracing::instrument(level = "debug", name = "store.growing.batch_losses", skip_all, fields(farm_id = self.farm.0))]
    pub async fn batch_losses(&mut self, code: &BatchCode) -> Result<Vec<BatchLoss>> {
        self.batch(code).await?;
        let zone = self.farm_settings().await?.zone;
        let rows = sqlx::query!(
            r#"select l.loss_id, l.batch as "batch: BatchCode", l.blocks, l.reason, l.lost_at, l.done_by, b.made_on
                 from batch_loss l join batch b using (farm_id, batch) where l.farm_id = $1 and l.batch = $2
                order by l.lost_at, l.loss_id limit 1000"#,
            self.farm.0,
            code.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| BatchLoss {
                loss_id: r.loss_id,
                batch: r.batch,
                blocks: r.blocks,
                reason: r.reason,
                lost_at: r.lost_at,
                age_days: (day_of(r.lost_at, zone) - r.made_on).num_days(),
                done_by: r.done_by,
            })
            .collect())
    }
}
