//! Sending out: what is set aside for an order becomes a docket, and leaves.

use chrono::{DateTime, NaiveDate, Utc};
use gillbook_core::{
    Grams,
    cold::CAUTION,
    kinds::{ActKind, OrderStatus, PriceUnit},
    ledger::{entry::Act, warm_spell::Reached},
    refusal::{Refusal, RefusalKind},
    selling::{
        dispatch::{DispatchFacts, DispatchPlan, NewDocket, decide, ordered_lines},
        docket::{Docket, DocketLine, DocketStatus, Part},
    },
    text::{CustomerCode, LotCode, OrderCode, PlaceCode, ProductCode},
};
use rust_decimal::Decimal;
use serde::Serialize;
use uuid::Uuid;

use crate::{
    Result, Tx,
    error::OrMissing,
    ledger::posting::{NewAct, Parts},
    selling::terms::OrderTerms,
};

impl Tx {
    /// Sends an order out: what is set aside for it goes onto the van, under a docket with the prices of now.
    ///
    /// # Errors
    /// As [`decide`] says.
    #[tracing::instrument(level = "debug", name = "store.selling.dispatch", skip_all, fields(farm_id = self.farm.0))]
    pub async fn dispatch(&mut self, new: &NewDocket) -> Result<Docket> {
        let dispatched_at = self.occurred_at(new.dispatched_at, "/dispatched_at")?;
        self.lock_order_goods(&new.order, &[]).await?;
        let terms = self.order_terms(&new.order, new.van.as_ref(), dispatched_at).await.or_missing(|| {
            Refusal::field("/order", format!("There is no order {} on this farm. Check the code.", new.order))
        })?;
        let lots: Vec<LotCode> = terms.order.lots_set_aside().collect();
        let warm = self.unsettled_spells_of(&lots).await?;
        let coinage = self.farm_settings().await?.coinage;
        let facts = DispatchFacts {
            order: &terms.order,
            customer: &terms.customer,
            products: &terms.products,
            lots: &terms.lots,
            van: terms.van,
            warm: &warm,
            coinage,
            signed_with: self.actor.with,
            sender: &self.actor.name,
        };
        let plan = decide(new, &facts)?;
        let (act_id, code) = self.post_dispatch(new, dispatched_at, &terms, &plan, &warm).await?;
        let order = terms.order;
        let docket = Docket {
            docket: code.parse().map_err(crate::Error::Stored)?,
            ordered: ordered_lines(&order),
            order: order.order,
            reference: order.reference,
            customer: order.customer,
            customer_name: order.customer_name,
            address: terms.customer.address,
            telephone: terms.customer.telephone,
            with_prices: terms.customer.docket_prices,
            act_id,
            van: new.van.clone(),
            delivery_day: order.delivery_day,
            dispatched_at,
            status: if new.van.is_some() { DocketStatus::Dispatched } else { DocketStatus::Delivered },
            lines: plan.lines,
            short_because: plan.short_because,
            sent_net: Decimal::ZERO,
            net: Decimal::ZERO,
            currency: coinage.currency().to_owned(),
            delivery: None,
            caution: CAUTION.into(),
        };
        let handed_over = |line| {
            let of_line = plan.handed_over.iter().filter(|part| part.line == line);
            of_line.map(|part| Part { at: dispatched_at, kind: ActKind::Dispatch, grams: part.grams }).collect()
        };
        Ok(docket.settled(handed_over, coinage))
    }

    /// Posts what leaves. Gives the entry and the docket's code.
    async fn post_dispatch(
        &mut self,
        new: &NewDocket,
        dispatched_at: DateTime<Utc>,
        terms: &OrderTerms,
        plan: &DispatchPlan,
        warm: &[Reached],
    ) -> Result<(Uuid, String)> {
        let act = NewAct {
            id: new.id.unwrap_or_else(|| self.new_id()),
            kind: ActKind::Dispatch,
            happened_at: dispatched_at,
            by: new.by.as_ref(),
            document: None,
            reason: "",
            reverses: None,
        };
        let order = &terms.order;
        let docket = DocketRow {
            order_code: &order.order,
            customer: &order.customer,
            customer_name: &order.customer_name,
            address: &terms.customer.address,
            van: new.van.as_ref(),
            delivery_day: order.delivery_day,
            dispatched_at,
            currency: self.farm_settings().await?.coinage.currency(),
            short_because: &plan.short_because,
        };
        let entry = Parts::default()
            .with("docket", &[docket])?
            .with("docket_lines", &plan.lines.iter().map(DocketLineRow::of).collect::<Vec<_>>())?
            .with("docket_spells", &warm.iter().map(SpellRow::of).collect::<Vec<_>>())?
            .with("docket_parts", &plan.handed_over)?
            .with_order(&order.order, plan.status, true)?;
        let posted = self.post(&act, &plan.legs, entry).await?;
        Ok((posted.act.act_id, posted.act.document.unwrap_or_default()))
    }

    /// Before a dispatch is reversed: a docket that was handed over takes returns only, and what the customer fetched is whole or stays.
    /// Gives its order, which is promised again.
    pub(crate) async fn dispatch_taken_back(&mut self, dispatch: &Act) -> Result<(OrderCode, OrderStatus)> {
        let docket = self.docket_of(dispatch).await?;
        if docket.status == DocketStatus::Delivered && docket.van.is_some() {
            return Err(Refusal::new(
                RefusalKind::NotReversible,
                format!(
                    "Docket {} was handed over. What comes back is a return; take a delivery entered by mistake back first.",
                    docket.docket
                ),
            )
            .into());
        }
        docket.ensure_none_returned()?;
        if docket.van.is_none() && !self.is_slip(dispatch) {
            self.authoriser(&format!("Saying that docket {} was never fetched", docket.docket))?;
        }
        Ok((docket.order, OrderStatus::Confirmed))
    }
}

/// A docket in the book.
#[derive(Serialize)]
struct DocketRow<'a> {
    order_code: &'a OrderCode,
    customer: &'a CustomerCode,
    customer_name: &'a str,
    address: &'a str,
    van: Option<&'a PlaceCode>,
    delivery_day: NaiveDate,
    dispatched_at: DateTime<Utc>,
    currency: &'static str,
    short_because: &'a str,
}

/// A line of a docket in the book.
#[derive(Serialize)]
struct DocketLineRow<'a> {
    line: i32,
    order_line: i32,
    product: &'a ProductCode,
    product_name: &'a str,
    lot: &'a LotCode,
    place: &'a PlaceCode,
    harvest_day: NaiveDate,
    best_before: Option<NaiveDate>,
    grams: Grams,
    price: Decimal,
    unit: PriceUnit,
    tax_percent: Decimal,
    amount: Decimal,
    warm_spell: Option<Uuid>,
}

impl<'a> DocketLineRow<'a> {
    fn of(line: &'a DocketLine) -> Self {
        Self {
            line: line.line,
            order_line: line.order_line,
            product: &line.product,
            product_name: &line.product_name,
            lot: &line.lot,
            place: &line.place,
            harvest_day: line.harvest_day,
            best_before: line.best_before,
            grams: line.grams_g,
            price: line.price,
            unit: line.unit,
            tax_percent: line.tax_percent,
            amount: line.amount,
            warm_spell: line.warm_spell.as_ref().map(|w| w.excursion_id),
        }
    }
}

/// A warm spell that a lot of a docket was sent out with, as it is known now.
#[derive(Serialize)]
struct SpellRow<'a> {
    lot: &'a LotCode,
    excursion_id: Uuid,
    began_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
    air_c: Option<f64>,
    product_c: Option<f64>,
}

impl<'a> SpellRow<'a> {
    fn of(reached: &'a Reached) -> Self {
        Self {
            lot: &reached.lot,
            excursion_id: reached.spell.excursion_id,
            began_at: reached.spell.began_at,
            ended_at: reached.spell.ended_at,
            air_c: reached.air_c,
            product_c: reached.product_c,
        }
    }
}
