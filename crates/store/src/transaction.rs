//! One transaction of one farm: what it knows of its actor and instant, and what it remembers having read.

use crate::error::Result;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use gillbook_core::{
    refusal::Refusal,
    text::Short,
    units::{calendar::cut_to_micros, money::CurrencyRules},
};
use rand::RngExt;
use rand_chacha::ChaCha12Rng;
use sqlx::Postgres;
use std::sync::{Arc, Mutex, PoisonError};
use uuid::Uuid;

use super::{Actor, FarmId};

/// One transaction of one farm.
#[derive(Debug)]
pub struct Tx {
    pub(crate) db: sqlx::Transaction<'static, Postgres>,
    pub(crate) farm: FarmId,
    pub(crate) actor: Arc<Actor>,
    pub(crate) now: DateTime<Utc>,
    pub(crate) id_rng: Arc<Mutex<ChaCha12Rng>>,
    pub(crate) memo: Memo,
}

/// What a transaction has looked up already and need not look up again.
#[derive(Debug, Default)]
pub(crate) struct Memo {
    /// The farm's settings; forgotten when they change.
    pub(crate) settings: Option<FarmSettings>,
    /// The warm spells that are not settled, of the lots that were looked up last, in the order of their codes. Only where the transaction reads one snapshot and writes
    /// nothing: none otherwise.
    pub(crate) spells: Option<(Vec<String>, Vec<gillbook_core::ledger::warm_spell::Reached>)>,
    /// The farm, likewise only of one snapshot.
    pub(crate) farm: Option<crate::farm::farms::Farm>,
    /// What was sold in the span that was asked for last, likewise.
    pub(crate) sales: Option<(Option<gillbook_core::units::calendar::Span>, Vec<crate::selling::sales::SoldRow>)>,
    /// What was read of the air of places, likewise.
    pub(crate) air: crate::cold::air::AirCache,
    pub(crate) one_snapshot: bool,
}

/// What calculations need to know of a farm.
#[derive(Debug, Clone, Copy)]
pub struct FarmSettings {
    /// Its time zone.
    pub zone: Tz,
    /// Its currency and rounding rule.
    pub coinage: CurrencyRules,
}

impl Tx {
    pub(crate) fn new(
        db: sqlx::Transaction<'static, Postgres>,
        actor: &Actor,
        now: DateTime<Utc>,
        id_rng: Arc<Mutex<ChaCha12Rng>>,
    ) -> Self {
        Self {
            db,
            farm: actor.farm,
            actor: Arc::new(actor.clone()),
            now: cut_to_micros(now),
            id_rng,
            memo: Memo::default(),
        }
    }

    /// Commits what succeeded and rolls back what did not.
    ///
    /// # Errors
    /// What the work failed with, or the commit.
    #[doc(hidden)]
    pub async fn end<T>(self, outcome: Result<T>) -> Result<T> {
        match outcome {
            Ok(value) => {
                self.db.commit().await?;
                Ok(value)
            }
            Err(error) => {
                // Dropping the transaction rolls it back as well; asking for it frees the connection sooner.
                if let Err(failed) = self.db.rollback().await {
                    tracing::warn!(error = %failed, "rolling back failed; the connection is dropped");
                }
                Err(error)
            }
        }
    }

    /// The instant of the request.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        self.now
    }

    /// The signed-in name.
    #[must_use]
    pub fn actor(&self) -> &Actor {
        &self.actor
    }

    /// A new id: UUID version 7 (RFC 9562) of the request's instant.
    pub(crate) fn new_id(&self) -> Uuid {
        let ms = u64::try_from(self.now.timestamp_millis()).unwrap_or_default();
        let chance: [u8; 10] = self.id_rng.lock().unwrap_or_else(PoisonError::into_inner).random();
        uuid::Builder::from_unix_timestamp_millis(ms, &chance).into_uuid()
    }

    /// Who did it: what was written down, or else who is signed in.
    pub(crate) fn performed_by(&self, written: Option<&Short>) -> String {
        written.map_or_else(|| self.actor.name.chars().take(60).collect(), |w| w.as_str().to_owned())
    }

    /// When it happened: what was written down, or else now. A phone's clock may run ahead by up to five minutes; nothing happens later than it
    /// is entered, so what it says then is taken as now.
    pub(crate) fn occurred_at(
        &self,
        written: Option<gillbook_core::units::calendar::Instant>,
        pointer: &str,
    ) -> Result<DateTime<Utc>> {
        let at = written.map_or(self.now, |i| i.0);
        if at > self.now + chrono::TimeDelta::minutes(5) {
            return Err(Refusal::field(
                pointer,
                format!(
                    "{} is in the future. Check the clock of the phone, or the date.",
                    at.format("%Y-%m-%d %H:%M UTC")
                ),
            )
            .into());
        }
        Ok(at.min(self.now))
    }

    /// Takes the next number of a kind, without gaps: the row stays locked until the transaction ends.
    pub(crate) async fn next_number(&mut self, kind: &str) -> Result<i64> {
        Ok(sqlx::query_scalar!(r#"select next_code_number($1, $2) as "number!""#, self.farm.0, kind)
            .fetch_one(&mut *self.db)
            .await?)
    }
}
