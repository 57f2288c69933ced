//! The letters of a recall, a sheet for each customer.

use gillbook_core::kinds::PaperSize;
use serde::Serialize;

use crate::{Error, typesetting::pdf};

/// What a customer was sent of it, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct Row {
    /// The lot, as its label says.
    pub lot: String,
    /// What it is.
    pub name: String,
    /// Harvest day.
    pub harvested: String,
    /// Best before; nothing where there is no such day.
    pub best_before: String,
    /// The docket; nothing where there was none.
    pub document: String,
    /// When it was sent.
    pub sent: String,
    /// Whether it has not arrived yet.
    pub under_way: bool,
    /// How much, without what came back.
    pub kg: String,
}

/// One letter.
#[derive(Debug, Clone, Serialize)]
pub struct Letter {
    /// Name of the customer.
    pub name: String,
    /// Address of the customer.
    pub address: String,
    /// Whether it is for people at a stall, to be hung up.
    pub is_market: bool,
    /// What was sent.
    pub rows: Vec<Row>,
    /// All of it, kilograms.
    pub kg: String,
}

/// The letters of a recall, as they print.
#[derive(Debug, Clone, Serialize)]
pub struct Letters {
    /// The farm's name.
    pub farm: String,
    /// Its address.
    pub farm_address: String,
    /// The size of its sheets.
    pub paper_size: PaperSize,
    /// The farm's word for a docket.
    pub docket_word: String,
    /// The recall.
    pub recall: String,
    /// Whether it is a rehearsal.
    pub is_rehearsal: bool,
    /// When it began.
    pub began: String,
    /// Why.
    pub reason: String,
    /// How the farm is reached; nothing where that is not entered.
    pub reached_at: String,
    /// The letters.
    pub letters: Vec<Letter>,
}

impl Letters {
    /// The document as PDF. The same values give the same bytes.
    ///
    /// # Errors
    /// When the template fails, which would be our mistake.
    pub fn pdf(&self) -> Result<Vec<u8>, Error> {
        let ident = format!("{} {} {}", self.farm, self.recall, self.began);
        pdf(include_str!("../templates/recall_letter.typ"), self, &ident)
    }
}
