//! Strains: species, rhythm, and how long they stay saleable.

use crate::{
    Pagination, Result, Tx,
    ranges::ensure_range,
    versions::{ensure_version, ensure_version_matches},
};
use gillbook_core::{
    cold::shelf_life::Profile,
    kinds::Packaging,
    refusal::Refusal,
    text::{Line, StrainCode, Text},
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use sqlx::types::Json;
use utoipa::ToSchema;

/// A point of a saleable-life profile.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct LifePoint {
    /// °C.
    #[schema(minimum = -5, maximum = 45)]
    pub c: f64,
    /// Days of saleable life at that temperature.
    #[schema(minimum = 0.01, maximum = 1000)]
    pub days: f64,
}

/// Saleable life by temperature, for one packaging.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Life {
    /// The packaging.
    pub packaging: Packaging,
    /// Points in rising temperature.
    #[schema(min_items = 1, max_items = 12)]
    pub points: Vec<LifePoint>,
    /// Relative half-width of the range around them.
    #[schema(minimum = 0, maximum = 0.9)]
    pub spread: f64,
    /// Where the figures are from.
    pub source: Text<1, 500>,
}

/// A strain and how it is expected to grow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Strain {
    /// Code; lot codes begin with it.
    pub strain: StrainCode,
    /// Name.
    pub name: String,
    /// Species, common name.
    pub species: String,
    /// Species, Latin name.
    pub latin_name: String,
    /// Below this it takes chilling injury, °C.
    pub lowest_safe_c: f64,
    /// Fresh grams a block over all flushes.
    pub expected_yield_g: i32,
    /// Days from making to the first flush.
    pub days_to_first_flush: i32,
    /// Days from flush to flush.
    pub flush_interval_days: i32,
    /// Flushes that are waited for.
    pub flushes: i32,
    /// Share of the fresh weight that is cut off.
    #[serde(with = "rust_decimal::serde::float")]
    #[schema(value_type = f64)]
    pub trim_share: Decimal,
    /// Saleable life in force, by packaging.
    pub life: Vec<Life>,
    /// Goes up with every change.
    pub version: i32,
}

/// A strain to be added.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewStrain {
    /// Code, 2 to 6 letters or digits.
    pub strain: StrainCode,
    /// Name.
    pub name: Line,
    /// Species, common name.
    pub species: Text<1, 100>,
    /// Species, Latin name.
    pub latin_name: Text<1, 100>,
    /// Below this it takes chilling injury, °C.
    pub lowest_safe_c: f64,
    /// Fresh grams a block over all flushes.
    #[schema(minimum = 0, maximum = 100_000)]
    pub expected_yield_g: i32,
    /// Days from making to the first flush.
    #[schema(minimum = 1, maximum = 400)]
    pub days_to_first_flush: i32,
    /// Days from flush to flush.
    #[schema(minimum = 1, maximum = 120)]
    pub flush_interval_days: i32,
    /// Flushes that are waited for.
    #[schema(minimum = 1, maximum = 9)]
    pub flushes: i32,
    /// Share of the fresh weight that is cut off.
    #[serde(with = "rust_decimal::serde::float")]
    #[schema(value_type = f64, minimum = 0, maximum = 0.9)]
    pub trim_share: Decimal,
    /// Saleable life, by packaging.
    #[serde(default)]
    pub life: Vec<Life>,
}

/// Changes of a strain. A new life profile is a new version; the old one stays for the time before.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StrainChange {
    /// Name.
    pub name: Option<Line>,
    /// Fresh grams a block over all flushes.
    pub expected_yield_g: Option<i32>,
    /// Days from making to the first flush.
    pub days_to_first_flush: Option<i32>,
    /// Days from flush to flush.
    pub flush_interval_days: Option<i32>,
    /// Flushes that are waited for.
    pub flushes: Option<i32>,
    /// Saleable life, by packaging.
    #[serde(default)]
    pub life: Vec<Life>,
}

impl Tx {
    async fn add_life(&mut self, strain: &StrainCode, life: &[Life]) -> Result<()> {
        for l in life {
            let (c, days): (Vec<f64>, Vec<f64>) = l.points.iter().map(|p| (p.c, p.days)).unzip();
            sqlx::query!(
                "insert into strain_life (farm_id, strain, packaging, effective_from, point_c, point_days, spread, source)
                 values ($1, $2, $3, $4, $5, $6, $7, $8)",
                self.farm.0,
                strain.as_str(),
                l.packaging.as_str(),
                self.now,
                &c,
                &days,
                l.spread,
                l.source.as_str()
            )
            .execute(&mut *self.db)
            .await?;
        }
        Ok(())
    }

    /// Adds a strain.
    ///
    /// # Errors
    /// Refuses a taken code and a profile that cannot be.
    #[tracing::instrument(level = "debug", name = "store.growing.add_strain", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_strain(&mut self, new: &NewStrain) -> Result<Strain> {
        check_life(&new.life, new.lowest_safe_c)?;
        ensure_range(new.trim_share, Decimal::ZERO, Decimal::new(9, 1), "/trim_share", "The share that is cut off")?;
        sqlx::query!(
            "insert into strain (farm_id, strain, name, species, latin_name, lowest_safe_c, expected_yield_g, days_to_first_flush,
                                 flush_interval_days, flushes, trim_share)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
            self.farm.0,
            new.strain.as_str(),
            new.name.as_str(),
            new.species.as_str(),
            new.latin_name.as_str(),
            new.lowest_safe_c,
            new.expected_yield_g,
            new.days_to_first_flush,
            new.flush_interval_days,
            new.flushes,
            new.trim_share
        )
        .execute(&mut *self.db)
        .await?;
        self.add_life(&new.strain, &new.life).await?;
        self.strain(&new.strain).await
    }

    /// Changes a strain.
    ///
    /// # Errors
    /// Refuses a stale version and a profile that cannot be.
    #[tracing::instrument(level = "debug", name = "store.growing.change_strain", skip_all, fields(farm_id = self.farm.0))]
    pub async fn change_strain(
        &mut self,
        code: &StrainCode,
        change: &StrainChange,
        read_version: i32,
    ) -> Result<Strain> {
        let strain = self.strain(code).await?;
        check_life(&change.life, strain.lowest_safe_c)?;
        if *change == StrainChange::default() {
            ensure_version(strain.version, read_version)?;
            return Ok(strain);
        }
        let done = sqlx::query!(
            "update strain set name = coalesce($4, name), expected_yield_g = coalesce($5, expected_yield_g),
                    days_to_first_flush = coalesce($6, days_to_first_flush), flush_interval_days = coalesce($7, flush_interval_days),
                    flushes = coalesce($8, flushes), version = version + 1
              where farm_id = $1 and strain = $2 and version = $3",
            self.farm.0,
            code.as_str(),
            read_version,
            change.name.as_ref().map(Line::as_str),
            change.expected_yield_g,
            change.days_to_first_flush,
            change.flush_interval_days,
            change.flushes
        )
        .execute(&mut *self.db)
        .await?;
        ensure_version_matches(done.rows_affected())?;
        self.add_life(code, &change.life).await?;
        self.strain(code).await
    }

    /// One strain.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.growing.strain", skip_all, fields(farm_id = self.farm.0))]
    pub async fn strain(&mut self, code: &StrainCode) -> Result<Strain> {
        self.strains_where(Some(code), &Pagination { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(StrainCode::NOUN, code).into())
    }

    /// Strains by code.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.growing.strains", skip_all, fields(farm_id = self.farm.0))]
    pub async fn strains(&mut self, page: &Pagination) -> Result<Vec<Strain>> {
        self.strains_where(None, page).await
    }

    async fn strains_where(&mut self, only: Option<&StrainCode>, page: &Pagination) -> Result<Vec<Strain>> {
        let rows = sqlx::query!(
            r#"select s.strain as "strain: StrainCode", s.name, s.species, s.latin_name, s.lowest_safe_c, s.expected_yield_g, s.days_to_first_flush,
                      s.flush_interval_days, s.flushes, s.trim_share, s.version,
                      coalesce((select jsonb_agg(jsonb_build_object('packaging', l.packaging, 'spread', l.spread, 'source', l.source, 'points',
                                       (select jsonb_agg(jsonb_build_object('c', p.c, 'days', p.days) order by p.n)
                                          from unnest(l.point_c, l.point_days) with ordinality as p(c, days, n))) order by l.packaging)
                                  from (select distinct on (packaging) packaging, point_c, point_days, spread, source from strain_life
                                         where farm_id = $1 and strain = s.strain and effective_from <= $5
                                         order by packaging, effective_from desc) l), '[]') as "life!: Json<Vec<Life>>"
                 from strain s where s.farm_id = $1 and ($2::text is null or s.strain = $2) and ($3::text is null or s.strain > $3)
                order by s.strain limit $4"#,
            self.farm.0,
            only.map(StrainCode::as_str),
            page.after,
            page.limit,
            self.now
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Strain {
                life: r.life.0,
                strain: r.strain,
                name: r.name,
                species: r.species,
                latin_name: r.latin_name,
                lowest_safe_c: r.lowest_safe_c,
                expected_yield_g: r.expected_yield_g,
                days_to_first_flush: r.days_to_first_flush,
                flush_interval_days: r.flush_interval_days,
                flushes: r.flushes,
                trim_share: r.trim_share,
                version: r.version,
            })
            .collect())
    }
}

fn check_life(life: &[Life], lowest_safe_c: f64) -> Result<()> {
    for (i, l) in life.iter().enumerate() {
        let points: Vec<(f64, f64)> = l.points.iter().map(|p| (p.c, p.days)).collect();
        Profile::new(&points, lowest_safe_c, l.spread).map_err(|e| Refusal::field(format!("/life/{i}/points"), e))?;
    }
    Ok(())
}
