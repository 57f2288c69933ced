//! The statement of a customer's account.

use gillbook_core::kinds::PaperSize;
use serde::Serialize;

use crate::{Error, typesetting::pdf};

/// A row, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct Row {
    /// The day.
    pub day: String,
    /// What it is, with its code.
    pub what: String,
    /// What it asks for.
    pub debit: String,
    /// What it takes off.
    pub credit: String,
    /// The debt after it.
    pub balance: String,
}

/// An open invoice, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct Open {
    /// The invoice.
    pub invoice: String,
    /// The day that it bears.
    pub issued_on: String,
    /// The day on which it is due.
    pub due_on: String,
    /// How long it is overdue, in words; nothing where it is not.
    pub overdue: String,
    /// What is open.
    pub open: String,
}

/// A statement, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct Statement {
    /// The farm's name.
    pub farm: String,
    /// Its address.
    pub farm_address: String,
    /// The size of its sheets.
    pub paper_size: PaperSize,
    /// Name of the customer.
    pub customer: String,
    /// Address of the customer.
    pub address: String,
    /// First day.
    pub from: String,
    /// Last day.
    pub until: String,
    /// The debt before the first day.
    pub opening: String,
    /// Rows.
    pub rows: Vec<Row>,
    /// The debt after the last day.
    pub closing: String,
    /// What is open.
    pub open: Vec<Open>,
    /// Sum of what is open.
    pub open_sum: String,
    /// What the customer has to their credit; nothing where there is none.
    pub credit: Option<String>,
    /// ISO 4217 letters.
    pub currency: String,
    /// How it is paid.
    pub payment_details: String,
}

impl Statement {
    /// The document as PDF. The same values give the same bytes.
    ///
    /// # Errors
    /// When the template fails, which would be our mistake.
    pub fn pdf(&self) -> Result<Vec<u8>, Error> {
        let ident = format!("{} {} {} {}", self.farm, self.customer, self.from, self.until);
        pdf(include_str!("../templates/statement.typ"), self, &ident)
    }
}
