//! Dockets: what goes out, how it was handed over, what comes back.

use std::borrow::Cow;

use gillbook_core::{
    Grams,
    kinds::PriceUnit,
    refusal::Refusal,
    text::{CustomerCode, DocketCode, GradeCode, LotCode, OrderCode, PlaceCode, ProductCode, Short},
    units::calendar::Instant,
};

use crate::{
    Pagination, Result, Tx,
    cold::readings::CAUTION,
    selling::kept::{keep, shorten},
};
use chrono::{DateTime, NaiveDate, Utc};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// An order to be sent out, with what is set aside for it.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewDocket {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// The order.
    pub order: OrderCode,
    /// The van that takes it. Without one the customer fetches it.
    pub van: Option<PlaceCode>,
    /// Send what is set aside though some of the order is short.
    #[serde(default)]
    pub short: bool,
    /// When; now unless said.
    pub dispatched_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

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
    /// Of that, brought back after it was handed over.
    pub returned_g: Grams,
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
pub(super) const SENT_WARM: &str = "It was in a warm spell that was not settled when it went out. Your local food-safety rules and your own food-safety plan decide.";

/// How a docket was handed over.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Delivery {
    /// The act.
    pub act_id: Uuid,
    /// When.
    pub delivered_at: DateTime<Utc>,
    /// Who took it, or where it was left.
    pub taken_by: String,
    /// Temperature at the door, °C.
    pub temperature_c: Option<f64>,
    /// Crates left there.
    pub crates_out: i32,
    /// Crates brought back.
    pub crates_back: i32,
    /// Who brought it.
    pub done_by: String,
}

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
    /// The customer.
    pub customer: CustomerCode,
    /// Name of the customer when it went out.
    pub customer_name: String,
    /// Address when it went out.
    pub address: String,
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

impl Tx {
    /// One docket.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.selling.docket", skip_all, fields(farm_id = self.farm.0))]
    pub async fn docket(&mut self, code: &DocketCode) -> Result<Docket> {
        self.dockets_where(Some(code), None, &Pagination { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(DocketCode::NOUN, code).into())
    }

    /// The dockets that an order went out under, void ones too.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.dockets_of", skip_all, fields(farm_id = self.farm.0))]
    pub async fn dockets_of(&mut self, order: &OrderCode) -> Result<Vec<DocketCode>> {
        Ok(sqlx::query_scalar!(
            r#"select docket as "docket: DocketCode" from docket where farm_id = $1 and order_code = $2 order by number"#,
            self.farm.0,
            order.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Dockets by number, or of one day.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.dockets", skip_all, fields(farm_id = self.farm.0))]
    pub async fn dockets(&mut self, day: Option<NaiveDate>, page: &Pagination) -> Result<Vec<Docket>> {
        self.dockets_where(None, day, page).await
    }

    #[expect(clippy::too_many_lines, reason = "the columns of three tables, each named once")]
    async fn dockets_where(
        &mut self,
        only: Option<&DocketCode>,
        day: Option<NaiveDate>,
        page: &Pagination,
    ) -> Result<Vec<Docket>> {
        let rows = sqlx::query!(
            r#"select d.docket as "docket: DocketCode", d.order_code as "order: OrderCode", d.customer as "customer: CustomerCode", d.customer_name, d.address,
                      d.act_id, d.van as "van: PlaceCode", d.delivery_day, d.dispatched_at, d.currency,
                      exists (select from act x where x.farm_id = d.farm_id and x.reverses = d.act_id) as "void!",
                      v.act_id as "delivery_act?", v.taken_by as "taken_by?", v.temperature_c as "temperature_c?", v.crates_out as "crates_out?",
                      v.crates_back as "crates_back?", a.happened_at as "delivered_at?", a.done_by as "delivered_by?"
                 from docket d
                 left join (delivery v join act a using (farm_id, act_id)) on v.farm_id = d.farm_id and v.docket = d.docket
                      and not exists (select from act x where x.farm_id = v.farm_id and x.reverses = v.act_id)
                where d.farm_id = $1 and ($2::text is null or d.docket = $2) and ($3::date is null or d.delivery_day = $3)
                  and ($4::text is null or d.number > (select number from docket where farm_id = $1 and docket = $4))
                order by d.number limit $5"#,
            self.farm.0,
            only.map(DocketCode::as_str),
            day,
            page.after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        let codes: Vec<String> = rows.iter().map(|r| r.docket.to_string()).collect();
        let lines = sqlx::query!(
            r#"select d.docket as "docket: DocketCode", d.line, d.order_line, d.product as "product: ProductCode", d.product_name, d.lot as "lot: LotCode",
                      l.grade as "grade: GradeCode", d.place as "place: PlaceCode", d.harvest_day, d.best_before, d.grams as "grams: Grams", d.price,
                      d.unit as "unit: PriceUnit", d.tax_percent, d.amount, e.excursion_id as "warm_spell?", e.place as "warm_place?: PlaceCode",
                      e.began_at as "warm_since?", a.entered_by
                 from docket_line d join lot l using (farm_id, lot) join docket k using (farm_id, docket)
                 join act a on a.farm_id = k.farm_id and a.act_id = k.act_id
                 left join excursion e on e.farm_id = d.farm_id and e.excursion_id = d.warm_spell
                where d.farm_id = $1 and d.docket = any ($2) order by d.docket, d.line"#,
            self.farm.0,
            &codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        let coinage = self.farm_settings().await?.coinage;
        let parts = self.parts_of(&codes).await?;
        let ordered = self.ordered_on(&codes).await?;
        Ok(rows
            .into_iter()
            .map(|r| {
                let mut ordered: Vec<OrderedLine> =
                    ordered.iter().filter(|(docket, _)| *docket == r.docket).map(|(_, line)| line.clone()).collect();
                let mut lines: Vec<DocketLine> = lines
                    .iter()
                    .filter(|l| l.docket == r.docket)
                    .map(|l| DocketLine {
                        line: l.line,
                        order_line: l.order_line,
                        product: l.product.clone(),
                        product_name: l.product_name.clone(),
                        lot: l.lot.clone(),
                        grade: l.grade.clone(),
                        place: l.place.clone(),
                        harvest_day: l.harvest_day,
                        best_before: l.best_before,
                        grams_g: l.grams,
                        packs: ordered
                            .iter()
                            .find(|o| o.order_line == l.order_line && o.product == l.product)
                            .and_then(|o| packs_of(l.grams, o)),
                        refused_g: Grams::ZERO,
                        returned_g: Grams::ZERO,
                        kept_g: l.grams,
                        price: l.price.normalize(),
                        unit: l.unit,
                        tax_percent: l.tax_percent.normalize(),
                        amount: coinage.round(l.amount),
                        kept_amount: coinage.round(l.amount),
                        warm_spell: sent_warm(l.warm_spell.zip(l.warm_place.clone()).zip(l.warm_since), &l.entered_by),
                    })
                    .collect();
                let delivery = r.delivery_act.zip(r.delivered_at).map(|(act_id, delivered_at)| Delivery {
                    act_id,
                    delivered_at,
                    taken_by: r.taken_by.unwrap_or_default(),
                    temperature_c: r.temperature_c,
                    crates_out: r.crates_out.unwrap_or_default(),
                    crates_back: r.crates_back.unwrap_or_default(),
                    done_by: r.delivered_by.unwrap_or_default(),
                });
                let status = match (r.void, delivery.is_some() || r.van.is_none()) {
                    (true, _) => DocketStatus::Void,
                    (false, true) => DocketStatus::Delivered,
                    (false, false) => DocketStatus::Dispatched,
                };
                let parts_of = |line: i32| parts.get(&(r.docket.clone(), line)).cloned().unwrap_or_default();
                keep(&mut lines, status, parts_of, coinage);
                shorten(&mut ordered, &lines);
                Docket {
                    status,
                    sent_net: coinage.round(lines.iter().map(|l| l.amount).sum()),
                    net: coinage.round(lines.iter().map(|l| l.kept_amount).sum()),
                    ordered,
                    docket: r.docket,
                    order: r.order,
                    customer: r.customer,
                    customer_name: r.customer_name,
                    address: r.address,
                    act_id: r.act_id,
                    van: r.van,
                    delivery_day: r.delivery_day,
                    dispatched_at: r.dispatched_at,
                    lines,
                    currency: r.currency,
                    delivery,
                    caution: CAUTION.into(),
                }
            })
            .collect())
    }
}

/// Packs of a weight, by the weight of one on the order. `None` for what is sold loose, or is not whole packs.
#[must_use]
pub fn packs_of(grams: Grams, ordered: &OrderedLine) -> Option<i64> {
    let packs = i64::from(ordered.packs?);
    let in_packs = grams.0 * packs;
    (ordered.grams_g > Grams::ZERO && in_packs % ordered.grams_g.0 == 0).then(|| in_packs / ordered.grams_g.0)
}

/// The warm spell of a docket's line, with the one who sent it out.
fn sent_warm(spell: Option<((Uuid, PlaceCode), DateTime<Utc>)>, sent_by: &str) -> Option<SentWarm> {
    let ((excursion_id, place), began_at) = spell?;
    Some(SentWarm { excursion_id, place, began_at, authorised_by: sent_by.to_owned(), caution: SENT_WARM.into() })
}
