//! Lots made into lots: packing into punnets, regrading, drying, and the opening entry of lots that were there.

mod decision;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

pub use decision::{Child, Facts, ParentFacts, Plan, decide};

use crate::{
    kinds::{Form, Packaging},
    ledger::entry::Act,
    text::{GradeCode, LotCode, PlaceCode, ProductCode, Short, StrainCode},
    units::{
        calendar::{Day, Instant},
        quantity::Grams,
    },
};
use uuid::Uuid;

/// Grams of a lot that go into a packing.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PackedFrom {
    /// The lot.
    pub lot: LotCode,
    /// How much, trim and water included.
    pub grams_g: Grams,
}

/// A lot that a packing makes.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PackedInto {
    /// Its grade.
    pub grade: GradeCode,
    /// Its packaging.
    pub packaging: Packaging,
    /// Fresh unless said.
    pub form: Option<Form>,
    /// How much.
    pub grams_g: Grams,
    /// The product that it is packed as; its best-before rule dates the lot.
    pub product: Option<ProductCode>,
    /// Where it goes; where it came from unless said.
    pub place: Option<PlaceCode>,
}

/// Lots in, lots out.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPacking {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// Where it is done.
    pub place: PlaceCode,
    /// What goes in. All of one strain.
    #[schema(min_items = 1, max_items = 20)]
    pub lots_in: Vec<PackedFrom>,
    /// What comes out.
    #[schema(min_items = 1, max_items = 20)]
    pub lots_out: Vec<PackedInto>,
    /// Cut off.
    #[serde(default)]
    pub trim_g: Grams,
    /// Weight lost as water.
    #[serde(default)]
    pub water_g: Grams,
    /// When; now unless said.
    pub happened_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// A packing as it was kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Packing {
    /// The lots that were made.
    pub made: Vec<LotCode>,
    /// The act.
    pub act: Act,
}

/// A lot that was in stock when the book was opened.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewOpening {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// Its strain.
    pub strain: StrainCode,
    /// Its grade.
    pub grade: GradeCode,
    /// Its packaging.
    pub packaging: Packaging,
    /// Fresh unless said.
    pub form: Option<Form>,
    /// Its harvest day.
    pub harvest_day: Day,
    /// Where it is.
    pub place: PlaceCode,
    /// How much.
    pub grams_g: Grams,
    /// When; now unless said.
    pub happened_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}
