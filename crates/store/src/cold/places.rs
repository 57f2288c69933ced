//! Places that hold stock, their limits, and the probes in them.

use std::collections::BTreeMap;

use gillbook_core::{
    refusal::Refusal,
    text::{Line, PlaceCode, Text},
    units::calendar::{Instant, Span},
    words::PlaceKind,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    Pagination, Result, Tx,
    farm::farms::{ensure_version, ensure_version_matches},
};

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

const fn default_grace() -> i32 {
    30
}
const fn default_hysteresis() -> f64 {
    0.5
}
const fn default_gap() -> i32 {
    15
}
const fn default_silence() -> i32 {
    30
}
const fn default_lag() -> i32 {
    20
}

/// A place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Place {
    /// Code.
    pub place: PlaceCode,
    /// Name.
    pub name: String,
    /// Kind.
    pub kind: PlaceKind,
    /// Relative humidity that it is kept at, per cent.
    pub humidity_percent: f64,
    /// The limit in force.
    pub limit: Option<Limit>,
    /// Goes up with every change.
    pub version: i32,
}

/// A place to be added: a fridge, shelf, van or stall.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPlace {
    /// Code.
    pub place: PlaceCode,
    /// Name.
    pub name: Line,
    /// Fridge, shelf, van or stall.
    pub kind: PlaceKind,
    /// Relative humidity that it is kept at, per cent.
    #[schema(minimum = 0, maximum = 100)]
    pub humidity_percent: Option<f64>,
    /// Its limit.
    pub limit: Option<Limit>,
}

/// Changes of a place. A new limit is a new version; the old one stays for the time before.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PlaceChange {
    /// Name.
    pub name: Option<Line>,
    /// Relative humidity that it is kept at, per cent.
    #[schema(minimum = 0, maximum = 100)]
    pub humidity_percent: Option<f64>,
    /// Its new limit.
    pub limit: Option<Limit>,
}

/// A probe in a place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Probe {
    /// Its `SenML` name.
    pub probe: String,
    /// Where it is.
    pub place: PlaceCode,
    /// Where in there.
    pub position: String,
}

/// A probe to be added.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewProbe {
    /// Its `SenML` name: letters, digits and `- : . / _`.
    #[schema(value_type = String, pattern = "^[A-Za-z0-9][-A-Za-z0-9:./_]{0,99}$")]
    pub probe: Text<1, 100>,
    /// Where it is.
    pub place: PlaceCode,
    /// Where in there.
    #[serde(default)]
    pub position: Text<0, 200>,
}

impl Tx {
    async fn add_limit(&mut self, place: &PlaceCode, l: &Limit) -> Result<()> {
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

    /// Adds a fridge, shelf, van or stall.
    ///
    /// # Errors
    /// Refuses another kind, a taken code and a limit that cannot be.
    #[tracing::instrument(level = "debug", name = "store.cold.add_place", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_place(&mut self, new: &NewPlace) -> Result<Place> {
        if !new.kind.holds_stock() {
            return Err(Refusal::field(
                "/kind",
                "A place that is added is a fridge, shelf, van or stall. The others make themselves.",
            )
            .into());
        }
        sqlx::query!(
            "insert into place (farm_id, place, name, kind, humidity_percent) values ($1, $2, $3, $4, $5)",
            self.farm.0,
            new.place.as_str(),
            new.name.as_str(),
            new.kind.as_str(),
            new.humidity_percent.unwrap_or(90.0)
        )
        .execute(&mut *self.db)
        .await?;
        if let Some(limit) = &new.limit {
            self.add_limit(&new.place, limit).await?;
        }
        self.place(&new.place).await
    }

    /// Changes a place.
    ///
    /// # Errors
    /// Refuses a stale version and a limit that cannot be.
    #[tracing::instrument(level = "debug", name = "store.cold.change_place", skip_all, fields(farm_id = self.farm.0))]
    pub async fn change_place(&mut self, code: &PlaceCode, change: &PlaceChange, read_version: i32) -> Result<Place> {
        let place = self.place(code).await?;
        if *change == PlaceChange::default() {
            ensure_version(place.version, read_version)?;
            return Ok(place);
        }
        let done = sqlx::query!(
            "update place set name = coalesce($4, name), humidity_percent = coalesce($5, humidity_percent), version = version + 1
              where farm_id = $1 and place = $2 and version = $3",
            self.farm.0,
            code.as_str(),
            read_version,
            change.name.as_ref().map(Line::as_str),
            change.humidity_percent
        )
        .execute(&mut *self.db)
        .await?;
        ensure_version_matches(done.rows_affected())?;
        if let Some(limit) = &change.limit {
            self.add_limit(code, limit).await?;
        }
        self.place(code).await
    }

    /// One place.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.cold.place", skip_all, fields(farm_id = self.farm.0))]
    pub async fn place(&mut self, code: &PlaceCode) -> Result<Place> {
        self.places_where(Some(code), &Pagination { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(PlaceCode::WHAT, code).into())
    }

    /// Places by code.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.places", skip_all, fields(farm_id = self.farm.0))]
    pub async fn places(&mut self, page: &Pagination) -> Result<Vec<Place>> {
        self.places_where(None, page).await
    }

    async fn places_where(&mut self, only: Option<&PlaceCode>, page: &Pagination) -> Result<Vec<Place>> {
        let rows = sqlx::query!(
            r#"select p.place as "place: PlaceCode", p.name, p.kind as "kind: PlaceKind", p.humidity_percent, p.version,
                      l.name as "limit_name?: Text<1, 100>", l.warm_c as "warm_c?", l.air_c as "air_c?", l.cold_c as "cold_c?", l.grace_minutes as "grace_minutes?",
                      l.hysteresis_c as "hysteresis_c?", l.gap_minutes as "gap_minutes?", l.silence_minutes as "silence_minutes?", l.lag_minutes as "lag_minutes?",
                      l.rule_text as "rule_text?: Text<0, 2000>", l.example as "example?", l.effective_from as "effective_from?"
                 from place p
                 left join lateral (select * from place_limit q where q.farm_id = p.farm_id and q.place = p.place and q.effective_from <= $5
                                     order by q.effective_from desc limit 1) l on true
                where p.farm_id = $1 and ($2::text is null or p.place = $2) and ($3::text is null or p.place > $3)
                order by p.place limit $4"#,
            self.farm.0,
            only.map(PlaceCode::as_str),
            page.after,
            page.limit,
            self.now
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Place {
                limit: r.warm_c.zip(r.cold_c).zip(r.limit_name).map(|((warm_c, cold_c), name)| Limit {
                    name,
                    warm_c,
                    air_c: r.air_c,
                    cold_c,
                    grace_minutes: r.grace_minutes.unwrap_or_else(default_grace),
                    hysteresis_c: r.hysteresis_c.unwrap_or_else(default_hysteresis),
                    gap_minutes: r.gap_minutes.unwrap_or_else(default_gap),
                    silence_minutes: r.silence_minutes.unwrap_or_else(default_silence),
                    lag_minutes: r.lag_minutes.unwrap_or_else(default_lag),
                    rule_text: r.rule_text.unwrap_or_default(),
                    example: r.example.unwrap_or_default(),
                    effective_from: r.effective_from.map(Instant),
                }),
                place: r.place,
                name: r.name,
                kind: r.kind,
                humidity_percent: r.humidity_percent,
                version: r.version,
            })
            .collect())
    }

    /// Adds a probe.
    ///
    /// # Errors
    /// Refuses a taken name and a place that is not there.
    #[tracing::instrument(level = "debug", name = "store.cold.add_probe", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_probe(&mut self, new: &NewProbe) -> Result<Probe> {
        let number = self.next_number("probe").await?;
        sqlx::query!(
            "insert into probe (farm_id, probe_id, name, place, position) values ($1, $2::bigint, $3, $4, $5)",
            self.farm.0,
            number,
            new.probe.as_str(),
            new.place.as_str(),
            new.position.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        Ok(Probe { probe: new.probe.to_string(), place: new.place.clone(), position: new.position.to_string() })
    }

    /// Probes by name.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.probes", skip_all, fields(farm_id = self.farm.0))]
    pub async fn probes(&mut self, page: &Pagination) -> Result<Vec<Probe>> {
        Ok(sqlx::query_as!(
            Probe,
            r#"select name as probe, place as "place: _", position from probe
                where farm_id = $1 and ($2::text is null or name > $2) order by name limit $3"#,
            self.farm.0,
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// The kinds of those of some places that are there.
    pub(crate) async fn kinds_of_places(&mut self, codes: &[PlaceCode]) -> Result<BTreeMap<PlaceCode, PlaceKind>> {
        let codes: Vec<String> = codes.iter().map(ToString::to_string).collect();
        let places = sqlx::query!(
            r#"select place as "place: PlaceCode", kind as "kind: PlaceKind" from place where farm_id = $1 and place = any ($2)"#,
            self.farm.0,
            &codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(places.into_iter().map(|p| (p.place, p.kind)).collect())
    }

    /// The kind of a place that a field names.
    pub(crate) async fn place_kind(&mut self, code: &PlaceCode, pointer: &str) -> Result<PlaceKind> {
        let kind = self.kinds_of_places(std::slice::from_ref(code)).await?.remove(code);
        Ok(kind.ok_or_else(|| {
            Refusal::field(pointer, format!("There is no place {code} on this farm. Check the code."))
        })?)
    }

    /// A probe's number and place, by name.
    pub(crate) async fn probe_by_name(&mut self, name: &str) -> Result<(i32, PlaceCode)> {
        let row = sqlx::query!(
            r#"select probe_id, place as "place: PlaceCode" from probe where farm_id = $1 and name = $2"#,
            self.farm.0,
            name
        )
        .fetch_optional(&mut *self.db)
        .await?
        .ok_or_else(|| Refusal::not_found("probe", name).at("/probe"))?;
        Ok((row.probe_id, row.place))
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
