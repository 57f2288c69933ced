//! One crate or stack on the scale, into a lot: what is entered, what it is decided on, and what is written down.

mod decision;
pub mod scale;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

pub use decision::{BatchFacts, CrateFacts, Facts, Plan, RoomShare, decide};

use crate::{
    kinds::{Basis, Packaging},
    text::{BatchCode, CrateCode, GradeCode, LotCode, PlaceCode, Short, StrainCode},
    units::{calendar::Instant, quantity::Grams},
};

/// A batch that a weighing comes from.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSource {
    /// The batch.
    pub batch: BatchCode,
    /// Its flush, from 1.
    #[schema(minimum = 1, maximum = 9)]
    pub flush: i32,
    /// Grams that were weighed apart, trim included.
    pub grams_g: Option<Grams>,
    /// A share, such as blocks in fruit, where they were not.
    pub share: Option<i32>,
}

/// The tare of a weighing: its weight, or what stood on the scale.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTare {
    /// The weight, where it was weighed.
    pub tare_g: Option<Grams>,
    /// The kind of crate.
    #[serde(rename = "crate")]
    pub crate_kind: Option<CrateCode>,
    /// How many; one unless said.
    #[schema(minimum = 1, maximum = 20)]
    pub crates: Option<i32>,
    /// The kind of liner in each.
    pub liner: Option<CrateCode>,
    /// Whether they were wet.
    #[serde(default)]
    pub wet: bool,
}

/// One crate or stack on the scale.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewWeighing {
    /// Made by the client; the same again counts once.
    pub id: Uuid,
    /// The batches that it comes from, all of one strain.
    #[schema(min_items = 1, max_items = 20)]
    pub sources: Vec<NewSource>,
    /// Its grade.
    pub grade: GradeCode,
    /// Its packaging; open unless said.
    pub packaging: Option<Packaging>,
    /// What the scale showed.
    pub gross_g: Grams,
    /// What stood under it.
    #[serde(default)]
    pub tare: NewTare,
    /// What was cut off and weighed, where it was.
    #[serde(default)]
    pub trim_g: Grams,
    /// Whether it was cut before the scale.
    #[serde(default)]
    pub cut: bool,
    /// Where it goes; the farm's only fridge unless said.
    pub place: Option<PlaceCode>,
    /// When; now unless said.
    pub weighed_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// A source of a weighing, with its grams.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct WeighedSource {
    /// The batch.
    pub batch: BatchCode,
    /// Its flush.
    pub flush: i32,
    /// How much, trim included.
    pub grams_g: Grams,
    /// Weighed apart, or shared.
    pub basis: Basis,
}

/// A weighing as it was kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Weighing {
    /// Id.
    pub id: Uuid,
    /// The lot that it went into.
    pub lot: LotCode,
    /// Strain of the lot.
    pub strain: StrainCode,
    /// Grade of the lot.
    pub grade: GradeCode,
    /// Where it went.
    pub place: PlaceCode,
    /// What the scale showed.
    pub gross_g: Grams,
    /// What was under it.
    pub tare_g: Grams,
    /// Gross less tare: what reached the place.
    pub net_g: Grams,
    /// What was cut off.
    pub trim_g: Grams,
    /// Whether it was cut before the scale.
    pub cut: bool,
    /// The batches that it came from.
    pub sources: Vec<WeighedSource>,
    /// When.
    pub weighed_at: DateTime<Utc>,
    /// When it was written down.
    pub recorded_at: DateTime<Utc>,
    /// Who did it.
    pub done_by: String,
    /// Who was signed in.
    pub entered_by: String,
    /// The act that took it back.
    pub reversed_by: Option<Uuid>,
    /// Whether its lot is on hold, as what is weighed of a batch on hold is.
    pub on_hold: bool,
}
