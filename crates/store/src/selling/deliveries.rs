//! Deliveries and returns: what became of a docket at the door.

use gillbook_core::{
    Grams,
    kinds::{ActKind, OrderStatus},
    ledger::entry::Act,
    refusal::{Refusal, RefusalKind},
    selling::{
        delivery::{DeliveryFacts, DoorPlan, NewDelivery, NewReturn, hand_over, take_return},
        docket::{Docket, DocketStatus},
    },
    text::{DocketCode, LotCode, OrderCode},
};
use serde::Serialize;

use crate::{
    Result, Tx,
    heads::Heads,
    ledger::posting::{NewAct, Parts},
};

impl Tx {
    /// Writes down that a docket was handed over. What was refused at the door stays in the van; where all of it was, the order is open
    /// again, to be sent out anew once the goods are back in a fridge, or called off.
    ///
    /// # Errors
    /// As [`hand_over`] decides.
    #[tracing::instrument(level = "debug", name = "store.selling.deliver", skip_all, fields(farm_id = self.farm.0))]
    pub async fn deliver(&mut self, code: &DocketCode, new: &NewDelivery) -> Result<Docket> {
        let delivered_at = self.occurred_at(new.delivered_at, "/delivered_at")?;
        let docket = self.docket_for_change(code).await?;
        let lots: Vec<LotCode> = docket.lines.iter().map(|line| line.lot.clone()).collect();
        let codes: Vec<String> = lots.iter().map(ToString::to_string).collect();
        let facts = DeliveryFacts {
            docket: &docket,
            held_since: &self.holds_of(&codes).await?.into_iter().map(|(lot, hold)| (lot, hold.since)).collect(),
            warm: &self.unsettled_spells_of(&lots).await?,
            sent_with: &self.known_docket_spells(code).await?,
            signed_with: self.actor.with,
        };
        let plan = hand_over(new, &facts, delivered_at)?;
        let act = NewAct {
            id: new.id.unwrap_or_else(|| self.new_id()),
            kind: ActKind::Delivery,
            happened_at: delivered_at,
            by: new.by.as_ref(),
            document: Some(code.as_str()),
            reason: "",
            reverses: None,
        };
        let delivery = DeliveryRow {
            taken_by: new.taken_by.as_str(),
            temperature_c: new.temperature_c,
            crates_out: new.crates_out,
            crates_back: new.crates_back,
        };
        self.post_at_the_door(&act, &docket, &plan, Parts::default().with("delivery", &[delivery])?).await
    }

    /// Writes down what came back from the customer. It goes to waste.
    ///
    /// # Errors
    /// As [`take_return`] decides.
    #[tracing::instrument(level = "debug", name = "store.selling.take_return", skip_all, fields(farm_id = self.farm.0))]
    pub async fn take_return(&mut self, code: &DocketCode, new: &NewReturn) -> Result<Docket> {
        let returned_at = self.occurred_at(new.returned_at, "/returned_at")?;
        let docket = self.docket_for_change(code).await?;
        let plan = take_return(new, &docket, returned_at)?;
        let act = NewAct {
            id: new.id.unwrap_or_else(|| self.new_id()),
            kind: ActKind::Return,
            happened_at: returned_at,
            by: new.by.as_ref(),
            document: Some(code.as_str()),
            reason: new.reason.as_str(),
            reverses: None,
        };
        self.post_at_the_door(&act, &docket, &plan, Parts::default()).await
    }

    /// Posts what was decided at a customer's door.
    async fn post_at_the_door(
        &mut self,
        act: &NewAct<'_>,
        docket: &Docket,
        plan: &DoorPlan,
        parts: Parts,
    ) -> Result<Docket> {
        let mut entry = parts.with("docket_parts", &plan.parts)?;
        if let Some(status) = plan.status {
            entry = entry.with_order(&docket.order, status, false)?;
        }
        self.post(act, &plan.legs, entry).await?;
        self.docket(&docket.docket).await
    }

    pub(crate) async fn docket_for_change(&mut self, code: &DocketCode) -> Result<Docket> {
        let docket = self.docket(code).await?;
        let lots: Vec<LotCode> = docket.lines.iter().map(|l| l.lot.clone()).collect();
        self.lock(&Heads { orders: std::slice::from_ref(&docket.order), lots: &lots, ..Heads::default() }).await?;
        // Read again behind the locks.
        self.docket(code).await
    }

    /// The docket that an act was entered under, locked as for a change.
    pub(crate) async fn docket_of(&mut self, act: &Act) -> Result<Docket> {
        let code = act.document.as_deref().unwrap_or_default().parse().map_err(crate::Error::Stored)?;
        self.docket_for_change(&code).await
    }

    /// Before a delivery is reversed. Gives the order, which is on its way again.
    pub(crate) async fn delivery_taken_back(&mut self, delivery: &Act) -> Result<(OrderCode, OrderStatus)> {
        let docket = self.docket_of(delivery).await?;
        let slip = self.is_slip(delivery);
        if !slip && docket.lines.iter().any(|l| l.kept_g > Grams::ZERO) {
            // Goods that left a customer's hands are never sold again, so somebody answers for it that they never were in them.
            self.authoriser(&format!("Saying that docket {} was never handed over", docket.docket))?;
        }
        docket.ensure_none_returned()?;
        let order = self.order(&docket.order).await?;
        if order.status == OrderStatus::Cancelled {
            return Err(not_reversible(format!(
                "Order {} was called off since, so it is not on its way.",
                order.order
            )));
        }
        for other in self.dockets_of(&docket.order).await? {
            if other != docket.docket && self.docket(&other).await?.status != DocketStatus::Void {
                return Err(not_reversible(format!(
                    "Order {} went out again since, with docket {other}. Take that dispatch back first.",
                    docket.order
                )));
            }
        }
        self.ensure_refused_in_van(&docket).await?;
        // What was set aside since is for nothing.
        self.lock_set_aside(&order).await?;
        self.release_set_aside(&docket.order).await?;
        Ok((docket.order, OrderStatus::Dispatched))
    }

    /// Refuses where goods that were refused at the door are not in the van any more: with the delivery taken back they are on their way.
    async fn ensure_refused_in_van(&mut self, docket: &Docket) -> Result<()> {
        let Some(van) = &docket.van else { return Ok(()) };
        for line in docket.lines.iter().filter(|l| l.refused_g > Grams::ZERO) {
            let refused: Grams = docket.lines.iter().filter(|l| l.lot == line.lot).map(|l| l.refused_g).sum();
            let free = self.free_places(&line.lot, van).await?;
            let there = free.iter().find(|(place, _)| place == van).map_or(Grams::ZERO, |(_, grams)| *grams);
            if there < refused {
                return Err(not_reversible(format!(
                    "{refused} of lot {} were refused at the door, and {van} has {there} of it free. Bring it back into the van first.",
                    line.lot
                )));
            }
        }
        Ok(())
    }
}

fn not_reversible(detail: String) -> crate::Error {
    Refusal::new(RefusalKind::NotReversible, detail).into()
}

/// A hand-over in the book.
#[derive(Serialize)]
struct DeliveryRow<'a> {
    taken_by: &'a str,
    temperature_c: Option<f64>,
    crates_out: i32,
    crates_back: i32,
}
