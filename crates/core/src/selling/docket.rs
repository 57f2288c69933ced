//! Dockets: what goes out, how it was handed over, what the customer kept of it.

use std::borrow::Cow;

use chrono::{DateTime, NaiveDate, Utc};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::{
    earnings::settle,
    tax::{TaxBy, add_up},
};
use crate::{
    kinds::{ActKind, PriceUnit, string_enum},
    refusal::{Refusal, RefusalKind},
    text::{CustomerCode, DocketCode, GradeCode, LotCode, OrderCode, PlaceCode, ProductCode},
    units::{money::CurrencyRules, quantity::Grams},
};

/// A line of a docket: one lot of one product.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct DocketLine {
    /// Its number.
    pub line: i32,
    /// The order's line.
    pub order_line: i32,
    /// The product.
    pub product: ProductCode,
    /// Name of the product when it went out.
    pub product_name: String,
    /// The lot.
    pub lot: LotCode,
    /// Its grade.
    pub grade: GradeCode,
    /// Where it was taken from.
    pub place: PlaceCode,
    /// Harvest day.
    pub harvest_day: NaiveDate,
    /// Best before, by the farm's own rule.
    pub best_before: Option<NaiveDate>,
    /// How much went out.
    pub grams_g: Grams,
    /// How many packs, where it is sold in packs.
    pub packs: Option<i64>,
    /// Of that, refused at the door; nothing until it is handed over.
    pub refused_g: Grams,
    /// Why it was refused; empty where nothing was.
    pub refused_because: String,
    /// Of that, brought back after it was handed over.
    pub returned_g: Grams,
    /// Why it was brought back; empty where nothing was.
    pub returned_because: String,
    /// What the customer kept: what went out, less what was refused and what was brought back. Nothing of a void docket.
    pub kept_g: Grams,
    /// Price of a unit when it went out.
    #[schema(value_type = String)]
    pub price: Decimal,
    /// A kilogram, or a pack.
    pub unit: PriceUnit,
    /// Tax rate, per cent.
    #[schema(value_type = String)]
    pub tax_percent: Decimal,
    /// Net amount of what went out.
    #[schema(value_type = String)]
    pub amount: Decimal,
    /// Net amount of what the customer kept: the line's amount × grams kept ÷ grams that went out, rounded once.
    #[schema(value_type = String)]
    pub kept_amount: Decimal,
    /// The warm spell that the lot was in and that was not settled when it went out.
    pub warm_spell: Option<SentWarm>,
}

/// A line of the order that a docket is for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct OrderedLine {
    /// The order's line.
    pub order_line: i32,
    /// The product.
    pub product: ProductCode,
    /// Name of the product.
    pub product_name: String,
    /// How much was ordered.
    pub grams_g: Grams,
    /// How many packs were.
    pub packs: Option<i32>,
    /// Of that, not on the docket.
    pub short_g: Grams,
}

/// A warm spell that was not settled when a lot went out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct SentWarm {
    /// The excursion.
    pub excursion_id: Uuid,
    /// Where.
    pub place: PlaceCode,
    /// Since when.
    pub began_at: DateTime<Utc>,
    /// Who sent it out: the person who was signed in.
    pub authorised_by: String,
    /// The caution.
    pub caution: Cow<'static, str>,
}

/// The caution of a docket with a lot that was in a warm spell.
pub const SENT_WARM: &str = "It was in a warm spell that was not settled when it went out. Your local food-safety rules and your own food-safety plan decide.";

/// What a docket says to the kitchen that it goes to.
pub const KITCHEN_CAUTION: &str = "Best-before days are set by the farm's own rule. Your local food-safety rules and your kitchen's own plan decide what may be served. This docket does not judge whether food is fit to eat.";

/// How a docket was handed over.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Delivery {
    /// The act.
    pub act_id: Uuid,
    /// When.
    pub delivered_at: DateTime<Utc>,
    /// To a person, or left where nobody was.
    pub hand_over: HandOver,
    /// Who took it, or where it was left.
    pub taken_by: String,
    /// Whether who took it signed with a finger; the signature is at `/api/dockets/{docket}/signature`.
    pub signed: bool,
    /// Temperature at the door, °C.
    pub temperature_c: Option<f64>,
    /// Crates left there.
    pub crates_out: i32,
    /// Crates brought back.
    pub crates_back: i32,
    /// Who brought it.
    pub done_by: String,
}

string_enum!(/// How goods are handed over.
HandOver {
    /// A person took them.
    InPerson = "in_person",
    /// Nobody was there, and they were left.
    Unattended = "unattended",
});

/// Where a docket stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DocketStatus {
    /// On its way.
    Dispatched,
    /// Handed over, or refused at the door whole.
    Delivered,
    /// Taken back; its number stays.
    Void,
}

/// A docket.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Docket {
    /// Code.
    pub docket: DocketCode,
    /// The order.
    pub order: OrderCode,
    /// The number that the customer knows the order by; empty where they gave none.
    pub reference: String,
    /// The customer.
    pub customer: CustomerCode,
    /// Name of the customer when it went out.
    pub customer_name: String,
    /// Address when it went out.
    pub address: String,
    /// Telephone at which the customer is reached now.
    pub telephone: String,
    /// Whether it is printed with prices, as the customer has it now.
    pub with_prices: bool,
    /// The act that sent it; reverse that to void the docket.
    pub act_id: Uuid,
    /// The van.
    pub van: Option<PlaceCode>,
    /// The day it is wanted.
    pub delivery_day: NaiveDate,
    /// When it went out.
    pub dispatched_at: DateTime<Utc>,
    /// Where it stands.
    pub status: DocketStatus,
    /// Lines.
    pub lines: Vec<DocketLine>,
    /// What was ordered, and how much of it is short.
    pub ordered: Vec<OrderedLine>,
    /// Why some of it is short; empty where nothing was said.
    pub short_because: String,
    /// Net sum of what went out.
    #[schema(value_type = String)]
    pub sent_net: Decimal,
    /// Net sum of what the customer kept; zero of a void docket.
    #[schema(value_type = String)]
    pub net: Decimal,
    /// ISO 4217 letters.
    pub currency: String,
    /// How it was handed over.
    pub delivery: Option<Delivery>,
    /// The usual caution.
    pub caution: Cow<'static, str>,
}

/// What an act handed over of a docket's line or brought back, or the reversal of that.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Part {
    /// When. A reversal is dated as what it takes back.
    pub at: DateTime<Utc>,
    /// The kind of the act; of a reversal, that of what it takes back.
    pub kind: ActKind,
    /// What the customer has more by it; below zero for less.
    pub grams: Grams,
}

/// Grams of a docket's line that came to the customer by an act, or came back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct DocketPart {
    /// The docket's line. Two of a docket may be of one lot.
    pub line: i32,
    /// How much.
    pub grams: Grams,
}

impl DocketPart {
    /// All of a line.
    #[must_use]
    pub fn whole(line: &DocketLine) -> Self {
        Self { line: line.line, grams: line.grams_g }
    }
}

/// Packs of a weight, by the weight of one on the order. `None` for what is sold loose, or is not whole packs.
#[must_use]
pub fn packs_of(grams: Grams, ordered: &OrderedLine) -> Option<i64> {
    let packs = i64::from(ordered.packs?);
    let in_packs = grams.0 * packs;
    (ordered.grams_g > Grams::ZERO && in_packs % ordered.grams_g.0 == 0).then(|| in_packs / ordered.grams_g.0)
}

impl Docket {
    /// Works out what follows from the lines as they went out and what was handed over and brought back of each since: packs, what the
    /// customer kept and owes for, what of the order is short, and the sums. Of a docket that is on its way nothing is missing yet, and of
    /// one that is void nobody has anything.
    #[must_use]
    pub fn settled(mut self, parts: impl Fn(i32) -> Vec<Part>, coinage: CurrencyRules) -> Self {
        let status = self.status;
        for line in &mut self.lines {
            let ordered = self.ordered.iter().find(|o| o.order_line == line.order_line && o.product == line.product);
            line.packs = ordered.and_then(|o| packs_of(line.grams_g, o));
            let parts = parts(line.line);
            let steps: Vec<Grams> = match status {
                DocketStatus::Dispatched => vec![line.grams_g],
                DocketStatus::Delivered => parts.iter().map(|p| p.grams).collect(),
                DocketStatus::Void => Vec::new(),
            };
            line.kept_g = steps.iter().copied().sum();
            line.kept_amount = coinage.round(settle(line.amount, line.grams_g, &steps, coinage).into_iter().sum());
            line.returned_g = -parts.iter().filter(|p| p.kind == ActKind::Return).map(|p| p.grams).sum::<Grams>();
            line.refused_g = match status {
                DocketStatus::Delivered => line.grams_g - line.returned_g - line.kept_g,
                DocketStatus::Dispatched | DocketStatus::Void => Grams::ZERO,
            };
        }
        for ordered in &mut self.ordered {
            let of_line = self.lines.iter().filter(|l| l.order_line == ordered.order_line);
            ordered.short_g = (ordered.grams_g - of_line.map(|l| l.grams_g).sum()).max(Grams::ZERO);
        }
        self.sent_net = coinage.round(self.lines.iter().map(|l| l.amount).sum());
        self.net = coinage.round(self.lines.iter().map(|l| l.kept_amount).sum());
        self
    }

    /// Whether the customer refused all of it at the door.
    #[must_use]
    pub fn is_refused_whole(&self) -> bool {
        self.delivery.is_some() && self.lines.iter().all(|l| l.refused_g == l.grams_g)
    }

    /// What the customer kept, where that is less than what went out.
    #[must_use]
    pub fn kept_less(&self) -> Option<Grams> {
        let is_less = self.status == DocketStatus::Delivered && self.lines.iter().any(|l| l.kept_g < l.grams_g);
        is_less.then(|| self.lines.iter().map(|l| l.kept_g).sum())
    }

    /// Refuses to write to the customer's books what was taken back.
    ///
    /// # Errors
    /// Says so.
    pub fn ensure_went_out(&self) -> Result<(), Refusal> {
        if self.status == DocketStatus::Void {
            let detail = format!("Docket {} was taken back. Nothing went out with it.", self.docket);
            return Err(Refusal::new(RefusalKind::Closed, detail));
        }
        Ok(())
    }

    /// What it comes to with tax: of what went out while it is on its way, and then of what the customer kept.
    #[must_use]
    pub fn total(&self, tax_by: TaxBy, coinage: CurrencyRules) -> Decimal {
        let lines: Vec<_> = self.lines.iter().map(|l| (l.tax_percent, l.kept_amount)).collect();
        add_up(&lines, tax_by, coinage).total
    }

    /// When the customer had it: at the hand-over, or when they fetched it.
    #[must_use]
    pub fn handed_over_at(&self) -> DateTime<Utc> {
        self.delivery.as_ref().map_or(self.dispatched_at, |delivery| delivery.delivered_at)
    }

    /// Refuses to take back what came to a customer while some of it came back from there.
    ///
    /// # Errors
    /// Names the lot.
    pub fn ensure_none_returned(&self) -> Result<(), Refusal> {
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
