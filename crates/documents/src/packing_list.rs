//! The packing list of a day.

use gillbook_core::kinds::PaperSize;
use serde::Serialize;

use crate::{Error, typesetting::pdf};

/// A lot to be taken out of a place, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct LotRow {
    /// The lot.
    pub lot: String,
    /// Strain, grade and the day that it is good for.
    pub of: String,
    /// Kilograms that are not packed yet, to the gram.
    pub kg: String,
    /// Whether all of it is packed.
    pub packed: bool,
}

/// What is taken out of a place.
#[derive(Debug, Clone, Serialize)]
pub struct Place {
    /// The place.
    pub place: String,
    /// Kilograms in all that are not packed yet.
    pub kg: String,
    /// The lots.
    pub lots: Vec<LotRow>,
}

/// A lot that goes into an order.
#[derive(Debug, Clone, Serialize)]
pub struct PackRow {
    /// The lot.
    pub lot: String,
    /// Where it is, its grade, and how many packs.
    pub of: String,
    /// Kilograms, to the gram.
    pub kg: String,
    /// Whether it is packed already.
    pub packed: bool,
}

/// A line of an order.
#[derive(Debug, Clone, Serialize)]
pub struct LineRow {
    /// The product.
    pub name: String,
    /// Kilograms ordered.
    pub ordered: String,
    /// Packs ordered, in words; nothing of what is loose.
    pub packs: String,
    /// Kilograms that are not set aside; nothing where none are.
    pub short: String,
    /// What is set aside.
    pub lots: Vec<PackRow>,
}

/// An order of a round.
#[derive(Debug, Clone, Serialize)]
pub struct Stop {
    /// Number and customer.
    pub title: String,
    /// The order.
    pub order: String,
    /// The number that the customer knows it by; nothing where there is none.
    pub reference: String,
    /// Address and window, those that there are.
    pub about: Vec<String>,
    /// What was noted; nothing where nothing was.
    pub note: String,
    /// Where it stands, of what is not to be packed any more.
    pub status: String,
    /// Its lines, while they are to be packed.
    pub lines: Vec<LineRow>,
    /// The dockets that it went out with, with their weight.
    pub dockets: Vec<String>,
}

/// A round.
#[derive(Debug, Clone, Serialize)]
pub struct Round {
    /// Its name.
    pub name: String,
    /// Its orders.
    pub stops: Vec<Stop>,
}

/// A packing list, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct PackingList {
    /// The farm's name.
    pub farm: String,
    /// Its address.
    pub farm_address: String,
    /// The size of its sheets.
    pub paper_size: PaperSize,
    /// The delivery day.
    pub day: String,
    /// When it was drawn up.
    pub as_of: String,
    /// What is taken out, by place.
    pub places: Vec<Place>,
    /// The orders, by round.
    pub rounds: Vec<Round>,
}

impl PackingList {
    /// The document as PDF. The same values give the same bytes.
    ///
    /// # Errors
    /// When the template fails, which would be our mistake.
    pub fn pdf(&self) -> Result<Vec<u8>, Error> {
        let ident = format!("{} {} {}", self.farm, self.day, self.as_of);
        pdf(include_str!("../templates/packing_list.typ"), self, &ident)
    }
}
