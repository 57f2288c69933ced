//! What stands in a temperature record beside the temperatures: what was inside during a spell, what was thrown away, how warm deliveries
//! were at the door, and who the initials are.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::Role,
    text::{DocketCode, LotCode, PlaceCode},
    units::calendar::Span,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    Result, Tx,
    ledger::spells::{Excursion, ExposedLot},
    reports::record::TemperatureRecord,
};

/// An excursion of a record, with the lots that were inside during a warm or cold spell.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RecordedExcursion {
    /// The excursion, and what was done about it.
    #[serde(flatten)]
    pub excursion: Excursion,
    /// The lots inside meanwhile. None are listed for gaps and probe faults.
    pub lots: Vec<ExposedLot>,
}

impl RecordedExcursion {
    /// Whether it is a warm or cold spell, and not a gap or a fault.
    #[must_use]
    pub const fn is_spell(&self) -> bool {
        self.excursion.standing.is_some()
    }
}

/// Something that was thrown away out of the place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Wasted {
    /// The lot.
    pub lot: LotCode,
    /// Grams.
    pub grams_g: Grams,
    /// Why.
    pub reason: String,
    /// When.
    pub wasted_at: DateTime<Utc>,
    /// By whom.
    pub done_by: String,
}

/// How warm goods were when they were handed over.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct DoorTemperature {
    /// The docket.
    pub docket: DocketCode,
    /// The customer's name.
    pub customer_name: String,
    /// °C; nothing where none was taken.
    pub temperature_c: Option<f64>,
    /// When.
    pub delivered_at: DateTime<Utc>,
    /// By whom.
    pub done_by: String,
}

/// Whose initials stand in the record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Signatory {
    /// Initials.
    pub initials: String,
    /// Name.
    pub name: String,
    /// Role on the farm.
    pub role: Role,
}

impl Tx {
    pub(crate) async fn recorded_excursions(
        &mut self,
        place: &PlaceCode,
        span: Span,
    ) -> Result<Vec<RecordedExcursion>> {
        let excursions = self.excursions(Some(place), span).await?;
        let mut recorded = Vec::with_capacity(excursions.len());
        for excursion in excursions {
            let mut recorded_one = RecordedExcursion { excursion, lots: Vec::new() };
            if recorded_one.is_spell() {
                let e = &recorded_one.excursion;
                let lasted = Span { from: e.began_at, until: e.ended_at.unwrap_or(self.now).max(e.began_at) };
                recorded_one.lots = self.lots_there(e.excursion_id, place, lasted).await?;
            }
            recorded.push(recorded_one);
        }
        Ok(recorded)
    }

    /// What was thrown away out of a place in a span, oldest first, without what was taken back.
    pub(crate) async fn wasted_from(&mut self, place: &PlaceCode, span: Span) -> Result<Vec<Wasted>> {
        Ok(sqlx::query_as!(
            Wasted,
            r#"select m.lot as "lot: LotCode", m.grams as "grams_g: Grams", a.reason, a.happened_at as wasted_at, a.done_by
                 from movement m join act a using (farm_id, act_id) join place p on p.farm_id = m.farm_id and p.place = m.to_place
                where m.farm_id = $1 and m.from_place = $2 and p.kind = 'waste' and a.kind <> 'reversal'
                  and a.happened_at >= $3 and a.happened_at < $4
                  and not exists (select from act r where r.farm_id = a.farm_id and r.reverses = a.act_id)
                order by a.happened_at, m.act_id, m.leg"#,
            self.farm.0,
            place.as_str(),
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// How warm goods were at the door in a span, oldest first, whatever place they came from; without deliveries that were taken back.
    pub(crate) async fn door_temperatures(&mut self, span: Span) -> Result<Vec<DoorTemperature>> {
        Ok(sqlx::query_as!(
            DoorTemperature,
            r#"select d.docket as "docket: DocketCode", k.customer_name, d.temperature_c, a.happened_at as delivered_at, a.done_by
                 from delivery d join act a using (farm_id, act_id) join docket k using (farm_id, docket)
                where d.farm_id = $1 and a.happened_at >= $2 and a.happened_at < $3
                  and not exists (select from act r where r.farm_id = a.farm_id and r.reverses = a.act_id)
                order by a.happened_at, d.docket"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// The people whose initials stand in a record, those who have left the farm since among them.
    pub(crate) async fn signatories_of(&mut self, record: &TemperatureRecord) -> Result<Vec<Signatory>> {
        let mut initials: BTreeSet<&str> = BTreeSet::from([record.printed_by.as_str()]);
        for e in record.excursions.iter().map(|e| &e.excursion) {
            initials.extend(e.actions.iter().map(|a| a.done_by.as_str()));
            initials.extend(e.sign_offs.iter().map(|s| s.signed_by.as_str()));
        }
        initials.extend(record.wasted.iter().map(|w| w.done_by.as_str()));
        initials.extend(record.deliveries.iter().map(|d| d.done_by.as_str()));
        initials.extend(record.spot_readings.iter().map(|s| s.done_by.as_str()));
        initials.extend(record.checks.iter().map(|c| c.done_by.as_str()));
        initials.extend(record.probes.iter().flat_map(|p| &p.checks).map(|c| c.done_by.as_str()));
        let initials: Vec<String> = initials.into_iter().map(str::to_owned).collect();
        Ok(sqlx::query_as!(
            Signatory,
            r#"select initials, name, role as "role: Role" from person where farm_id = $1 and initials = any ($2) order by initials"#,
            self.farm.0,
            &initials
        )
        .fetch_all(&mut *self.db)
        .await?)
    }
}
