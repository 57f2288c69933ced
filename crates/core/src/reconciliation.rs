//! The mass balance of a week: opening + in = out + closing, to the gram.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    quantity::Grams,
    text::{LotCode, StrainCode},
    words::{ActKind, PlaceKind},
};

/// Grams that moved in one kind of way, summed as far as the sheet does not tell them apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Flow {
    /// The lot.
    pub lot: LotCode,
    /// Its strain.
    pub strain: StrainCode,
    /// Kind of place that they left.
    pub from: PlaceKind,
    /// Kind of place that they reached.
    pub to: PlaceKind,
    /// Kind of the act; of the act that was reversed, for a reversal.
    pub act: ActKind,
    /// How much.
    pub grams: Grams,
    /// Before the week began, and not in it.
    pub before: bool,
}

/// One column of grams. In: opening, harvested, entered, found, made of other lots. Out: everything else but closing.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Sheet {
    /// In fridge, shelf, van and stall when the week began.
    pub opening_g: Grams,
    /// Weighed at harvest, trim included.
    pub harvested_g: Grams,
    /// Entered when the book was opened.
    pub entered_g: Grams,
    /// Found: a count above the book.
    pub found_g: Grams,
    /// Made of other lots.
    pub from_lots_g: Grams,
    /// Handed to customers, less what came back from them.
    pub sold_g: Grams,
    /// Given away or tasted.
    pub given_g: Grams,
    /// Eaten at home.
    pub home_g: Grams,
    /// Thrown away, what came back from customers included.
    pub wasted_g: Grams,
    /// Used up by tests.
    pub tested_g: Grams,
    /// Cut off.
    pub trimmed_g: Grams,
    /// Weight lost as water: lots finished, counts below the book, drying.
    pub weight_lost_g: Grams,
    /// Made into other lots.
    pub into_lots_g: Grams,
    /// In fridge, shelf, van and stall when the week ended, by the movements.
    pub closing_g: Grams,
    /// What is left unexplained: in less out less closing. Zero, or the rows are named.
    pub difference_g: Grams,
}

impl Sheet {
    fn book(&mut self, flow: &Flow) {
        let g = flow.grams;
        let (leaves, enters) = (flow.from.holds_stock(), flow.to.holds_stock());
        if enters {
            self.closing_g += g;
        }
        if leaves {
            self.closing_g -= g;
        }
        if flow.before {
            if enters {
                self.opening_g += g;
            }
            if leaves {
                self.opening_g -= g;
            }
            return;
        }
        match flow.from {
            PlaceKind::Room => self.harvested_g += g,
            PlaceKind::Opening => self.entered_g += g,
            PlaceKind::Found => self.found_g += g,
            PlaceKind::Packing => self.from_lots_g += g,
            PlaceKind::Customer => self.sold_g -= g,
            PlaceKind::Trim => self.trimmed_g -= g,
            PlaceKind::Waste => self.wasted_g -= g,
            PlaceKind::Gift => self.given_g -= g,
            PlaceKind::Test => self.tested_g -= g,
            PlaceKind::Water => self.weight_lost_g -= g,
            PlaceKind::Home => self.home_g -= g,
            PlaceKind::Fridge | PlaceKind::Shelf | PlaceKind::Van | PlaceKind::Stall => {}
        }
        match flow.to {
            PlaceKind::Room => self.harvested_g -= g,
            PlaceKind::Opening => self.entered_g -= g,
            PlaceKind::Found => self.found_g -= g,
            PlaceKind::Packing => self.into_lots_g += g,
            PlaceKind::Customer => self.sold_g += g,
            PlaceKind::Trim => self.trimmed_g += g,
            PlaceKind::Waste => self.wasted_g += g,
            PlaceKind::Gift => self.given_g += g,
            PlaceKind::Test => self.tested_g += g,
            PlaceKind::Water => self.weight_lost_g += g,
            PlaceKind::Home => self.home_g += g,
            PlaceKind::Fridge | PlaceKind::Shelf | PlaceKind::Van | PlaceKind::Stall => {}
        }
    }

    fn close(mut self) -> Self {
        self.difference_g = self.total_in() - self.total_out() - self.closing_g;
        self
    }

    /// Everything on the left of the sheet.
    #[must_use]
    pub fn total_in(&self) -> Grams {
        self.opening_g + self.harvested_g + self.entered_g + self.found_g + self.from_lots_g
    }

    /// Everything on the right but closing.
    #[must_use]
    pub fn total_out(&self) -> Grams {
        self.sold_g
            + self.given_g
            + self.home_g
            + self.wasted_g
            + self.tested_g
            + self.trimmed_g
            + self.weight_lost_g
            + self.into_lots_g
    }
}

/// A week's sheets: the whole, each strain, and each lot.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Week {
    /// Everything.
    pub total: Sheet,
    /// By strain.
    pub by_strain: BTreeMap<StrainCode, Sheet>,
    /// By lot.
    pub by_lot: BTreeMap<LotCode, Sheet>,
}

/// Books every flow and closes the sheets. `stands` is what the balances say of each lot now, given only for a week that is not over;
/// then closing is held against it.
#[must_use]
pub fn reconcile(flows: &[Flow]) -> Week {
    let mut week = Week::default();
    for flow in flows {
        week.total.book(flow);
        week.by_strain.entry(flow.strain.clone()).or_default().book(flow);
        week.by_lot.entry(flow.lot.clone()).or_default().book(flow);
    }
    week.total = week.total.close();
    week.by_strain.values_mut().chain(week.by_lot.values_mut()).for_each(|sheet| *sheet = sheet.close());
    week
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn flow(from: PlaceKind, to: PlaceKind, grams: i64, before: bool) -> Flow {
        Flow {
            lot: "L1".parse().unwrap(),
            strain: "OY".parse().unwrap(),
            from,
            to,
            act: ActKind::Transfer,
            grams: Grams(grams),
            before,
        }
    }

    #[test]
    fn a_stock_card_as_a_mass_balance() {
        // Wild, Financial Accounting, the first-in-first-out stock card: 10 open, 15 + 20 + 10 bought, 20 + 23 sold, 12 left.
        use PlaceKind::{Customer, Fridge, Room};
        let sheet = reconcile(&[
            flow(Room, Fridge, 10, true),
            flow(Room, Fridge, 15, false),
            flow(Fridge, Customer, 20, false),
            flow(Room, Fridge, 20, false),
            flow(Room, Fridge, 10, false),
            flow(Fridge, Customer, 23, false),
        ])
        .total;
        assert_eq!(
            (sheet.opening_g, sheet.harvested_g, sheet.sold_g, sheet.closing_g, sheet.difference_g),
            (Grams(10), Grams(45), Grams(43), Grams(12), Grams(0))
        );
    }

    #[test]
    fn what_comes_back_from_a_customer_is_waste_and_not_sold() {
        use PlaceKind::{Customer, Room, Van, Waste};
        let sheet = reconcile(&[
            flow(Room, Van, 900, false),
            flow(Van, Customer, 900, false),
            flow(Customer, Waste, 200, false),
        ])
        .total;
        assert_eq!(
            (sheet.sold_g, sheet.wasted_g, sheet.closing_g, sheet.difference_g),
            (Grams(700), Grams(200), Grams(0), Grams(0))
        );
    }

    proptest! {
        /// A random walk of grams closes, at every cut between before and during.
        #[test]
        fn any_walk_closes(steps in prop::collection::vec((0usize..15, 0usize..15, 1i64..5000), 1..60), cut in 0usize..60) {
            let flows: Vec<Flow> = steps.iter().enumerate()
                .filter(|(_, (f, t, _))| f != t)
                .map(|(i, (f, t, g))| flow(PlaceKind::ALL[*f], PlaceKind::ALL[*t], *g, i < cut))
                .collect();
            let week = reconcile(&flows);
            // Goods that go from one sink to another pass both columns and cancel; only stock can be left over.
            prop_assert_eq!(week.total.difference_g, Grams::ZERO);
            for sheet in week.by_strain.values().chain(week.by_lot.values()) {
                prop_assert_eq!(sheet.difference_g, Grams::ZERO);
            }
        }
    }
}
