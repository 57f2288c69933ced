//! Deliveries and returns: what became of a docket at the door.

use crate::dockets::{Docket, DocketStatus};
use crate::{
    Result, Tx,
    ledger::{Act, Leg, NewAct},
};
use gillbook_core::{
    Grams,
    calendar::Instant,
    refusal::{Kind, Refusal},
    text::{DocketCode, Line, LotCode, PlaceCode, Short},
    words::{ActKind, OrderStatus, PlaceKind},
};
use serde::Deserialize;
use std::collections::BTreeMap;
use utoipa::ToSchema;
use uuid::Uuid;

/// How a docket was handed over.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewDelivery {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// Who took it, or where it was left.
    pub taken_by: Line,
    /// Temperature at the door, °C.
    #[schema(minimum = -40, maximum = 60)]
    pub temperature_c: Option<f64>,
    /// Crates left there.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 1000)]
    pub crates_out: i32,
    /// Crates brought back.
    #[serde(default)]
    #[schema(minimum = 0, maximum = 1000)]
    pub crates_back: i32,
    /// Lines that were not taken, or not wholly; they stay in the van.
    #[serde(default)]
    #[schema(max_items = 200)]
    pub refused: Vec<PartLine>,
    /// When; now unless said.
    pub delivered_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// Grams of a docket line.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PartLine {
    /// The docket's line.
    pub line: i32,
    /// How much.
    pub grams_g: Grams,
}

/// What came back from a customer. It goes to waste: goods that left a customer's hands are never sold again.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewReturn {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// What came back.
    #[schema(min_items = 1, max_items = 200)]
    pub lines: Vec<PartLine>,
    /// Why.
    pub reason: Line,
    /// When; now unless said.
    pub returned_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

impl Tx {
    /// Writes down that a docket was handed over. What was refused at the door stays in the van.
    ///
    /// # Errors
    /// Refuses a docket that is void, was handed over, or was fetched by the customer.
    pub async fn deliver(&mut self, code: &DocketCode, new: &NewDelivery) -> Result<Docket> {
        let delivered_at = self.happened(new.delivered_at, "/delivered_at")?;
        let docket = self.docket_for_change(code).await?;
        let Some(van) = docket.van.clone().filter(|_| docket.status == DocketStatus::Dispatched) else {
            let text = match docket.status {
                DocketStatus::Void => "was taken back and is void.",
                _ => "was handed over already.",
            };
            return Err(Refusal::new(Kind::Closed, format!("Docket {code} {text}")).into());
        };
        check_parts(&docket, &new.refused, "/refused")?;
        let customer: PlaceCode = docket.customer.as_str().parse().map_err(crate::Error::Stored)?;
        let legs: Vec<Leg> = docket
            .lines
            .iter()
            .map(|l| {
                let refused: Grams = new.refused.iter().filter(|p| p.line == l.line).map(|p| p.grams_g).sum();
                Leg {
                    lot: l.lot.clone(),
                    from_place: van.clone(),
                    to_place: customer.clone(),
                    grams_g: l.grams_g - refused,
                }
            })
            .filter(|l| l.grams_g > Grams::ZERO)
            .collect();
        if legs.is_empty() {
            return Err(Refusal::new(
                Kind::Invalid,
                "Everything was refused. Reverse the dispatch instead: then the docket is void and the goods are back in stock.",
            )
            .at("/refused")
            .into());
        }
        let id = new.id.unwrap_or_else(|| self.new_id());
        let act = NewAct {
            id,
            kind: ActKind::Delivery,
            happened_at: delivered_at,
            by: new.by.as_ref(),
            document: Some(code.as_str()),
            reason: "",
        };
        self.enter(&act, &legs).await?;
        sqlx::query!(
            "insert into delivery (farm_id, act_id, docket, taken_by, temperature_c, crates_out, crates_back) values ($1, $2, $3, $4, $5, $6, $7)",
            self.farm.0,
            id,
            code.as_str(),
            new.taken_by.as_str(),
            new.temperature_c,
            new.crates_out,
            new.crates_back
        )
        .execute(&mut *self.db)
        .await?;
        self.set_order_status(&docket.order, OrderStatus::Delivered).await?;
        self.docket(code).await
    }

    /// Writes down what came back from the customer. It goes to waste.
    ///
    /// # Errors
    /// Refuses a docket that was not handed over, and more than the customer has of it.
    pub async fn take_return(&mut self, code: &DocketCode, new: &NewReturn) -> Result<Docket> {
        let returned_at = self.happened(new.returned_at, "/returned_at")?;
        let docket = self.docket_for_change(code).await?;
        if docket.status != DocketStatus::Delivered {
            return Err(Refusal::new(
                Kind::Closed,
                format!("Docket {code} was not handed over, so nothing can come back of it."),
            )
            .into());
        }
        if new.lines.is_empty() {
            return Err(Refusal::field("/lines", "Nothing comes back. Name the lines.").into());
        }
        check_parts(&docket, &new.lines, "/lines")?;
        let customer: PlaceCode = docket.customer.as_str().parse().map_err(crate::Error::Stored)?;
        let waste = self.sink(PlaceKind::Waste).await?;
        let mut legs = Vec::new();
        for (i, part) in new.lines.iter().enumerate() {
            let Some(line) = docket.lines.iter().find(|l| l.line == part.line) else { continue };
            let had = self.customer_has(code, &line.lot, &customer).await?;
            let wanted: Grams = new
                .lines
                .iter()
                .filter(|p| docket.lines.iter().any(|l| l.line == p.line && l.lot == line.lot))
                .map(|p| p.grams_g)
                .sum();
            if wanted > had {
                return Err(Refusal::new(
                    Kind::NotEnough,
                    format!(
                        "{} has {had} of lot {} from this docket, and {wanted} came back.",
                        docket.customer_name, line.lot
                    ),
                )
                .at(format!("/lines/{i}/grams_g"))
                .into());
            }
            legs.push(Leg {
                lot: line.lot.clone(),
                from_place: customer.clone(),
                to_place: waste.clone(),
                grams_g: part.grams_g,
            });
        }
        let id = new.id.unwrap_or_else(|| self.new_id());
        let act = NewAct {
            id,
            kind: ActKind::Return,
            happened_at: returned_at,
            by: new.by.as_ref(),
            document: Some(code.as_str()),
            reason: new.reason.as_str(),
        };
        self.enter(&act, &legs).await?;
        self.docket(code).await
    }

    /// Grams of a lot that a customer has from one docket.
    async fn customer_has(&mut self, docket: &DocketCode, lot: &LotCode, customer: &PlaceCode) -> Result<Grams> {
        Ok(sqlx::query_scalar!(
            r#"select coalesce(sum(case when m.to_place = $4 then m.grams when m.from_place = $4 then -m.grams else 0 end), 0)::bigint as "g!: Grams"
                 from movement m join act a using (farm_id, act_id) where m.farm_id = $1 and a.document = $2 and m.lot = $3"#,
            self.farm.0,
            docket.as_str(),
            lot.as_str(),
            customer.as_str()
        )
        .fetch_one(&mut *self.db)
        .await?)
    }

    pub(crate) async fn docket_for_change(&mut self, code: &DocketCode) -> Result<Docket> {
        let docket = self.docket(code).await?;
        self.order_for_change(&docket.order).await?;
        let lots: Vec<LotCode> = docket.lines.iter().map(|l| l.lot.clone()).collect();
        self.lock_lots(&lots).await?;
        // Read again behind the locks.
        self.docket(code).await
    }

    /// The docket that an act was entered under, locked as for a change.
    pub(crate) async fn docket_of(&mut self, act: &Act) -> Result<Docket> {
        let code = act.document.as_deref().unwrap_or_default().parse().map_err(crate::Error::Stored)?;
        self.docket_for_change(&code).await
    }

    /// Before a delivery is reversed: the order is on its way again.
    pub(crate) async fn delivery_taken_back(&mut self, delivery: &Act) -> Result<()> {
        let docket = self.docket_of(delivery).await?;
        self.expect_none_returned(&docket, &delivery.legs).await?;
        self.set_order_status(&docket.order, OrderStatus::Dispatched).await
    }

    /// Refuses to take back what came to a customer while some of it came back from there. What counts is what the customer has of this
    /// docket, not of the lot: the same lot may have come by another docket too.
    pub(crate) async fn expect_none_returned(&mut self, docket: &Docket, legs: &[Leg]) -> Result<()> {
        let customer: PlaceCode = docket.customer.as_str().parse().map_err(crate::Error::Stored)?;
        let mut brought: BTreeMap<&LotCode, Grams> = BTreeMap::new();
        for leg in legs.iter().filter(|l| l.to_place == customer) {
            *brought.entry(&leg.lot).or_default() += leg.grams_g;
        }
        for (lot, brought) in brought {
            let has = self.customer_has(&docket.docket, lot, &customer).await?;
            if has < brought {
                return Err(Refusal::new(
                    Kind::NotReversible,
                    format!(
                        "{} of lot {lot} came back from docket {}. Reverse that return first.",
                        brought - has,
                        docket.docket
                    ),
                )
                .into());
            }
        }
        Ok(())
    }
}

fn check_parts(docket: &Docket, parts: &[PartLine], pointer: &str) -> Result<(), Refusal> {
    for (i, part) in parts.iter().enumerate() {
        let Some(line) = docket.lines.iter().find(|l| l.line == part.line) else {
            return Err(Refusal::field(
                format!("{pointer}/{i}/line"),
                format!("Docket {} has no line {}.", docket.docket, part.line),
            ));
        };
        if parts[..i].iter().any(|p| p.line == part.line) {
            return Err(Refusal::field(
                format!("{pointer}/{i}/line"),
                format!("Line {} stands there twice. Add the two up.", part.line),
            ));
        }
        if part.grams_g <= Grams::ZERO || part.grams_g > line.grams_g {
            return Err(Refusal::field(
                format!("{pointer}/{i}/grams_g"),
                format!("Line {} is of {}. Give a weight above zero and up to that.", part.line, line.grams_g),
            ));
        }
    }
    Ok(())
}
