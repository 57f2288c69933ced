//! Tokens: secrets of machines that read, and of probes that post.

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    kinds::Scope,
    refusal::Refusal,
    text::{Line, Text},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{Result, Tx, secret::new_secret};

/// How long a token lasts, unless said.
const TOKEN_DAYS: i64 = 365;

/// A machine's token, without its secret.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Token {
    /// Id.
    pub token_id: Uuid,
    /// What it is for.
    pub name: String,
    /// What it may do.
    pub scope: Scope,
    /// Whose readings it posts.
    pub probe: Option<String>,
    /// Since when.
    pub made_at: DateTime<Utc>,
    /// Until when.
    pub ends_at: DateTime<Utc>,
    /// Taken back when.
    pub removed_at: Option<DateTime<Utc>>,
}

/// A token to be made.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewToken {
    /// What it is for.
    pub name: Line,
    /// What it may do.
    pub scope: Scope,
    /// Name of the probe whose readings it posts; only with the scope `readings`.
    pub probe: Option<Text<1, 100>>,
    /// Days that it lasts, a year unless said.
    #[schema(minimum = 1, maximum = 3650)]
    pub days: Option<i64>,
}

impl Tx {
    async fn probe_id(&mut self, name: &str) -> Result<i32> {
        sqlx::query_scalar!("select probe_id from probe where farm_id = $1 and name = $2", self.farm.0, name)
            .fetch_optional(&mut *self.db)
            .await?
            .ok_or_else(|| Refusal::not_found("probe", name).at("/probe").into())
    }

    /// Makes a token. Returns its secret, which is shown this once.
    ///
    /// # Errors
    /// Refuses an unknown probe, and a probe with a scope that has none.
    #[tracing::instrument(level = "debug", name = "store.farm.make_token", skip_all, fields(farm_id = self.farm.0))]
    pub async fn make_token(&mut self, new: &NewToken) -> Result<(Token, String)> {
        let probe_id = match (new.scope, &new.probe) {
            (Scope::Readings, Some(name)) => Some(self.probe_id(name.as_str()).await?),
            (Scope::Readings, None) => {
                return Err(Refusal::field("/probe", "A token that posts readings needs the name of its probe.").into());
            }
            (Scope::Read | Scope::Calendar, Some(_)) => {
                return Err(Refusal::field("/probe", "A token that reads has no probe. Leave it out.").into());
            }
            (Scope::Read | Scope::Calendar, None) => None,
        };
        let days = new.days.unwrap_or(TOKEN_DAYS);
        if !(1..=3650).contains(&days) {
            return Err(Refusal::field("/days", "A token lasts 1 to 3650 days.").into());
        }
        let (secret, hash) = new_secret(self.farm);
        let token = Token {
            token_id: self.new_id(),
            name: new.name.to_string(),
            scope: new.scope,
            probe: new.probe.as_ref().map(ToString::to_string),
            made_at: self.now,
            ends_at: self.now + TimeDelta::days(days),
            removed_at: None,
        };
        sqlx::query!(
            "insert into token (farm_id, token_id, name, scope, probe_id, secret_hash, made_at, ends_at) values ($1, $2, $3, $4, $5, $6, $7, $8)",
            self.farm.0,
            token.token_id,
            token.name,
            token.scope.as_str(),
            probe_id,
            &hash[..],
            token.made_at,
            token.ends_at
        )
        .execute(&mut *self.db)
        .await?;
        Ok((token, secret))
    }

    /// Every token.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.farm.tokens", skip_all, fields(farm_id = self.farm.0))]
    pub async fn tokens(&mut self) -> Result<Vec<Token>> {
        Ok(sqlx::query_as!(
            Token,
            r#"select t.token_id, t.name, t.scope as "scope: _", p.name as "probe?", t.made_at, t.ends_at, t.removed_at
                 from token t left join probe p using (farm_id, probe_id) where t.farm_id = $1 order by t.made_at, t.token_id limit 500"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Takes a token back.
    ///
    /// # Errors
    /// Refuses a token that is not there.
    #[tracing::instrument(level = "debug", name = "store.farm.remove_token", skip_all, fields(farm_id = self.farm.0))]
    pub async fn remove_token(&mut self, token_id: Uuid) -> Result<()> {
        let done = sqlx::query!(
            "update token set removed_at = $3 where farm_id = $1 and token_id = $2 and removed_at is null",
            self.farm.0,
            token_id,
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        if done.rows_affected() == 0 {
            return Err(Refusal::not_found("token", token_id).into());
        }
        Ok(())
    }
}
