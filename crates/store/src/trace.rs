//! Trace: where a lot came from, where it was, who has it, and everything else that it touched.

use crate::{Result, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use gillbook_core::{
    Grams,
    text::{BatchCode, CookCode, CustomerCode, DocketCode, LotCode, PlaceCode, RecipeCode},
    words::Basis,
};
use serde::Serialize;
use utoipa::ToSchema;

/// Where a lot came from: one batch.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct CameFrom {
    /// The lot that was weighed.
    pub lot: LotCode,
    /// The batch.
    pub batch: BatchCode,
    /// Its flush.
    pub flush: i32,
    /// How much.
    pub grams_g: Grams,
    /// Weighed apart, or shared.
    pub basis: Basis,
    /// Day the batch was made.
    pub made_on: NaiveDate,
    /// Its cook.
    pub cook: Option<CookCode>,
    /// Its recipe.
    pub recipe: RecipeCode,
    /// Where its spawn came from.
    pub spawn_supplier: String,
    /// The spawn's lot.
    pub spawn_lot: String,
}

/// A store that a lot was in.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct WasIn {
    /// The lot.
    pub lot: LotCode,
    /// The place.
    pub place: PlaceCode,
    /// Its first arrival there.
    pub since: DateTime<Utc>,
    /// Grams there now.
    pub grams_g: Grams,
}

/// Where a lot went: one customer.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct WentTo {
    /// The lot that was sent.
    pub lot: LotCode,
    /// The customer.
    pub customer: CustomerCode,
    /// Name of the customer.
    pub name: String,
    /// The docket; none for a market stall.
    pub docket: Option<DocketCode>,
    /// When it was sent.
    pub sent_at: DateTime<Utc>,
    /// How much.
    pub grams_g: Grams,
}

/// Everything that some lots touched, both ways.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Trace {
    /// The lots asked for.
    pub lots: Vec<LotCode>,
    /// Lots that they were made of.
    pub made_of_lots: Vec<LotCode>,
    /// Lots that were made of them.
    pub made_into_lots: Vec<LotCode>,
    /// Back to batches, cooks, spawn and recipes.
    pub came_from: Vec<CameFrom>,
    /// The stores they were in.
    pub was_in: Vec<WasIn>,
    /// Forward to customers.
    pub went_to: Vec<WentTo>,
}

/// What a trace starts from.
#[derive(Debug, Clone)]
pub enum TraceFrom {
    /// A batch.
    Batch(BatchCode),
    /// A cook.
    Cook(CookCode),
    /// A docket.
    Docket(DocketCode),
    /// A customer.
    Customer(CustomerCode),
    /// Everything that stood in a place at an instant.
    Place(PlaceCode, DateTime<Utc>),
}

impl Tx {
    /// Everything that a lot touched.
    ///
    /// # Errors
    /// Refuses a lot that is not there.
    pub async fn trace_lot(&mut self, code: &LotCode) -> Result<Trace> {
        self.lot_exists(code).await?;
        self.trace_lots(vec![code.clone()]).await
    }

    /// Everything that a batch, cook, docket, customer, or a place at an instant touched.
    ///
    /// # Errors
    /// When the database fails. A start that is not there has touched nothing.
    pub async fn trace(&mut self, from: &TraceFrom) -> Result<Trace> {
        let (mut batch, mut cook, mut docket, mut customer, mut place, mut at) = (None, None, None, None, None, None);
        match from {
            TraceFrom::Batch(b) => batch = Some(b.as_str()),
            TraceFrom::Cook(c) => cook = Some(c.as_str()),
            TraceFrom::Docket(d) => docket = Some(d.as_str()),
            TraceFrom::Customer(c) => customer = Some(c.as_str()),
            TraceFrom::Place(p, t) => (place, at) = (Some(p.as_str()), Some(*t)),
        }
        let lots = sqlx::query_scalar!(
            r#"select distinct lot as "lot!: LotCode" from (
                   select w.lot from weighing w join weighing_source s using (farm_id, act_id) join batch b using (farm_id, batch)
                    where w.farm_id = $1 and (b.batch = $2 or b.cook = $3)
                   union all select l.lot from docket_line l where l.farm_id = $1 and l.docket = $4
                   union all select m.lot from movement m where m.farm_id = $1 and m.to_place = $5
                   union all
                   select d.lot from (
                       select m.lot, m.act_id, m.grams as delta from movement m where m.farm_id = $1 and m.to_place = $6
                       union all select m.lot, m.act_id, -m.grams from movement m where m.farm_id = $1 and m.from_place = $6) d
                   join act a on a.farm_id = $1 and a.act_id = d.act_id and a.happened_at <= $7
                   group by d.lot having sum(d.delta) > 0) x order by 1 limit 5000"#,
            self.farm.0,
            batch,
            cook,
            docket,
            customer,
            place,
            at
        )
        .fetch_all(&mut *self.db)
        .await?;
        self.trace_lots(lots).await
    }

    async fn trace_lots(&mut self, lots: Vec<LotCode>) -> Result<Trace> {
        let codes: Vec<String> = lots.iter().map(ToString::to_string).collect();
        let back = self.came_from(&codes).await?;
        let family = sqlx::query!(
            r#"with recursive up(lot) as (
                   select unnest($2::text[]) union select k.parent from lot_link k join up on k.child = up.lot where k.farm_id = $1),
               down(lot) as (
                   select unnest($2::text[]) union select k.child from lot_link k join down on k.parent = down.lot where k.farm_id = $1)
               select lot as "lot!: LotCode", true as "up!" from up where lot <> all ($2)
               union all select lot, false from down where lot <> all ($2) order by 1"#,
            self.farm.0,
            &codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        let went_to = sqlx::query_as!(
            WentTo,
            r#"with recursive down(lot) as (
                   select unnest($2::text[]) union select k.child from lot_link k join down on k.parent = down.lot where k.farm_id = $1)
               select m.lot as "lot!: _", c.customer as "customer!: _", c.name as "name!", d.docket as "docket?: _", min(a.happened_at) as "sent_at!",
                      sum(m.grams)::bigint as "grams_g!: _"
                 from movement m
                 join act a using (farm_id, act_id)
                 join place p on p.farm_id = m.farm_id and p.place = m.to_place
                 left join docket d on d.farm_id = m.farm_id and d.docket = a.document
                 join customer c on c.farm_id = m.farm_id and c.customer = coalesce(d.customer, m.to_place)
                where m.farm_id = $1 and m.lot in (select lot from down) and a.kind in ('dispatch', 'market_close') and (p.kind = 'customer' or d.docket is not null)
                  and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id)
                group by m.lot, c.customer, c.name, d.docket order by 5, 2, 1"#,
            self.farm.0,
            &codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        let was_in = sqlx::query_as!(
            WasIn,
            r#"select m.lot as "lot: _", m.to_place as "place: _", min(a.happened_at) as "since!", coalesce(max(b.grams), 0)::bigint as "grams_g!: _"
                 from movement m join act a using (farm_id, act_id)
                 join place p on p.farm_id = m.farm_id and p.place = m.to_place and p.kind in ('fridge', 'shelf', 'van', 'stall')
                 left join balance b on b.farm_id = m.farm_id and b.lot = m.lot and b.place = m.to_place
                where m.farm_id = $1 and m.lot = any ($2) and a.kind <> 'reversal' group by m.lot, m.to_place order by 3, 1"#,
            self.farm.0,
            &codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(Trace {
            lots,
            made_of_lots: family.iter().filter(|f| f.up).map(|f| f.lot.clone()).collect(),
            made_into_lots: family.iter().filter(|f| !f.up).map(|f| f.lot.clone()).collect(),
            came_from: back,
            was_in,
            went_to,
        })
    }

    async fn came_from(&mut self, lots: &[String]) -> Result<Vec<CameFrom>> {
        Ok(sqlx::query_as!(
            CameFrom,
            r#"with recursive up(lot) as (
                   select unnest($2::text[]) union select k.parent from lot_link k join up on k.child = up.lot where k.farm_id = $1)
               select w.lot as "lot: _", s.batch as "batch: _", s.flush, sum(s.grams)::bigint as "grams_g!: _",
                      case when bool_or(s.basis = 'shared') then 'shared' else 'measured' end as "basis!: _",
                      b.made_on, b.cook as "cook: _", b.recipe as "recipe: _", b.spawn_supplier, b.spawn_lot
                 from weighing w join weighing_source s using (farm_id, act_id) join batch b using (farm_id, batch)
                where w.farm_id = $1 and w.lot in (select lot from up)
                  and not exists (select from act x where x.farm_id = w.farm_id and x.reverses = w.act_id)
                group by w.lot, s.batch, s.flush, b.made_on, b.cook, b.recipe, b.spawn_supplier, b.spawn_lot order by w.lot, s.batch, s.flush"#,
            self.farm.0,
            lots
        )
        .fetch_all(&mut *self.db)
        .await?)
    }
}
