//! The mass balance of a week: opening + in = out + closing, to the gram.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    kinds::{ActKind, PlaceKind},
    text::{LotCode, StrainCode},
    units::quantity::Grams,
};

/// Grams of a lot that were in the stores when the week began.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Opening {
    /// The lot.
    pub lot: LotCode,
    /// Its strain.
    pub strain: StrainCode,
    /// How much; below zero where what left was written down and what came was not.
    pub grams: Grams,
}

/// Grams that moved in the week in one kind of way, summed as far as the sheet does not tell them apart.
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
    /// Of that, what a stock count could not explain.
    pub unexplained: Grams,
    /// Whether the act takes another one back.
    pub takes_back: bool,
}

/// One column of grams: opening and what came in on one side, what went out and closing on the other.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Sheet {
    /// In fridge, shelf, van and stall when the week began.
    pub opening_g: Grams,
    /// Weighed at harvest, trim included.
    pub harvested_g: Grams,
    /// Entered when the book was opened.
    pub entered_g: Grams,
    /// Counted above the book.
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
    /// Missing at counts, as far as water loss was to be expected.
    pub water_loss_g: Grams,
    /// Missing at counts beyond that.
    pub unexplained_g: Grams,
    /// Water that was measured off in packing and drying.
    pub drying_g: Grams,
    /// Written off when lots were finished: what the book still had of an empty crate.
    pub finished_g: Grams,
    /// Made into other lots.
    pub into_lots_g: Grams,
    /// In fridge, shelf, van and stall when the week ended.
    pub closing_g: Grams,
}

impl Sheet {
    fn open(&mut self, grams: Grams) {
        self.opening_g += grams;
        self.closing_g += grams;
    }

    fn book(&mut self, flow: &Flow) {
        if flow.to.holds_stock() {
            self.closing_g += flow.grams;
        }
        if flow.from.holds_stock() {
            self.closing_g -= flow.grams;
        }
        self.pass(flow.from, flow, -1);
        self.pass(flow.to, flow, 1);
    }

    /// Books one end of a flow: what reaches a place outside the stores counts, what leaves one again is taken off.
    fn pass(&mut self, end: PlaceKind, flow: &Flow, sign: i64) {
        let g = Grams(flow.grams.0 * sign);
        match end {
            PlaceKind::Fridge | PlaceKind::Shelf | PlaceKind::Van | PlaceKind::Stall => {}
            // What comes from a source came in; what goes back to one did not.
            PlaceKind::Room => self.harvested_g += -g,
            PlaceKind::Opening => self.entered_g += -g,
            PlaceKind::Found => self.found_g += -g,
            // Of a packing that is taken back, what comes off the table was never made into other lots, and what goes onto it never made.
            PlaceKind::Packing if (sign < 0) != flow.takes_back => self.from_lots_g += -g,
            PlaceKind::Packing => self.into_lots_g += g,
            PlaceKind::Customer => self.sold_g += g,
            PlaceKind::Trim => self.trimmed_g += g,
            PlaceKind::Waste => self.wasted_g += g,
            PlaceKind::Gift => self.given_g += g,
            PlaceKind::Test => self.tested_g += g,
            PlaceKind::Home => self.home_g += g,
            PlaceKind::Water => match flow.act {
                ActKind::Count => {
                    let unexplained = Grams(flow.unexplained.0 * sign);
                    self.unexplained_g += unexplained;
                    self.water_loss_g += g - unexplained;
                }
                ActKind::Finish => self.finished_g += g,
                _ => self.drying_g += g,
            },
        }
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
            + self.lost_g()
            + self.into_lots_g
    }

    /// Everything that left as lost weight.
    #[must_use]
    pub fn lost_g(&self) -> Grams {
        self.water_loss_g + self.unexplained_g + self.drying_g + self.finished_g
    }

    /// What went through: the stock at the beginning, and what was harvested or entered since. Goods made of other lots went through once.
    #[must_use]
    pub fn throughput_g(&self) -> Grams {
        self.opening_g + self.harvested_g + self.entered_g
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

/// Books what was there when the week began and every flow since.
#[must_use]
pub fn reconcile(opening: &[Opening], flows: &[Flow]) -> Week {
    let mut week = Week::default();
    for lot in opening {
        week.total.open(lot.grams);
        week.by_strain.entry(lot.strain.clone()).or_default().open(lot.grams);
        week.by_lot.entry(lot.lot.clone()).or_default().open(lot.grams);
    }
    for flow in flows {
        week.total.book(flow);
        week.by_strain.entry(flow.strain.clone()).or_default().book(flow);
        week.by_lot.entry(flow.lot.clone()).or_default().book(flow);
    }
    week
}

/// A share of what went through, per cent; nothing where nothing did.
#[must_use]
pub fn percent_of(grams: Grams, throughput: Grams) -> Option<f64> {
    (throughput > Grams::ZERO).then(|| grams.kg() * 100.0 / throughput.kg())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn opening(grams: i64) -> Opening {
        Opening { lot: "L1".parse().unwrap(), strain: "OY".parse().unwrap(), grams: Grams(grams) }
    }

    fn flow(from: PlaceKind, to: PlaceKind, grams: i64) -> Flow {
        Flow {
            lot: "L1".parse().unwrap(),
            strain: "OY".parse().unwrap(),
            from,
            to,
            act: ActKind::Transfer,
            grams: Grams(grams),
            unexplained: Grams::ZERO,
            takes_back: false,
        }
    }

    #[test]
    fn a_stock_card_as_a_mass_balance() {
        // Wild, Financial Accounting, the first-in-first-out stock card: 10 open, 15 + 20 + 10 bought, 20 + 23 sold, 12 left.
        use PlaceKind::{Customer, Fridge, Room};
        let sheet = reconcile(
            &[opening(10)],
            &[
                flow(Room, Fridge, 15),
                flow(Fridge, Customer, 20),
                flow(Room, Fridge, 20),
                flow(Room, Fridge, 10),
                flow(Fridge, Customer, 23),
            ],
        )
        .total;
        assert_eq!(
            (sheet.opening_g, sheet.harvested_g, sheet.sold_g, sheet.closing_g, sheet.total_in() - sheet.total_out()),
            (Grams(10), Grams(45), Grams(43), Grams(12), Grams(12))
        );
    }

    #[test]
    fn what_comes_back_from_a_customer_is_waste_and_not_sold() {
        use PlaceKind::{Customer, Room, Van, Waste};
        let sheet = reconcile(&[], &[flow(Room, Van, 900), flow(Van, Customer, 900), flow(Customer, Waste, 200)]).total;
        assert_eq!(
            (sheet.sold_g, sheet.wasted_g, sheet.closing_g, sheet.total_in() - sheet.total_out()),
            (Grams(700), Grams(200), Grams(0), Grams(0))
        );
    }

    #[test]
    fn a_packing_that_is_taken_back_leaves_no_trace_in_the_sheet() {
        use PlaceKind::{Fridge, Packing, Room, Trim};
        let packing = [flow(Fridge, Packing, 900), flow(Fridge, Trim, 100), flow(Packing, Fridge, 900)];
        let back = packing.clone().map(|f| Flow { from: f.to, to: f.from, takes_back: true, ..f });
        let harvest = vec![flow(Room, Fridge, 2_000)];
        let once = reconcile(&[], &[harvest.clone(), packing.to_vec()].concat()).total;
        assert_eq!((once.from_lots_g, once.into_lots_g, once.closing_g), (Grams(900), Grams(900), Grams(1_900)));
        let never = reconcile(&[], &[harvest.clone(), packing.to_vec(), back.to_vec()].concat()).total;
        assert_eq!(never, reconcile(&[], &harvest).total);
    }

    #[test]
    fn lost_weight_is_told_apart_by_what_lost_it() {
        use PlaceKind::{Fridge, Room, Shelf, Water};
        let lost =
            |act, grams, unexplained| Flow { act, unexplained: Grams(unexplained), ..flow(Fridge, Water, grams) };
        let flows = [
            flow(Room, Fridge, 10_000),
            lost(ActKind::Count, 400, 150),
            lost(ActKind::Finish, 30, 0),
            lost(ActKind::Packing, 880, 0),
            flow(Fridge, Shelf, 120),
            // A count that was taken back.
            Flow { act: ActKind::Count, unexplained: Grams(50), ..flow(Water, Fridge, 60) },
        ];
        let s = reconcile(&[], &flows).total;
        assert_eq!([s.water_loss_g, s.unexplained_g, s.finished_g, s.drying_g].map(|g| g.0), [240, 100, 30, 880]);
        assert_eq!((s.lost_g(), s.closing_g), (Grams(1250), Grams(8750)));
        assert_eq!(percent_of(s.unexplained_g, s.throughput_g()), Some(1.0));
        assert_eq!(percent_of(s.unexplained_g, Grams::ZERO), None);
    }

    proptest! {
        /// No gram of a random walk is without a column: what came in is what went out and what is there, at every cut between before
        /// and during. This holds of any movements; it does not say that they are what happened.
        #[test]
        fn every_gram_has_a_column(
            steps in prop::collection::vec((0usize..15, 0usize..15, 1i64..5000, 0usize..3, 0i64..5000, any::<bool>()), 1..60),
            cut in 0usize..60,
        ) {
            let acts = [ActKind::Count, ActKind::Finish, ActKind::Packing];
            let flows: Vec<Flow> = steps.iter()
                .filter(|(f, t, ..)| f != t)
                .map(|(f, t, g, act, unexplained, takes_back)| Flow {
                    act: acts[*act], unexplained: Grams(*unexplained), takes_back: *takes_back, ..flow(PlaceKind::ALL[*f], PlaceKind::ALL[*t], *g)
                })
                .collect();
            let (before, during) = flows.split_at(cut.min(flows.len()));
            let net = |f: &Flow| f.grams.0 * (i64::from(f.to.holds_stock()) - i64::from(f.from.holds_stock()));
            let week = reconcile(&[opening(before.iter().map(net).sum())], during);
            prop_assert_eq!(week.total.closing_g.0, flows.iter().map(net).sum::<i64>());
            for sheet in week.by_strain.values().chain(week.by_lot.values()).chain([&week.total]) {
                prop_assert_eq!(sheet.total_in(), sheet.total_out() + sheet.closing_g);
            }
        }
    }
}
