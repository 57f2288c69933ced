//! Deliveries and returns: what became of a docket at the door.

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::{ActKind, OrderStatus},
    ledger::entry::Act,
    refusal::{Refusal, RefusalKind},
    selling::{
        delivery::{
            DeliveryFacts, DoorPlan, NewDelivery, NewReturn, RefusedLine, hand_over, paid_at_door, take_return,
        },
        docket::{Docket, DocketStatus, HandOver},
        signature::Signature,
    },
    text::{CustomerCode, DocketCode, LotCode, OrderCode},
    units::calendar::{Day, day_of},
};
use serde::Serialize;
use utoipa::ToSchema;

use sqlx::types::Json;

use crate::{
    Error, Result, Tx,
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
        if new.paid.is_some() {
            // Accounts are locked before orders, here as where invoices are issued.
            let customer = self.docket(code).await?.customer;
            self.lock_account(&customer).await?;
        }
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
            hand_over: new.hand_over,
            signature: new.signature.as_ref(),
            taken_by: new.taken_by.as_str(),
            temperature_c: new.temperature_c,
            crates_out: new.crates_out,
            crates_back: new.crates_back,
        };
        let on = Day(day_of(delivered_at, self.farm_settings().await?.zone));
        let payment = new.paid.as_ref().map(|paid| paid_at_door(paid, &docket, on)).transpose()?;
        let refusals: Vec<RefusalRow> = new.refused.iter().map(RefusalRow::of).collect();
        let parts = Parts::default().with("delivery", &[delivery])?.with("docket_refusals", &refusals)?;
        let handed_over = self.post_at_the_door(&act, &docket, &plan, parts).await?;
        if let Some(payment) = &payment {
            self.enter_payment_for(payment, Some(code)).await.map_err(at_the_door)?;
        }
        Ok(handed_over)
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

    /// The name that was signed for a docket, where it was.
    ///
    /// # Errors
    /// Refuses a docket that is not there, and one for which nobody signed.
    #[tracing::instrument(level = "debug", name = "store.selling.signature", skip_all, fields(farm_id = self.farm.0))]
    pub async fn signature(&mut self, code: &DocketCode) -> Result<Signature> {
        let signed = sqlx::query_scalar!(
            r#"select v.signature as "signature!: Json<Signature>" from delivery v
                where v.farm_id = $1 and v.docket = $2 and v.signature is not null
                  and not exists (select from act x where x.farm_id = v.farm_id and x.reverses = v.act_id)"#,
            self.farm.0,
            code.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        signed.map(|signature| signature.0).ok_or_else(|| Refusal::not_found("signature of docket", code).into())
    }

    /// Crates of the farm that stand at a customer's: those left there less those brought back, until an instant. Below zero where more came
    /// back than the book knows of.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.crates_at", skip_all, fields(farm_id = self.farm.0))]
    pub async fn crates_at(&mut self, customer: &CustomerCode, until: DateTime<Utc>) -> Result<i64> {
        Ok(sqlx::query_scalar!(
            r#"select coalesce(sum(v.crates_out - v.crates_back), 0)::bigint as "crates!"
                 from docket d join delivery v using (farm_id, docket) join act a on a.farm_id = v.farm_id and a.act_id = v.act_id
                where d.farm_id = $1 and d.customer = $2 and a.happened_at <= $3
                  and not exists (select from act x where x.farm_id = v.farm_id and x.reverses = v.act_id)"#,
            self.farm.0,
            customer.as_str(),
            until
        )
        .fetch_one(&mut *self.db)
        .await?)
    }

    /// Crates of the farm at every customer's where that is not none, most first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.crates_out", skip_all, fields(farm_id = self.farm.0))]
    pub async fn crates_out(&mut self) -> Result<Vec<CratesOut>> {
        Ok(sqlx::query_as!(
            CratesOut,
            r#"select d.customer as "customer: CustomerCode", c.name as customer_name, sum(v.crates_out - v.crates_back)::bigint as "crates!",
                      max(a.happened_at) as "last_delivery_at!"
                 from docket d join delivery v using (farm_id, docket) join act a on a.farm_id = v.farm_id and a.act_id = v.act_id
                 join customer c on c.farm_id = d.farm_id and c.customer = d.customer
                where d.farm_id = $1 and not exists (select from act x where x.farm_id = v.farm_id and x.reverses = v.act_id)
                group by d.customer, c.name having sum(v.crates_out - v.crates_back) <> 0 order by 3 desc, d.customer"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?)
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

/// Where the fields of the payment stand in the hand-over.
fn at_the_door(error: Error) -> Error {
    match error {
        Error::Refused(mut refusal) => {
            for fault in &mut refusal.faults {
                let in_body = if fault.pointer == "/paid_on" {
                    "/delivered_at".into()
                } else {
                    format!("/paid{}", fault.pointer)
                };
                fault.pointer = in_body;
            }
            Error::Refused(refusal)
        }
        other => other,
    }
}

fn not_reversible(detail: String) -> crate::Error {
    Refusal::new(RefusalKind::NotReversible, detail).into()
}

/// Crates of the farm that stand at a customer's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct CratesOut {
    /// The customer.
    pub customer: CustomerCode,
    /// Name of the customer.
    pub customer_name: String,
    /// Crates left there less crates brought back; below zero where more came back than were left.
    pub crates: i64,
    /// When something was last handed over there.
    pub last_delivery_at: DateTime<Utc>,
}

/// What was refused at the door, in the book.
#[derive(Serialize)]
struct RefusalRow<'a> {
    line: i32,
    grams: Grams,
    reason: &'a str,
}

impl<'a> RefusalRow<'a> {
    fn of(refused: &'a RefusedLine) -> Self {
        Self { line: refused.line, grams: refused.grams_g, reason: refused.reason.as_str() }
    }
}

/// A hand-over in the book.
#[derive(Serialize)]
struct DeliveryRow<'a> {
    hand_over: HandOver,
    signature: Option<&'a Signature>,
    taken_by: &'a str,
    temperature_c: Option<f64>,
    crates_out: i32,
    crates_back: i32,
}
