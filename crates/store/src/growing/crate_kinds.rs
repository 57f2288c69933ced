//! Crates and liners, with their tares.

use crate::{
    Pagination, Result, Tx,
    versions::{ensure_version, ensure_version_matches},
};
use gillbook_core::{
    kinds::CrateKind,
    refusal::Refusal,
    text::{CrateCode, Text},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A crate or liner kind with its tare.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
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
#[derive(Debug, Clone, Default, PartialEq, Deserialize, ToSchema)]
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
    /// Adds a crate or liner kind.
    ///
    /// # Errors
    /// Refuses a taken code and a wet tare below the dry one.
    #[tracing::instrument(level = "debug", name = "store.growing.add_crate", skip_all, fields(farm_id = self.farm.0))]
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
    #[tracing::instrument(level = "debug", name = "store.growing.change_crate", skip_all, fields(farm_id = self.farm.0))]
    pub async fn change_crate(&mut self, code: &CrateCode, change: &CrateChange, read_version: i32) -> Result<Crate> {
        let kind = self.crate_kind(code).await?;
        if *change == CrateChange::default() {
            ensure_version(kind.version, read_version)?;
            return Ok(kind);
        }
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
        ensure_version_matches(done.rows_affected())?;
        self.crate_kind(code).await
    }

    /// One crate or liner kind.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.growing.crate_kind", skip_all, fields(farm_id = self.farm.0))]
    pub async fn crate_kind(&mut self, code: &CrateCode) -> Result<Crate> {
        sqlx::query_as!(
            Crate,
            r#"select crate as "code: _", name, kind as "kind: _", tare_dry_g, tare_wet_g, version from crate where farm_id = $1 and crate = $2"#,
            self.farm.0,
            code.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?
        .ok_or_else(|| Refusal::not_found(CrateCode::NOUN, code).into())
    }

    /// Crate and liner kinds by code.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.growing.crates", skip_all, fields(farm_id = self.farm.0))]
    pub async fn crates(&mut self, page: &Pagination) -> Result<Vec<Crate>> {
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
