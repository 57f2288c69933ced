//! One reading to be stored, and the single statements that store one that comes alone.

use crate::{
    FarmId, Result,
    cold::{
        ingest::pinned::{DirtyRange, PinnedConnection},
        readings::{CachedProbe, MAX_CLOCK_SKEW, MAX_READING_AGE, ReadingPack, Retryability},
    },
    farm::sessions::Principal,
};
use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    cold::reevaluate::hour_of,
    kinds::ReadingFault,
    senml::{Resolved, Value},
    units::calendar::Span,
};
use sqlx::PgConnection;
use std::sync::Arc;

use super::canonical_nan;

/// Tells faults from temperatures. 85 °C and −127 °C are what common digital probes give when they have not measured.
fn fault_of(c: f64) -> Option<ReadingFault> {
    if c.is_nan() {
        Some(ReadingFault::NotANumber)
    } else if (c - 85.0).abs() < 1e-9 {
        Some(ReadingFault::PowerOnValue)
    } else if (c + 127.0).abs() < 1e-9 {
        Some(ReadingFault::Disconnected)
    } else if !(-55.0..=125.0).contains(&c) {
        Some(ReadingFault::OutOfRange)
    } else {
        None
    }
}

/// A reading to be kept, and which record of which post it was.
#[derive(Debug)]
pub(super) struct Row {
    pub(super) farm: FarmId,
    pub(super) probe: Arc<CachedProbe>,
    pub(super) at: DateTime<Utc>,
    pub(super) c: f64,
    pub(super) fault: Option<ReadingFault>,
    pub(super) post: usize,
    pub(super) index: usize,
    /// Others of the same probe and instant: post, index, value.
    pub(super) again: Vec<(usize, usize, f64)>,
}

impl Row {
    /// The whole hours that it touches.
    pub(super) fn touches(&self) -> Span {
        let from = hour_of(self.at);
        Span { from, until: from + TimeDelta::hours(1) }
    }

    /// The short ways for a reading that comes alone, on a connection that sees its farm, and whose hour is marked already. Returns
    /// whether that was so.
    pub(super) async fn insert_single(&self, pinned: &mut PinnedConnection, now: DateTime<Utc>) -> sqlx::Result<bool> {
        let hours = self.touches();
        if let Some(leases) = pinned.known_dirty(&self.probe.place, hours) {
            let kept = self.insert_if_epoch_valid(&mut pinned.connection, leases, now).await?;
            pinned.dirty.take_if(|_| !kept);
            return Ok(kept);
        }
        let leases = self.insert_if_range_dirty(&mut pinned.connection, hours, now).await?;
        pinned.dirty = leases.map(|leases| DirtyRange { place: self.probe.place.clone(), hours, leases });
        Ok(leases.is_some())
    }

    /// Keeps it if the mark that was seen at a count of leases stands.
    async fn insert_if_epoch_valid(
        &self,
        db: &mut PgConnection,
        leases: i64,
        now: DateTime<Utc>,
    ) -> sqlx::Result<bool> {
        let kept = sqlx::query!(
            "insert into reading (farm_id, probe_id, at, value_c, fault, received_at)
             select $1, $3, $4, $5, $6, $7 where marks_valid($1, $2)",
            self.farm.0,
            leases,
            self.probe.number,
            self.at,
            self.c,
            self.fault.map(ReadingFault::as_str),
            now
        )
        .execute(db)
        .await?;
        Ok(kept.rows_affected() == 1)
    }

    /// Keeps it if there is a mark that covers hours, and gives the count of leases at which it stands.
    async fn insert_if_range_dirty(
        &self,
        db: &mut PgConnection,
        hours: Span,
        now: DateTime<Utc>,
    ) -> sqlx::Result<Option<i64>> {
        let leases = sqlx::query_scalar!(
            "insert into reading (farm_id, probe_id, at, value_c, fault, received_at)
             select t.farm_id, $5, $6, $7, $8, $9
               from dirty_range t
              where t.farm_id = $1 and t.place = $2 and not t.leased and t.from_at <= $3 and t.through_at >= $4
                and leases_kept_away(t.farm_id)
                for key share
             returning coalesce(pg_sequence_last_value('place_lease'), 0)",
            self.farm.0,
            self.probe.place.as_str(),
            hours.from,
            hours.until,
            self.probe.number,
            self.at,
            self.c,
            self.fault.map(ReadingFault::as_str),
            now
        )
        .fetch_optional(db)
        .await?;
        Ok(leases.flatten())
    }
}

/// What a record measures.
pub(super) enum Measured {
    Air(Row),
    Beside { farm: FarmId, probe: i32, at: DateTime<Utc>, unit: &'static str, value: f64 },
}

pub(super) fn validate_record(
    post: &ReadingPack,
    n: usize,
    r: &Resolved,
    probe: Option<&Arc<CachedProbe>>,
    now: DateTime<Utc>,
) -> Result<Measured, (Retryability, String)> {
    let never = |reason: String| (Retryability::Permanent, reason);
    let Some(probe) = probe else {
        return Err((Retryability::Retry, format!("There is no probe {} on this farm. Add it first.", r.name)));
    };
    if matches!(post.standing, Principal::Probe(own) if own != probe.number) {
        return Err(never(format!("This token posts for another probe than {}. Use that probe's own token.", r.name)));
    }
    if r.relative && !post.relative_allowed {
        return Err(never(
            "The time is missing or relative to now. Send the probe's own time, or an Idempotency-Key with the pack."
                .into(),
        ));
    }
    if r.at > now + MAX_CLOCK_SKEW {
        return Err(never(format!("{} is in the future. Set the probe's clock.", r.at.format("%Y-%m-%d %H:%M UTC"))));
    }
    if r.at < now - MAX_READING_AGE {
        return Err(never(format!(
            "{} is more than three years ago: the probe's clock seems to have been reset. Set it.",
            r.at.format("%Y-%m-%d")
        )));
    }
    let number = match &r.value {
        Value::Number(c) => Some(*c),
        Value::Text(t) if t.eq_ignore_ascii_case("nan") => Some(f64::NAN),
        _ => None,
    };
    let (farm, at) = (post.farm, r.at);
    match (r.unit.as_deref(), number) {
        (Some("Cel"), Some(c)) => {
            let (c, fault) = (canonical_nan(c), fault_of(c));
            Ok(Measured::Air(Row {
                farm,
                probe: probe.clone(),
                at,
                c,
                fault,
                post: n,
                index: r.index,
                again: Vec::new(),
            }))
        }
        (Some("Cel"), None) => Err(never("A temperature is a number (v).".into())),
        (Some(unit @ ("%RH" | "%EL")), Some(value)) if (0.0..=100.0).contains(&value) => {
            let unit = if unit == "%RH" { "%RH" } else { "%EL" };
            Ok(Measured::Beside { farm, probe: probe.number, at, unit, value })
        }
        (Some(unit @ ("%RH" | "%EL")), _) => Err(never(format!("{unit} is a number from 0 to 100 (v)."))),
        _ => Err(never("The unit is none of Cel, %RH and %EL. Send air temperature in degrees Celsius.".into())),
    }
}
