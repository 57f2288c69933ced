//! Readings: kept as the probe sent them, and read back as a series.

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    calendar::Span,
    exposure::{Exposure, Point, exposure, gaps, segments},
    refusal::Refusal,
    senml::{Resolved, Value},
    text::PlaceCode,
    words::ReadingFault,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{Error, Result, Tx, people::Standing, places::Limit};

/// The farthest that a probe's clock may run ahead.
const AHEAD: TimeDelta = TimeDelta::minutes(10);
/// The oldest reading that is taken: three years.
const OLDEST: TimeDelta = TimeDelta::days(3 * 366);

/// A record that was not taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RefusedReading {
    /// Its place in the pack, from 0.
    pub index: usize,
    /// Whether sending it again can ever help.
    pub remedy: Remedy,
    /// What is wrong and what to do.
    pub reason: String,
}

/// Whether sending a record again can help.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Remedy {
    /// It will never be taken as it is.
    Permanent,
    /// It may be taken later.
    Retry,
}

/// What became of a pack.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Receipt {
    /// Readings that were new and are kept now.
    pub accepted: usize,
    /// Of those, kept as faults and not as temperatures.
    pub faults: usize,
    /// Readings that were there with the same value.
    pub duplicate: usize,
    /// Records that were not taken.
    pub refused: Vec<RefusedReading>,
}

/// A stretch of time without readings.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Gap {
    /// Its beginning.
    pub from: DateTime<Utc>,
    /// Its end.
    pub until: DateTime<Utc>,
}

/// A reading of air.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct AirPoint {
    /// When.
    pub at: DateTime<Utc>,
    /// °C.
    pub c: f64,
}

/// What a place's air was over a span.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Temperature {
    /// The place.
    pub place: PlaceCode,
    /// The limit in force at the end of the span.
    pub limit: Option<Limit>,
    /// The span.
    pub from: DateTime<Utc>,
    /// Its end.
    pub until: DateTime<Utc>,
    /// Exact figures of the readings, not of the thinned series.
    pub exposure: Exposure,
    /// Stretches without readings.
    pub gaps: Vec<Gap>,
    /// The series, thinned to the step that was asked for; each point is the warmest of its step.
    pub series: Vec<AirPoint>,
    /// Faults in the span.
    pub faults: i64,
    /// The usual caution.
    pub caution: &'static str,
}

/// The caution that stands wherever a figure about temperature or shelf life is shown.
pub const CAUTION: &str = "Planning aid. Your local food-safety rules and your own food-safety plan decide. Gillbook does not judge whether food is fit to eat.";

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

struct Row {
    index: usize,
    probe: i32,
    at: DateTime<Utc>,
    c: f64,
    fault: Option<ReadingFault>,
}

impl Tx {
    /// Keeps the readings of a pack. Idempotent by probe and time: the same value again is a duplicate, another is refused.
    ///
    /// # Errors
    /// When the database fails; what is wrong with single records stands in the receipt.
    pub async fn keep_readings(
        &mut self,
        standing: Standing,
        records: &[Resolved],
        relative_allowed: bool,
    ) -> Result<Receipt> {
        let probes = sqlx::query!("select probe_id, name from probe where farm_id = $1", self.farm.0)
            .fetch_all(&mut *self.db)
            .await?;
        let mut receipt = Receipt::default();
        let mut rows: Vec<Row> = Vec::with_capacity(records.len());
        for r in records {
            let probe = probes.iter().find(|p| p.name == r.name).map(|p| p.probe_id);
            match self.judge(standing, r, probe, relative_allowed) {
                Ok(row) => rows.push(row),
                Err((remedy, reason)) => receipt.refused.push(RefusedReading { index: r.index, remedy, reason }),
            }
        }
        // Two records of one instant in one pack are judged like two packs.
        rows.sort_by_key(|r| (r.probe, r.at, r.index));
        let mut kept: Vec<Row> = Vec::with_capacity(rows.len());
        for row in rows {
            match kept.last() {
                Some(last) if (last.probe, last.at) == (row.probe, row.at) => {
                    if last.c.to_bits() == row.c.to_bits() {
                        receipt.duplicate += 1;
                    } else {
                        receipt.refused.push(other_value(row.index));
                    }
                }
                _ => kept.push(row),
            }
        }
        self.insert_readings(&kept, &mut receipt).await?;
        receipt.refused.sort_by_key(|r| r.index);
        Ok(receipt)
    }

    fn judge(
        &self,
        standing: Standing,
        r: &Resolved,
        probe: Option<i32>,
        relative_allowed: bool,
    ) -> Result<Row, (Remedy, String)> {
        let Some(probe) = probe else {
            return Err((Remedy::Retry, format!("There is no probe {} on this farm. Add it first.", r.name)));
        };
        if matches!(standing, Standing::Probe(own) if own != probe) {
            return Err((
                Remedy::Permanent,
                format!("This token posts for another probe than {}. Use that probe's own token.", r.name),
            ));
        }
        if r.relative && !relative_allowed {
            return Err((
                Remedy::Permanent,
                "The time is missing or relative to now. Send the probe's own time, or an Idempotency-Key with the pack.".into(),
            ));
        }
        if r.at > self.now + AHEAD {
            return Err((
                Remedy::Permanent,
                format!("{} is in the future. Set the probe's clock.", r.at.format("%Y-%m-%d %H:%M UTC")),
            ));
        }
        if r.at < self.now - OLDEST {
            return Err((
                Remedy::Permanent,
                format!("{} is more than three years ago. Set the probe's clock.", r.at.format("%Y-%m-%d")),
            ));
        }
        if r.unit.as_deref() != Some("Cel") {
            return Err((Remedy::Permanent, "The unit is not Cel. Send air temperature in degrees Celsius.".into()));
        }
        let c = match &r.value {
            Value::Number(c) => *c,
            Value::Text(t) if t.eq_ignore_ascii_case("nan") => f64::NAN,
            _ => return Err((Remedy::Permanent, "A temperature is a number (v).".into())),
        };
        let fault = fault_of(c);
        // A NaN has many bit patterns; one is kept, so that the same fault sent twice is the same.
        Ok(Row { index: r.index, probe, at: r.at, c: if c.is_nan() { f64::NAN } else { c }, fault })
    }

    async fn insert_readings(&mut self, rows: &[Row], receipt: &mut Receipt) -> Result<()> {
        let (Some(first), Some(last)) = (rows.iter().map(|r| r.at).min(), rows.iter().map(|r| r.at).max()) else {
            return Ok(());
        };
        sqlx::query!("select ensure_reading_months($1, $2)", first, last).fetch_one(&mut *self.db).await?;
        let probes: Vec<i32> = rows.iter().map(|r| r.probe).collect();
        let ats: Vec<DateTime<Utc>> = rows.iter().map(|r| r.at).collect();
        let values: Vec<f64> = rows.iter().map(|r| r.c).collect();
        let faults: Vec<Option<String>> = rows.iter().map(|r| r.fault.map(|f| f.as_str().to_owned())).collect();
        let new: std::collections::HashSet<(i32, DateTime<Utc>)> = sqlx::query!(
            "insert into reading (farm_id, probe_id, at, value_c, fault, received_at)
             select $1, p, t, v, f, $6 from unnest($2::int[], $3::timestamptz[], $4::float8[], $5::text[]) as u(p, t, v, f)
             on conflict (farm_id, probe_id, at) do nothing returning probe_id, at",
            self.farm.0,
            &probes,
            &ats,
            &values,
            &faults as &[Option<String>],
            self.now
        )
        .fetch_all(&mut *self.db)
        .await?
        .into_iter()
        .map(|r| (r.probe_id, r.at))
        .collect();
        receipt.accepted += new.len();
        receipt.faults += rows.iter().filter(|r| r.fault.is_some() && new.contains(&(r.probe, r.at))).count();
        let old: Vec<&Row> = rows.iter().filter(|r| !new.contains(&(r.probe, r.at))).collect();
        if old.is_empty() {
            return Ok(());
        }
        let (probes, ats): (Vec<i32>, Vec<DateTime<Utc>>) = old.iter().map(|r| (r.probe, r.at)).unzip();
        let there = sqlx::query!(
            r#"select r.probe_id, r.at, r.value_c from reading r join unnest($2::int[], $3::timestamptz[]) as u(p, t) on r.probe_id = u.p and r.at = u.t
                where r.farm_id = $1"#,
            self.farm.0,
            &probes,
            &ats
        )
        .fetch_all(&mut *self.db)
        .await?;
        let there: std::collections::HashMap<(i32, DateTime<Utc>), f64> =
            there.into_iter().map(|r| ((r.probe_id, r.at), r.value_c)).collect();
        for row in old {
            match there.get(&(row.probe, row.at)) {
                Some(c) if c.to_bits() == row.c.to_bits() || (c.is_nan() && row.c.is_nan()) => receipt.duplicate += 1,
                Some(_) => receipt.refused.push(other_value(row.index)),
                None => return Err(Error::Stored("a reading was neither new nor there".into())),
            }
        }
        Ok(())
    }

    /// Readings of a place, the warmer probe's where two measure at one instant, in time order, faults left out.
    pub(crate) async fn air(&mut self, place: &PlaceCode, window: Span) -> Result<Vec<Point>> {
        Ok(sqlx::query!(
            r#"select r.at as "at!", max(r.value_c) as "c!" from reading r join probe p using (farm_id, probe_id)
                where r.farm_id = $1 and p.place = $2 and r.at >= $3 and r.at < $4 and r.fault is null group by r.at order by r.at"#,
            self.farm.0,
            place.as_str(),
            window.from,
            window.until
        )
        .fetch_all(&mut *self.db)
        .await?
        .into_iter()
        .map(|r| (r.at, r.c))
        .collect())
    }

    /// What a place's air was. `step` thins the series, not the figures.
    ///
    /// # Errors
    /// Refuses a place that is not there and a span that is empty or longer than 400 days.
    pub async fn temperature(&mut self, code: &PlaceCode, window: Span, step: TimeDelta) -> Result<Temperature> {
        if window.from >= window.until {
            return Err(Refusal::field("until", "The span is empty. Choose an end after its beginning.").into());
        }
        if window.until - window.from > TimeDelta::days(400) {
            return Err(Refusal::field("until", "The span is longer than 400 days. Ask for less at once.").into());
        }
        let place = self.place(code).await?;
        let limits = self.limits_between(code, window.until).await?;
        let (_, limit_c, gap_minutes) = limits.last().copied().unwrap_or((window.from, f64::MAX, 15));
        let gap = TimeDelta::minutes(i64::from(gap_minutes));
        let readings = self.air(code, Span { from: window.from - gap, until: window.until + gap }).await?;
        let faults = sqlx::query_scalar!(
            r#"select count(*) as "n!" from reading r join probe p using (farm_id, probe_id)
                where r.farm_id = $1 and p.place = $2 and r.at >= $3 and r.at < $4 and r.fault is not null"#,
            self.farm.0,
            code.as_str(),
            window.from,
            window.until
        )
        .fetch_one(&mut *self.db)
        .await?;
        let known = segments(&readings, gap, window);
        Ok(Temperature {
            place: place.place,
            limit: place.limit,
            from: window.from,
            until: window.until,
            exposure: exposure(&readings, gap, window, limit_c),
            gaps: gaps(&known, window).into_iter().map(|g| Gap { from: g.from, until: g.until }).collect(),
            series: thin(&readings, window, step),
            faults,
            caution: CAUTION,
        })
    }
}

fn other_value(index: usize) -> RefusedReading {
    RefusedReading {
        index,
        remedy: Remedy::Permanent,
        reason: "A reading of this probe at this time is kept with another value. Readings are never changed.".into(),
    }
}

/// The warmest reading of each step, at its own time.
fn thin(readings: &[Point], window: Span, step: TimeDelta) -> Vec<AirPoint> {
    let step_ms = step.num_milliseconds().max(1);
    let mut series: Vec<AirPoint> = Vec::new();
    let mut bin = None;
    for (at, c) in readings.iter().filter(|(t, _)| *t >= window.from && *t < window.until) {
        let this = (*at - window.from).num_milliseconds() / step_ms;
        match (bin, series.last_mut()) {
            (Some(b), Some(last)) if b == this => {
                if *c > last.c {
                    *last = AirPoint { at: *at, c: *c };
                }
            }
            _ => series.push(AirPoint { at: *at, c: *c }),
        }
        bin = Some(this);
    }
    series
}
