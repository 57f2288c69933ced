//! A request that creates counts once, however often it is sent.

use gillbook_core::refusal::{Kind, Refusal};

use serde::Serialize;

use crate::{Error, Result, Tx};

/// The key of a request, and what it asked.
#[derive(Debug, Clone)]
pub struct Once {
    /// The client's key: the `Idempotency-Key` header, or the id in the body.
    pub key: String,
    /// Method and path.
    pub request: String,
    /// SHA-256 of the body.
    pub body_hash: [u8; 32],
}

/// The stored answer of the first request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// JSON body.
    pub body: String,
}

impl Tx {
    /// Claims a key for this transaction. The same key at work elsewhere is waited for, within the lock time-out.
    /// `Some` is the first request's answer.
    ///
    /// # Errors
    /// Refuses a key that was used for another request ([`Kind::KeyReused`]) or whose answer held a secret
    /// ([`Kind::ShownOnce`]).
    pub async fn claim(&mut self, once: &Once) -> Result<Option<Answer>> {
        let claimed = sqlx::query!(
            "insert into idempotency (farm_id, actor, key, request, body_hash, recorded_at) values ($1, $2, $3, $4, $5, $6)
             on conflict (farm_id, actor, key) do nothing",
            self.farm.0,
            self.signed.key,
            once.key,
            once.request,
            &once.body_hash[..],
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        if claimed.rows_affected() == 1 {
            return Ok(None);
        }
        let first = sqlx::query!(
            "select request, body_hash, status, answer from idempotency where farm_id = $1 and actor = $2 and key = $3",
            self.farm.0,
            self.signed.key,
            once.key
        )
        .fetch_one(&mut *self.db)
        .await?;
        if first.request != once.request || first.body_hash != once.body_hash {
            return Err(Refusal::new(
                Kind::KeyReused,
                "This key was used for another request. Make a new key for a new request, and send the same body for the same one.",
            )
            .into());
        }
        match (first.status, first.answer) {
            (Some(status), Some(body)) => Ok(Some(Answer { status: status.unsigned_abs(), body })),
            _ => Err(Refusal::new(
                Kind::ShownOnce,
                "The first request with this key was carried out and its answer held a secret that is shown once. Make a new one.",
            )
            .into()),
        }
    }

    /// Keeps the answer beside the key, and gives it.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn answer(&mut self, once: &Once, status: u16, value: &impl Serialize) -> Result<Answer> {
        let body = serde_json::to_string(value).map_err(|e| Error::Stored(e.to_string()))?;
        sqlx::query!(
            "update idempotency set status = $4, answer = $5 where farm_id = $1 and actor = $2 and key = $3",
            self.farm.0,
            self.signed.key,
            once.key,
            i16::try_from(status).unwrap_or(200),
            body
        )
        .execute(&mut *self.db)
        .await?;
        Ok(Answer { status, body })
    }
}
