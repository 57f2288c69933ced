//! The limits of places: what they are, and which was in force when.

use crate::{Result, Tx};
use chrono::TimeDelta;
use gillbook_core::{
    refusal::Refusal,
    text::{PlaceCode, Text},
    units::calendar::{Instant, Span},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{default_gap, default_grace, default_hysteresis, default_lag, default_silence};

/// A limit of a place, from a day on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Limit {
    /// What it is called.
    pub name: Text<1, 100>,
    /// Too warm above this, °C. Exactly at it is within.
    #[schema(minimum = -40, maximum = 60)]
    pub warm_c: f64,
    /// Too warm above this by the air, however the food behind it is reckoned, °C; five above the limit unless said.
    #[schema(minimum = -40, maximum = 80)]
    pub air_c: Option<f64>,
    /// Too cold below this, °C.
    #[schema(minimum = -60, maximum = 60)]
    pub cold_c: f64,
    /// Minutes above the limit before it counts as too warm.
    #[serde(default = "default_grace")]
    #[schema(minimum = 0, maximum = 1440)]
    pub grace_minutes: i32,
    /// °C below the limit at which a warm spell ends.
    #[serde(default = "default_hysteresis")]
    #[schema(minimum = 0, maximum = 10)]
    pub hysteresis_c: f64,
    /// Minutes between readings beyond which the time between them is unknown.
    #[serde(default = "default_gap")]
    #[schema(minimum = 1, maximum = 1440)]
    pub gap_minutes: i32,
    /// Minutes of silence after which it is told as "no data".
    #[serde(default = "default_silence")]
    #[schema(minimum = 1, maximum = 10_080)]
    pub silence_minutes: i32,
    /// Time constant of the food behind the air, minutes.
    #[serde(default = "default_lag")]
    #[schema(minimum = 0, maximum = 1440)]
    pub lag_minutes: i32,
    /// The text of the rule that it follows, as the farm entered it.
    #[serde(default)]
    pub rule_text: Text<0, 2000>,
    /// Whether it is only an example that stands until the farm enters its local rule.
    #[serde(default)]
    pub example: bool,
    /// Since when; now unless said.
    pub effective_from: Option<Instant>,
}

impl Tx {
    pub(super) async fn add_limit(&mut self, place: &PlaceCode, l: &Limit) -> Result<()> {
        if !l.warm_c.is_finite() || !l.cold_c.is_finite() || l.warm_c <= l.cold_c {
            return Err(
                Refusal::field("/limit/warm_c", "The warm limit lies above the cold limit. Check the two.").into()
            );
        }
        let air_c = l.air_c.unwrap_or(l.warm_c + 5.0);
        if !air_c.is_finite() || air_c < l.warm_c {
            return Err(
                Refusal::field("/limit/air_c", "The limit of the air is not below the warm limit. Raise it.").into()
            );
        }
        let from = l.effective_from.map_or(self.now, |i| i.0);
        sqlx::query!(
            "insert into place_limit (farm_id, place, effective_from, name, warm_c, air_c, cold_c, grace_minutes, hysteresis_c, gap_minutes,
                                      silence_minutes, lag_minutes, rule_text, example, recorded_at)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)",
            self.farm.0,
            place.as_str(),
            from,
            l.name.as_str(),
            l.warm_c,
            air_c,
            l.cold_c,
            l.grace_minutes,
            l.hysteresis_c,
            l.gap_minutes,
            l.silence_minutes,
            l.lag_minutes,
            l.rule_text.as_str(),
            l.example,
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        // Whatever was judged by other rules is judged again.
        self.mark_dirty(place, from, self.now.max(from)).await
    }

    /// The limits of a place that are in force at some time of a span, in the order in which they begin.
    /// The warm limit of a place that is in force now, °C.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.warm_limit", skip_all, fields(farm_id = self.farm.0))]
    pub async fn warm_limit(&mut self, place: &PlaceCode) -> Result<Option<f64>> {
        let rules = self.rules_of(place).await?;
        Ok(gillbook_core::cold::evaluate::in_force(&rules, self.now).map(|rule| rule.warm_c))
    }

    /// Limits of a place that begin later, the next first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.coming_limits", skip_all, fields(farm_id = self.farm.0))]
    pub async fn coming_limits(&mut self, place: &PlaceCode) -> Result<Vec<Limit>> {
        let ahead = Span { from: self.now, until: self.now + TimeDelta::days(36_500) };
        let mut limits = self.limits_within(place, ahead).await?;
        limits.retain(|limit| limit.effective_from.is_some_and(|from| from.0 > self.now));
        Ok(limits)
    }

    pub(crate) async fn limits_within(&mut self, place: &PlaceCode, span: Span) -> Result<Vec<Limit>> {
        let rows = sqlx::query!(
            r#"select effective_from, name as "name: Text<1, 100>", warm_c, air_c, cold_c, grace_minutes, hysteresis_c, gap_minutes, silence_minutes,
                      lag_minutes, rule_text as "rule_text: Text<0, 2000>", example
                 from place_limit l
                where farm_id = $1 and place = $2 and effective_from < $4
                  and not exists (select from place_limit n where n.farm_id = l.farm_id and n.place = l.place
                                     and n.effective_from > l.effective_from and n.effective_from <= $3)
                order by effective_from"#,
            self.farm.0,
            place.as_str(),
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Limit {
                name: r.name,
                warm_c: r.warm_c,
                air_c: Some(r.air_c),
                cold_c: r.cold_c,
                grace_minutes: r.grace_minutes,
                hysteresis_c: r.hysteresis_c,
                gap_minutes: r.gap_minutes,
                silence_minutes: r.silence_minutes,
                lag_minutes: r.lag_minutes,
                rule_text: r.rule_text,
                example: r.example,
                effective_from: Some(Instant(r.effective_from)),
            })
            .collect())
    }
}
