//! Rooms where blocks incubate and fruit.

use crate::{
    Pagination, Result, Tx,
    ranges::ensure_range,
    versions::{ensure_version, ensure_version_matches},
};
use gillbook_core::{
    kinds::RoomKind,
    refusal::Refusal,
    text::{Line, RoomCode},
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A room.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Room {
    /// Code.
    pub room: RoomCode,
    /// Name.
    pub name: String,
    /// What it is for.
    pub kind: RoomKind,
    /// Blocks that fit.
    pub capacity_blocks: i32,
    /// Floor area, m².
    #[serde(with = "rust_decimal::serde::float")]
    #[schema(value_type = f64)]
    pub area_m2: Decimal,
    /// Goes up with every change.
    pub version: i32,
}

/// A room to be added.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewRoom {
    /// Code.
    pub room: RoomCode,
    /// Name.
    pub name: Line,
    /// What it is for.
    pub kind: RoomKind,
    /// Blocks that fit.
    #[schema(minimum = 1, maximum = 100_000)]
    pub capacity_blocks: i32,
    /// Floor area, m².
    #[serde(with = "rust_decimal::serde::float")]
    #[schema(value_type = f64, minimum = 0.01, maximum = 100_000)]
    pub area_m2: Decimal,
}

/// Changes of a room.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RoomChange {
    /// Name.
    pub name: Option<Line>,
    /// Blocks that fit.
    pub capacity_blocks: Option<i32>,
}

impl Tx {
    /// Adds a room. A fruiting room is also a place, which grams come from.
    ///
    /// # Errors
    /// Refuses a taken code.
    #[tracing::instrument(level = "debug", name = "store.growing.add_room", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_room(&mut self, new: &NewRoom) -> Result<Room> {
        ensure_range(new.area_m2, Decimal::new(1, 2), Decimal::from(100_000), "/area_m2", "The floor area in m²")?;
        sqlx::query!(
            "insert into room (farm_id, room, name, kind, capacity_blocks, area_m2) values ($1, $2, $3, $4, $5, $6)",
            self.farm.0,
            new.room.as_str(),
            new.name.as_str(),
            new.kind.as_str(),
            new.capacity_blocks,
            new.area_m2
        )
        .execute(&mut *self.db)
        .await?;
        if new.kind == RoomKind::Fruiting {
            sqlx::query!(
                "insert into place (farm_id, place, name, kind) values ($1, $2, $3, 'room')",
                self.farm.0,
                new.room.as_str(),
                new.name.as_str()
            )
            .execute(&mut *self.db)
            .await?;
        }
        self.room(&new.room).await
    }

    /// Changes a room.
    ///
    /// # Errors
    /// Refuses a stale version.
    #[tracing::instrument(level = "debug", name = "store.growing.change_room", skip_all, fields(farm_id = self.farm.0))]
    pub async fn change_room(&mut self, code: &RoomCode, change: &RoomChange, read_version: i32) -> Result<Room> {
        let room = self.room(code).await?;
        if *change == RoomChange::default() {
            ensure_version(room.version, read_version)?;
            return Ok(room);
        }
        let done = sqlx::query!(
            "update room set name = coalesce($4, name), capacity_blocks = coalesce($5, capacity_blocks), version = version + 1
              where farm_id = $1 and room = $2 and version = $3",
            self.farm.0,
            code.as_str(),
            read_version,
            change.name.as_ref().map(Line::as_str),
            change.capacity_blocks
        )
        .execute(&mut *self.db)
        .await?;
        ensure_version_matches(done.rows_affected())?;
        self.room(code).await
    }

    async fn room(&mut self, code: &RoomCode) -> Result<Room> {
        sqlx::query_as!(
            Room,
            r#"select room as "room: _", name, kind as "kind: _", capacity_blocks, area_m2, version from room where farm_id = $1 and room = $2"#,
            self.farm.0,
            code.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?
        .ok_or_else(|| Refusal::not_found(RoomCode::NOUN, code).into())
    }

    /// Rooms by code.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.growing.rooms", skip_all, fields(farm_id = self.farm.0))]
    pub async fn rooms(&mut self, page: &Pagination) -> Result<Vec<Room>> {
        Ok(sqlx::query_as!(
            Room,
            r#"select room as "room: _", name, kind as "kind: _", capacity_blocks, area_m2, version
                 from room where farm_id = $1 and ($2::text is null or room > $2) order by room limit $3"#,
            self.farm.0,
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?)
    }
}
