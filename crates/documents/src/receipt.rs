//! The receipt of what was paid at the door.

use gillbook_core::kinds::PaperSize;
use serde::Serialize;

use crate::{Error, typesetting::pdf};

/// A payment of a receipt, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct Paid {
    /// Code of the payment.
    pub payment: String,
    /// The day, as the farm writes days.
    pub day: String,
    /// How it was paid, in words.
    pub how: String,
    /// The amount.
    pub amount: String,
    /// Who took it.
    pub taken_by: String,
    /// Whether it was taken back since.
    pub taken_back: bool,
}

/// A receipt, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct Receipt {
    /// The farm's name.
    pub farm: String,
    /// Its address.
    pub farm_address: String,
    /// The size of its sheets.
    pub paper_size: PaperSize,
    /// The docket that was paid for, with the farm's word before it.
    pub docket: String,
    /// Name of the customer.
    pub customer: String,
    /// Address of the customer.
    pub address: String,
    /// What was paid.
    pub paid: Vec<Paid>,
    /// The sum of what stands.
    pub total: String,
    /// ISO 4217 letters.
    pub currency: String,
}

impl Receipt {
    /// The receipt as PDF. The same values give the same bytes.
    ///
    /// # Errors
    /// When the template fails, which would be our mistake.
    pub fn pdf(&self) -> Result<Vec<u8>, Error> {
        pdf(include_str!("../templates/receipt.typ"), self, &format!("{} receipt {}", self.farm, self.docket))
    }
}
