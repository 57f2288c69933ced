//! The delivery docket.

use gillbook_core::{Grams, kinds::PaperSize};
use serde::Serialize;

use crate::{Error, typesetting::pdf};

/// A line of a docket, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct Line {
    /// Name of the product.
    pub product: String,
    /// Its grade.
    pub grade: String,
    /// How many packs, where it is sold in packs.
    pub packs: Option<i64>,
    /// Lot code.
    pub lot: String,
    /// Harvest day, as the farm writes days.
    pub harvested: String,
    /// Best-before day.
    pub best_before: Option<String>,
    /// Weight.
    pub grams: Grams,
    /// Price of a unit.
    pub price: String,
    /// `kg` or `pack`.
    pub unit: String,
    /// Net amount.
    pub amount: String,
    /// What was refused at the door or came back, in words, and why.
    pub came_back: Option<String>,
}

/// What the customer kept, where that is less than what went out.
#[derive(Debug, Clone, Serialize)]
pub struct Kept {
    /// Weight.
    pub grams: Grams,
    /// Net amount.
    pub net: String,
}

/// How it was handed over.
#[derive(Debug, Clone, Serialize)]
pub struct HandedOver {
    /// What became of it, in words: to whom, where it was left, or refused.
    pub to: String,
    /// Who signed for it, as an SVG image; empty where nobody did.
    pub signature: String,
    /// When.
    pub at: String,
    /// What was measured and counted, in words; may be empty.
    pub details: String,
    /// Crates of the farm that stand at the customer's after it.
    pub crates_there: i64,
}

/// A docket, as it prints.
#[derive(Debug, Clone, Serialize)]
pub struct Docket {
    /// The farm's name.
    pub farm: String,
    /// Its address.
    pub farm_address: String,
    /// The size of its sheets.
    pub paper_size: PaperSize,
    /// Its telephone; empty where it gave none.
    pub farm_telephone: String,
    /// How goods are kept, in the farm's words; may be empty.
    pub storage_line: String,
    /// Whether prices and amounts are printed.
    pub with_prices: bool,
    /// The farm's word for a docket.
    pub word: String,
    /// Its code.
    pub docket: String,
    /// The order.
    pub order: String,
    /// The number that the customer knows it by; empty where they gave none.
    pub reference: String,
    /// Name of the customer.
    pub customer: String,
    /// Address of the customer.
    pub address: String,
    /// Telephone of the customer; empty where it has none.
    pub telephone: String,
    /// The day it is wanted.
    pub delivery_day: String,
    /// When it went out.
    pub sent_at: String,
    /// Whether it was taken back.
    pub void: bool,
    /// Lines.
    pub lines: Vec<Line>,
    /// Weight in all.
    pub grams: Grams,
    /// Net amount in all.
    pub net: String,
    /// What was kept of it, where something was refused or came back.
    pub kept: Option<Kept>,
    /// What was ordered and is short, a sentence each.
    pub short: Vec<String>,
    /// The tax that the amounts are without, in words; nothing where there is none.
    pub tax: Option<String>,
    /// ISO 4217 letters.
    pub currency: String,
    /// How it was handed over; blanks to fill where it was not yet.
    pub delivery: Option<HandedOver>,
    /// What the receiver must know: lots that were in a warm spell.
    pub warnings: Vec<String>,
    /// The caution, to the kitchen.
    pub caution: String,
}

impl Docket {
    /// The docket as PDF. The same values give the same bytes.
    ///
    /// # Errors
    /// When the template fails, which would be our mistake.
    pub fn pdf(&self) -> Result<Vec<u8>, Error> {
        pdf(include_str!("../templates/docket.typ"), self, &format!("{} {}", self.farm, self.docket))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn docket(lines: usize) -> Docket {
        Docket {
            farm: "Näckrosen Svamp".into(),
            farm_address: "Lane 1\nHollow".into(),
            paper_size: PaperSize::A4,
            farm_telephone: "+46 8 123".into(),
            storage_line: "Keep at 0 to 4 °C, in the crate.".into(),
            with_prices: true,
            word: "Docket".into(),
            docket: "D-12".into(),
            order: "O-30".into(),
            reference: "PO 4711/26".into(),
            customer: "Гриб & Лес #1 *Bistro*".into(),
            address: "Street $2".into(),
            telephone: "+46 70 456".into(),
            delivery_day: "Fri 9 Oct 2026".into(),
            sent_at: "9 Oct 07:12".into(),
            void: false,
            lines: (0..lines)
                .map(|i| Line {
                    product: "Grey oyster".into(),
                    grade: "A".into(),
                    packs: (i % 3 == 0).then_some(6),
                    lot: format!("OY-261008-{i}"),
                    harvested: "8 Oct 2026".into(),
                    best_before: (i % 2 == 0).then(|| "15 Oct 2026".into()),
                    grams: Grams(1235),
                    price: "17.50".into(),
                    unit: "kg".into(),
                    amount: "21.61".into(),
                    came_back: (i == 0).then(|| "500 g refused".into()),
                })
                .collect(),
            grams: Grams(1235),
            net: "21.61".into(),
            kept: Some(Kept { grams: Grams(735), net: "12.86".into() }),
            short: vec!["Lion's mane: 2 short of 5 packs".into()],
            tax: Some("VAT 5.5 %".into()),
            currency: "EUR".into(),
            delivery: None,
            warnings: vec!["Lot OY-261008-0 was in a warm spell.".into()],
            caution: "Planning aid.".into(),
        }
    }

    #[test]
    fn the_same_values_give_the_same_bytes() {
        let first = docket(3).pdf().unwrap();
        assert!(first.starts_with(b"%PDF-"));
        assert_eq!(first, docket(3).pdf().unwrap());
    }

    #[test]
    fn a_docket_that_was_signed_for_shows_the_signature() {
        let signature: gillbook_core::selling::signature::Signature =
            serde_json::from_value(serde_json::json!([[[10, 10], [300, 150], [590, 20]], [[40, 40]]])).unwrap();
        let signed = |signature: String| HandedOver {
            to: "Taken by Kim".into(),
            signature,
            at: "9 Oct 09:12".into(),
            details: "3.5 °C at the door. Crates: 3 left, 1 taken back.".into(),
            crates_there: 5,
        };
        let with = |delivery| Docket { delivery: Some(delivery), ..docket(3) }.pdf().unwrap();
        assert_ne!(with(signed(crate::signature::svg(&signature))), with(signed(String::new())));
    }

    #[test]
    fn without_prices_none_is_printed() {
        let priced = docket(3).pdf().unwrap();
        assert!(Docket { with_prices: false, ..docket(3) }.pdf().unwrap().len() < priced.len());
    }

    #[test]
    fn markup_in_a_name_is_text_and_long_dockets_have_pages() {
        assert!(docket(80).pdf().unwrap().len() > docket(3).pdf().unwrap().len());
    }
}
