//! The settings that days and money go by: the farm's zone and its coinage.

use chrono::NaiveDate;
use gillbook_core::{
    refusal::Refusal,
    units::{
        calendar::day_of,
        money::{CurrencyRules, Rounding, ensure_cash_step},
    },
};

use rust_decimal::Decimal;

use crate::{Error, FarmSettings, Result, Tx};

impl Tx {
    /// The farm's zone and coinage.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.farm.farm_settings", skip_all, fields(farm_id = self.farm.0))]
    pub async fn farm_settings(&mut self) -> Result<FarmSettings> {
        if let Some(settings) = self.memo.settings {
            return Ok(settings);
        }
        let f = sqlx::query!(
            r#"select currency, zone, rounding as "rounding: Rounding", cash_step from farm where farm_id = $1"#,
            self.farm.0
        )
        .fetch_one(&mut *self.db)
        .await?;
        let settings = settings_of(&f.zone, &f.currency, f.rounding, f.cash_step)?;
        self.memo.settings = Some(settings);
        Ok(settings)
    }

    /// The day that it is on the farm.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.farm.farm_day", skip_all, fields(farm_id = self.farm.0))]
    pub async fn farm_day(&mut self) -> Result<NaiveDate> {
        Ok(day_of(self.now, self.farm_settings().await?.zone))
    }

    /// Refuses another rounding once goods have gone out: what customers kept of them would be worth other cents than their invoices say.
    pub(super) async fn ensure_rounding_stays(&mut self, wanted: Rounding) -> Result<()> {
        let (current, is_used) = sqlx::query!(
            r#"select rounding as "rounding: Rounding", exists (select from docket d where d.farm_id = $1)
                      or exists (select from market_day y where y.farm_id = $1) as "is_used!" from farm where farm_id = $1"#,
            self.farm.0
        )
        .fetch_one(&mut *self.db)
        .await
        .map(|r| (r.rounding, r.is_used))?;
        if is_used && wanted != current {
            return Err(Refusal::field(
                "/rounding",
                "Goods have gone out by the rule that there is, and money is rounded by one rule. It stays.",
            )
            .into());
        }
        Ok(())
    }

    /// Refuses a step that cannot be, and another one while a stall is out: a phone without a connection asks people for what it knew.
    pub(super) async fn ensure_cash_step_may_change(&mut self, wanted: Decimal) -> Result<()> {
        ensure_cash_step(wanted, self.farm_settings().await?.coinage)?;
        let out = sqlx::query_scalar!(
            "select market_day from market_day where farm_id = $1 and status = 'open' and (select cash_step from farm where farm_id = $1) <> $2",
            self.farm.0,
            wanted
        )
        .fetch_optional(&mut *self.db)
        .await?;
        self.memo.settings = None;
        match out {
            Some(day) => {
                let stays = format!(
                    "A stall is out with market day {day}, and its cash is rounded by the rule that there is. Cash it up first."
                );
                Err(Refusal::field("/cash_step", stays).into())
            }
            None => Ok(()),
        }
    }
}

/// As the columns hold them.
pub(super) fn settings_of(zone: &str, currency: &str, rounding: Rounding, cash_step: Decimal) -> Result<FarmSettings> {
    let zone = zone.parse().map_err(|_| Error::Stored(format!("{zone} is no time zone")))?;
    let coinage =
        CurrencyRules::new(currency, rounding).ok_or_else(|| Error::Stored(format!("{currency} is no currency")))?;
    Ok(FarmSettings { zone, coinage: coinage.with_cash_step(cash_step) })
}
