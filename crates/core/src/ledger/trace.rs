//! A trace: where lots came from, where they were, who has them, and what became of every gram.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    kinds::{ActKind, Basis, PlaceKind, TraceKind},
    refusal::Refusal,
    text::{BatchCode, CookCode, CustomerCode, DocketCode, LotCode, PlaceCode, RecipeCode, StrainCode},
    units::quantity::Grams,
};

/// Where a lot came from: one batch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Upstream {
    /// The lot that was weighed.
    pub lot: LotCode,
    /// The batch.
    pub batch: BatchCode,
    /// Its flush.
    pub flush: i32,
    /// How much.
    pub grams_g: Grams,
    /// Weighed apart, or shared.
    pub basis: Basis,
    /// Day the batch was made.
    pub made_on: NaiveDate,
    /// Its cook.
    pub cook: Option<CookCode>,
    /// Its recipe.
    pub recipe: RecipeCode,
    /// Where its spawn came from.
    pub spawn_supplier: String,
    /// The spawn's lot.
    pub spawn_lot: String,
}

/// A time that a lot asked for was in a store without a break.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Location {
    /// The lot.
    pub lot: LotCode,
    /// The place.
    pub place: PlaceCode,
    /// When it came.
    pub since: DateTime<Utc>,
    /// When the last of it left; nothing while some of it is there.
    pub until: Option<DateTime<Utc>>,
    /// Grams there now.
    pub grams_g: Grams,
}

/// Grams of one lot that became another: packed, regraded, dried, brought back from a stall.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Made {
    /// The lot that they were.
    pub from_lot: LotCode,
    /// The lot that they became.
    pub into_lot: LotCode,
    /// When.
    pub made_at: DateTime<Utc>,
    /// How much, trim and water taken off.
    pub grams_g: Grams,
}

/// Where grams of a lot went: one customer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Downstream {
    /// The lot that was sent: one asked for, or one made of it.
    pub lot: LotCode,
    /// The customer.
    pub customer: CustomerCode,
    /// Name of the customer.
    pub name: String,
    /// The docket; none for a market stall.
    pub docket: Option<DocketCode>,
    /// When it was sent.
    pub sent_at: DateTime<Utc>,
    /// How much was sent.
    pub grams_g: Grams,
    /// How much of that was refused at the door.
    pub refused_g: Grams,
    /// Why it was refused; empty where nothing was.
    pub refused_because: String,
    /// How much of it came back after it was handed over.
    pub returned_g: Grams,
    /// Why it came back; empty where nothing did.
    pub returned_because: String,
    /// Whether it was not handed over yet: it is in a van, or at a stall whose day is not cashed up, where any of it may be sold by now.
    pub under_way: bool,
}

impl Downstream {
    /// What the customer still has, or has used.
    #[must_use]
    pub fn kept_g(&self) -> Grams {
        if self.under_way { Grams::ZERO } else { self.grams_g - self.refused_g - self.returned_g }
    }
}

/// Grams of a lot that were not sold: wasted, given, tested, trimmed, used at home, lost as water; trimmed at the scale before they came to a
/// store, too. What customers sent
/// back is among them, as waste or tests of a return.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct NotSold {
    /// The lot: one asked for, or one made of it.
    pub lot: LotCode,
    /// What became of it.
    pub became: PlaceKind,
    /// By which act.
    pub act: ActKind,
    /// Where it was.
    pub place: PlaceCode,
    /// When.
    pub happened_at: DateTime<Utc>,
    /// How much.
    pub grams_g: Grams,
    /// Why.
    pub reason: String,
}

/// Grams that are still on the farm, in a van or at a stall.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Here {
    /// The lot: one asked for, or one made of it.
    pub lot: LotCode,
    /// The place.
    pub place: PlaceCode,
    /// How much.
    pub grams_g: Grams,
    /// Whether the lot is on hold.
    pub on_hold: bool,
}

/// What became of every gram of the lots asked for and of lots made of them. The parts add up to `total_g`.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Account {
    /// All that these lots ever were: of lots that were made of others too, what the others gave is in it.
    pub total_g: Grams,
    /// In stores, vans and stalls now.
    pub here_g: Grams,
    /// With customers, or eaten: sent and sold, less what was refused and what came back.
    pub with_customers_g: Grams,
    /// Thrown away, what came back among it.
    pub wasted_g: Grams,
    /// Given away or tasted.
    pub given_g: Grams,
    /// Used up by tests.
    pub tested_g: Grams,
    /// Trimmed off.
    pub trimmed_g: Grams,
    /// Eaten at home.
    pub home_g: Grams,
    /// Water that drying took, as it was weighed.
    pub dried_g: Grams,
    /// Written off because a count, the end of a lot or of a market day found less than the book, less what another count found again: water lost
    /// in storage, or grams that nobody can account for.
    pub missing_g: Grams,
}

impl Account {
    /// The share of the grams whose whereabouts are known, per cent; nothing where there were none.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "grams of a farm are far below 2^52")]
    pub fn accounted_percent(&self) -> Option<f64> {
        (self.total_g > Grams::ZERO).then(|| 100.0 * (self.total_g - self.missing_g).0 as f64 / self.total_g.0 as f64)
    }
}

/// What became of the grams of some lots, from where each of them is now. `written_off` is how many of those that left as water were not weighed;
/// `found` is how many came in again because a count found more than the book.
#[must_use]
pub fn account(places: impl IntoIterator<Item = (PlaceKind, Grams)>, written_off: Grams, found: Grams) -> Account {
    // What was written off and found again never left, and never came in.
    let again = written_off.min(found);
    let mut of =
        Account { missing_g: written_off - again, dried_g: -written_off, total_g: -again, ..Account::default() };
    for (kind, grams) in places {
        of.total_g += grams;
        let part = match kind {
            PlaceKind::Customer => &mut of.with_customers_g,
            PlaceKind::Waste => &mut of.wasted_g,
            PlaceKind::Gift => &mut of.given_g,
            PlaceKind::Test => &mut of.tested_g,
            PlaceKind::Trim => &mut of.trimmed_g,
            PlaceKind::Home => &mut of.home_g,
            PlaceKind::Water => &mut of.dried_g,
            // Sources and the packing table hold nothing.
            _ => &mut of.here_g,
        };
        *part += grams;
    }
    of
}

/// Everything that some lots touched, both ways, whole: nothing is cut off, however many rows it takes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Trace {
    /// The lots asked for.
    pub lots: Vec<LotCode>,
    /// Lots that they were made of.
    pub made_of_lots: Vec<LotCode>,
    /// Lots that were made of them.
    pub made_into_lots: Vec<LotCode>,
    /// Grams that became other lots, among the lots asked for and those before and after them.
    pub made: Vec<Made>,
    /// Back to batches, cooks, spawn and recipes.
    pub came_from: Vec<Upstream>,
    /// When the lots asked for were in which store.
    pub was_in: Vec<Location>,
    /// Forward to customers. Rows of lots that were made of those asked for carry their own lot.
    pub went_to: Vec<Downstream>,
    /// What was not sold, likewise.
    pub not_sold: Vec<NotSold>,
    /// What is still here, likewise.
    pub here: Vec<Here>,
    /// What became of every gram of them.
    pub account: Account,
}

/// What a trace starts from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TraceFrom {
    /// A lot.
    Lot(LotCode),
    /// A batch.
    Batch(BatchCode),
    /// A cook.
    Cook(CookCode),
    /// A docket.
    Docket(DocketCode),
    /// A customer.
    Customer(CustomerCode),
    /// A strain.
    Strain(StrainCode),
    /// Everything that stood in a place at an instant.
    Place(PlaceCode, DateTime<Utc>),
}

impl TraceFrom {
    /// What was named by a kind, a code, and of a place the instant.
    ///
    /// # Errors
    /// Names `/code` where it cannot be a code of the kind, and `/at` where an instant is missing, or is given and means nothing.
    pub fn named(kind: TraceKind, code: &str, at: Option<DateTime<Utc>>) -> Result<Self, Refusal> {
        fn code_of<T: std::str::FromStr<Err = String>>(code: &str) -> Result<T, Refusal> {
            code.trim().to_uppercase().parse().map_err(|wrong: String| Refusal::field("/code", wrong))
        }
        if at.is_some() && kind != TraceKind::Place {
            return Err(Refusal::field("/at", "Only a place is traced from a time. Leave it out, or name a place."));
        }
        Ok(match kind {
            TraceKind::Lot => Self::Lot(code_of(code)?),
            TraceKind::Batch => Self::Batch(code_of(code)?),
            TraceKind::Cook => Self::Cook(code_of(code)?),
            TraceKind::Docket => Self::Docket(code_of(code)?),
            TraceKind::Customer => Self::Customer(code_of(code)?),
            TraceKind::Strain => Self::Strain(code_of(code)?),
            TraceKind::Place => match at {
                Some(at) => Self::Place(code_of(code)?, at),
                None => return Err(Refusal::field("/at", "Say when it was in the place: a day and a time.")),
            },
        })
    }

    /// Its kind.
    #[must_use]
    pub const fn kind(&self) -> TraceKind {
        match self {
            Self::Lot(_) => TraceKind::Lot,
            Self::Batch(_) => TraceKind::Batch,
            Self::Cook(_) => TraceKind::Cook,
            Self::Docket(_) => TraceKind::Docket,
            Self::Customer(_) => TraceKind::Customer,
            Self::Strain(_) => TraceKind::Strain,
            Self::Place(..) => TraceKind::Place,
        }
    }

    /// What people call it.
    #[must_use]
    pub const fn noun(&self) -> &'static str {
        match self {
            Self::Lot(_) => LotCode::NOUN,
            Self::Batch(_) => BatchCode::NOUN,
            Self::Cook(_) => CookCode::NOUN,
            Self::Docket(_) => DocketCode::NOUN,
            Self::Customer(_) => CustomerCode::NOUN,
            Self::Strain(_) => StrainCode::NOUN,
            Self::Place(..) => PlaceCode::NOUN,
        }
    }

    /// Its code.
    #[must_use]
    pub fn code(&self) -> &str {
        match self {
            Self::Lot(code) => code.as_str(),
            Self::Batch(code) => code.as_str(),
            Self::Cook(code) => code.as_str(),
            Self::Docket(code) => code.as_str(),
            Self::Customer(code) => code.as_str(),
            Self::Strain(code) => code.as_str(),
            Self::Place(code, _) => code.as_str(),
        }
    }

    /// The instant at which things stood in a place.
    #[must_use]
    pub const fn at(&self) -> Option<DateTime<Utc>> {
        if let Self::Place(_, at) = self { Some(*at) } else { None }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn what_a_trace_starts_from_is_read_or_its_field_is_named() {
        let at = DateTime::from_timestamp(1_780_000_000, 0);
        assert_eq!(TraceFrom::named(TraceKind::Batch, " b1 ", None).unwrap(), TraceFrom::Batch("B1".parse().unwrap()));
        assert_eq!(TraceFrom::named(TraceKind::Place, "F1", at).unwrap().at(), at);
        let pointer = |kind, code, at| TraceFrom::named(kind, code, at).unwrap_err().faults[0].pointer.clone();
        assert_eq!(pointer(TraceKind::Lot, "", None), "/code");
        assert_eq!(pointer(TraceKind::Docket, "../x", None), "/code");
        assert_eq!(pointer(TraceKind::Place, "F1", None), "/at");
        assert_eq!(pointer(TraceKind::Lot, "OY-260504-1", at), "/at");
        for kind in TraceKind::ALL {
            let from = TraceFrom::named(*kind, "AB", at.filter(|_| *kind == TraceKind::Place)).unwrap();
            assert_eq!((from.kind(), from.code()), (*kind, "AB"));
        }
    }

    #[test]
    fn a_count_that_was_wrong_and_counted_again_leaves_nothing_missing() {
        // 1,000 g weighed in, counted as 900, then as 1,000.
        let of = account([(PlaceKind::Fridge, Grams(1000)), (PlaceKind::Water, Grams(100))], Grams(100), Grams(100));
        assert_eq!(
            (of.total_g, of.here_g, of.missing_g, of.dried_g),
            (Grams(1000), Grams(1000), Grams::ZERO, Grams::ZERO)
        );
    }

    #[test]
    fn nothing_is_accounted_for_of_nothing() {
        assert_eq!(account([], Grams::ZERO, Grams::ZERO).accounted_percent(), None);
        let of = account([(PlaceKind::Water, Grams(40)), (PlaceKind::Fridge, Grams(360))], Grams(10), Grams::ZERO);
        assert_eq!((of.dried_g, of.missing_g, of.here_g), (Grams(30), Grams(10), Grams(360)));
        assert_eq!(of.accounted_percent(), Some(97.5));
    }

    proptest! {
        #[test]
        fn every_gram_is_somewhere(places in prop::collection::vec((0..PlaceKind::ALL.len(), 0_i64..100_000), 0..20), found in 0_i64..100_000) {
            let places: Vec<_> = places.into_iter().map(|(kind, grams)| (PlaceKind::ALL[kind], Grams(grams))).collect();
            let water: Grams = places.iter().filter(|(kind, _)| *kind == PlaceKind::Water).map(|(_, grams)| *grams).sum();
            let found = Grams(found.min(water.0 / 2));
            let of = account(places.iter().copied(), Grams(water.0 / 2), found);
            let parts = [of.here_g, of.with_customers_g, of.wasted_g, of.given_g, of.tested_g, of.trimmed_g, of.home_g, of.dried_g, of.missing_g];
            prop_assert!(parts.iter().all(|part| *part >= Grams::ZERO));
            prop_assert_eq!(parts.into_iter().sum::<Grams>(), of.total_g);
            prop_assert_eq!(of.total_g + found, places.iter().map(|(_, grams)| *grams).sum::<Grams>());
        }
    }
}
