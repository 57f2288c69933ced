//! The temperature record of a place.

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

/// An excursion.
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
    /// What was done.
    pub actions: Vec<String>,
    /// The second sign-off.
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
    /// Silences: left edge and width.
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
    /// Name of the place.
    pub place: String,
    /// The days.
    pub span: String,
    /// The time zone.
    pub zone: String,
    /// Figures of the whole.
    pub summary: Vec<(String, String)>,
    /// Limits in force.
    pub limits: Vec<Limit>,
    /// The plot.
    pub plot: Plot,
    /// Day, lowest, mean, highest, food, minutes above, known.
    pub days: Vec<Vec<String>>,
    /// Excursions.
    pub excursions: Vec<Excursion>,
    /// Probes.
    pub probes: Vec<Probe>,
    /// Time, °C, person, note.
    pub spots: Vec<Vec<String>>,
    /// Time, check, result, person.
    pub checks: Vec<Vec<String>>,
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
