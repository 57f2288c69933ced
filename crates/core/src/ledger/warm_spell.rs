//! What is said of a lot that was in a warm spell which is not settled.

use std::{borrow::Cow, collections::BTreeMap};

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    SignedWith,
    kinds::SpellStanding,
    refusal::Refusal,
    text::{LotCode, PlaceCode},
};

/// What stands beside a lot of a warm spell that is not settled.
pub const WARM_SPELL: &str = "It was in a warm spell that is not settled yet. Your local food-safety rules and your own food-safety plan decide what may be done with it.";

/// A warm spell that a lot was in and that is not settled. One that was withdrawn since, by a limit or a probe that was corrected, is to be
/// settled all the same.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct WarmSpell {
    /// The excursion.
    pub excursion_id: Uuid,
    /// Where.
    pub place: PlaceCode,
    /// Since when.
    pub began_at: DateTime<Utc>,
    /// Until when; nothing while it lasts.
    pub ended_at: Option<DateTime<Utc>>,
    /// Open, or undecided.
    pub standing: SpellStanding,
    /// The caution.
    pub caution: Cow<'static, str>,
}

/// A lot that a warm spell has reached which is not settled.
#[derive(Debug, Clone, PartialEq)]
pub struct Reached {
    /// The lot.
    pub lot: LotCode,
    /// Where grams of it may have come since.
    pub places: Vec<PlaceCode>,
    /// The spell.
    pub spell: WarmSpell,
    /// Whether somebody has decided what becomes of the lot.
    pub decided: bool,
    /// The warmest air of it, °C, as far as it is known.
    pub air_c: Option<f64>,
    /// The warmest food of it by the lag model, °C.
    pub product_c: Option<f64>,
}

/// The oldest warm spell of each lot, of spells in the order in which they began.
#[must_use]
pub fn oldest(reached: &[Reached]) -> BTreeMap<LotCode, WarmSpell> {
    let mut oldest = BTreeMap::new();
    for r in reached {
        oldest.entry(r.lot.clone()).or_insert_with(|| r.spell.clone());
    }
    oldest
}

/// Asks for the person's own sign-in before grams of lots leave a place that a warm spell has reached which is not settled. `known` is whether
/// the one who sent them out knew of it; `what` begins the sentence: "Handing over".
///
/// # Errors
/// Refuses a shared phone and a machine.
pub fn authorise_from<'a>(
    spells: impl IntoIterator<Item = &'a Reached>,
    place: &PlaceCode,
    what: &str,
    known: impl Fn(&Reached) -> bool,
    signed_with: SignedWith,
) -> Result<(), Refusal> {
    let unknown = spells.into_iter().find(|reached| reached.places.contains(place) && !known(reached));
    let Some(Reached { lot, spell, .. }) = unknown else { return Ok(()) };
    let place = &spell.place;
    signed_with.authorise(&format!("{what} lot {lot}, which was in a warm spell in {place} that is not settled,"))
}

/// Asks for the person's own sign-in before lots of a warm spell that is not settled leave the farm.
///
/// # Errors
/// Refuses a shared phone and a machine.
pub fn authorise_sending(spells: &[Reached], signed_with: SignedWith) -> Result<(), Refusal> {
    let Some(Reached { lot, spell, .. }) = spells.first() else { return Ok(()) };
    let place = &spell.place;
    signed_with.authorise(&format!("Sending out lot {lot}, which was in a warm spell in {place} that is not settled,"))
}
