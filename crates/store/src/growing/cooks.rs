//! Cooks: sterilising or pasteurising runs.

use crate::{Pagination, Result, Tx};
use chrono::{DateTime, Utc};
use gillbook_core::{
    kinds::CookMethod,
    text::{CookCode, Note},
    units::calendar::Instant,
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// One sterilising or pasteurising run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Cook {
    /// Code.
    pub cook: CookCode,
    /// How.
    pub method: CookMethod,
    /// When it began.
    pub started_at: Instant,
    /// Hours at temperature.
    #[serde(with = "rust_decimal::serde::float")]
    #[schema(value_type = f64, minimum = 0, maximum = 96)]
    pub hours: Decimal,
    /// Temperature held, °C.
    #[schema(minimum = 40, maximum = 140)]
    pub temperature_c: f64,
    /// Anything worth knowing.
    #[serde(default)]
    pub note: Note,
}

impl Tx {
    /// Writes down a cook.
    ///
    /// # Errors
    /// Refuses a taken code and a cook in the future.
    #[tracing::instrument(level = "debug", name = "store.growing.add_cook", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_cook(&mut self, new: &Cook) -> Result<()> {
        let started_at = self.occurred_at(Some(new.started_at), "/started_at")?;
        crate::ranges::ensure_range(
            new.hours,
            Decimal::ZERO,
            Decimal::from(96),
            "/hours",
            "The time at temperature in hours",
        )?;
        sqlx::query!(
            "insert into cook (farm_id, cook, method, started_at, hours, temperature_c, note, recorded_at) values ($1, $2, $3, $4, $5, $6, $7, $8)",
            self.farm.0,
            new.cook.as_str(),
            new.method.as_str(),
            started_at,
            new.hours,
            new.temperature_c,
            new.note.as_str(),
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// Cooks by code.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.growing.cooks", skip_all, fields(farm_id = self.farm.0))]
    pub async fn cooks(&mut self, page: &Pagination) -> Result<Vec<Cook>> {
        let rows = sqlx::query!(
            r#"select cook as "cook: CookCode", method as "method: CookMethod", started_at as "started_at: DateTime<Utc>", hours,
                      temperature_c, note as "note: Note"
                 from cook where farm_id = $1 and ($2::text is null or cook > $2) order by cook limit $3"#,
            self.farm.0,
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Cook {
                cook: r.cook,
                method: r.method,
                started_at: Instant(r.started_at),
                hours: r.hours,
                temperature_c: r.temperature_c,
                note: r.note,
            })
            .collect())
    }
}
