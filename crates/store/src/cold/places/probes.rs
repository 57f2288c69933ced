//! Probes: which there are, and where.

use crate::{Pagination, Result, Tx};
use gillbook_core::{
    refusal::Refusal,
    text::{PlaceCode, Text},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

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
}
