//! Strains, recipes, rooms, cooks, crates: what the growing side is described by.

use chrono::{DateTime, Utc};
use gillbook_core::{
    calendar::Instant,
    refusal::{Faults, Refusal},
    shelf_life::Profile,
    text::{CookCode, CrateCode, Line, Note, RecipeCode, RoomCode, StrainCode, Text},
    words::{CookMethod, CrateKind, Packaging, RoomKind},
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{Page, Result, Tx, farm::expect_current};

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
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
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
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
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

fn check_life(life: &[Life], lowest_safe_c: f64) -> Result<()> {
    for (i, l) in life.iter().enumerate() {
        let points: Vec<(f64, f64)> = l.points.iter().map(|p| (p.c, p.days)).collect();
        Profile::new(&points, lowest_safe_c, l.spread).map_err(|e| Refusal::field(format!("/life/{i}/points"), e))?;
    }
    Ok(())
}

/// An ingredient of a recipe, in one block.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Ingredient {
    /// What.
    pub name: Text<1, 100>,
    /// Wet grams in one block.
    #[schema(minimum = 1, maximum = 100_000)]
    pub wet_g: i32,
    /// Share of it that is dry.
    #[serde(with = "rust_decimal::serde::float")]
    #[schema(value_type = f64, minimum = 0, maximum = 1)]
    pub dry_share: Decimal,
    /// Price a kilogram, in the farm's currency.
    #[schema(value_type = String, pattern = r"^\d{1,6}(\.\d{1,4})?$")]
    pub price_per_kg: Decimal,
}

/// A substrate recipe.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Recipe {
    /// Code.
    pub recipe: RecipeCode,
    /// Name.
    pub name: Line,
    /// Wet grams of a block.
    #[schema(minimum = 1, maximum = 100_000)]
    pub block_wet_g: i32,
    /// Dry grams of a block.
    #[schema(minimum = 1, maximum = 100_000)]
    pub block_dry_g: i32,
    /// Cost of one block, bag and stated labour and energy included, in the farm's currency.
    #[schema(value_type = String, pattern = r"^\d{1,6}(\.\d{1,4})?$")]
    pub block_cost: Decimal,
    /// What is in it.
    #[serde(default)]
    #[schema(max_items = 40)]
    pub ingredients: Vec<Ingredient>,
}

/// A room.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
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
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RoomChange {
    /// Name.
    pub name: Option<Line>,
    /// Blocks that fit.
    pub capacity_blocks: Option<i32>,
}

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

/// A crate or liner kind with its tare.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Crate {
    /// Code.
    #[serde(rename = "crate")]
    pub code: CrateCode,
    /// Name.
    pub name: String,
    /// Crate or liner.
    pub kind: CrateKind,
    /// Tare when dry.
    pub tare_dry_g: i32,
    /// Tare when wet.
    pub tare_wet_g: i32,
    /// Goes up with every change.
    pub version: i32,
}

/// A crate or liner kind to be added.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCrate {
    /// Code.
    #[serde(rename = "crate")]
    pub code: CrateCode,
    /// Name.
    pub name: Text<1, 100>,
    /// Crate or liner.
    pub kind: CrateKind,
    /// Tare when dry.
    #[schema(minimum = 0, maximum = 20_000)]
    pub tare_dry_g: i32,
    /// Tare when wet.
    #[schema(minimum = 0, maximum = 20_000)]
    pub tare_wet_g: i32,
}

/// Changes of a crate or liner kind.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CrateChange {
    /// Name.
    pub name: Option<Text<1, 100>>,
    /// Tare when dry.
    pub tare_dry_g: Option<i32>,
    /// Tare when wet.
    pub tare_wet_g: Option<i32>,
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
    pub async fn add_strain(&mut self, new: &NewStrain) -> Result<Strain> {
        check_life(&new.life, new.lowest_safe_c)?;
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
    pub async fn change_strain(
        &mut self,
        code: &StrainCode,
        change: &StrainChange,
        read_version: i32,
    ) -> Result<Strain> {
        let strain = self.strain(code).await?;
        check_life(&change.life, strain.lowest_safe_c)?;
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
        expect_current(done.rows_affected())?;
        self.add_life(code, &change.life).await?;
        self.strain(code).await
    }

    /// One strain.
    ///
    /// # Errors
    /// Refuses one that is not there.
    pub async fn strain(&mut self, code: &StrainCode) -> Result<Strain> {
        self.strains_where(Some(code), &Page { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(StrainCode::WHAT, code).into())
    }

    /// Strains by code.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn strains(&mut self, page: &Page) -> Result<Vec<Strain>> {
        self.strains_where(None, page).await
    }

    async fn strains_where(&mut self, only: Option<&StrainCode>, page: &Page) -> Result<Vec<Strain>> {
        let rows = sqlx::query!(
            r#"select strain as "strain: StrainCode", name, species, latin_name, lowest_safe_c, expected_yield_g, days_to_first_flush,
                      flush_interval_days, flushes, trim_share, version
                 from strain where farm_id = $1 and ($2::text is null or strain = $2) and ($3::text is null or strain > $3)
                order by strain limit $4"#,
            self.farm.0,
            only.map(StrainCode::as_str),
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        let lives = sqlx::query!(
            r#"select distinct on (strain, packaging) strain as "strain: StrainCode", packaging as "packaging: Packaging", point_c,
                      point_days, spread, source as "source: Text<1, 500>"
                 from strain_life where farm_id = $1 and effective_from <= $2 order by strain, packaging, effective_from desc"#,
            self.farm.0,
            self.now
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Strain {
                life: lives
                    .iter()
                    .filter(|l| l.strain == r.strain)
                    .map(|l| Life {
                        packaging: l.packaging,
                        points: l
                            .point_c
                            .iter()
                            .zip(&l.point_days)
                            .map(|(c, days)| LifePoint { c: *c, days: *days })
                            .collect(),
                        spread: l.spread,
                        source: l.source.clone(),
                    })
                    .collect(),
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

    /// Adds a recipe. A recipe is a record: a changed one is a new one.
    ///
    /// # Errors
    /// Refuses a taken code and figures that cannot be.
    pub async fn add_recipe(&mut self, new: &Recipe) -> Result<()> {
        let mut faults = Faults::default();
        faults.check(
            new.block_dry_g <= new.block_wet_g,
            "/block_dry_g",
            "A block holds no more dry substrate than it weighs. Check the two weights.",
        );
        faults.check(new.ingredients.len() <= 40, "/ingredients", "A recipe has at most 40 ingredients.");
        faults.done()?;
        sqlx::query!(
            "insert into recipe (farm_id, recipe, name, block_wet_g, block_dry_g, block_cost) values ($1, $2, $3, $4, $5, $6)",
            self.farm.0,
            new.recipe.as_str(),
            new.name.as_str(),
            new.block_wet_g,
            new.block_dry_g,
            new.block_cost
        )
        .execute(&mut *self.db)
        .await?;
        for (position, i) in (1..).zip(&new.ingredients) {
            sqlx::query!(
                "insert into recipe_ingredient (farm_id, recipe, position, name, wet_g, dry_share, price_per_kg) values ($1, $2, $3, $4, $5, $6, $7)",
                self.farm.0,
                new.recipe.as_str(),
                position,
                i.name.as_str(),
                i.wet_g,
                i.dry_share,
                i.price_per_kg
            )
            .execute(&mut *self.db)
            .await?;
        }
        Ok(())
    }

    /// Recipes by code.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn recipes(&mut self, page: &Page) -> Result<Vec<Recipe>> {
        let rows = sqlx::query!(
            r#"select recipe as "recipe: RecipeCode", name as "name: Line", block_wet_g, block_dry_g, block_cost
                 from recipe where farm_id = $1 and ($2::text is null or recipe > $2) order by recipe limit $3"#,
            self.farm.0,
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        let ingredients = sqlx::query!(
            r#"select recipe as "recipe: RecipeCode", name as "name: Text<1, 100>", wet_g, dry_share, price_per_kg
                 from recipe_ingredient where farm_id = $1 order by recipe, position"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Recipe {
                ingredients: ingredients
                    .iter()
                    .filter(|i| i.recipe == r.recipe)
                    .map(|i| Ingredient {
                        name: i.name.clone(),
                        wet_g: i.wet_g,
                        dry_share: i.dry_share,
                        price_per_kg: i.price_per_kg,
                    })
                    .collect(),
                recipe: r.recipe,
                name: r.name,
                block_wet_g: r.block_wet_g,
                block_dry_g: r.block_dry_g,
                block_cost: r.block_cost,
            })
            .collect())
    }

    /// Adds a room. A fruiting room is also a place, which grams come from.
    ///
    /// # Errors
    /// Refuses a taken code.
    pub async fn add_room(&mut self, new: &NewRoom) -> Result<Room> {
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
    pub async fn change_room(&mut self, code: &RoomCode, change: &RoomChange, read_version: i32) -> Result<Room> {
        self.room(code).await?;
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
        expect_current(done.rows_affected())?;
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
        .ok_or_else(|| Refusal::not_found(RoomCode::WHAT, code).into())
    }

    /// Rooms by code.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn rooms(&mut self, page: &Page) -> Result<Vec<Room>> {
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

    /// Writes down a cook.
    ///
    /// # Errors
    /// Refuses a taken code and a cook in the future.
    pub async fn add_cook(&mut self, new: &Cook) -> Result<()> {
        let started_at = self.happened(Some(new.started_at), "/started_at")?;
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
    pub async fn cooks(&mut self, page: &Page) -> Result<Vec<Cook>> {
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

    /// Adds a crate or liner kind.
    ///
    /// # Errors
    /// Refuses a taken code and a wet tare below the dry one.
    pub async fn add_crate(&mut self, new: &NewCrate) -> Result<Crate> {
        sqlx::query!(
            "insert into crate (farm_id, crate, name, kind, tare_dry_g, tare_wet_g) values ($1, $2, $3, $4, $5, $6)",
            self.farm.0,
            new.code.as_str(),
            new.name.as_str(),
            new.kind.as_str(),
            new.tare_dry_g,
            new.tare_wet_g
        )
        .execute(&mut *self.db)
        .await?;
        self.crate_kind(&new.code).await
    }

    /// Changes a crate or liner kind. Weighings keep the tare they were made with.
    ///
    /// # Errors
    /// Refuses a stale version.
    pub async fn change_crate(&mut self, code: &CrateCode, change: &CrateChange, read_version: i32) -> Result<Crate> {
        self.crate_kind(code).await?;
        let done = sqlx::query!(
            "update crate set name = coalesce($4, name), tare_dry_g = coalesce($5, tare_dry_g), tare_wet_g = coalesce($6, tare_wet_g),
                    version = version + 1
              where farm_id = $1 and crate = $2 and version = $3",
            self.farm.0,
            code.as_str(),
            read_version,
            change.name.as_ref().map(Text::as_str),
            change.tare_dry_g,
            change.tare_wet_g
        )
        .execute(&mut *self.db)
        .await?;
        expect_current(done.rows_affected())?;
        self.crate_kind(code).await
    }

    /// One crate or liner kind.
    ///
    /// # Errors
    /// Refuses one that is not there.
    pub async fn crate_kind(&mut self, code: &CrateCode) -> Result<Crate> {
        sqlx::query_as!(
            Crate,
            r#"select crate as "code: _", name, kind as "kind: _", tare_dry_g, tare_wet_g, version from crate where farm_id = $1 and crate = $2"#,
            self.farm.0,
            code.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?
        .ok_or_else(|| Refusal::not_found(CrateCode::WHAT, code).into())
    }

    /// Crate and liner kinds by code.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn crates(&mut self, page: &Page) -> Result<Vec<Crate>> {
        Ok(sqlx::query_as!(
            Crate,
            r#"select crate as "code: _", name, kind as "kind: _", tare_dry_g, tare_wet_g, version
                 from crate where farm_id = $1 and ($2::text is null or crate > $2) order by crate limit $3"#,
            self.farm.0,
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?)
    }
}
