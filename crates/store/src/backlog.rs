//! Work that waits, over all farms and without a word of any: for whoever runs the service.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};

use crate::{Result, Store};

/// Work that waits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Backlog {
    /// Places with readings that are not evaluated yet.
    pub dirty_places: i64,
    /// For how long the first reading has waited that this program took in and has not evaluated; zero where none waits.
    pub evaluation_lag: Duration,
    /// Notices that are neither sent nor given up.
    pub notices: i64,
    /// How long ago the oldest of them was made; zero where none waits.
    pub outbox_age: Duration,
}

/// Connections of the pool.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Connections {
    /// Open, and not in use.
    pub idle: i64,
    /// In use.
    pub in_use: i64,
    /// The most that are opened.
    pub max: i64,
}

impl Store {
    /// Work that waits at an instant.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn backlog(&self, now: DateTime<Utc>) -> Result<Backlog> {
        let mut db = self.begin_across_all().await?;
        let row = sqlx::query!(
            r#"select (select count(distinct (farm_id, place)) from dirty_range) as "dirty_places!",
                      (select count(*) from notice where sent_at is null and given_up_at is null) as "notices!",
                      (select min(made_at) from notice where sent_at is null and given_up_at is null) as oldest_notice"#
        )
        .fetch_one(&mut *db)
        .await?;
        db.commit().await?;
        let since =
            |at: Option<DateTime<Utc>>| at.map_or(TimeDelta::zero(), |at| now - at).to_std().unwrap_or_default();
        Ok(Backlog {
            dirty_places: row.dirty_places,
            evaluation_lag: self.dirty_farms.lag(),
            notices: row.notices,
            outbox_age: since(row.oldest_notice),
        })
    }

    /// Connections to the database as they are now.
    #[must_use]
    pub fn connections(&self) -> Connections {
        let idle = i64::try_from(self.pool.num_idle()).unwrap_or(i64::MAX);
        let open = i64::from(self.pool.size());
        let max = i64::from(self.pool.options().get_max_connections());
        Connections { idle, in_use: (open - idle).max(0), max }
    }
}
