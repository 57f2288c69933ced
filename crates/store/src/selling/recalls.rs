//! Recalls and their rehearsals.

use std::collections::{BTreeMap, BTreeSet};

use gillbook_core::{
    kinds::{CustomerKind, LotEventKind, RecallKind, ToldHow, TraceKind},
    ledger::trace::{Trace, TraceFrom},
    refusal::Refusal,
    selling::recall::{
        Holder, NewRecall, NewRecallEnd, NewTold, Reach, Recall, RecallEnd, RecallReport, Told, ensure_holds,
        ensure_lasts, ensure_since, ensure_told, has_gone_to_people, holders,
    },
    text::{BatchCode, CustomerCode, LotCode, RecallCode, Text},
};

use sqlx::types::Json;

use crate::{
    Pagination, Result, Tx,
    heads::Heads,
    ledger::holds::{Affected, NewHoldEvent},
};

/// Recalls by code, or all of them.
macro_rules! recalls_where {
    ($tx:expr, $code:expr, $page:expr) => {
        sqlx::query!(
            r#"select r.recall as "recall: RecallCode", r.kind as "kind: RecallKind", r.starts_from as "starts_from: TraceKind", r.code, r.at,
                      r.reason, r.started_at, (r.started_at at time zone f.zone)::date as "started_on!", r.done_by, r.entered_by, e.ended_at as "ended_at?", e.note as "note?", e.entered_by as "ended_by?"
                 from recall r join farm f using (farm_id) left join recall_end e using (farm_id, recall)
                where r.farm_id = $1 and ($2::text is null or r.recall = $2)
                  and ($3::text is null or (r.started_at, r.recall) < (select a.started_at, a.recall from recall a
                                                                        where a.farm_id = $1 and a.recall = $3))
                order by r.started_at desc, r.recall desc limit $4"#,
            $tx.farm.0,
            $code,
            $page.after,
            $page.limit
        )
        .fetch_all(&mut *$tx.db)
        .await?
        .into_iter()
        .map(|row| Recall {
            recall: row.recall,
            kind: row.kind,
            starts_from: row.starts_from,
            code: row.code,
            at: row.at,
            reason: row.reason,
            started_at: row.started_at,
            started_on: row.started_on,
            done_by: row.done_by,
            entered_by: row.entered_by,
            ended: row.ended_at.map(|ended_at| RecallEnd {
                ended_at,
                note: row.note.unwrap_or_default(),
                entered_by: row.ended_by.unwrap_or_default(),
            }),
        })
        .collect::<Vec<Recall>>()
    };
}

impl Tx {
    /// Begins a recall or a rehearsal: finds the lots, writes them down, and puts them and what was made of them on hold where it holds.
    ///
    /// # Errors
    /// Refuses a start that is not there, and one that touched no lot.
    #[tracing::instrument(level = "debug", name = "store.selling.begin_recall", skip_all, fields(farm_id = self.farm.0))]
    pub async fn begin_recall(&mut self, new: &NewRecall) -> Result<RecallReport> {
        let from = new.from()?;
        // What was entered while the locks were waited for is in it too.
        let Affected { batches, lots, family } = if new.holds() {
            self.lock_touched_by(&from).await?
        } else {
            Affected { batches: Vec::new(), lots: self.lots_touched_by(&from).await?, family: Vec::new() }
        };
        if lots.is_empty() {
            let alone = if batches.is_empty() { "" } else { " The batch itself can be put on hold on its page." };
            let detail = format!("There is no lot of {} {}: nothing to recall.{alone}", from.noun(), from.code());
            return Err(Refusal::field("/code", detail).into());
        }
        let code = format!("RC-{}", self.next_number("recall").await?);
        let hold = NewHoldEvent {
            reason: new.reason.as_str(),
            at: self.now,
            by: new.by.as_ref(),
            document: Some(code.as_str()),
        };
        self.post_batch_events(&batches, LotEventKind::Hold, &hold).await?;
        self.hold_locked(&family, &hold).await?;
        self.release_set_aside_of(&family, None).await?;
        let lots: Vec<String> = lots.iter().map(ToString::to_string).collect();
        sqlx::query!(
            "with r as (
                 insert into recall (farm_id, recall, kind, starts_from, code, at, reason, started_at, done_by, entered_by, holds)
                 values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $12) returning farm_id, recall)
             insert into recall_lot (farm_id, recall, lot) select r.farm_id, r.recall, l.lot from r, unnest($11::text[]) as l(lot)",
            self.farm.0,
            code,
            new.kind.as_str(),
            from.kind().as_str(),
            from.code(),
            from.at(),
            new.reason.as_str(),
            self.now,
            self.performed_by(new.by.as_ref()),
            self.actor.name,
            &lots,
            new.holds()
        )
        .execute(&mut *self.db)
        .await?;
        self.recall_report_of(&code).await
    }

    /// Recalls and rehearsals, newest first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.recalls", skip_all, fields(farm_id = self.farm.0))]
    pub async fn recalls(&mut self, page: &Pagination) -> Result<Vec<Recall>> {
        Ok(recalls_where!(self, None::<&str>, page))
    }

    /// A recall with all that is to be known of it now.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.selling.recall", skip_all, fields(farm_id = self.farm.0))]
    pub async fn recall(&mut self, code: &RecallCode) -> Result<RecallReport> {
        self.recall_report_of(code.as_str()).await
    }

    /// Writes down that a customer was told.
    ///
    /// # Errors
    /// Refuses a recall that has ended, and a customer who was sent nothing of it.
    #[tracing::instrument(level = "debug", name = "store.selling.tell_of_recall", skip_all, fields(farm_id = self.farm.0))]
    pub async fn tell_of_recall(&mut self, code: &RecallCode, new: &NewTold) -> Result<Told> {
        let told_at = self.occurred_at(new.happened_at, "/happened_at")?;
        let report = self.open_recall(code).await?;
        ensure_since(&report.recall, told_at)?;
        ensure_holds(&report.holders, &new.customer)?;
        let told = Told {
            customer: new.customer.clone(),
            told_how: new.told_how,
            note: new.note.as_ref().map(|note| note.as_str().to_owned()).unwrap_or_default(),
            told_at,
            done_by: self.performed_by(new.by.as_ref()),
        };
        sqlx::query!(
            "insert into recall_told (farm_id, recall, seq, customer, told_how, note, told_at, recorded_at, done_by, entered_by)
             select $1, $2, count(*) + 1, $3, $4, $5, $6, $7, $8, $9 from recall_told where farm_id = $1 and recall = $2",
            self.farm.0,
            code.as_str(),
            told.customer.as_str(),
            told.told_how.as_str(),
            told.note,
            told.told_at,
            self.now,
            told.done_by,
            self.actor.name
        )
        .execute(&mut *self.db)
        .await?;
        Ok(told)
    }

    /// Ends a recall, and releases what it put on hold where that is asked for.
    ///
    /// # Errors
    /// Refuses one that has ended, one in which somebody was not told and no word says why, and a release by another than the owner in person.
    #[tracing::instrument(level = "debug", name = "store.selling.end_recall", skip_all, fields(farm_id = self.farm.0))]
    pub async fn end_recall(&mut self, code: &RecallCode, end: &NewRecallEnd) -> Result<RecallReport> {
        let report = self.open_recall(code).await?;
        ensure_told(&report.holders, end)?;
        if end.release {
            self.authoriser("Releasing a hold")?;
            // What was weighed of its batches since was held for it as well, or for another recall of them that let go and left it to this one.
            let document = [code.to_string()];
            let let_go = self.recalls_that_let_go().await?;
            let late = self.lots_held_for(&[document.as_slice(), &let_go].concat()).await?;
            let mut family = [report.lots.as_slice(), &report.made_into_lots, &late].concat();
            family.sort_unstable();
            family.dedup();
            let batches = self.batches_held_by(code).await?;
            self.lock(&Heads { batches: &batches, lots: &family, ..Heads::default() }).await?;
            let reason = format!("End of {code}");
            let release = NewHoldEvent { reason: &reason, at: self.now, by: None, document: Some(code.as_str()) };
            // First the batches: a lot of one that is on hold still stays on hold.
            self.post_batch_events(&batches, LotEventKind::Release, &release).await?;
            let lots = self.releasable(&document, &family).await?;
            self.release_locked(&lots, &release).await?;
        }
        let mut report = self.recall(code).await?;
        report.recall.ended = Some(RecallEnd {
            ended_at: self.now,
            note: end.note.as_ref().map(|note| note.as_str().to_owned()).unwrap_or_default(),
            entered_by: self.actor.name.clone(),
        });
        sqlx::query!(
            "insert into recall_end (farm_id, recall, ended_at, note, entered_by, released, report) values ($1, $2, $3, $4, $5, $6, $7)",
            self.farm.0,
            code.as_str(),
            self.now,
            end.note.as_ref().map(Text::as_str).unwrap_or_default(),
            self.actor.name,
            end.release,
            Json(&report) as _
        )
        .execute(&mut *self.db)
        .await?;
        Ok(report)
    }

    /// Recalls that ended and let go of what they held.
    async fn recalls_that_let_go(&mut self) -> Result<Vec<String>> {
        Ok(sqlx::query_scalar!(
            "select recall from recall_end where farm_id = $1 and released order by recall",
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// The batches that are on hold for a recall, or for one that let go, and that no other recall under way starts from.
    async fn batches_held_by(&mut self, code: &RecallCode) -> Result<Vec<BatchCode>> {
        Ok(sqlx::query_scalar!(
            r#"select h.batch as "batch!: BatchCode" from batch_recalled b join batch_hold h on h.farm_id = $1 and h.batch = b.batch
                where b.farm_id = $1 and b.recall = $2
                  and (h.recall = $2 or exists (select from recall_end d where d.farm_id = $1 and d.recall = h.recall and d.released))
                  and not exists (select from batch_recalled o where o.farm_id = $1 and o.batch = b.batch and o.recall <> $2)
                order by h.batch"#,
            self.farm.0,
            code.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// A recall that lasts, which nobody else ends or writes to until the transaction does.
    async fn open_recall(&mut self, code: &RecallCode) -> Result<RecallReport> {
        sqlx::query!("select lock_list($1, 'recall', true)", self.farm.0).execute(&mut *self.db).await?;
        let report = self.recall(code).await?;
        ensure_lasts(&report.recall)?;
        Ok(report)
    }

    /// What is known of a recall: as it is now, or of one that has ended, as it was then.
    async fn recall_report_of(&mut self, code: &str) -> Result<RecallReport> {
        let kept = sqlx::query_scalar!(
            r#"select report as "report: Json<RecallReport>" from recall_end where farm_id = $1 and recall = $2"#,
            self.farm.0,
            code
        )
        .fetch_optional(&mut *self.db)
        .await?;
        if let Some(Json(report)) = kept {
            return Ok(report);
        }
        let one = Pagination { after: None, limit: 1 };
        let recall = recalls_where!(self, Some(code), one).pop();
        let recall = recall.ok_or_else(|| Refusal::not_found(RecallCode::NOUN, code))?;
        let lots = sqlx::query_scalar!(
            r#"select lot as "lot: LotCode" from recall_lot where farm_id = $1 and recall = $2 order by lot"#,
            self.farm.0,
            code
        )
        .fetch_all(&mut *self.db)
        .await?;
        let trace = self.trace_lots(lots).await?;
        let told = self.told_of(code).await?;
        let started = TraceFrom::named(recall.starts_from, &recall.code, recall.at)?;
        let touched = self.lots_touched_by(&started).await?;
        let family: Vec<String> = trace.lots.iter().chain(&trace.made_into_lots).map(ToString::to_string).collect();
        let known: BTreeSet<&LotCode> = trace.lots.iter().chain(&trace.made_into_lots).collect();
        Ok(RecallReport {
            holders: self.holders_of(&trace, &told).await?,
            held: self.held_for(code, &family).await?,
            since: touched.into_iter().filter(|lot| !known.contains(lot)).collect(),
            given: trace.not_sold.into_iter().filter(|row| has_gone_to_people(row.became)).collect(),
            told,
            recall,
            lots: trace.lots,
            made_into_lots: trace.made_into_lots,
            here: trace.here,
            account: trace.account,
        })
    }

    async fn told_of(&mut self, code: &str) -> Result<Vec<Told>> {
        Ok(sqlx::query_as!(
            Told,
            r#"select customer as "customer: CustomerCode", told_how as "told_how: ToldHow", note, told_at, done_by from recall_told
                where farm_id = $1 and recall = $2 order by seq"#,
            self.farm.0,
            code
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Who was sent what of a trace, and how they are reached.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.holders_of", skip_all, fields(farm_id = self.farm.0))]
    pub async fn holders_of(&mut self, trace: &Trace, told: &[Told]) -> Result<Vec<Holder>> {
        let codes: Vec<String> = trace.went_to.iter().map(|row| row.customer.to_string()).collect();
        let rows = sqlx::query!(
            r#"select customer as "customer: CustomerCode", name, kind as "kind: CustomerKind", telephone, email, address from customer
                where farm_id = $1 and customer = any ($2)"#,
            self.farm.0,
            &codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        let reach: BTreeMap<CustomerCode, Reach> = rows
            .into_iter()
            .map(|row| {
                let reach = Reach {
                    name: row.name,
                    kind: row.kind,
                    telephone: row.telephone,
                    email: row.email,
                    address: row.address,
                };
                (row.customer, reach)
            })
            .collect();
        let lots: Vec<String> = trace.went_to.iter().map(|row| row.lot.to_string()).collect();
        Ok(holders(&trace.went_to, &reach, &self.labelled_lots(&lots).await?, told))
    }

    /// The lots of a recall's family that it put on hold, or that one did which let go of them when it ended, and that nobody has released since.
    async fn held_for(&mut self, code: &str, family: &[String]) -> Result<Vec<LotCode>> {
        Ok(sqlx::query_scalar!(
            r#"select distinct e.lot as "lot: LotCode" from lot_event e
                where e.farm_id = $1 and e.lot = any ($3) and e.kind = 'hold'
                  and (e.document = $2 or exists (select from recall_end d where d.farm_id = $1 and d.recall = e.document and d.released))
                  and not exists (select from lot_event n where n.farm_id = e.farm_id and n.lot = e.lot and n.kind = 'release' and n.seq > e.seq)
                order by e.lot"#,
            self.farm.0,
            code,
            family
        )
        .fetch_all(&mut *self.db)
        .await?)
    }
}
