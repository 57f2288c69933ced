//! Places that hold stock, their limits, and the probes in them.

mod limits;
mod probes;

pub use {
    limits::Limit,
    probes::{NewProbe, Probe},
};

use std::collections::BTreeMap;

use gillbook_core::{
    kinds::PlaceKind,
    refusal::Refusal,
    text::{Line, PlaceCode, Text},
    units::calendar::Instant,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    Pagination, Result, Tx,
    versions::{ensure_version, ensure_version_matches},
};

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

impl Tx {
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
            .ok_or_else(|| Refusal::not_found(PlaceCode::NOUN, code).into())
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
}
