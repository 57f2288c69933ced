//! Sending out: what is set aside for an order becomes a docket, and leaves.

use gillbook_core::{
    Grams,
    kinds::{ActKind, OrderStatus, PlaceKind, PriceUnit},
    ledger::entry::{Act, PlannedLeg},
    refusal::{Refusal, RefusalKind},
    selling::{customer::Customer, pricing::price_line},
    text::{CustomerCode, LotCode, OrderCode, PlaceCode, ProductCode},
};
use std::collections::BTreeMap;

use crate::{
    Result, Tx,
    error::OrMissing,
    ledger::{
        posting::{NewAct, Parts},
        warm_spells::{Reached, WarmSpell, oldest},
    },
    selling::{
        dockets::{Docket, DocketLine, DocketStatus, NewDocket, SENT_WARM, SentWarm},
        kept::PartRow,
        orders::Order,
    },
};
use chrono::{DateTime, Days, NaiveDate, Utc};
use rust_decimal::Decimal;
use serde::Serialize;
use uuid::Uuid;

impl Tx {
    /// Sends an order out: what is set aside for it goes onto the van, under a docket with the prices of now.
    ///
    /// # Errors
    /// Refuses an order that is not promised, nothing set aside, a short order unless said, a lot on hold, a missing price, and lots of a warm
    /// spell that is not settled where the sign-in is not the person's own.
    #[tracing::instrument(level = "debug", name = "store.selling.dispatch", skip_all, fields(farm_id = self.farm.0))]
    pub async fn dispatch(&mut self, new: &NewDocket) -> Result<Docket> {
        let dispatched_at = self.occurred_at(new.dispatched_at, "/dispatched_at")?;
        let order = self.order_and_goods_for_change(&new.order, &[]).await.or_missing(|| {
            Refusal::field("/order", format!("There is no order {} on this farm. Check the code.", new.order))
        })?;
        if order.status != OrderStatus::Confirmed {
            return Err(Refusal::new(
                RefusalKind::Closed,
                format!("Order {} is {} and cannot be sent out.", order.order, order.status),
            )
            .at("/order")
            .into());
        }
        let lots: Vec<LotCode> = order.lots_set_aside().collect();
        if lots.is_empty() {
            return Err(Refusal::new(
                RefusalKind::NotEnough,
                format!("Nothing is set aside for order {}. Set lots aside first.", order.order),
            )
            .into());
        }
        if !new.short
            && let Some(l) = order.lines.iter().find(|l| l.short_g > Grams::ZERO)
        {
            return Err(Refusal::new(
                RefusalKind::NotEnough,
                format!(
                    "{} of {} are short. Set more aside, or send it short by saying so (\"short\": true).",
                    l.short_g, l.name
                ),
            )
            .into());
        }
        self.ensure_not_on_hold(&lots).await?;
        let warm = self.authorise_warm(&lots).await?;
        let to_place: PlaceCode = match &new.van {
            Some(van) => {
                let kind = self.place_kind(van, "/van").await?;
                if kind != PlaceKind::Van {
                    return Err(Refusal::field("/van", format!("{van} is not a van.")).into());
                }
                van.clone()
            }
            None => order.customer.as_str().parse().map_err(crate::Error::Stored)?,
        };
        let customer = self.customer(&order.customer).await?;
        let lines = self.docket_lines(&order, &customer, &oldest(&warm), dispatched_at).await?;
        let act = NewAct {
            id: new.id.unwrap_or_else(|| self.new_id()),
            kind: ActKind::Dispatch,
            happened_at: dispatched_at,
            by: new.by.as_ref(),
            document: None,
            reason: "",
            reverses: None,
        };
        let legs: Vec<PlannedLeg> =
            lines.iter().map(|l| PlannedLeg::of(&l.lot, &l.place, &to_place, l.grams_g)).collect();
        let status = if new.van.is_some() { OrderStatus::Dispatched } else { OrderStatus::Delivered };
        let docket = DocketRow {
            order_code: &order.order,
            customer: &order.customer,
            customer_name: &order.customer_name,
            address: customer.address,
            van: new.van.as_ref(),
            delivery_day: order.delivery_day,
            dispatched_at,
            currency: self.farm_settings().await?.coinage.currency(),
        };
        // Without a van the customer has it already.
        let parts: Vec<PartRow> = lines.iter().filter(|_| new.van.is_none()).map(PartRow::whole).collect();
        let entry = Parts::default()
            .with("docket", &[docket])?
            .with("docket_lines", &lines.iter().map(DocketLineRow::of).collect::<Vec<_>>())?
            .with("docket_spells", &warm.iter().map(SpellRow::of).collect::<Vec<_>>())?
            .with("docket_parts", &parts)?
            .with_order(&order.order, status, true)?;
        let posted = self.post(&act, &legs, entry).await?;
        let code = posted.act.document.unwrap_or_default().parse().map_err(crate::Error::Stored)?;
        self.docket(&code).await
    }

    /// Prices what is set aside: rounded once an order line, shared to its lots without losing a cent.
    async fn docket_lines(
        &mut self,
        order: &Order,
        customer: &Customer,
        warm: &BTreeMap<LotCode, WarmSpell>,
        at: DateTime<Utc>,
    ) -> Result<Vec<DocketLine>> {
        let coinage = self.farm_settings().await?.coinage;
        let products = self.products_of(order).await?;
        let filled: Vec<_> = order.lines.iter().zip(&products).filter(|(line, _)| !line.set_aside.is_empty()).collect();
        let codes: Vec<ProductCode> = filled.iter().map(|(_, product)| product.product.clone()).collect();
        let prices = self.prices_at(&customer.price_list, &codes, at).await?;
        let rules = self.best_before_days(&codes, at).await?;
        let lots: Vec<LotCode> = filled.iter().flat_map(|(l, _)| &l.set_aside).map(|s| s.lot.clone()).collect();
        let facts = self.facts_of_lots(&lots).await?;
        let mut lines = Vec::new();
        for (line, product) in filled {
            let (price, unit) = prices[&product.product];
            let weights: Vec<Grams> = line.set_aside.iter().map(|s| s.grams_g).collect();
            let amounts = price_line(price, unit, product.pack_g, &weights, coinage);
            for (s, amount) in line.set_aside.iter().zip(amounts) {
                let lot = &facts[&s.lot];
                let rule = rules.get(&(product.product.clone(), lot.packaging)).copied();
                lines.push(DocketLine {
                    line: i32::try_from(lines.len() + 1).unwrap_or(i32::MAX),
                    order_line: line.line,
                    product: product.product.clone(),
                    product_name: product.name.clone(),
                    lot: s.lot.clone(),
                    grade: lot.grade.clone(),
                    place: s.place.clone(),
                    harvest_day: lot.harvest_day,
                    best_before: lot.best_before.or_else(|| rule.map(|d| lot.harvest_day + Days::new(d))),
                    grams_g: s.grams_g,
                    packs: None,
                    refused_g: Grams::ZERO,
                    returned_g: Grams::ZERO,
                    kept_g: s.grams_g,
                    price,
                    unit,
                    tax_percent: product.tax_percent,
                    amount,
                    kept_amount: amount,
                    warm_spell: warm.get(&s.lot).map(|w| SentWarm {
                        excursion_id: w.excursion_id,
                        place: w.place.clone(),
                        began_at: w.began_at,
                        authorised_by: self.actor.name.clone(),
                        caution: SENT_WARM.into(),
                    }),
                });
            }
        }
        Ok(lines)
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
    address: String,
    van: Option<&'a PlaceCode>,
    delivery_day: NaiveDate,
    dispatched_at: DateTime<Utc>,
    currency: &'static str,
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
