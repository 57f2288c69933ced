//! Messages that wait to be sent: put down with what they tell of, leased, tried, given up.

use crate::{Actor, FarmId, Result, Store, Tx, transaction};
use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    kinds::{Channel, NoticeKind},
    outbox::{Trouble, next_try},
};
use uuid::Uuid;

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
pub(crate) const LEASE: TimeDelta = TimeDelta::minutes(2);

/// Messages of one farm in one lease, so that a farm whose receivers do not answer leaves room for the others.
const MAX_LEASED_PER_FARM: i64 = 4;

/// The oldest excursion that somebody is still told of.
pub(super) const MAX_NOTICE_AGE: TimeDelta = TimeDelta::days(1);

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
        let mut db = self.begin_across_all().await?;
        let rows = sqlx::query!(
            r#"with due as (
                   select n.farm_id, n.notice_id, n.due_at,
                          row_number() over (partition by n.farm_id, n.notice_recipient order by n.due_at, n.notice_id) as of_receiver
                     from notice n join notice_recipient t using (farm_id, notice_recipient) join farm f using (farm_id)
                     left join excursion e on e.farm_id = n.farm_id and e.excursion_id = n.excursion_id
                    cross join lateral (select floor(extract(epoch from ($1 at time zone f.zone)::time) / 60)::int as minute) day
                    where n.sent_at is null and n.given_up_at is null and n.due_at <= $1 and t.ended_at is null
                      and (n.about <> 'began' or t.after_minutes = 0 or n.tries > 0 or (e.ended_at is null and e.withdrawn_at is null))
                      and (n.about <> 'ended' or exists (
                              select from notice b where b.farm_id = n.farm_id and b.notice_recipient = n.notice_recipient
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
                 from leased c, notice_recipient t
                where n.farm_id = c.farm_id and n.notice_id = c.notice_id and t.farm_id = n.farm_id and t.notice_recipient = n.notice_recipient
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
        let trouble = trouble.map(Trouble::passing);
        let next = next_try(notice.tries, trouble.as_ref(), now);
        transaction!(write, self, &signed, now, |tx| {
            sqlx::query!(
                "update notice set due_at = $3, sent_at = $4, given_up_at = $5, trouble = $6
                  where farm_id = $1 and notice_id = $2 and (due_at = $7 or $4::timestamptz is not null) and sent_at is null",
                tx.farm.0,
                notice.notice_id,
                next.due_at,
                next.sent_at,
                next.given_up_at,
                next.trouble,
                notice.leased_until
            )
            .execute(&mut *tx.db)
            .await?;
            Ok(())
        })
    }
}

impl Tx {
    pub(super) async fn put_in_outbox(
        &mut self,
        about: NoticeKind,
        event: Uuid,
        (subject, body): (String, String),
    ) -> Result<()> {
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
            "select notice_recipient, after_minutes from notice_recipient t where farm_id = $1 and ended_at is null
                and ($3 <> 'ended' or exists (select from notice b where b.farm_id = t.farm_id and b.notice_recipient = t.notice_recipient
                                                 and b.excursion_id = $2 and b.about = 'began' and b.given_up_at is null))
              order by notice_recipient",
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
                "insert into notice (farm_id, notice_id, notice_recipient, excursion_id, check_id, about, subject, body, made_at, due_at)
                 values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
                     on conflict (farm_id, notice_recipient, excursion_id, check_id, about) do nothing",
                self.farm.0,
                notice,
                receiver.notice_recipient,
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
}
