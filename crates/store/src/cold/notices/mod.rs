//! Who is told of what: the outbox.

mod outbox;
mod texts;

pub(crate) use outbox::LEASE;
pub use outbox::Notice;

use base64::{Engine, engine::general_purpose::STANDARD};
use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    cold::evaluate::Excursion,
    kinds::{Channel, NoticeKind},
    limits::MAX_RECEIVERS,
    refusal::{Refusal, RefusalKind},
    text::{PlaceCode, Text, is_email_address},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::secret::random_bytes;
use crate::{Result, Tx, cold::probe_checks::ProbeCheck};

use self::{outbox::MAX_NOTICE_AGE, texts::words, texts::words_of_doubt};

/// Somebody who is told.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct NoticeRecipient {
    /// Id.
    pub notice_recipient: Uuid,
    /// How.
    pub way: Channel,
    /// An e-mail address, or the address of a webhook.
    pub address: String,
    /// Minutes to wait first: whoever is told later is told only if it still lasts.
    pub after_minutes: i32,
    /// Minute of the farm's day at which quiet begins: all but a warm spell waits until it ends.
    pub quiet_from: Option<i32>,
    /// Minute of the farm's day at which quiet ends.
    pub quiet_until: Option<i32>,
    /// The webhook's signing secret, shown once.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub secret: Option<String>,
}

/// Somebody to be told.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewNoticeRecipient {
    /// How.
    pub way: Channel,
    /// An e-mail address, or the address of a webhook (`https://…`).
    pub address: Text<3, 500>,
    /// Minutes to wait first.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 1440)]
    pub after_minutes: i32,
    /// Minute of the farm's day at which quiet begins.
    #[schema(minimum = 0, maximum = 1439)]
    pub quiet_from: Option<i32>,
    /// Minute of the farm's day at which quiet ends.
    #[schema(minimum = 0, maximum = 1439)]
    pub quiet_until: Option<i32>,
}

impl Tx {
    /// Adds somebody who is told. A webhook's secret is in this answer and never again.
    ///
    /// # Errors
    /// Refuses an address that is none, and more than [`MAX_RECEIVERS`].
    #[tracing::instrument(level = "debug", name = "store.cold.add_notice_recipient", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_notice_recipient(&mut self, new: &NewNoticeRecipient) -> Result<NoticeRecipient> {
        let address = new.address.as_str();
        let good = match new.way {
            Channel::Email => is_email_address(address),
            Channel::Webhook => address.starts_with("https://") || address.starts_with("http://"),
        };
        if !good {
            return Err(Refusal::field(
                "/address",
                "An e-mail address has an @, a webhook begins with https://. Check it.",
            )
            .into());
        }
        if new.quiet_from.is_some() != new.quiet_until.is_some() {
            return Err(Refusal::field(
                "/quiet_until",
                "Quiet hours have a beginning and an end. Give both or neither.",
            )
            .into());
        }
        self.ensure_room_for_receiver().await?;
        let id = self.new_id();
        // Standard Webhooks: `whsec_` and the base64 of 24 to 64 random bytes.
        let secret = match new.way {
            Channel::Email => String::new(),
            Channel::Webhook => format!("whsec_{}", STANDARD.encode(random_bytes())),
        };
        sqlx::query!(
            "insert into notice_recipient (farm_id, notice_recipient, way, address, secret, after_minutes, quiet_from, quiet_until, added_at)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
            self.farm.0,
            id,
            new.way.as_str(),
            address,
            secret,
            new.after_minutes,
            new.quiet_from,
            new.quiet_until,
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        Ok(NoticeRecipient {
            notice_recipient: id,
            way: new.way,
            address: address.to_owned(),
            after_minutes: new.after_minutes,
            quiet_from: new.quiet_from,
            quiet_until: new.quiet_until,
            secret: (new.way == Channel::Webhook).then_some(secret),
        })
    }

    async fn ensure_room_for_receiver(&mut self) -> Result<()> {
        // One after another, so that two cannot both be the last one.
        sqlx::query!("select farm_id from farm where farm_id = $1 for no key update", self.farm.0)
            .fetch_one(&mut *self.db)
            .await?;
        let there = sqlx::query_scalar!(
            r#"select count(*) as "n!" from notice_recipient where farm_id = $1 and ended_at is null"#,
            self.farm.0
        )
        .fetch_one(&mut *self.db)
        .await?;
        if there >= MAX_RECEIVERS {
            let detail =
                format!("{MAX_RECEIVERS} people and webhooks are told already, which is the most. Remove one first.");
            return Err(Refusal::new(RefusalKind::Closed, detail).into());
        }
        Ok(())
    }

    /// Who is told.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.recipients", skip_all, fields(farm_id = self.farm.0))]
    pub async fn recipients(&mut self) -> Result<Vec<NoticeRecipient>> {
        let rows = sqlx::query!(
            r#"select notice_recipient, way as "way: Channel", address, after_minutes, quiet_from, quiet_until from notice_recipient
                where farm_id = $1 and ended_at is null order by added_at, notice_recipient limit $2"#,
            self.farm.0,
            MAX_RECEIVERS
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| NoticeRecipient {
                notice_recipient: r.notice_recipient,
                way: r.way,
                address: r.address,
                after_minutes: r.after_minutes,
                quiet_from: r.quiet_from,
                quiet_until: r.quiet_until,
                secret: None,
            })
            .collect())
    }

    /// Tells somebody nothing more.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.cold.remove_notice_recipient", skip_all, fields(farm_id = self.farm.0))]
    pub async fn remove_notice_recipient(&mut self, id: Uuid) -> Result<()> {
        let done = sqlx::query!(
            "update notice_recipient set ended_at = $3 where farm_id = $1 and notice_recipient = $2 and ended_at is null",
            self.farm.0,
            id,
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        if done.rows_affected() == 0 {
            return Err(Refusal::not_found("receiver of notices", id).into());
        }
        Ok(())
    }

    /// Puts what is to be told about an excursion into the outbox: once an event and receiver, in the commit that finds it.
    pub(crate) async fn enqueue_notice(&mut self, place: &PlaceCode, id: Uuid, e: &Excursion) -> Result<()> {
        if e.from.max(e.until.unwrap_or(e.from)) < self.now - MAX_NOTICE_AGE {
            return Ok(());
        }
        let about = if e.until.is_some() { NoticeKind::Ended } else { NoticeKind::Began };
        let inside = self.grams_inside(place).await?;
        let words = words(place, e, inside, self.now);
        self.put_in_outbox(about, id, words).await
    }

    /// Puts into the outbox that a check has left a probe doubtful.
    pub(crate) async fn enqueue_doubt_notice(
        &mut self,
        place: &PlaceCode,
        check: &ProbeCheck,
        since: DateTime<Utc>,
    ) -> Result<()> {
        if check.checked_at < self.now - MAX_NOTICE_AGE {
            return Ok(());
        }
        let zone = self.farm_settings().await?.zone;
        self.put_in_outbox(NoticeKind::Doubtful, check.check_id, words_of_doubt(place, check, since, zone)).await
    }

    /// Takes what was to be told of a probe's doubtful checks out of the outbox: it has been checked again, or corrected.
    pub(crate) async fn cancel_doubt_notice(&mut self, probe_id: i32) -> Result<()> {
        sqlx::query!(
            "update notice set given_up_at = $3, trouble = 'checked again before it was told'
              where farm_id = $1 and about = 'doubtful' and sent_at is null and given_up_at is null
                and check_id in (select check_id from probe_check where farm_id = $1 and probe_id = $2)",
            self.farm.0,
            probe_id,
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    async fn grams_inside(&mut self, place: &PlaceCode) -> Result<Grams> {
        Ok(sqlx::query_scalar!(
            r#"select coalesce(sum(grams), 0)::bigint as "g!: Grams" from balance where farm_id = $1 and place = $2"#,
            self.farm.0,
            place.as_str()
        )
        .fetch_one(&mut *self.db)
        .await?)
    }
}
