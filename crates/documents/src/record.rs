//! The temperature record of a place.

use gillbook_core::kinds::PaperSize;
use serde::Serialize;

use crate::{Error, typesetting::pdf};

/// A limit in force.
#[derive(Debug, Clone, Serialize)]
pub struct Limit {
    /// What it is called.
    pub name: String,
    /// Since when.
    pub since: String,
    /// Its figures, in words.
    pub figures: String,
    /// The text of the rule.
    pub rule: String,
    /// Whether it is only an example.
    pub example: bool,
}

/// A warm or cold spell, a gap or a fault.
#[derive(Debug, Clone, Serialize)]
pub struct Excursion {
    /// What it is.
    pub what: String,
    /// From when to when.
    pub when: String,
    /// How long.
    pub lasted: String,
    /// Its figures, in words.
    pub figures: String,
    /// Whether the probe cannot decide.
    pub undecided: bool,
    /// What was done, and what became of the food; for a spell that nothing was done about, that nothing was.
    pub actions: Vec<String>,
    /// The lots that were inside, for a spell.
    pub lots: Option<String>,
    /// Who countersigned it, when, and their note.
    pub signed: Option<String>,
}

/// A probe and its checks.
#[derive(Debug, Clone, Serialize)]
pub struct Probe {
    /// Its name.
    pub probe: String,
    /// Since when it is doubtful.
    pub doubtful: Option<String>,
    /// Date, kind, result, person.
    pub checks: Vec<Vec<String>>,
}

/// The plot, in shares of its width and height, from the lower left.
#[derive(Debug, Clone, Serialize)]
pub struct Plot {
    /// Width of an hour.
    pub width: f64,
    /// Hours: left edge, coldest, warmest.
    pub hours: Vec<(f64, f64, f64)>,
    /// The limit and its label.
    pub limit: Option<(f64, String)>,
    /// Marks of the scale and their labels.
    pub ticks: Vec<(f64, String)>,
    /// Stretches without readings: left edge and width.
    pub silences: Vec<(f64, f64)>,
    /// Days along the foot.
    pub days: Vec<(f64, String)>,
}

/// A record, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct Record {
    /// The farm's name.
    pub farm: String,
    /// Its address.
    pub farm_address: String,
    /// The size of its sheets.
    pub paper_size: PaperSize,
    /// Name of the place.
    pub place: String,
    /// The days.
    pub span: String,
    /// The time zone.
    pub zone: String,
    /// Warm and cold spells, which a record begins with.
    pub spells: Vec<Excursion>,
    /// Time, lot, weight, why, person: what was thrown away.
    pub wasted: Vec<Vec<String>>,
    /// How many entries that is, and how much in all.
    pub wasted_sum: String,
    /// What to say where there were no spells.
    pub no_spells: String,
    /// Gaps in the readings and probe faults.
    pub gaps: Vec<Excursion>,
    /// What to say where there are none.
    pub no_gaps: String,
    /// Figures of the whole.
    pub summary: Vec<(String, String)>,
    /// Limits in force.
    pub limits: Vec<Limit>,
    /// The plot.
    pub plot: Plot,
    /// Day, lowest, mean, highest, food, minutes above limit, share of the day with readings.
    pub days: Vec<Vec<String>>,
    /// Probes.
    pub probes: Vec<Probe>,
    /// Time, °C, person, note.
    pub spots: Vec<Vec<String>>,
    /// Time, check, result, person.
    pub checks: Vec<Vec<String>>,
    /// Time, docket, customer, °C, person: deliveries at the door.
    pub deliveries: Vec<Vec<String>>,
    /// Whose initials stand in it.
    pub people: Vec<String>,
    /// Mean kinetic temperature, °C.
    pub mean_kinetic: Option<String>,
    /// Who printed it and when.
    pub printed: String,
    /// The usual caution.
    pub caution: String,
}

impl Record {
    /// The record as PDF. The same values give the same bytes.
    ///
    /// # Errors
    /// When the template fails, which would be our mistake.
    pub fn pdf(&self) -> Result<Vec<u8>, Error> {
        pdf(include_str!("../templates/record.typ"), self, &format!("{} {} {}", self.farm, self.place, self.span))
    }
}
