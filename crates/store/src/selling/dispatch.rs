//! Sending out: what is set aside for an order becomes a docket, and leaves.

use gillbook_core::{
    Grams,
    ledger::entry::{Act, Leg},
    refusal::{Kind, Refusal},
    selling::pricing::price_line,
    text::{DocketCode, LotCode, PlaceCode, ProductCode},
    words::{ActKind, OrderStatus, PlaceKind},
};
use std::collections::BTreeMap;

use crate::{
    Result, Tx,
    error::OrMissing,
    ledger::{
        entries::NewAct,
        warm_spells::{WarmSpell, oldest},
    },
    selling::dockets::{Docket, DocketLine, DocketStatus, NewDocket, SENT_WARM, SentWarm},
};
use chrono::{DateTime, Days, NaiveDate, Utc};
use uuid::Uuid;

impl Tx {
    /// Sends an order out: what is set aside for it goes onto the van, under a docket with the prices of now.
    ///
    /// # Errors
    /// Refuses an order that is not promised, nothing set aside, a short order unless said, a lot on hold, a missing price, and lots of a warm
    /// spell that is not settled where the sign-in is not the person's own.
    #[tracing::instrument(level = "debug", name = "store.selling.dispatch", skip_all, fields(farm_id = self.farm.0))]
    pub async fn dispatch(&mut self, new: &NewDocket) -> Result<Docket> {
        let dispatched_at = self.happened(new.dispatched_at, "/dispatched_at")?;
        let order = self.order_for_change(&new.order).await.or_missing(|| {
            Refusal::field("/order", format!("There is no order {} on this farm. Check the code.", new.order))
        })?;
        if order.status != OrderStatus::Confirmed {
            return Err(Refusal::new(
                Kind::Closed,
                format!("Order {} is {} and cannot be sent out.", order.order, order.status),
            )
            .at("/order")
            .into());
        }
        let lots: Vec<LotCode> = order.lines.iter().flat_map(|l| l.set_aside.iter().map(|s| s.lot.clone())).collect();
        if lots.is_empty() {
            return Err(Refusal::new(
                Kind::NotEnough,
                format!("Nothing is set aside for order {}. Set lots aside first.", order.order),
            )
            .into());
        }
        if !new.short
            && let Some(l) = order.lines.iter().find(|l| l.short_g > Grams::ZERO)
        {
            return Err(Refusal::new(
                Kind::NotEnough,
                format!(
                    "{} of {} are short. Set more aside, or send it short by saying so (\"short\": true).",
                    l.short_g, l.name
                ),
            )
            .into());
        }
        self.lock_lots(&lots).await?;
        self.expect_free_of_hold(&lots).await?;
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
        let lines = self.docket_lines(&order, &oldest(&warm), dispatched_at).await?;
        let number = self.next_number("docket").await?;
        let docket: DocketCode = format!("D-{number}").parse().map_err(crate::Error::Stored)?;
        let id = new.id.unwrap_or_else(|| self.new_id());
        let act = NewAct {
            id,
            kind: ActKind::Dispatch,
            happened_at: dispatched_at,
            by: new.by.as_ref(),
            document: Some(docket.as_str()),
            reason: "",
        };
        self.release_set_aside(&order.order).await?;
        self.enter_act(&act, None).await?;
        self.insert_docket(&docket, number, &order, id, new.van.as_ref(), dispatched_at, &lines).await?;
        self.insert_docket_spells(&docket, &warm).await?;
        let legs: Vec<Leg> = lines
            .iter()
            .map(|l| Leg {
                lot: l.lot.clone(),
                from_place: l.place.clone(),
                to_place: to_place.clone(),
                grams_g: l.grams_g,
            })
            .collect();
        self.enter_legs(id, &legs).await?;
        // Without a van the customer has it already.
        if new.van.is_none() {
            let parts: Vec<(i32, Grams)> = lines.iter().map(|l| (l.line, l.grams_g)).collect();
            self.insert_parts(id, &docket, &parts).await?;
        }
        let status = if new.van.is_some() { OrderStatus::Dispatched } else { OrderStatus::Delivered };
        self.set_order_status(&order.order, status).await?;
        self.docket(&docket).await
    }

    /// Prices what is set aside: rounded once an order line, shared to its lots without losing a cent.
    async fn docket_lines(
        &mut self,
        order: &crate::selling::orders::Order,
        warm: &BTreeMap<LotCode, WarmSpell>,
        at: DateTime<Utc>,
    ) -> Result<Vec<DocketLine>> {
        let coinage = self.ways().await?.coinage;
        let customer = self.customer(&order.customer).await?;
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
                        authorised_by: self.signed.name.clone(),
                        caution: SENT_WARM,
                    }),
                });
            }
        }
        Ok(lines)
    }

    #[expect(clippy::too_many_arguments, reason = "the columns of one row")]
    async fn insert_docket(
        &mut self,
        docket: &DocketCode,
        number: i64,
        order: &crate::selling::orders::Order,
        act: Uuid,
        van: Option<&PlaceCode>,
        dispatched_at: DateTime<Utc>,
        lines: &[DocketLine],
    ) -> Result<()> {
        let currency = self.farm().await?.currency;
        let address = self.customer(&order.customer).await?.address;
        sqlx::query!(
            "insert into docket (farm_id, docket, number, order_code, customer, customer_name, address, act_id, van, delivery_day, dispatched_at, currency)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)",
            self.farm.0,
            docket.as_str(),
            number,
            order.order.as_str(),
            order.customer.as_str(),
            order.customer_name,
            address,
            act,
            van.map(PlaceCode::as_str),
            order.delivery_day,
            dispatched_at,
            currency
        )
        .execute(&mut *self.db)
        .await?;
        self.insert_docket_lines(docket, lines).await
    }

    async fn insert_docket_lines(&mut self, docket: &DocketCode, lines: &[DocketLine]) -> Result<()> {
        fn column<T>(lines: &[DocketLine], of: impl Fn(&DocketLine) -> T) -> Vec<T> {
            lines.iter().map(of).collect()
        }
        sqlx::query!(
            "insert into docket_line (farm_id, docket, line, order_line, product, product_name, lot, place, harvest_day, best_before, grams, price, unit,
                                      tax_percent, amount, warm_spell)
             select $1, $2, * from unnest($3::int[], $4::int[], $5::text[], $6::text[], $7::text[], $8::text[], $9::date[], $10::date[], $11::bigint[],
                                          $12::numeric[], $13::text[], $14::numeric[], $15::numeric[], $16::uuid[])",
            self.farm.0,
            docket.as_str(),
            &column(lines, |l| l.line),
            &column(lines, |l| l.order_line),
            &column(lines, |l| l.product.to_string()),
            &column(lines, |l| l.product_name.clone()),
            &column(lines, |l| l.lot.to_string()),
            &column(lines, |l| l.place.to_string()),
            &column(lines, |l| l.harvest_day),
            &column(lines, |l| l.best_before) as &[Option<NaiveDate>],
            &column(lines, |l| l.grams_g.0),
            &column(lines, |l| l.price),
            &column(lines, |l| l.unit.to_string()),
            &column(lines, |l| l.tax_percent),
            &column(lines, |l| l.amount),
            &column(lines, |l| l.warm_spell.as_ref().map(|w| w.excursion_id)) as &[Option<Uuid>]
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// Before a dispatch is reversed: a docket that was handed over takes returns only, and what the customer fetched is whole or stays.
    pub(crate) async fn dispatch_taken_back(&mut self, dispatch: &Act) -> Result<()> {
        let docket = self.docket_of(dispatch).await?;
        if docket.status == DocketStatus::Delivered && docket.van.is_some() {
            return Err(Refusal::new(
                Kind::NotReversible,
                format!(
                    "Docket {} was handed over. What comes back is a return; take a delivery entered by mistake back first.",
                    docket.docket
                ),
            )
            .into());
        }
        docket.expect_none_returned()?;
        if docket.van.is_none() && !self.is_slip(dispatch) {
            self.authoriser(&format!("Saying that docket {} was never fetched", docket.docket))?;
        }
        self.set_order_status(&docket.order, OrderStatus::Confirmed).await
    }
}
