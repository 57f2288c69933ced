//! Documents that wait to be sent by e-mail: put down with what is attached, leased, tried, given up.

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    limits::MAX_EMAILS_PER_DAY,
    outbox::{Trouble, next_try},
    refusal::{Refusal, RefusalKind},
    selling::email::Email,
    text::{DocketCode, InvoiceCode},
};
use uuid::Uuid;

use crate::{Actor, FarmId, Result, Store, Tx, cold::notices::LEASE, transaction};

/// What an e-mail is about.
#[derive(Debug, Clone, Copy)]
pub enum EmailOf<'a> {
    /// A docket.
    Docket(&'a DocketCode),
    /// An invoice or credit note.
    Invoice(&'a InvoiceCode),
}

impl EmailOf<'_> {
    fn codes(&self) -> (Option<&str>, Option<&str>) {
        match self {
            Self::Docket(code) => (Some(code.as_str()), None),
            Self::Invoice(code) => (None, Some(code.as_str())),
        }
    }
}

/// A document as it is attached.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Attachment {
    /// What the file is called.
    pub name: String,
    /// Its media type.
    pub kind: String,
    /// Its bytes.
    pub content: Vec<u8>,
}

/// An e-mail to be written.
#[derive(Debug, Clone)]
pub struct EmailDraft {
    /// Where to.
    pub address: String,
    /// Subject.
    pub subject: String,
    /// Words.
    pub body: String,
    /// What is attached.
    pub attachments: Vec<Attachment>,
}

/// An e-mail that is due.
#[derive(Debug, Clone)]
pub struct DueEmail {
    /// The farm.
    pub farm: FarmId,
    /// The farm's name, as the sender is called.
    pub farm_name: String,
    /// Where answers go; empty where the farm has no address of its own.
    pub reply_to: String,
    /// Id.
    pub email_id: Uuid,
    /// What is sent.
    pub draft: EmailDraft,
    /// Tries, with this one.
    pub tries: i32,
    /// Until when nobody else sends it.
    pub leased_until: DateTime<Utc>,
}

/// E-mails of one farm in one lease, so that a farm with many leaves room for the others.
const MAX_LEASED_PER_FARM: i64 = 4;

/// The e-mails of a document that are told.
const MAX_TOLD: i64 = 50;

impl Tx {
    /// Puts an e-mail down to be sent.
    ///
    /// # Errors
    /// Refuses more than [`MAX_EMAILS_PER_DAY`] of a farm within 24 hours.
    #[tracing::instrument(level = "debug", name = "store.selling.send_email", skip_all, fields(farm_id = self.farm.0))]
    pub async fn send_email(&mut self, of: EmailOf<'_>, draft: &EmailDraft) -> Result<Email> {
        let of_today = sqlx::query_scalar!(
            r#"select count(*) as "emails!" from email where farm_id = $1 and made_at > $2"#,
            self.farm.0,
            self.now - TimeDelta::days(1)
        )
        .fetch_one(&mut *self.db)
        .await?;
        if of_today >= MAX_EMAILS_PER_DAY {
            let detail = format!("{MAX_EMAILS_PER_DAY} e-mails were sent within a day. Send the next tomorrow.");
            return Err(Refusal::new(RefusalKind::TooMany, detail).into());
        }
        let (email_id, (docket, invoice)) = (self.new_id(), of.codes());
        sqlx::query!(
            "insert into email (farm_id, email_id, docket, invoice, address, subject, body, entered_by, made_at, due_at)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $9)",
            self.farm.0,
            email_id,
            docket,
            invoice,
            draft.address,
            draft.subject,
            draft.body,
            self.actor.name,
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        for attached in &draft.attachments {
            sqlx::query!(
                "insert into email_attachment (farm_id, email_id, name, kind, content) values ($1, $2, $3, $4, $5)",
                self.farm.0,
                email_id,
                attached.name,
                attached.kind,
                attached.content
            )
            .execute(&mut *self.db)
            .await?;
        }
        Ok(Email {
            email: email_id,
            to: draft.address.clone(),
            subject: draft.subject.clone(),
            body: draft.body.clone(),
            entered_by: self.actor.name.clone(),
            made_at: self.now,
            sent_at: None,
            given_up_at: None,
            trouble: String::new(),
        })
    }

    /// The last 50 e-mails of a document, newest first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.emails_of", skip_all, fields(farm_id = self.farm.0))]
    pub async fn emails_of(&mut self, of: EmailOf<'_>) -> Result<Vec<Email>> {
        let (docket, invoice) = of.codes();
        Ok(sqlx::query_as!(
            Email,
            r#"select email_id as email, address as "to", subject, body, entered_by, made_at, sent_at, given_up_at, trouble from email
                where farm_id = $1 and (docket = $2 or invoice = $3) order by made_at desc, email_id limit $4"#,
            self.farm.0,
            docket,
            invoice,
            MAX_TOLD
        )
        .fetch_all(&mut *self.db)
        .await?)
    }
}

impl Store {
    /// Leases e-mails that are due on any farm: whoever has them sends them, and no other program does meanwhile. One that is not reported by
    /// [`Store::email_tried`] is due again after the lease.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.lease_emails", skip_all)]
    pub async fn lease_emails(&self, max: usize, now: DateTime<Utc>) -> Result<Vec<DueEmail>> {
        let mut db = self.begin_across_all().await?;
        let rows = sqlx::query!(
            r#"with fair as (
                   select farm_id, email_id, due_at, row_number() over (partition by farm_id order by due_at, email_id) as of_farm
                     from email where sent_at is null and given_up_at is null and due_at <= $1),
               leased as (
                   select e.farm_id, e.email_id from email e join fair using (farm_id, email_id)
                    where fair.of_farm <= $2 and e.sent_at is null and e.given_up_at is null and e.due_at <= $1
                    order by fair.of_farm, fair.due_at limit $3
                      for update of e skip locked)
               update email e set due_at = $4, tries = e.tries + 1
                 from leased c, farm f
                where e.farm_id = c.farm_id and e.email_id = c.email_id and f.farm_id = e.farm_id
            returning e.farm_id as "farm_id: FarmId", e.email_id, f.name as farm_name, f.email as reply_to, e.address, e.subject, e.body,
                      e.tries, e.due_at"#,
            now,
            MAX_LEASED_PER_FARM,
            i64::try_from(max).unwrap_or(i64::MAX),
            now + LEASE
        )
        .fetch_all(&mut *db)
        .await?;
        let mut due = Vec::with_capacity(rows.len());
        for r in rows {
            let attachments = sqlx::query_as!(
                Attachment,
                "select name, kind, content from email_attachment where farm_id = $1 and email_id = $2 order by name",
                r.farm_id.0,
                r.email_id
            )
            .fetch_all(&mut *db)
            .await?;
            due.push(DueEmail {
                farm: r.farm_id,
                farm_name: r.farm_name,
                reply_to: r.reply_to,
                email_id: r.email_id,
                draft: EmailDraft { address: r.address, subject: r.subject, body: r.body, attachments },
                tries: r.tries,
                leased_until: r.due_at,
            });
        }
        db.commit().await?;
        Ok(due)
    }

    /// Writes down what became of an e-mail that was leased: taken, or to be tried again later, each time after twice as long. What was attached is
    /// kept no longer than it waits.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.email_tried", skip_all)]
    pub async fn email_tried(&self, email: &DueEmail, trouble: Option<&Trouble>, now: DateTime<Utc>) -> Result<()> {
        let signed = Actor::program(email.farm, "emails");
        let next = next_try(email.tries, trouble, now);
        transaction!(write, self, &signed, now, |tx| {
            let done = sqlx::query!(
                "update email set due_at = $3, sent_at = $4, given_up_at = $5, trouble = $6
                  where farm_id = $1 and email_id = $2 and (due_at = $7 or $4::timestamptz is not null) and sent_at is null",
                tx.farm.0,
                email.email_id,
                next.due_at,
                next.sent_at,
                next.given_up_at,
                next.trouble,
                email.leased_until
            )
            .execute(&mut *tx.db)
            .await?;
            if done.rows_affected() > 0 && (next.sent_at.is_some() || next.given_up_at.is_some()) {
                sqlx::query!(
                    "delete from email_attachment where farm_id = $1 and email_id = $2",
                    tx.farm.0,
                    email.email_id
                )
                .execute(&mut *tx.db)
                .await?;
            }
            Ok(())
        })
    }
}
