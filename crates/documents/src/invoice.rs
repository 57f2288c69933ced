//! Invoices and credit notes.

use gillbook_core::{Grams, kinds::PaperSize};
use serde::Serialize;

use crate::{Error, typesetting::pdf};

/// A line, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct Line {
    /// The docket and the day; nothing of what is not goods.
    pub delivery: Option<String>,
    /// What it is.
    pub description: String,
    /// How many packs, where it is sold in packs.
    pub packs: Option<i64>,
    /// Weight; nothing of what is not goods.
    pub grams: Option<Grams>,
    /// Price of a unit, with the unit.
    pub price: Option<String>,
    /// Tax rate, per cent.
    pub tax_percent: String,
    /// Net amount.
    pub net: String,
}

/// The tax of one rate, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct Tax {
    /// Rate, per cent.
    pub percent: String,
    /// Net amount.
    pub net: String,
    /// Tax.
    pub tax: String,
}

/// Who it is from or for.
#[derive(Debug, Clone, Serialize)]
pub struct Party {
    /// Name.
    pub name: String,
    /// Address.
    pub address: String,
    /// The number under which it is registered for tax.
    pub tax_number: String,
}

/// An invoice or a credit note, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct Invoice {
    /// The size of its sheets.
    pub paper_size: PaperSize,
    /// Why what bears no tax bears none; may be empty.
    pub exemption_reason: String,
    /// `Invoice` or `Credit note`.
    pub word: String,
    /// Its code.
    pub invoice: String,
    /// The invoice that a credit note corrects.
    pub corrects: Option<String>,
    /// The number of the customer's order, where all of it is of one.
    pub order: Option<String>,
    /// Who it is from.
    pub seller: Party,
    /// Who it is for.
    pub buyer: Party,
    /// The day that it bears.
    pub issued_on: String,
    /// The day on which it is due; nothing of a credit note.
    pub due_on: Option<String>,
    /// Lines.
    pub lines: Vec<Line>,
    /// Tax by rate.
    pub taxes: Vec<Tax>,
    /// What tax is called.
    pub tax_name: String,
    /// Net sum.
    pub net: String,
    /// Tax of all rates, where there are several.
    pub tax: Option<String>,
    /// Net sum and tax.
    pub total: String,
    /// ISO 4217 letters.
    pub currency: String,
    /// How it is paid.
    pub payment_details: String,
    /// What else stands on it.
    pub note: String,
}

impl Invoice {
    /// The document as PDF. The same values give the same bytes.
    ///
    /// # Errors
    /// When the template fails, which would be our mistake.
    pub fn pdf(&self) -> Result<Vec<u8>, Error> {
        pdf(include_str!("../templates/invoice.typ"), self, &format!("{} {}", self.seller.name, self.invoice))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn invoice(lines: usize) -> Invoice {
        let party =
            |name: &str| Party { name: name.into(), address: "Lane 1\nHollow #2".into(), tax_number: "XX 123".into() };
        Invoice {
            paper_size: PaperSize::A4,
            exemption_reason: String::new(),
            word: "Invoice".into(),
            invoice: "INV-12".into(),
            corrects: None,
            order: Some("PO 4711".into()),
            seller: party("Näckrosen Svamp"),
            buyer: party("Гриб & Лес #1 *Bistro*"),
            issued_on: "31 Oct 2026".into(),
            due_on: Some("14 Nov 2026".into()),
            lines: (0..lines)
                .map(|i| Line {
                    delivery: (i % 4 > 0).then(|| format!("D-{i}, 8 Oct 2026")),
                    description: "Grey oyster".into(),
                    packs: (i % 3 == 0).then_some(6),
                    grams: (i % 4 > 0).then_some(Grams(1235)),
                    price: (i % 4 > 0).then(|| "17.50 / kg".into()),
                    tax_percent: "5.5".into(),
                    net: "21.61".into(),
                })
                .collect(),
            taxes: vec![Tax { percent: "5.5".into(), net: "21.61".into(), tax: "1.19".into() }],
            tax_name: "VAT".into(),
            net: "21.61".into(),
            tax: (lines > 3).then(|| "1.19".into()),
            total: "22.80".into(),
            currency: "EUR".into(),
            payment_details: "Bank $1".into(),
            note: "Thank you".into(),
        }
    }

    #[test]
    fn the_same_values_give_the_same_bytes() {
        let first = invoice(3).pdf().unwrap();
        assert!(first.starts_with(b"%PDF-"));
        assert_eq!(first, invoice(3).pdf().unwrap());
    }

    #[test]
    fn long_invoices_have_pages() {
        assert!(invoice(120).pdf().unwrap().len() > invoice(3).pdf().unwrap().len());
    }
}
