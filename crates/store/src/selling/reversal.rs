//! Taking an act back, whatever kind it is: what went out under a docket, or went to a stall, is decided on here.

use gillbook_core::{
    kinds::{ActKind, PlaceKind},
    ledger::entry::{Act, NewReversal, PlannedLeg, built_in_place},
    refusal::{Refusal, RefusalKind},
    text::{LotCode, PlaceCode},
};
use uuid::Uuid;

use crate::{
    Result, Tx,
    heads::Heads,
    ledger::{
        posting::{NewAct, Parts},
        reversals::ensure_reversible,
    },
};

impl Tx {
    /// Takes back an act, whole, dated as the act was.
    ///
    /// # Errors
    /// Refuses an act that is not there, was reversed, is part of a delivered docket, or whose grams have moved on.
    #[tracing::instrument(level = "debug", name = "store.selling.reverse", skip_all, fields(farm_id = self.farm.0))]
    pub async fn reverse(&mut self, act_id: Uuid, new: &NewReversal) -> Result<Act> {
        let original = self.act(act_id).await?;
        ensure_reversible(&original)?;
        // What went out under a docket is locked with its order.
        let order = match original.kind {
            ActKind::Dispatch => Some(self.dispatch_taken_back(&original).await?),
            ActKind::Delivery => Some(self.delivery_taken_back(&original).await?),
            _ => None,
        };
        let lots: Vec<LotCode> = original.legs.iter().map(|l| l.lot.clone()).collect();
        let places: Vec<PlaceCode> = original.legs.iter().map(|l| l.from_place.clone()).collect();
        self.lock(&Heads { lots: &lots, places: &places, ..Heads::default() }).await?;
        if !self.is_slip(&original) {
            self.authorise_reversal(&original, &lots).await?;
        }
        self.ensure_nothing_rests_on(&original).await?;
        let act = NewAct {
            id: self.new_id(),
            kind: ActKind::Reversal,
            happened_at: original.happened_at,
            by: new.by.as_ref(),
            document: original.document.as_deref(),
            reason: new.reason.as_str(),
            reverses: Some(act_id),
        };
        let legs: Vec<PlannedLeg> =
            original.legs.iter().map(|l| PlannedLeg::of(&l.lot, &l.to_place, &l.from_place, l.grams_g)).collect();
        let entry = match &order {
            Some((order, status)) => Parts::default().with_order(order, *status, false)?,
            None => Parts::default(),
        };
        let posted = self.post(&act, &legs, entry).await.map_err(|error| match error {
            crate::Error::Refused(r) if r.kind == RefusalKind::NotEnough => Refusal::new(
                RefusalKind::NotReversible,
                format!("What it moved has moved on since. {} Take back what came after it first.", r.detail),
            )
            .into(),
            other => other,
        })?;
        Ok(posted.act)
    }

    /// Asks for the person's own sign-in where taking an act back says that goods are there, or are sound, of which the book said otherwise.
    async fn authorise_reversal(&mut self, original: &Act, lots: &[LotCode]) -> Result<()> {
        match original.kind {
            ActKind::Weighing => {
                if let Some(lot) = self.warm_spells_of(lots).await?.keys().next() {
                    self.authoriser(&format!(
                        "Saying that a crate of lot {lot}, which was in a warm spell, was never weighed"
                    ))?;
                }
            }
            // Said to be gone, and now not gone after all.
            ActKind::Waste
            | ActKind::Gift
            | ActKind::Test
            | ActKind::Trim
            | ActKind::Home
            | ActKind::Finish
            | ActKind::Count => self.authorise_gain("Taking back what had left stock").await?,
            ActKind::Packing => {
                let lost = [PlaceKind::Trim, PlaceKind::Water].map(built_in_place);
                if original.legs.iter().any(|l| lost.contains(&l.to_place)) {
                    self.authorise_gain("Taking back trim or water of a packing").await?;
                }
            }
            ActKind::Opening
            | ActKind::Transfer
            | ActKind::Dispatch
            | ActKind::Delivery
            | ActKind::Return
            | ActKind::MarketOut
            | ActKind::MarketClose
            | ActKind::WeekClose
            | ActKind::Reversal => {}
        }
        Ok(())
    }
}
