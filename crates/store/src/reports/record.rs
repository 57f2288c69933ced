//! The temperature record of a place: what a verifier asks for.

use std::borrow::Cow;

use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, Utc};
use gillbook_core::{
    cold::{
        CAUTION,
        evaluate::{Figures, Rules},
        exposure::{Exposure, seconds},
        reevaluate::hour_of,
    },
    kinds::PaperSize,
    refusal::Refusal,
    text::PlaceCode,
    units::calendar::{Span, day_begins, day_of, day_span},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    Result, Tx,
    cold::{
        house_checks::{CheckDone, SpotReading},
        places::Limit,
        probe_checks::ProbeCalibration,
        temperature::{Gap, HourFigures},
    },
    reports::record_parts::{DoorTemperature, RecordedExcursion, Signatory, Wasted},
};

/// The most days of one record.
const MAX_DAYS: i64 = 400;

/// A day of a record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct DayFigures {
    /// The day.
    pub day: NaiveDate,
    /// Its figures.
    pub exposure: Exposure,
    /// The warmest that the food is estimated at, °C.
    pub product_max_c: Option<f64>,
    /// The most that the probes were apart, °C.
    pub probe_spread_c: f64,
}

/// The record of a place over whole days of the farm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct TemperatureRecord {
    /// The farm's name.
    pub farm: String,
    /// Its address, and its registration where it has one.
    pub farm_address: String,
    /// The size of the sheets that it prints on.
    pub paper_size: PaperSize,
    /// The farm's time zone, in which its days begin.
    pub zone: String,
    /// The place.
    pub place: PlaceCode,
    /// Its name.
    pub place_name: String,
    /// First day.
    pub from: NaiveDate,
    /// Last day.
    pub until: NaiveDate,
    /// The first instant of it.
    pub begins: DateTime<Utc>,
    /// The first instant after it: the end of the last day, or now.
    pub ends: DateTime<Utc>,
    /// Warm and cold spells with what was done about them and the lots inside, gaps and probe faults, oldest first.
    pub excursions: Vec<RecordedExcursion>,
    /// What was thrown away out of the place.
    pub wasted: Vec<Wasted>,
    /// The limits in force, with the text of their rule, in the order in which they begin.
    pub limits: Vec<Limit>,
    /// The whole span.
    pub exposure: Exposure,
    /// Stretches in which nothing is known, by the gap limit, exact. Only those longer than the silence time are excursions as well, and none
    /// is before the place's first reading.
    pub gaps: Vec<Gap>,
    /// By day.
    pub days: Vec<DayFigures>,
    /// By hour.
    pub hours: Vec<HourFigures>,
    /// The place's probes and their checks.
    pub probes: Vec<ProbeCalibration>,
    /// Read by hand: points, never coverage.
    pub spot_readings: Vec<SpotReading>,
    /// The checks book.
    pub checks: Vec<CheckDone>,
    /// How warm the farm's deliveries were at the door, whatever place they came from.
    pub deliveries: Vec<DoorTemperature>,
    /// Whose initials stand in the record.
    pub people: Vec<Signatory>,
    /// Who asked for it.
    pub printed_by: String,
    /// When.
    pub printed_at: DateTime<Utc>,
    /// The usual caution.
    pub caution: Cow<'static, str>,
}

impl Tx {
    /// The temperature record of a place from a day to a day, both included.
    ///
    /// # Errors
    /// Refuses a place that is not there, and a span that is empty, in the future or longer than 400 days.
    #[tracing::instrument(level = "debug", name = "store.reports.temperature_record", skip_all, fields(farm_id = self.farm.0))]
    pub async fn temperature_record(
        &mut self,
        place: &PlaceCode,
        from: NaiveDate,
        until: NaiveDate,
    ) -> Result<TemperatureRecord> {
        let zone = self.farm_settings().await?.zone;
        if until < from || (until - from).num_days() >= MAX_DAYS {
            return Err(
                Refusal::field("until", "The record ends on its first day or later, at most 400 days on.").into()
            );
        }
        if from > day_of(self.now, zone) {
            return Err(Refusal::field("from", "The record begins in the future.").into());
        }
        let farm = self.farm().await?;
        let there = self.place(place).await?;
        let span = Span {
            from: day_begins(from, zone),
            until: day_begins(until + Days::new(1), zone).min(self.now).max(day_begins(from, zone)),
        };
        // What people wrote down counts to the end of the last day, also what is of this very instant.
        let written = Span { from: span.from, until: day_begins(until + Days::new(1), zone) };
        let rules = self.rules_of(place).await?;
        let hours = self.hours_within(place, &rules, span).await?;
        let mut days = Vec::new();
        let mut whole = Figures::default();
        for day in from.iter_days().take_while(|d| *d <= until) {
            let this = day_span(day, zone);
            let this = Span { from: this.from, until: this.until.min(span.until) };
            if this.from >= this.until {
                break;
            }
            let figures = self.day_figures(place, &rules, &hours, this).await?;
            whole.add(&figures);
            days.push(DayFigures {
                day,
                exposure: Exposure::of(&figures, seconds(this)),
                product_max_c: figures.product_c,
                probe_spread_c: figures.probe_spread_c,
            });
        }
        let names: Vec<String> = self.probes_of(place).await?;
        let mut probes = Vec::with_capacity(names.len());
        for name in names {
            probes.push(self.probe_calibration(&name).await?);
        }
        let mut record = TemperatureRecord {
            farm_address: farm.letterhead(),
            paper_size: farm.paper_size,
            farm: farm.name,
            zone: farm.zone,
            place: there.place,
            place_name: there.name,
            from,
            until,
            begins: span.from,
            ends: span.until,
            excursions: self.recorded_excursions(place, written).await?,
            wasted: self.wasted_from(place, written).await?,
            limits: self.limits_within(place, span).await?,
            exposure: Exposure::of(&whole, seconds(span)),
            gaps: self.gaps_within(place, span).await?,
            days,
            hours: hours.iter().map(|(hour, f)| HourFigures::of(*hour, f)).collect(),
            probes,
            spot_readings: self.spot_readings(place, written).await?,
            checks: self.checks_done(written).await?,
            deliveries: self.door_temperatures(written).await?,
            people: Vec::new(),
            printed_by: self.actor.name.clone(),
            printed_at: self.now,
            caution: CAUTION.into(),
        };
        record.people = self.signatories_of(&record).await?;
        Ok(record)
    }

    /// A day from its hours; where the zone's day does not begin with an hour, or now is within one, the parts from their readings.
    async fn day_figures(
        &mut self,
        place: &PlaceCode,
        rules: &[Rules],
        hours: &BTreeMap<DateTime<Utc>, Figures>,
        day: Span,
    ) -> Result<Figures> {
        if hour_of(day.from) != day.from || hour_of(day.until) != day.until {
            return self.figures_between(place, rules, day).await;
        }
        let mut sum = Figures::default();
        for (_, figures) in hours.range(day.from..day.until) {
            sum.add(figures);
        }
        Ok(sum)
    }

    /// Names of the probes of a place.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.probes_of", skip_all, fields(farm_id = self.farm.0))]
    pub async fn probes_of(&mut self, place: &PlaceCode) -> Result<Vec<String>> {
        Ok(sqlx::query_scalar!(
            "select name from probe where farm_id = $1 and place = $2 order by name",
            self.farm.0,
            place.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?)
    }
}
