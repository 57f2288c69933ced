//! The checks book: what the farm checks again and again, and spot readings by hand.

use chrono::{DateTime, Days, NaiveDate, Utc};
use gillbook_core::{
    kinds::CheckTopic,
    refusal::Refusal,
    text::{HouseCheckCode, Line, PlaceCode, Short, Text},
    units::calendar::{Instant, Span, day_of},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{Result, Tx};

/// A recurring check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct HouseCheck {
    /// Code.
    pub check: HouseCheckCode,
    /// Name.
    pub name: String,
    /// What it is about.
    pub topic: CheckTopic,
    /// Days from one to the next.
    pub every_days: i32,
    /// When it was last done.
    pub last_done_at: Option<DateTime<Utc>>,
    /// Whether it was good then.
    pub last_good: Option<bool>,
    /// The day on which it is due.
    pub due_on: NaiveDate,
    /// Whether it is due today or before.
    pub due: bool,
}

/// A recurring check to be added.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewHouseCheck {
    /// Code.
    pub check: HouseCheckCode,
    /// Name, as the farm says it.
    pub name: Line,
    /// What it is about.
    pub topic: CheckTopic,
    /// Days from one to the next.
    #[schema(minimum = 1, maximum = 400)]
    pub every_days: i32,
}

/// A check, done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct CheckDone {
    /// The check.
    pub check: HouseCheckCode,
    /// Its name.
    pub name: String,
    /// What it is about.
    pub topic: CheckTopic,
    /// Whether all was well.
    pub good: bool,
    /// What was done.
    pub what_done: String,
    /// When.
    pub done_at: DateTime<Utc>,
    /// By whom.
    pub done_by: String,
}

/// A check that was done.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCheckDone {
    /// Whether all was well.
    pub good: bool,
    /// What was done; needed when it was not.
    #[serde(default)]
    pub what_done: Text<0, 500>,
    /// When; now unless said.
    pub done_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// A temperature read by hand: a point, never coverage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SpotReading {
    /// Where.
    pub place: PlaceCode,
    /// When.
    pub at: DateTime<Utc>,
    /// °C.
    pub c: f64,
    /// Anything worth knowing.
    pub note: String,
    /// By whom.
    pub done_by: String,
}

/// A temperature to be written down.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSpotReading {
    /// °C.
    #[schema(minimum = -60, maximum = 80)]
    pub c: f64,
    /// When; now unless said.
    pub at: Option<Instant>,
    /// Anything worth knowing.
    #[serde(default)]
    pub note: Text<0, 500>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

impl Tx {
    /// Adds a recurring check. It is due from today.
    ///
    /// # Errors
    /// Refuses a taken code.
    #[tracing::instrument(level = "debug", name = "store.cold.add_house_check", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_house_check(&mut self, new: &NewHouseCheck) -> Result<HouseCheck> {
        sqlx::query!(
            "insert into house_check (farm_id, house_check, name, topic, every_days, added_at) values ($1, $2, $3, $4, $5, $6)",
            self.farm.0,
            new.check.as_str(),
            new.name.as_str(),
            new.topic.as_str(),
            new.every_days,
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        self.house_check(&new.check).await
    }

    async fn house_check(&mut self, code: &HouseCheckCode) -> Result<HouseCheck> {
        let all = self.house_checks().await?;
        all.into_iter().find(|c| c.check == *code).ok_or_else(|| Refusal::not_found(HouseCheckCode::NOUN, code).into())
    }

    /// The recurring checks, those due first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.house_checks", skip_all, fields(farm_id = self.farm.0))]
    pub async fn house_checks(&mut self) -> Result<Vec<HouseCheck>> {
        let zone = self.farm_settings().await?.zone;
        let today = day_of(self.now, zone);
        let rows = sqlx::query!(
            r#"select c.house_check as "check: HouseCheckCode", c.name, c.topic as "topic: CheckTopic", c.every_days, c.added_at,
                      d.done_at as "done_at?", d.good as "good?"
                 from house_check c
                 left join lateral (select done_at, good from house_check_done d where d.farm_id = c.farm_id and d.house_check = c.house_check
                                     order by done_at desc limit 1) d on true
                where c.farm_id = $1 and c.ended_at is null order by c.house_check limit 500"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut checks: Vec<HouseCheck> = rows
            .into_iter()
            .map(|r| {
                let every = Days::new(u64::from(r.every_days.unsigned_abs()));
                let due_on = r.done_at.map_or_else(|| day_of(r.added_at, zone), |at| day_of(at, zone) + every);
                HouseCheck {
                    check: r.check,
                    name: r.name,
                    topic: r.topic,
                    every_days: r.every_days,
                    last_done_at: r.done_at,
                    last_good: r.good,
                    due_on,
                    due: due_on <= today,
                }
            })
            .collect();
        checks.sort_by(|a, b| (a.due_on, &a.check).cmp(&(b.due_on, &b.check)));
        Ok(checks)
    }

    /// Writes down that a check was done.
    ///
    /// # Errors
    /// Refuses a check that is not there, and one that was not good without what was done.
    #[tracing::instrument(level = "debug", name = "store.cold.check_done", skip_all, fields(farm_id = self.farm.0))]
    pub async fn check_done(&mut self, code: &HouseCheckCode, new: &NewCheckDone) -> Result<HouseCheck> {
        self.house_check(code).await?;
        if !new.good && new.what_done.as_str().is_empty() {
            return Err(Refusal::field("/what_done", "It was not good. Say what was done about it.").into());
        }
        let done_at = self.occurred_at(new.done_at, "/done_at")?;
        let id = self.new_id();
        sqlx::query!(
            "insert into house_check_done (farm_id, done_id, house_check, good, what_done, done_at, recorded_at, done_by, entered_by)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
            self.farm.0,
            id,
            code.as_str(),
            new.good,
            new.what_done.as_str(),
            done_at,
            self.now,
            self.performed_by(new.by.as_ref()),
            self.actor.name
        )
        .execute(&mut *self.db)
        .await?;
        self.house_check(code).await
    }

    /// Checks that were done in a span, oldest first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.checks_done", skip_all, fields(farm_id = self.farm.0))]
    pub async fn checks_done(&mut self, span: Span) -> Result<Vec<CheckDone>> {
        Ok(sqlx::query_as!(
            CheckDone,
            r#"select d.house_check as "check: HouseCheckCode", c.name, c.topic as "topic: CheckTopic", d.good, d.what_done, d.done_at, d.done_by
                 from house_check_done d join house_check c using (farm_id, house_check)
                where d.farm_id = $1 and d.done_at >= $2 and d.done_at < $3 order by d.done_at, d.done_id"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Writes down a temperature read by hand.
    ///
    /// # Errors
    /// Refuses a place that is not there and a time in the future.
    #[tracing::instrument(level = "debug", name = "store.cold.add_spot_reading", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_spot_reading(&mut self, place: &PlaceCode, new: &NewSpotReading) -> Result<SpotReading> {
        self.place(place).await?;
        if !new.c.is_finite() {
            return Err(Refusal::field("/c", "A temperature is a number, such as 3.5.").into());
        }
        let at = self.occurred_at(new.at, "/at")?;
        let id = self.new_id();
        let spot = SpotReading {
            place: place.clone(),
            at,
            c: new.c,
            note: new.note.to_string(),
            done_by: self.performed_by(new.by.as_ref()),
        };
        sqlx::query!(
            "insert into spot_reading (farm_id, spot_id, place, at, c, note, recorded_at, done_by, entered_by)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
            self.farm.0,
            id,
            place.as_str(),
            spot.at,
            spot.c,
            spot.note,
            self.now,
            spot.done_by,
            self.actor.name
        )
        .execute(&mut *self.db)
        .await?;
        Ok(spot)
    }

    /// Temperatures read by hand at a place in a span, oldest first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.spot_readings", skip_all, fields(farm_id = self.farm.0))]
    pub async fn spot_readings(&mut self, place: &PlaceCode, span: Span) -> Result<Vec<SpotReading>> {
        Ok(sqlx::query_as!(
            SpotReading,
            r#"select place as "place: PlaceCode", at, c, note, done_by from spot_reading
                where farm_id = $1 and place = $2 and at >= $3 and at < $4 order by at, spot_id"#,
            self.farm.0,
            place.as_str(),
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?)
    }
}
