//! Who is told of what: the outbox.

use base64::{Engine, engine::general_purpose::STANDARD};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    cold::evaluate::Excursion,
    limits::{MAX_NOTICE_TRIES, MAX_RECEIVERS},
    refusal::{Refusal, RefusalKind},
    text::{PlaceCode, Text},
    words::{Channel, ExcursionKind, NoticeKind},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::secret::random_bytes;
use crate::{Actor, FarmId, Result, Store, Tx, cold::probe_checks::ProbeCheck, transaction};

/// The oldest excursion that somebody is still told of.
const MAX_NOTICE_AGE: TimeDelta = TimeDelta::days(1);

/// Somebody who is told.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct NoticeRecipient {
    /// Id.
    pub notice_to: Uuid,
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
pub struct NewNoticeTo {
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

/// A message that is due.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notice {
    /// The farm.
    pub farm: FarmId,
    /// Id; a webhook's `webhook-id`.
    pub notice_id: Uuid,
    /// How.
    pub way: Channel,
    /// Where to.
    pub address: String,
    /// The webhook's secret.
    pub secret: String,
    /// What it tells.
    pub about: NoticeKind,
    /// The excursion, or the check of a probe, that it is about.
    pub event: Uuid,
    /// Subject.
    pub subject: String,
    /// Words.
    pub body: String,
    /// Tries, with this one.
    pub tries: i32,
    /// Until when nobody else sends it.
    pub leased_until: DateTime<Utc>,
}

/// How long a message that was leased is left to whoever leased it: longer than its receiver may take.
const LEASE: TimeDelta = TimeDelta::minutes(2);
/// Messages of one farm in one lease, so that a farm whose receivers do not answer leaves room for the others.
const MAX_LEASED_PER_FARM: i64 = 4;

impl Store {
    /// Leases messages that are due on any farm, at most one a receiver: whoever has them sends them, and no other program does meanwhile. One
    /// that is not reported by [`Store::notice_tried`] is due again after two minutes.
    ///
    /// One whose excursion ended before its turn is not sent, nor the end of one whose beginning was not told. Those that quiet hours hold back
    /// are not among them, so that they never stand in the way of others.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.lease_notices", skip_all)]
    pub async fn lease_notices(&self, max: usize, now: DateTime<Utc>) -> Result<Vec<Notice>> {
        let mut db = self.first_dirty_hour(&self.farms_with_people().await?).await?;
        let rows = sqlx::query!(
            r#"with due as (
                   select n.farm_id, n.notice_id, n.due_at,
                          row_number() over (partition by n.farm_id, n.notice_to order by n.due_at, n.notice_id) as of_receiver
                     from notice n join notice_to t using (farm_id, notice_to) join farm f using (farm_id)
                     left join excursion e on e.farm_id = n.farm_id and e.excursion_id = n.excursion_id
                    cross join lateral (select floor(extract(epoch from ($1 at time zone f.zone)::time) / 60)::int as minute) day
                    where n.sent_at is null and n.given_up_at is null and n.due_at <= $1 and t.ended_at is null
                      and (n.about <> 'began' or t.after_minutes = 0 or n.tries > 0 or (e.ended_at is null and e.withdrawn_at is null))
                      and (n.about <> 'ended' or exists (
                              select from notice b where b.farm_id = n.farm_id and b.notice_to = n.notice_to
                                 and b.excursion_id = n.excursion_id and b.about = 'began' and b.sent_at is not null))
                      and (t.quiet_from is null or e.kind = 'too_warm' or case when t.quiet_from <= t.quiet_until
                               then not (day.minute >= t.quiet_from and day.minute < t.quiet_until)
                               else day.minute >= t.quiet_until and day.minute < t.quiet_from end)),
               fair as (
                   select farm_id, notice_id, due_at, row_number() over (partition by farm_id order by due_at, notice_id) as of_farm
                     from due where of_receiver = 1),
               leased as (
                   select n.farm_id, n.notice_id
                     from notice n join fair using (farm_id, notice_id)
                    where fair.of_farm <= $2 and n.sent_at is null and n.given_up_at is null and n.due_at <= $1
                    order by fair.of_farm, fair.due_at limit $3
                      for update of n skip locked)
               update notice n set due_at = $4, tries = n.tries + 1
                 from leased c, notice_to t
                where n.farm_id = c.farm_id and n.notice_id = c.notice_id and t.farm_id = n.farm_id and t.notice_to = n.notice_to
            returning n.farm_id as "farm_id: FarmId", n.notice_id, t.way as "way: Channel", t.address, t.secret,
                      coalesce(n.excursion_id, n.check_id) as "event!", n.about as "about: NoticeKind",
                      n.subject, n.body, n.tries, n.due_at"#,
            now,
            MAX_LEASED_PER_FARM,
            i64::try_from(max).unwrap_or(i64::MAX),
            now + LEASE
        )
        .fetch_all(&mut *db)
        .await?;
        db.commit().await?;
        Ok(rows
            .into_iter()
            .map(|r| Notice {
                farm: r.farm_id,
                notice_id: r.notice_id,
                way: r.way,
                address: r.address,
                secret: r.secret,
                about: r.about,
                event: r.event,
                subject: r.subject,
                body: r.body,
                tries: r.tries,
                leased_until: r.due_at,
            })
            .collect())
    }

    /// Writes down what became of a message that was leased: taken, or to be tried again later, each time after twice as long. Where the lease
    /// has run out and another program has it, that one's word counts.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.notice_tried", skip_all)]
    pub async fn notice_tried(&self, notice: &Notice, trouble: Option<&str>, now: DateTime<Utc>) -> Result<()> {
        let signed = Actor::program(notice.farm, "notices");
        let wait = TimeDelta::seconds(30 << notice.tries.clamp(0, 12));
        let is_taken = trouble.is_none();
        let is_given_up = !is_taken && notice.tries >= MAX_NOTICE_TRIES;
        let trouble: String = trouble.unwrap_or_default().chars().take(300).collect();
        transaction!(write, self, &signed, now, |tx| {
            sqlx::query!(
                "update notice set due_at = $3, sent_at = case when $4 then $5::timestamptz end,
                        given_up_at = case when $6 then $5::timestamptz end, trouble = $7
                  where farm_id = $1 and notice_id = $2 and (due_at = $8 or $4) and sent_at is null",
                tx.farm.0,
                notice.notice_id,
                now + wait,
                is_taken,
                now,
                is_given_up,
                trouble,
                notice.leased_until
            )
            .execute(&mut *tx.db)
            .await?;
            Ok(())
        })
    }
}

impl Tx {
    /// Adds somebody who is told. A webhook's secret is in this answer and never again.
    ///
    /// # Errors
    /// Refuses an address that is none, and more than [`MAX_RECEIVERS`].
    #[tracing::instrument(level = "debug", name = "store.cold.add_notice_to", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_notice_to(&mut self, new: &NewNoticeTo) -> Result<NoticeRecipient> {
        let address = new.address.as_str();
        let good = match new.way {
            Channel::Email => {
                address.split_once('@').is_some_and(|(name, host)| !name.is_empty() && host.contains('.'))
            }
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
            "insert into notice_to (farm_id, notice_to, way, address, secret, after_minutes, quiet_from, quiet_until, added_at)
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
            notice_to: id,
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
            r#"select count(*) as "n!" from notice_to where farm_id = $1 and ended_at is null"#,
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
            r#"select notice_to, way as "way: Channel", address, after_minutes, quiet_from, quiet_until from notice_to
                where farm_id = $1 and ended_at is null order by added_at, notice_to limit $2"#,
            self.farm.0,
            MAX_RECEIVERS
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| NoticeRecipient {
                notice_to: r.notice_to,
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
    #[tracing::instrument(level = "debug", name = "store.cold.remove_notice_to", skip_all, fields(farm_id = self.farm.0))]
    pub async fn remove_notice_to(&mut self, id: Uuid) -> Result<()> {
        let done = sqlx::query!(
            "update notice_to set ended_at = $3 where farm_id = $1 and notice_to = $2 and ended_at is null",
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
    pub(crate) async fn tell_of(&mut self, place: &PlaceCode, id: Uuid, e: &Excursion) -> Result<()> {
        if e.from.max(e.until.unwrap_or(e.from)) < self.now - MAX_NOTICE_AGE {
            return Ok(());
        }
        let about = if e.until.is_some() { NoticeKind::Ended } else { NoticeKind::Began };
        let inside = self.grams_inside(place).await?;
        let words = words(place, e, inside, self.now);
        self.put_in_outbox(about, id, words).await
    }

    /// Puts into the outbox that a check has left a probe doubtful.
    pub(crate) async fn tell_of_doubt(
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
    pub(crate) async fn tell_no_doubt(&mut self, probe_id: i32) -> Result<()> {
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

    async fn put_in_outbox(&mut self, about: NoticeKind, event: Uuid, (subject, body): (String, String)) -> Result<()> {
        if about == NoticeKind::Ended {
            // Whoever is told only of what lasts is not told of it any more.
            sqlx::query!(
                "update notice set given_up_at = $3, trouble = 'over before it was due'
                  where farm_id = $1 and excursion_id = $2 and about = 'began' and tries = 0 and due_at > made_at
                    and sent_at is null and given_up_at is null",
                self.farm.0,
                event,
                self.now
            )
            .execute(&mut *self.db)
            .await?;
        }
        let receivers = sqlx::query!(
            "select notice_to, after_minutes from notice_to t where farm_id = $1 and ended_at is null
                and ($3 <> 'ended' or exists (select from notice b where b.farm_id = t.farm_id and b.notice_to = t.notice_to
                                                 and b.excursion_id = $2 and b.about = 'began' and b.given_up_at is null))
              order by notice_to",
            self.farm.0,
            event,
            about.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?;
        let of_probe = about == NoticeKind::Doubtful;
        for receiver in receivers {
            let notice = self.new_id();
            sqlx::query!(
                "insert into notice (farm_id, notice_id, notice_to, excursion_id, check_id, about, subject, body, made_at, due_at)
                 values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
                     on conflict (farm_id, notice_to, excursion_id, check_id, about) do nothing",
                self.farm.0,
                notice,
                receiver.notice_to,
                (!of_probe).then_some(event),
                of_probe.then_some(event),
                about.as_str(),
                subject,
                body,
                self.now,
                self.now + TimeDelta::minutes(i64::from(receiver.after_minutes))
            )
            .execute(&mut *self.db)
            .await?;
        }
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

/// What a message of a doubtful probe says: what it read, since when its readings are in doubt, what to do first.
fn words_of_doubt(place: &PlaceCode, check: &ProbeCheck, since: DateTime<Utc>, zone: Tz) -> (String, String) {
    let since = if since == DateTime::<Utc>::UNIX_EPOCH {
        "All its readings are in doubt: no good check of it is on record.".to_owned()
    } else {
        let day = since.with_timezone(&zone).format("%-d %B %H:%M");
        format!("Its readings since its last good check, {day}, are in doubt.")
    };
    let body = format!(
        "Probe {} in {place} read {:.1} °C where {:.1} °C was due. {since} They stay on record, marked. First put a checked thermometer into \
         {place}; then mend, correct or replace the probe, and check it again. Your local food-safety rules and your plan decide what becomes \
         of the food.",
        check.probe,
        // As the pages showed it, with the correction of that time.
        check.reference_c + check.corrected_off_c,
        check.reference_c
    );
    (format!("{place}: probe {} is doubtful", check.probe), body)
}

/// What a message says: what is wrong, how many kilos are inside, what to do first.
fn words(place: &PlaceCode, e: &Excursion, inside: Grams, now: DateTime<Utc>) -> (String, String) {
    let minutes = (e.until.unwrap_or(now) - e.from).num_minutes();
    let what = match e.kind {
        ExcursionKind::TooWarm => "is too warm",
        ExcursionKind::TooCold => "is too cold",
        ExcursionKind::NoData => "has sent nothing",
        ExcursionKind::ProbeFault => "has a faulty probe",
    };
    let first = match e.kind {
        ExcursionKind::TooWarm => {
            "First look whether the door is shut and the compressor runs; then move what is inside if it does not recover."
        }
        ExcursionKind::TooCold => "First look at the thermostat, and whether anything has frozen.",
        ExcursionKind::NoData => "First look at the thermometer inside, then at the probe's power and network.",
        ExcursionKind::ProbeFault => "First look at the thermometer inside, then at the probe's plug.",
    };
    let peak = e.product_c.map(|c| format!(" Food inside estimated at up to {c:.1} °C.")).unwrap_or_default();
    if e.until.is_some() {
        let subject = format!("{place}: over after {minutes} minutes");
        let body = format!(
            "{place} {what} no longer. It lasted {minutes} minutes.{peak} Write down what was done and what became of the food."
        );
        return (subject, body);
    }
    let subject = format!("{place} {what}");
    let body = format!(
        "{place} {what}, for {minutes} minutes.{peak} {:.1} kg are inside. {first} Your local food-safety rules and your plan decide what becomes of the food.",
        inside.kg()
    );
    (subject, body)
}
