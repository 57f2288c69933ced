//! Which farms a transaction sees. The row rules of the tables read two settings: the one farm of a transaction, and the farms of work that
//! goes across farms, which only the tables of readings, evaluation, notices and idempotency know.

use sqlx::{AssertSqlSafe, Postgres, Transaction};

use crate::{FarmId, Result, Store};

/// Farms as the setting of a transaction across farms has them, `{1,2}`. Numbers only, so that it may stand in a statement's text.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct FarmsSetting(String);

impl FarmsSetting {
    pub(crate) fn of(farms: impl IntoIterator<Item = FarmId>) -> Self {
        let numbers: Vec<String> = farms.into_iter().map(|farm| farm.0.to_string()).collect();
        Self(format!("{{{}}}", numbers.join(",")))
    }

    pub(crate) fn as_str(&self) -> &str {
        &self.0
    }
}

impl Store {
    /// Begins a transaction that sees the rows of one farm, by a `begin` with its mode. One round trip: the settings travel with it.
    #[expect(clippy::disallowed_methods, reason = "the one place where a farm's transaction begins")]
    pub(crate) async fn begin_of_farm(&self, begin: &str, farm: FarmId) -> Result<Transaction<'static, Postgres>> {
        let (farm, farms) = (farm.0, FarmsSetting::of([farm]));
        let begin =
            format!("{begin}; set local gillbook.farm = {farm}; set local gillbook.farms = '{}'", farms.as_str());
        Ok(self.pool.begin_with(AssertSqlSafe(begin)).await?)
    }

    /// Begins a transaction across farms: it sees their rows in the tables that such work touches, and no row of any other table.
    #[expect(clippy::disallowed_methods, reason = "the one place where a transaction across farms begins")]
    pub(crate) async fn begin_across(&self, farms: &FarmsSetting) -> Result<Transaction<'static, Postgres>> {
        let begin = format!("begin; set local gillbook.farms = '{}'", farms.as_str());
        Ok(self.pool.begin_with(AssertSqlSafe(begin)).await?)
    }

    /// The farms that somebody can sign in to.
    pub(crate) async fn farms_with_people(&self) -> Result<Vec<FarmId>> {
        Ok(sqlx::query_scalar!(r#"select distinct farm_id as "farm_id: FarmId" from sign_in_name order by farm_id"#)
            .fetch_all(&self.pool)
            .await?)
    }

    /// Begins a transaction across all farms that somebody can sign in to.
    pub(crate) async fn begin_across_all(&self) -> Result<Transaction<'static, Postgres>> {
        self.begin_across(&FarmsSetting::of(self.farms_with_people().await?)).await
    }
}
