//! Posts of any number of farms as one group: judged record by record, kept in one commit, and told what became of each.

mod row;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use gillbook_core::{text::PlaceCode, units::calendar::Span};
use sqlx::{Connection, PgConnection};

use crate::{
    Error, FarmId, Result,
    cold::{
        ingest::pinned::PinnedConnection,
        readings::{IngestReceipt, Named, RefusedReading, Retryability},
    },
    tenancy::FarmsSetting,
};

use self::{row::Measured, row::Row, row::validate_record};

/// What became of a row, numbered from 1: whether it is new, and the value that is kept. None is told of when all are new.
type InsertOutcome = (i64, bool, Option<f64>);

/// Posts of any number of farms, ready to be kept in one commit.
#[derive(Debug, Default)]
pub(crate) struct InsertBatch {
    pub(crate) receipts: Vec<IngestReceipt>,
    rows: Vec<Row>,
    beside: Vec<(FarmId, i32, DateTime<Utc>, &'static str, f64)>,
}

/// One bit pattern for every NaN, so that the same fault sent twice is the same.
fn canonical_nan(c: f64) -> f64 {
    if c.is_nan() { f64::NAN } else { c }
}

fn bit_eq(a: f64, b: f64) -> bool {
    canonical_nan(a).to_bits() == canonical_nan(b).to_bits()
}

impl InsertBatch {
    pub(crate) fn build(posts: &[Named<'_>], now: DateTime<Utc>) -> Self {
        let mut group = Self { receipts: vec![IngestReceipt::default(); posts.len()], ..Self::default() };
        let mut rows = Vec::new();
        for (n, Named { post, probes }) in posts.iter().enumerate() {
            for (record, probe) in post.records.iter().zip(probes) {
                match validate_record(post, n, record, probe.as_ref(), now) {
                    Ok(Measured::Air(row)) => rows.push(row),
                    Ok(Measured::Beside { farm, probe, at, unit, value }) => {
                        group.beside.push((farm, probe, at, unit, value));
                        group.receipts[n].beside += 1;
                    }
                    Err((remedy, reason)) => {
                        group.receipts[n].refused.push(RefusedReading { index: record.index, remedy, reason });
                    }
                }
            }
        }
        // One order for everybody, so that two groups never wait for each other in a ring.
        group.beside.sort_by_key(|&(farm, probe, at, unit, _)| (farm, probe, at, unit));
        rows.sort_by_key(|r| (r.farm, r.probe.number, r.at, r.post, r.index));
        for row in rows {
            match group.rows.last_mut() {
                Some(last) if (last.farm, last.probe.number, last.at) == (row.farm, row.probe.number, row.at) => {
                    last.again.push((row.post, row.index, row.c));
                }
                _ => group.rows.push(row),
            }
        }
        group
    }

    pub(crate) fn span(&self) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
        let instants = || self.rows.iter().map(|r| r.at).chain(self.beside.iter().map(|b| b.2));
        instants().min().zip(instants().max())
    }

    /// What is touched: by farm and place, whole hours.
    fn marks(&self) -> BTreeMap<(FarmId, &PlaceCode), Span> {
        let mut marks: BTreeMap<(FarmId, &PlaceCode), Span> = BTreeMap::new();
        for row in &self.rows {
            let hours = row.touches();
            let mark = marks.entry((row.farm, &row.probe.place)).or_insert(hours);
            *mark = Span { from: mark.from.min(hours.from), until: mark.until.max(hours.until) };
        }
        marks
    }

    fn farms(&self) -> FarmsSetting {
        FarmsSetting::of(self.rows.iter().map(|row| row.farm).collect::<BTreeSet<_>>())
    }

    /// Keeps them on a connection in one commit. `expect_duplicates` says that some may be there already; where that was not said and one is,
    /// nothing is kept and the answer is `false`.
    pub(crate) async fn commit_on(
        &mut self,
        pinned: &mut PinnedConnection,
        now: DateTime<Utc>,
        expect_duplicates: bool,
    ) -> Result<bool> {
        let farms = self.farms();
        let told = match self.insert_fast_path(pinned, &farms, now, expect_duplicates).await {
            Ok(told) => told,
            Err(sqlx::Error::Database(error)) if !expect_duplicates && error.is_unique_violation() => return Ok(false),
            Err(error) => return Err(error.into()),
        };
        if !self.rows.is_empty() && pinned.tenant_scope != farms {
            (pinned.tenant_scope, pinned.dirty) = (farms, None);
        }
        self.fill_receipts(told)?;
        Ok(true)
    }

    /// Keeps them in a transaction that has begun, where some may be there already. No savepoint around it: rows that a savepoint wrote carry
    /// its number, and would pass for rows that were there before.
    pub(crate) async fn insert_in_tx(&mut self, db: &mut PgConnection, now: DateTime<Utc>) -> Result<()> {
        let told = self.insert_temperatures(db, &self.farms(), now, true, false).await?;
        if !self.beside.is_empty() {
            self.insert_auxiliary(db, now).await?;
        }
        self.fill_receipts(told)
    }

    async fn insert_fast_path(
        &self,
        pinned: &mut PinnedConnection,
        farms: &FarmsSetting,
        now: DateTime<Utc>,
        expect_duplicates: bool,
    ) -> sqlx::Result<Vec<InsertOutcome>> {
        if let [row] = &self.rows[..]
            && self.beside.is_empty()
            && !expect_duplicates
            && pinned.tenant_scope == *farms
            && row.insert_single(pinned, now).await?
        {
            return Ok(Vec::new());
        }
        if self.beside.is_empty() {
            return self.insert_temperatures(&mut pinned.connection, farms, now, expect_duplicates, true).await;
        }
        let mut both = pinned.connection.begin().await?;
        let told = self.insert_temperatures(&mut both, farms, now, expect_duplicates, true).await?;
        self.insert_auxiliary(&mut both, now).await?;
        both.commit().await?;
        Ok(told)
    }

    /// Keeps the temperatures. The connection goes on seeing their farms afterwards if that is to be `lasting`.
    async fn insert_temperatures(
        &self,
        db: &mut PgConnection,
        farms: &FarmsSetting,
        now: DateTime<Utc>,
        expect_duplicates: bool,
        lasting: bool,
    ) -> sqlx::Result<Vec<InsertOutcome>> {
        if self.rows.is_empty() {
            return Ok(Vec::new());
        }
        let marks = self.marks();
        let told = sqlx::query!(
            r#"select ord as "ord!", is_new as "is_new!", kept_c
                 from insert_readings($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)"#,
            farms.as_str(),
            &marks.keys().map(|m| m.0.0).collect::<Vec<_>>(),
            &marks.keys().map(|m| m.1.to_string()).collect::<Vec<_>>(),
            &marks.values().map(|m| m.from).collect::<Vec<_>>(),
            &marks.values().map(|m| m.until).collect::<Vec<_>>(),
            &self.rows.iter().map(|r| r.farm.0).collect::<Vec<_>>(),
            &self.rows.iter().map(|r| r.probe.number).collect::<Vec<_>>(),
            &self.rows.iter().map(|r| r.at).collect::<Vec<_>>(),
            &self.rows.iter().map(|r| r.c).collect::<Vec<_>>(),
            &self.rows.iter().map(|r| r.fault.map(|f| f.as_str().to_owned())).collect::<Vec<_>>()
                as &[Option<String>],
            now,
            expect_duplicates,
            lasting
        )
        .fetch_all(db)
        .await?;
        Ok(told.into_iter().map(|r| (r.ord, r.is_new, r.kept_c)).collect())
    }

    async fn insert_auxiliary(&self, db: &mut PgConnection, now: DateTime<Utc>) -> sqlx::Result<()> {
        let b = &self.beside;
        sqlx::query!(
            r#"select insert_auxiliary($1, $2, $3, $4, $5, $6) as "n!""#,
            &b.iter().map(|b| b.0.0).collect::<Vec<_>>(),
            &b.iter().map(|b| b.1).collect::<Vec<_>>(),
            &b.iter().map(|b| b.2).collect::<Vec<_>>(),
            &b.iter().map(|b| b.3.to_owned()).collect::<Vec<_>>(),
            &b.iter().map(|b| b.4).collect::<Vec<_>>(),
            now
        )
        .fetch_one(db)
        .await?;
        Ok(())
    }

    /// Tells each post what became of its records.
    fn fill_receipts(&mut self, told: Vec<InsertOutcome>) -> Result<()> {
        if told.is_empty() {
            for row in &self.rows {
                count_outcome(&mut self.receipts, row, true, None);
            }
        }
        for (ord, is_new, kept_c) in told {
            let Some(of) = usize::try_from(ord - 1).ok().and_then(|i| self.rows.get(i)) else {
                return Err(Error::Stored("a reading was answered that was not asked".into()));
            };
            count_outcome(&mut self.receipts, of, is_new, kept_c);
        }
        for receipt in &mut self.receipts {
            receipt.refused.sort_by_key(|r| r.index);
        }
        Ok(())
    }
}

/// Tells each record of a row what became of it.
fn count_outcome(receipts: &mut [IngestReceipt], row: &Row, is_new: bool, kept: Option<f64>) {
    let there = if is_new {
        receipts[row.post].accepted += 1;
        receipts[row.post].faults += usize::from(row.fault.is_some());
        Some(row.c)
    } else {
        kept
    };
    let mine = (!is_new).then_some((row.post, row.index, row.c));
    for (post, index, c) in mine.into_iter().chain(row.again.iter().copied()) {
        match there {
            Some(there) if bit_eq(there, c) => receipts[post].duplicate += 1,
            Some(_) => receipts[post].refused.push(RefusedReading {
                index,
                remedy: Retryability::Permanent,
                reason: "A reading of this probe at this time is kept with another value. Readings are never changed."
                    .into(),
            }),
            // Another post is keeping it at this very moment.
            None => receipts[post].refused.push(RefusedReading {
                index,
                remedy: Retryability::Retry,
                reason: "The same reading is being kept by another request. Send it again in a moment.".into(),
            }),
        }
    }
}
