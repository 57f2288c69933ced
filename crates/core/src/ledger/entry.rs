//! Entries of the book: what moved grams, and grams moved by hand.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    kinds::{ActKind, MovementKind, PlaceKind},
    refusal::Refusal,
    text::{Line, LotCode, PlaceCode, Short},
    units::{calendar::Instant, quantity::Grams},
};

/// One leg of an act.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Leg {
    /// The lot.
    pub lot: LotCode,
    /// From here.
    pub from_place: PlaceCode,
    /// To there.
    pub to_place: PlaceCode,
    /// How much.
    pub grams_g: Grams,
}

/// A lot of an entry that is not posted yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PlannedLot {
    /// One that is there.
    Known(LotCode),
    /// One that the entry makes, by its place among those, from 0. It gets its code when the entry is posted.
    Made(usize),
}

impl PlannedLot {
    /// Its code, given those of the lots that the entry made.
    #[must_use]
    pub fn code(&self, made: &[LotCode]) -> Option<LotCode> {
        match self {
            Self::Known(lot) => Some(lot.clone()),
            Self::Made(i) => made.get(*i).cloned(),
        }
    }
}

impl From<LotCode> for PlannedLot {
    fn from(lot: LotCode) -> Self {
        Self::Known(lot)
    }
}

/// As the database is told of it: a code, or `#` and a number from 1, which no code begins with.
impl Serialize for PlannedLot {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Known(lot) => lot.serialize(serializer),
            Self::Made(i) => serializer.collect_str(&format_args!("#{}", i + 1)),
        }
    }
}

/// One leg of an entry that is not posted yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlannedLeg {
    /// The lot.
    pub lot: PlannedLot,
    /// From here.
    pub from_place: PlaceCode,
    /// To there.
    pub to_place: PlaceCode,
    /// How much.
    pub grams_g: Grams,
}

impl PlannedLeg {
    /// A leg of a lot that is there.
    #[must_use]
    pub fn of(lot: &LotCode, from_place: &PlaceCode, to_place: &PlaceCode, grams_g: Grams) -> Self {
        Self { lot: lot.clone().into(), from_place: from_place.clone(), to_place: to_place.clone(), grams_g }
    }
}

/// Grams of a lot that an entry makes another of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PlannedLink {
    /// The lot that gives.
    pub parent: LotCode,
    /// The lot that is made.
    pub child: PlannedLot,
    /// How much.
    pub grams: Grams,
}

/// The sources and sinks that every farm has, with what they are called.
pub const BUILT_IN_PLACES: [(PlaceKind, &str, &str); 9] = [
    (PlaceKind::Opening, "OPENING", "Opening entry"),
    (PlaceKind::Found, "FOUND", "Found"),
    (PlaceKind::Packing, "PACKING", "On the packing table"),
    (PlaceKind::Trim, "TRIM", "Trim"),
    (PlaceKind::Waste, "WASTE", "Waste"),
    (PlaceKind::Gift, "GIFT", "Given away"),
    (PlaceKind::Test, "TEST", "Tests"),
    (PlaceKind::Water, "WATER", "Water loss"),
    (PlaceKind::Home, "HOME", "Home use"),
];

/// The farm's one place of a kind that nobody adds: a source or a sink.
///
/// # Panics
/// For a kind of place that farms add.
#[must_use]
pub fn built_in_place(kind: PlaceKind) -> PlaceCode {
    let (_, code, _) = BUILT_IN_PLACES.iter().find(|(k, ..)| *k == kind).expect("a source or a sink");
    code.parse().expect("a code")
}

/// An act with what it moved.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Act {
    /// Id.
    pub act_id: Uuid,
    /// Kind.
    pub kind: ActKind,
    /// When it happened.
    pub happened_at: DateTime<Utc>,
    /// When it was written down.
    pub recorded_at: DateTime<Utc>,
    /// Who did it.
    pub done_by: String,
    /// Who was signed in.
    pub entered_by: String,
    /// The docket or market day that it belongs to.
    pub document: Option<String>,
    /// Why.
    pub reason: String,
    /// The act that it reverses.
    pub reverses: Option<Uuid>,
    /// The act that reversed it.
    pub reversed_by: Option<Uuid>,
    /// What it moved.
    pub legs: Vec<Leg>,
}

/// Grams to be moved by hand.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewMovement {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// What it is.
    pub kind: MovementKind,
    /// The lot.
    pub lot: LotCode,
    /// From here.
    pub from_place: PlaceCode,
    /// To there, for a transfer. The others know where they go.
    pub to_place: Option<PlaceCode>,
    /// How much.
    pub grams_g: Grams,
    /// Why. Needed for everything but a transfer.
    pub reason: Option<Line>,
    /// When; now unless said.
    pub happened_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// Why an act is taken back.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewReversal {
    /// Why.
    pub reason: Line,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// What grams that are moved by hand become, and what is asked before.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MovementPlan {
    /// The entry's kind.
    pub kind: ActKind,
    /// Where they go.
    pub to_place: PlaceCode,
    /// Whether it is refused while the lot is on hold.
    pub refused_on_hold: bool,
    /// Whether somebody eats them: then a warm spell of the lot takes the person's own sign-in.
    pub eaten: bool,
}

impl MovementPlan {
    /// Decides on grams moved by hand. A lot on hold may be moved to another store, tested and thrown away.
    ///
    /// # Errors
    /// Refuses a transfer without a place, anything else with one or without a reason.
    pub fn of(new: &NewMovement) -> Result<Self, Refusal> {
        let (kind, only) = match new.kind {
            MovementKind::Transfer => (ActKind::Transfer, None),
            MovementKind::Waste => (ActKind::Waste, Some(PlaceKind::Waste)),
            MovementKind::Gift => (ActKind::Gift, Some(PlaceKind::Gift)),
            MovementKind::Test => (ActKind::Test, Some(PlaceKind::Test)),
            MovementKind::Trim => (ActKind::Trim, Some(PlaceKind::Trim)),
            MovementKind::Home => (ActKind::Home, Some(PlaceKind::Home)),
        };
        let to_place = match (only, &new.to_place) {
            (None, Some(place)) => place.clone(),
            (Some(kind), None) => built_in_place(kind),
            (None, None) => return Err(Refusal::field("/to_place", "A transfer goes somewhere. Name the place.")),
            (Some(_), Some(_)) => {
                return Err(Refusal::field("/to_place", "It is clear where this goes. Leave the place out."));
            }
        };
        if to_place == new.from_place {
            return Err(Refusal::field(
                "/to_place",
                format!("It is in {} already. Name another place.", new.from_place),
            ));
        }
        if only.is_some() && new.reason.is_none() {
            return Err(Refusal::field("/reason", "Say why, in a few words."));
        }
        Ok(Self {
            kind,
            to_place,
            refused_on_hold: matches!(new.kind, MovementKind::Gift | MovementKind::Trim | MovementKind::Home),
            eaten: matches!(new.kind, MovementKind::Gift | MovementKind::Home),
        })
    }
}

/// Refuses legs that move nothing.
///
/// # Errors
/// Names the line.
pub fn ensure_weight(legs: &[PlannedLeg]) -> Result<(), Refusal> {
    match legs.iter().position(|l| l.grams_g <= Grams::ZERO) {
        None => Ok(()),
        Some(i) => Err(Refusal::field(
            "/grams_g",
            format!("Line {} moves {}. Give a weight above zero.", i + 1, legs[i].grams_g),
        )),
    }
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;

    fn movement(kind: MovementKind, changes: Value) -> NewMovement {
        let mut body = json!({"kind": kind, "lot": "L1", "from_place": "F1", "grams_g": 100});
        let Value::Object(changes) = changes else { panic!("an object") };
        body.as_object_mut().unwrap().extend(changes);
        serde_json::from_value(body).unwrap()
    }

    fn blamed(kind: MovementKind, changes: Value) -> String {
        MovementPlan::of(&movement(kind, changes)).unwrap_err().faults[0].pointer.clone()
    }

    fn others() -> impl Iterator<Item = MovementKind> {
        MovementKind::ALL.iter().copied().filter(|k| *k != MovementKind::Transfer)
    }

    #[test]
    fn a_transfer_names_its_place_and_needs_no_reason() {
        let plan = MovementPlan::of(&movement(MovementKind::Transfer, json!({"to_place": "F2"}))).unwrap();
        assert_eq!((plan.kind, plan.to_place.as_str()), (ActKind::Transfer, "F2"));
        assert_eq!(blamed(MovementKind::Transfer, json!({})), "/to_place");
        assert_eq!(blamed(MovementKind::Transfer, json!({"to_place": "F1"})), "/to_place", "where it is already");
    }

    #[test]
    fn everything_else_goes_to_the_one_place_of_its_kind() {
        for kind in others() {
            let plan = MovementPlan::of(&movement(kind, json!({"reason": "old"}))).unwrap();
            assert_eq!(plan.kind.to_string(), kind.to_string());
            assert_eq!(plan.to_place.as_str(), kind.to_string().to_uppercase());
            assert_eq!(blamed(kind, json!({"reason": "old", "to_place": "F2"})), "/to_place");
        }
    }

    #[test]
    fn everything_else_says_why() {
        for kind in others() {
            assert_eq!(blamed(kind, json!({})), "/reason");
        }
    }

    #[test]
    fn what_is_on_hold_is_only_moved_tested_or_thrown_away() {
        let plan = |kind| {
            let place =
                if kind == MovementKind::Transfer { json!({"to_place": "F2"}) } else { json!({"reason": "old"}) };
            MovementPlan::of(&movement(kind, place)).unwrap()
        };
        let refused: Vec<_> = MovementKind::ALL.iter().copied().filter(|k| plan(*k).refused_on_hold).collect();
        let eaten: Vec<_> = MovementKind::ALL.iter().copied().filter(|k| plan(*k).eaten).collect();
        assert!([MovementKind::Gift, MovementKind::Trim, MovementKind::Home].iter().all(|k| refused.contains(k)));
        assert_eq!((refused.len(), eaten.len()), (3, 2));
        assert!(eaten.contains(&MovementKind::Gift) && eaten.contains(&MovementKind::Home));
    }

    #[test]
    fn every_source_and_sink_is_built_in() {
        for kind in PlaceKind::ALL.iter().copied() {
            let built_in = BUILT_IN_PLACES.iter().any(|(k, ..)| *k == kind);
            assert_eq!(
                built_in,
                !kind.holds_stock() && !matches!(kind, PlaceKind::Room | PlaceKind::Customer),
                "{kind}"
            );
        }
        assert_eq!(built_in_place(PlaceKind::Water).as_str(), "WATER");
    }

    #[test]
    fn a_lot_to_be_made_has_its_code_from_the_posting() {
        let made: Vec<LotCode> = ["L2", "L3"].map(|c| c.parse().unwrap()).to_vec();
        assert_eq!(PlannedLot::Made(1).code(&made), Some(made[1].clone()));
        assert_eq!(PlannedLot::Made(2).code(&made), None);
        assert_eq!(serde_json::to_value(PlannedLot::Made(1)).unwrap(), "#2");
        assert_eq!(serde_json::to_value(PlannedLot::Known(made[0].clone())).unwrap(), "L2");
    }

    #[test]
    fn a_leg_moves_something() {
        let leg = |grams| {
            PlannedLeg::of(&"L1".parse().unwrap(), &"F1".parse().unwrap(), &"F2".parse().unwrap(), Grams(grams))
        };
        assert!(ensure_weight(&[leg(1), leg(2)]).is_ok());
        for grams in [0, -1] {
            let refusal = ensure_weight(&[leg(1), leg(grams)]).unwrap_err();
            assert!(refusal.detail.starts_with("Line 2 moves"), "{}", refusal.detail);
        }
    }
}
