//! The closing of a week.

use crate::{
    Result, Tx,
    ledger::posting::{NewAct, Parts},
};
use chrono::{DateTime, Utc};
use gillbook_core::{
    kinds::ActKind,
    refusal::{Refusal, RefusalKind},
    text::Short,
    units::calendar::{IsoWeek, day_of},
};
use serde::{Deserialize, Serialize};
use sqlx::types::Json;
use utoipa::ToSchema;

use super::{Week, WeekFigures};

/// The closing of a week.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewWeekClose {
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// A week's close in the book.
#[derive(Serialize)]
struct WeekCloseRow<'a> {
    week: IsoWeek,
    from_at: DateTime<Utc>,
    until_at: DateTime<Utc>,
    closed_at: DateTime<Utc>,
    sheet: &'a WeekFigures,
}

impl Tx {
    /// Closes a week: keeps what it added up to. What is entered for it later shows as after close.
    ///
    /// No act of the farm is under way meanwhile, so each is either in what is kept or marked as after close.
    ///
    /// # Errors
    /// Refuses a week that is not over or is closed, and balances that are not the sum of their movements.
    #[tracing::instrument(level = "debug", name = "store.reports.close_week", skip_all, fields(farm_id = self.farm.0))]
    pub async fn close_week(&mut self, week: IsoWeek, new: &NewWeekClose) -> Result<Week> {
        let zone = self.farm_settings().await?.zone;
        let span = week.span(zone);
        if self.now < span.until {
            return Err(Refusal::new(
                RefusalKind::Closed,
                format!(
                    "Week {week} is not over. Close it on {} or later.",
                    day_of(span.until, zone).format("%-d %B %Y")
                ),
            )
            .into());
        }
        sqlx::query!("select lock_weeks($1, true)", self.farm.0).execute(&mut *self.db).await?;
        let figures = self.week_figures(week).await?;
        let check = self.book_check(None).await?;
        if let Some(lot) = check.lots_off.first() {
            return Err(Refusal::new(
                RefusalKind::Closed,
                format!("The balances of lot {lot} are not the sum of its movements. Run `gillbook check`, and close week {week} when the book is sound."),
            )
            .into());
        }
        let act = NewAct {
            id: self.new_id(),
            kind: ActKind::WeekClose,
            happened_at: self.now,
            by: new.by.as_ref(),
            document: None,
            reason: "",
            reverses: None,
        };
        let close =
            WeekCloseRow { week, from_at: span.from, until_at: span.until, closed_at: self.now, sheet: &figures };
        self.post(&act, &[], Parts::default().with("week_close", &[close])?).await?;
        self.week(week).await
    }

    /// When a week was closed, and with what figures.
    pub(super) async fn closed_figures(&mut self, week: IsoWeek) -> Result<Option<(DateTime<Utc>, WeekFigures)>> {
        let closed = sqlx::query!(
            r#"select closed_at, sheet as "sheet: Json<WeekFigures>" from week_close where farm_id = $1 and week = $2"#,
            self.farm.0,
            week.to_string()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        Ok(closed.map(|c| (c.closed_at, c.sheet.0)))
    }
}
