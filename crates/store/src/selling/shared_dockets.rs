//! Dockets that customers read without signing in, at addresses that only they know.

use std::sync::Arc;

use base64::{Engine, engine::general_purpose::URL_SAFE_NO_PAD};
use chrono::{DateTime, Days, NaiveDate, Utc};
use gillbook_core::{selling::docket::Docket, text::DocketCode};
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

use crate::{
    Actor, FarmId, Result, Store, Tx,
    farm::sessions::{Principal, Session},
    transaction,
};

/// Days from the delivery day on which a docket's address stops opening it.
const OPENS_DAYS: u64 = 400;

fn opens_since(today: NaiveDate) -> NaiveDate {
    today - Days::new(OPENS_DAYS)
}

/// Bytes of the code that stand in the address: 128 bits.
const CODE_BYTES: usize = 16;

/// A docket that somebody holds the address of, and what stands for them in the store.
#[derive(Debug, Clone)]
pub struct SharedDocket {
    /// Reads as this one, and only this docket is read as it.
    pub session: Arc<Session>,
    /// The docket.
    pub docket: DocketCode,
}

/// What the address of a docket is made with: HMAC (RFC 2104) with SHA-256 of its code under the farm's key.
fn code_of(key: &[u8], docket: &DocketCode) -> Hmac<Sha256> {
    #[expect(clippy::expect_used, reason = "a key of HMAC may have any length")]
    let mut code = Hmac::<Sha256>::new_from_slice(key).expect("a key of any length");
    code.update(b"docket ");
    code.update(docket.as_str().as_bytes());
    code
}

impl Tx {
    async fn link_key(&mut self) -> Result<Option<Vec<u8>>> {
        Ok(sqlx::query_scalar!("select link_key from farm where farm_id = $1", self.farm.0)
            .fetch_optional(&mut *self.db)
            .await?)
    }

    /// The secret of a docket's address: the farm's number, the docket, and a code that only the farm's key gives, such as
    /// `1.D-12.kX3…`. The same each time, until [`Self::renew_docket_links`]. `None` where its delivery day is more than 400 days ago.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.docket_link", skip_all, fields(farm_id = self.farm.0))]
    pub async fn docket_link(&mut self, docket: &Docket) -> Result<Option<String>> {
        if docket.delivery_day < opens_since(self.farm_day().await?) {
            return Ok(None);
        }
        let key = self.link_key().await?.unwrap_or_default();
        let code = code_of(&key, &docket.docket).finalize().into_bytes();
        Ok(Some(format!("{}.{}.{}", self.farm.0, docket.docket, URL_SAFE_NO_PAD.encode(&code[..CODE_BYTES]))))
    }

    /// Lets none of the addresses that were given out open a docket any more. New ones do.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.renew_docket_links", skip_all, fields(farm_id = self.farm.0))]
    pub async fn renew_docket_links(&mut self) -> Result<()> {
        sqlx::query!("update farm set link_key = default where farm_id = $1", self.farm.0)
            .execute(&mut *self.db)
            .await?;
        Ok(())
    }
}

impl Store {
    /// The docket that the secret of an address opens. `None` for one that was made up, that the farm took back, or whose docket's delivery day
    /// is more than 400 days ago.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.shared_docket", skip_all)]
    pub async fn shared_docket(&self, secret: &str, now: DateTime<Utc>) -> Result<Option<SharedDocket>> {
        let mut parts = secret.splitn(3, '.');
        let (Some(farm), Some(docket), Some(code)) = (parts.next(), parts.next(), parts.next()) else {
            return Ok(None);
        };
        let farm = farm.parse().ok().filter(|number| *number > 0).map(FarmId);
        let (Some(farm), Ok(docket), Ok(code)) = (farm, docket.parse::<DocketCode>(), URL_SAFE_NO_PAD.decode(code))
        else {
            return Ok(None);
        };
        if code.len() != CODE_BYTES {
            return Ok(None);
        }
        let actor = Actor::program(farm, "customer");
        let opens = transaction!(read, self, &actor, now, |tx| {
            // The same work for a farm that is not there, so that the time does not tell.
            let key = tx.link_key().await?.unwrap_or_default();
            if code_of(&key, &docket).verify_truncated_left(&code).is_err() || key.is_empty() {
                return Ok(false);
            }
            // Written as it was given out, and not as a number may be written too.
            let own = format!("{}.{docket}.", farm.0);
            if !secret.starts_with(&own) {
                return Ok(false);
            }
            let since = opens_since(tx.farm_day().await?);
            Ok(sqlx::query_scalar!(
                r#"select exists (select from docket where farm_id = $1 and docket = $2 and delivery_day >= $3) as "opens!""#,
                farm.0,
                docket.as_str(),
                since
            )
            .fetch_one(&mut *tx.db)
            .await?)
        })?;
        let session = Session { actor, name: String::new(), standing: Principal::Customer };
        Ok(opens.then(|| SharedDocket { session: Arc::new(session), docket }))
    }
}
