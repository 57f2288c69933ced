//! A request that creates counts once, however often it is sent.

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    limits::IDEMPOTENCY_DAYS,
    refusal::{Refusal, RefusalKind},
};
use serde::Serialize;
use uuid::Uuid;

use crate::{Error, Result, Store, Tx, tenancy::FarmsSetting};

/// Rows that are removed in one transaction: few, so that nobody waits for it.
const PRUNE_ROWS: i64 = 500;

/// The key of a request, and what it asked.
#[derive(Debug, Clone)]
pub struct IdempotencyKey {
    /// The client's key: the `Idempotency-Key` header, or the id in the body or of the form.
    pub key: String,
    /// The id in the body or of the form. An entry is the same entry whoever sends it again: a phone is shared, and its queue outlives a
    /// sign-in.
    pub id: Option<Uuid>,
    /// Method and path.
    pub request: String,
    /// SHA-256 of the body without its secrets.
    pub body_hash: [u8; 32],
}

/// In place of an actor where a key belongs to the whole farm.
const EVERYBODY: &str = "everybody";

impl IdempotencyKey {
    /// Whose keys this request takes: the id is the farm's, a header's key is the actor's.
    fn keys(&self, actor: &str) -> Vec<(String, String)> {
        let id = self.id.map(|id| (EVERYBODY.to_owned(), format!("id {id}")));
        let key = (actor.to_owned(), self.key.clone());
        id.into_iter().chain((self.id.is_none_or(|id| self.key != format!("id {id}"))).then_some(key)).collect()
    }
}

/// The stored answer of the first request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredResponse {
    /// HTTP status.
    pub status: u16,
    /// JSON body.
    pub body: String,
}

impl Store {
    /// Forgets the answers to requests of more than [`IDEMPOTENCY_DAYS`] ago, a few at a time, on every farm. What was created by them stays,
    /// and what carries an id of its own is not kept twice even then. Returns how many were forgotten.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn prune_idempotency(&self, now: DateTime<Utc>) -> Result<u64> {
        let farms = FarmsSetting::of(self.farms_with_people().await?);
        let mut pruned = 0;
        loop {
            let mut db = self.begin_across(&farms).await?;
            let done = sqlx::query!(
                "delete from idempotency where (farm_id, actor, key) in (
                     select farm_id, actor, key from idempotency where recorded_at < $1 limit $2 for update skip locked)",
                now - TimeDelta::days(IDEMPOTENCY_DAYS),
                PRUNE_ROWS
            )
            .execute(&mut *db)
            .await?;
            db.commit().await?;
            pruned += done.rows_affected();
            if done.rows_affected() < PRUNE_ROWS.unsigned_abs() {
                return Ok(pruned);
            }
        }
    }
}

impl Tx {
    /// Reserves the entry's id for the farm, and the key for who is signed in, for this transaction. The same at work elsewhere is
    /// waited for, within the lock time-out. `Some` is the first request's answer.
    ///
    /// # Errors
    /// Refuses a key or an id that was used for another request ([`RefusalKind::KeyReused`]) or whose answer held a secret
    /// ([`RefusalKind::ShownOnce`]).
    pub async fn reserve_key(&mut self, once: &IdempotencyKey) -> Result<Option<StoredResponse>> {
        for (actor, key) in once.keys(&self.actor.key) {
            if let Some(first) = self.reserve_key_for(&actor, &key, once).await? {
                return Ok(Some(first));
            }
        }
        Ok(None)
    }

    /// The answer to the same request with the same key, if there was one. Nothing is reserved.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.farm.first_answer", skip_all, fields(farm_id = self.farm.0))]
    pub async fn first_answer(&mut self, once: &IdempotencyKey) -> Result<Option<StoredResponse>> {
        let (actors, keys): (Vec<_>, Vec<_>) = once.keys(&self.actor.key).into_iter().unzip();
        let first = sqlx::query!(
            r#"select status as "status!", answer as "answer!" from idempotency
                where farm_id = $1 and (actor, key) in (select * from unnest($2::text[], $3::text[])) and request = $4 and body_hash = $5
                  and answer is not null and status is not null
                limit 1"#,
            self.farm.0,
            &actors,
            &keys,
            once.request,
            &once.body_hash[..]
        )
        .fetch_optional(&mut *self.db)
        .await?;
        Ok(first.map(|row| StoredResponse { status: row.status.unsigned_abs(), body: row.answer }))
    }

    async fn reserve_key_for(
        &mut self,
        actor: &str,
        key: &str,
        once: &IdempotencyKey,
    ) -> Result<Option<StoredResponse>> {
        let reserved = sqlx::query!(
            "insert into idempotency (farm_id, actor, key, request, body_hash, recorded_at) values ($1, $2, $3, $4, $5, $6)
             on conflict (farm_id, actor, key) do nothing",
            self.farm.0,
            actor,
            key,
            once.request,
            &once.body_hash[..],
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        if reserved.rows_affected() == 1 {
            return Ok(None);
        }
        let first = sqlx::query!(
            "select request, body_hash, status, answer from idempotency where farm_id = $1 and actor = $2 and key = $3",
            self.farm.0,
            actor,
            key
        )
        .fetch_one(&mut *self.db)
        .await?;
        if first.request != once.request || first.body_hash != once.body_hash {
            return Err(Refusal::new(
                RefusalKind::KeyReused,
                "This key was used for another request. Make a new key for a new request, and send the same body for the same one.",
            )
            .into());
        }
        match (first.status, first.answer) {
            (Some(status), Some(body)) => Ok(Some(StoredResponse { status: status.unsigned_abs(), body })),
            _ => Err(Refusal::new(
                RefusalKind::ShownOnce,
                "The first request with this key was carried out and its answer held a secret that is shown once. Make a new one.",
            )
            .into()),
        }
    }

    /// Keeps the answer beside the key, and gives it.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn answer(
        &mut self,
        once: &IdempotencyKey,
        status: u16,
        value: &impl Serialize,
    ) -> Result<StoredResponse> {
        let body = serde_json::to_string(value).map_err(|e| Error::Stored(e.to_string()))?;
        for (actor, key) in once.keys(&self.actor.key) {
            sqlx::query!(
                "update idempotency set status = $4, answer = $5 where farm_id = $1 and actor = $2 and key = $3",
                self.farm.0,
                actor,
                key,
                i16::try_from(status).unwrap_or(200),
                body
            )
            .execute(&mut *self.db)
            .await?;
        }
        Ok(StoredResponse { status, body })
    }
}
