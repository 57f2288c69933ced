//! Probes held against melting ice or another thermometer, and the offsets that follow.

use chrono::{DateTime, Utc};
use gillbook_core::{
    kinds::ProbeCheckKind,
    refusal::Refusal,
    text::{HouseCheckCode, Short, Text},
    units::calendar::Instant,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{Result, Tx, cold::house_checks::NewCheckDone};

/// A probe that reads farther off than this is doubtful. Melting ice reads 0 °C, and a food thermometer is good to ±1 °C (FSANZ Standard 3.2.2,
/// clause 22).
pub const PROBE_TOLERANCE_C: f64 = 1.0;

/// A check of a probe.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ProbeCheck {
    /// Id.
    pub check_id: Uuid,
    /// The probe.
    pub probe: String,
    /// Against what.
    pub kind: ProbeCheckKind,
    /// What it should have read, °C.
    pub reference_c: f64,
    /// What it read, °C, before any offset.
    pub read_c: f64,
    /// How far off it was: read less reference, °C, before any offset.
    pub off_c: f64,
    /// How far off its readings were as they were corrected then, °C.
    pub corrected_off_c: f64,
    /// The offset that it set, °C.
    pub offset_c: Option<f64>,
    /// When.
    pub checked_at: DateTime<Utc>,
    /// By whom.
    pub done_by: String,
    /// Anything worth knowing.
    pub note: String,
    /// Whether, with the offset in force before, it was within ±1 °C.
    pub good: bool,
}

/// A check to be written down.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewProbeCheck {
    /// Against what.
    pub kind: ProbeCheckKind,
    /// What it should have read, °C: 0 in melting ice, or what the other thermometer reads.
    #[serde(default)]
    #[schema(minimum = -40, maximum = 60)]
    pub reference_c: f64,
    /// What it read, °C, as the probe sends it.
    #[schema(minimum = -60, maximum = 80)]
    pub read_c: f64,
    /// Since when readings are to be corrected by the difference; not at all unless said.
    pub correct_from: Option<Instant>,
    /// The check of the checks book that is done with it, if any.
    #[serde(default)]
    pub also_done: Option<HouseCheckCode>,
    /// When; now unless said.
    pub checked_at: Option<Instant>,
    /// Anything worth knowing.
    #[serde(default)]
    pub note: Text<0, 500>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// How a probe stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ProbeCalibration {
    /// The probe.
    pub probe: String,
    /// Its checks, oldest first.
    pub checks: Vec<ProbeCheck>,
    /// Since when its readings are doubtful: since its last good check, when the latest was not good.
    pub doubtful_since: Option<DateTime<Utc>>,
    /// What is added to its raw readings now, °C.
    pub offset_c: f64,
}

impl Tx {
    /// Writes down a check. One that corrects sets an offset from an instant on; what was judged with the old one is judged again.
    ///
    /// # Errors
    /// Refuses a probe that is not there, figures that cannot be, and on a shared phone a correction.
    #[tracing::instrument(level = "debug", name = "store.cold.add_probe_check", skip_all, fields(farm_id = self.farm.0))]
    pub async fn add_probe_check(&mut self, probe: &str, new: &NewProbeCheck) -> Result<ProbeCalibration> {
        let (probe_id, place) = self.probe_by_name(probe).await?;
        if !new.reference_c.is_finite() || !new.read_c.is_finite() {
            return Err(Refusal::field("/read_c", "A temperature is a number, such as 0.4.").into());
        }
        if new.kind == ProbeCheckKind::IcePoint && new.reference_c != 0.0 {
            return Err(
                Refusal::field("/reference_c", "Melting ice is 0 °C. Leave it out, or call it a comparison.").into()
            );
        }
        let checked_at = self.occurred_at(new.checked_at, "/checked_at")?;
        if new.correct_from.is_some() {
            // It may take a warm spell away, or keep one from being seen.
            self.authoriser("Correcting a probe's readings")?;
        }
        let id = self.new_id();
        sqlx::query!(
            "insert into probe_check (farm_id, check_id, probe_id, kind, reference_c, read_c, checked_at, recorded_at, done_by, entered_by, note)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
            self.farm.0,
            id,
            probe_id,
            new.kind.as_str(),
            new.reference_c,
            new.read_c,
            checked_at,
            self.now,
            self.performed_by(new.by.as_ref()),
            self.actor.name,
            new.note.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        if let Some(from) = new.correct_from {
            self.set_offset(probe_id, from.0, new.reference_c - new.read_c, id).await?;
            self.mark_dirty(&place, from.0, self.now.max(from.0)).await?;
        }
        let standing = self.probe_calibration(probe).await?;
        if let (Some(code), Some(check)) = (&new.also_done, standing.checks.iter().find(|c| c.check_id == id)) {
            self.tick_off(code, new, check).await?;
        }
        let latest = standing.checks.last().filter(|c| c.check_id == id);
        if let (Some(since), Some(check)) = (standing.doubtful_since, latest) {
            self.enqueue_doubt_notice(&place, check, since).await?;
        } else if standing.doubtful_since.is_none() {
            self.cancel_doubt_notice(probe_id).await?;
        }
        Ok(standing)
    }

    /// Writes a check of a probe down in the checks book as well: it was not well where the probe was too far off, corrected or not.
    async fn tick_off(&mut self, code: &HouseCheckCode, new: &NewProbeCheck, check: &ProbeCheck) -> Result<()> {
        let corrected = if new.correct_from.is_some() { "; its readings are corrected" } else { "" };
        let what_done = format!("Probe {} read {:+.1} °C off{corrected}", check.probe, check.corrected_off_c);
        let done = NewCheckDone {
            good: check.good,
            what_done: Text::new(&what_done).map_err(crate::Error::Stored)?,
            done_at: new.checked_at,
            by: new.by.clone(),
        };
        self.check_done(code, &done).await?;
        Ok(())
    }

    async fn set_offset(&mut self, probe_id: i32, from: DateTime<Utc>, offset_c: f64, check: Uuid) -> Result<()> {
        if offset_c.abs() > 5.0 {
            return Err(Refusal::field(
                "/read_c",
                "It is more than 5 °C off. Replace the probe instead of correcting it.",
            )
            .into());
        }
        sqlx::query!(
            "insert into probe_offset (farm_id, probe_id, effective_from, offset_c, check_id, recorded_at) values ($1, $2, $3, $4, $5, $6)",
            self.farm.0,
            probe_id,
            from,
            offset_c,
            check,
            self.now
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// A probe's checks, and whether it is doubtful.
    ///
    /// # Errors
    /// Refuses a probe that is not there.
    #[tracing::instrument(level = "debug", name = "store.cold.probe_calibration", skip_all, fields(farm_id = self.farm.0))]
    pub async fn probe_calibration(&mut self, probe: &str) -> Result<ProbeCalibration> {
        let (probe_id, _) = self.probe_by_name(probe).await?;
        let rows = sqlx::query!(
            r#"select c.check_id, c.kind as "kind: ProbeCheckKind", c.reference_c, c.read_c, c.checked_at, c.done_by, c.note,
                      s.offset_c as "offset_c?",
                      coalesce((select o.offset_c from probe_offset o where o.farm_id = c.farm_id and o.probe_id = c.probe_id
                                   and o.effective_from < c.checked_at and o.check_id <> c.check_id and o.recorded_at <= c.recorded_at
                                 order by o.effective_from desc limit 1), 0) as "before_c!"
                 from probe_check c left join probe_offset s on s.farm_id = c.farm_id and s.check_id = c.check_id
                where c.farm_id = $1 and c.probe_id = $2 order by c.checked_at, c.recorded_at"#,
            self.farm.0,
            probe_id
        )
        .fetch_all(&mut *self.db)
        .await?;
        let checks: Vec<ProbeCheck> = rows
            .into_iter()
            .map(|r| ProbeCheck {
                check_id: r.check_id,
                probe: probe.to_owned(),
                kind: r.kind,
                reference_c: r.reference_c,
                read_c: r.read_c,
                off_c: r.read_c - r.reference_c,
                corrected_off_c: r.read_c + r.before_c - r.reference_c,
                offset_c: r.offset_c,
                checked_at: r.checked_at,
                done_by: r.done_by,
                note: r.note,
                good: (r.read_c + r.before_c - r.reference_c).abs() <= PROBE_TOLERANCE_C,
            })
            .collect();
        // A correction makes it good again from its date on, and leaves what lies before in doubt.
        let last_bad = checks.last().filter(|c| !c.good && c.offset_c.is_none());
        let doubtful_since = last_bad.map(|_| {
            let good = checks.iter().rev().find(|c| c.good || c.offset_c.is_some());
            good.map_or(DateTime::<Utc>::UNIX_EPOCH, |c| c.checked_at)
        });
        let now = self.now;
        let offsets = self.offsets_of(probe_id).await?;
        let offset_c = offsets.iter().rev().find(|o| o.0 <= now).map_or(0.0, |o| o.1);
        Ok(ProbeCalibration { probe: probe.to_owned(), checks, doubtful_since, offset_c })
    }
}
