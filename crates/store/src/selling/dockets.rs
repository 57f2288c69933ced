//! Dockets: what goes out, how it was handed over, what comes back.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use gillbook_core::{
    Grams,
    cold::CAUTION,
    kinds::PriceUnit,
    refusal::Refusal,
    selling::docket::{Delivery, Docket, DocketLine, DocketStatus, HandOver, OrderedLine, SENT_WARM, SentWarm},
    text::{CustomerCode, DocketCode, GradeCode, LotCode, OrderCode, PlaceCode, ProductCode},
};
use rust_decimal::Decimal;
use uuid::Uuid;

use crate::{Pagination, Result, Tx, ledger::holds::Hold};

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

    /// The holds of those lots of a docket that are on hold now; none of a docket that was taken back.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.selling.holds_of_docket", skip_all, fields(farm_id = self.farm.0))]
    pub async fn holds_of_docket(&mut self, docket: &Docket) -> Result<BTreeMap<LotCode, Hold>> {
        if docket.status == DocketStatus::Void {
            return Ok(BTreeMap::new());
        }
        let lots: Vec<String> = docket.lines.iter().map(|line| line.lot.to_string()).collect();
        self.holds_of(&lots).await
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
            r#"select d.docket as "docket: DocketCode", d.order_code as "order: OrderCode", o.reference, d.customer as "customer: CustomerCode", d.customer_name, d.address, c.telephone, c.docket_prices,
                      d.act_id, d.van as "van: PlaceCode", d.delivery_day, d.dispatched_at, d.currency, d.short_because,
                      exists (select from act x where x.farm_id = d.farm_id and x.reverses = d.act_id) as "void!",
                      v.act_id as "delivery_act?", v.hand_over as "hand_over?: HandOver", v.taken_by as "taken_by?", v.signature is not null as "signed?", v.temperature_c as "temperature_c?", v.crates_out as "crates_out?",
                      v.crates_back as "crates_back?", a.happened_at as "delivered_at?", a.done_by as "delivered_by?"
                 from docket d join customer_order o using (farm_id, order_code) join customer c on c.farm_id = d.farm_id and c.customer = d.customer
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
                      e.began_at as "warm_since?", a.entered_by,
                      coalesce((select r.reason from docket_refusal r where r.farm_id = d.farm_id and r.docket = d.docket and r.line = d.line and not exists (select from act x where x.farm_id = r.farm_id and x.reverses = r.act_id)), '') as "refused_because!",
                      coalesce((select string_agg(distinct r.reason, ', ') from docket_part q join act r using (farm_id, act_id) where q.farm_id = d.farm_id and q.docket = d.docket and q.line = d.line and r.kind = 'return' and not exists (select from act x where x.farm_id = r.farm_id and x.reverses = r.act_id)), '') as "returned_because!"
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
                let ordered: Vec<OrderedLine> =
                    ordered.iter().filter(|(docket, _)| *docket == r.docket).map(|(_, line)| line.clone()).collect();
                let lines: Vec<DocketLine> = lines
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
                        packs: None,
                        refused_g: Grams::ZERO,
                        refused_because: l.refused_because.clone(),
                        returned_g: Grams::ZERO,
                        returned_because: l.returned_because.clone(),
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
                    hand_over: r.hand_over.unwrap_or(HandOver::InPerson),
                    signed: r.signed.unwrap_or_default(),
                    taken_by: r.taken_by.unwrap_or_default(),
                    temperature_c: r.temperature_c,
                    crates_out: r.crates_out.unwrap_or_default(),
                    crates_back: r.crates_back.unwrap_or_default(),
                    done_by: r.delivered_by.unwrap_or_default(),
                });
                let parts_of = |line: i32| parts.get(&(r.docket.clone(), line)).cloned().unwrap_or_default();
                let docket = Docket {
                    docket: r.docket.clone(),
                    status: status_of(r.void, delivery.is_some() || r.van.is_none()),
                    sent_net: Decimal::ZERO,
                    net: Decimal::ZERO,
                    ordered,
                    short_because: r.short_because,
                    order: r.order,
                    reference: r.reference,
                    customer: r.customer,
                    customer_name: r.customer_name,
                    address: r.address,
                    telephone: r.telephone,
                    with_prices: r.docket_prices,
                    act_id: r.act_id,
                    van: r.van,
                    delivery_day: r.delivery_day,
                    dispatched_at: r.dispatched_at,
                    lines,
                    currency: r.currency,
                    delivery,
                    caution: CAUTION.into(),
                };
                docket.settled(parts_of, coinage)
            })
            .collect())
    }
}

fn status_of(is_void: bool, is_handed_over: bool) -> DocketStatus {
    match (is_void, is_handed_over) {
        (true, _) => DocketStatus::Void,
        (false, true) => DocketStatus::Delivered,
        (false, false) => DocketStatus::Dispatched,
    }
}

/// The warm spell of a docket's line, with the one who sent it out.
fn sent_warm(spell: Option<((Uuid, PlaceCode), DateTime<Utc>)>, sent_by: &str) -> Option<SentWarm> {
    let ((excursion_id, place), began_at) = spell?;
    Some(SentWarm { excursion_id, place, began_at, authorised_by: sent_by.to_owned(), caution: SENT_WARM.into() })
}
