//! Deliveries and returns: what became of a docket at the door.

use crate::{
    Result, Tx,
    heads::Heads,
    ledger::{
        posting::{NewAct, Parts},
        warm_spells::Reached,
    },
    selling::{
        dockets::{Docket, DocketLine, DocketStatus},
        kept::PartRow,
    },
};
use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::{ActKind, OrderStatus, PlaceKind},
    ledger::entry::{Act, PlannedLeg, built_in_place},
    refusal::{Refusal, RefusalKind},
    text::{DocketCode, Line, LotCode, OrderCode, PlaceCode, Short},
    units::calendar::Instant,
};
use serde::{Deserialize, Serialize};
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
    /// Writes down that a docket was handed over. What was refused at the door stays in the van; where all of it was, the order is open
    /// again, to be sent out anew once the goods are back in a fridge, or called off.
    ///
    /// # Errors
    /// Refuses a docket that is void, was handed over, or was fetched by the customer; a lot on hold; and on a shared phone lots of a warm spell
    /// that is not settled, unless they were sent out with it.
    #[tracing::instrument(level = "debug", name = "store.selling.deliver", skip_all, fields(farm_id = self.farm.0))]
    pub async fn deliver(&mut self, code: &DocketCode, new: &NewDelivery) -> Result<Docket> {
        let delivered_at = self.occurred_at(new.delivered_at, "/delivered_at")?;
        let docket = self.docket_for_change(code).await?;
        let Some(van) = docket.van.clone().filter(|_| docket.status == DocketStatus::Dispatched) else {
            let text = match docket.status {
                DocketStatus::Void => "was taken back and is void.",
                _ => "was handed over already.",
            };
            return Err(Refusal::new(RefusalKind::Closed, format!("Docket {code} {text}")).into());
        };
        ensure_after(delivered_at, docket.dispatched_at, "/delivered_at", "It went out")?;
        if new.temperature_c.is_some_and(|c| !(-40.0..=60.0).contains(&c)) {
            let out_of_range = "The temperature at the door lies between -40 and 60 °C. Check the sign and the comma.";
            return Err(Refusal::field("/temperature_c", out_of_range).into());
        }
        check_parts(&docket, &new.refused, "/refused")?;
        let customer: PlaceCode = docket.customer.as_str().parse().map_err(crate::Error::Stored)?;
        let refused_of = |line| new.refused.iter().filter(|p| p.line == line).map(|p| p.grams_g).sum::<Grams>();
        let taken: Vec<(&DocketLine, Grams)> = docket
            .lines
            .iter()
            .map(|l| (l, l.grams_g - refused_of(l.line)))
            .filter(|(_, grams)| *grams > Grams::ZERO)
            .collect();
        self.authorise_hand_over(&docket, &van, &taken, delivered_at).await?;
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
        // Where everything was refused the goods are in the van, and the order is open again.
        let status = if taken.is_empty() { OrderStatus::Confirmed } else { OrderStatus::Delivered };
        let entry = Parts::default()
            .with("delivery", &[delivery])?
            .with("docket_parts", &parts_of(&taken))?
            .with_order(&docket.order, status, false)?;
        self.post(&act, &legs_of(&taken, &van, &customer), entry).await?;
        self.docket(code).await
    }

    /// Writes down what came back from the customer. It goes to waste.
    ///
    /// # Errors
    /// Refuses a docket that was not handed over, and more than the customer has of it.
    #[tracing::instrument(level = "debug", name = "store.selling.take_return", skip_all, fields(farm_id = self.farm.0))]
    pub async fn take_return(&mut self, code: &DocketCode, new: &NewReturn) -> Result<Docket> {
        let returned_at = self.occurred_at(new.returned_at, "/returned_at")?;
        let docket = self.docket_for_change(code).await?;
        if docket.status != DocketStatus::Delivered {
            return Err(Refusal::new(
                RefusalKind::Closed,
                format!("Docket {code} was not handed over, so nothing can come back of it."),
            )
            .into());
        }
        let handed_over_at = docket.delivery.as_ref().map_or(docket.dispatched_at, |d| d.delivered_at);
        ensure_after(returned_at, handed_over_at, "/returned_at", "It was handed over")?;
        if new.lines.is_empty() {
            return Err(Refusal::field("/lines", "Nothing comes back. Name the lines.").into());
        }
        check_parts(&docket, &new.lines, "/lines")?;
        let customer: PlaceCode = docket.customer.as_str().parse().map_err(crate::Error::Stored)?;
        let waste = built_in_place(PlaceKind::Waste);
        let mut back: Vec<(&DocketLine, Grams)> = Vec::new();
        for (i, part) in new.lines.iter().enumerate() {
            let Some(line) = docket.lines.iter().find(|l| l.line == part.line) else { continue };
            if part.grams_g > line.kept_g {
                return Err(Refusal::new(
                    RefusalKind::NotEnough,
                    format!(
                        "{} has {} of line {} of this docket, and {} came back.",
                        docket.customer_name, line.kept_g, line.line, part.grams_g
                    ),
                )
                .at(format!("/lines/{i}/grams_g"))
                .into());
            }
            back.push((line, part.grams_g));
        }
        let act = NewAct {
            id: new.id.unwrap_or_else(|| self.new_id()),
            kind: ActKind::Return,
            happened_at: returned_at,
            by: new.by.as_ref(),
            document: Some(code.as_str()),
            reason: new.reason.as_str(),
            reverses: None,
        };
        let entry = Parts::default().with("docket_parts", &parts_of(&back))?;
        self.post(&act, &legs_of(&back, &customer, &waste), entry).await?;
        self.docket(code).await
    }

    /// Asks for the person's own sign-in where a lot was put on hold after it was handed over, or was in a warm spell
    /// that the docket does not name, or that has turned out worse since it was sent.
    async fn authorise_hand_over(
        &mut self,
        docket: &Docket,
        van: &PlaceCode,
        taken: &[(&DocketLine, Grams)],
        at: DateTime<Utc>,
    ) -> Result<()> {
        let lots: Vec<LotCode> = taken.iter().map(|(line, _)| line.lot.clone()).collect();
        let codes: Vec<String> = lots.iter().map(ToString::to_string).collect();
        if let Some((lot, _)) = self.holds_of(&codes).await?.iter().find(|(_, hold)| at < hold.since) {
            self.authoriser(&format!("Saying that lot {lot} was handed over before it was put on hold"))?;
        }
        let sent_with = self.known_docket_spells(&docket.docket).await?;
        let known = |reached: &Reached| sent_with.contains(&(reached.lot.clone(), reached.spell.excursion_id));
        self.authorise_warm_from(&lots, van, "Handing over", known).await
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

impl Docket {
    /// Refuses to take back what came to a customer while some of it came back from there.
    pub(crate) fn ensure_none_returned(&self) -> Result<(), Refusal> {
        let Some(line) = self.lines.iter().find(|l| l.returned_g > Grams::ZERO) else { return Ok(()) };
        let came_back: Grams = self.lines.iter().filter(|l| l.lot == line.lot).map(|l| l.returned_g).sum();
        Err(Refusal::new(
            RefusalKind::NotReversible,
            format!(
                "{came_back} of lot {} came back from docket {}. Take that return back first.",
                line.lot, self.docket
            ),
        ))
    }
}

/// A hand-over in the book.
#[derive(Serialize)]
struct DeliveryRow<'a> {
    taken_by: &'a str,
    temperature_c: Option<f64>,
    crates_out: i32,
    crates_back: i32,
}

/// Moves grams of a docket's lines.
fn legs_of(of_lines: &[(&DocketLine, Grams)], from_place: &PlaceCode, to_place: &PlaceCode) -> Vec<PlannedLeg> {
    of_lines.iter().map(|(line, grams)| PlannedLeg::of(&line.lot, from_place, to_place, *grams)).collect()
}

/// Which lines they were: two of a docket may be of one lot.
fn parts_of(of_lines: &[(&DocketLine, Grams)]) -> Vec<PartRow> {
    of_lines.iter().map(|(line, grams)| PartRow { line: line.line, grams: *grams }).collect()
}

/// Goods go out, are handed over and come back in this order, whatever is written down when.
fn ensure_after(at: DateTime<Utc>, earlier: DateTime<Utc>, pointer: &str, what: &str) -> Result<(), Refusal> {
    if at >= earlier {
        return Ok(());
    }
    let earlier = earlier.format("%Y-%m-%d %H:%M UTC");
    Err(Refusal::field(pointer, format!("{what} at {earlier}, and this is earlier. Check the time.")))
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
