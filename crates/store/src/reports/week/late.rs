//! What was entered after a week was closed or counted, and lots that went below zero in it.

use crate::{Result, Tx};
use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::ActKind,
    ledger::replay::first_below_zero,
    text::{LotCode, PlaceCode},
    units::calendar::Span,
};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use utoipa::ToSchema;
use uuid::Uuid;

/// A lot that by the times written down was below zero somewhere, though by the order of recording it never was: something was
/// written down late, or with the wrong time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BelowZero {
    /// The lot.
    pub lot: LotCode,
    /// Where.
    pub place: PlaceCode,
    /// The first instant of the week at which it was.
    pub at: DateTime<Utc>,
    /// Grams then, below zero.
    pub grams_g: Grams,
}

/// An act that was entered late: after its week was closed, or after a count of what it moved.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct LateEntry {
    /// The act.
    pub act_id: Uuid,
    /// Its kind.
    pub kind: ActKind,
    /// When it happened.
    pub happened_at: DateTime<Utc>,
    /// When it was entered.
    pub recorded_at: DateTime<Utc>,
    /// Who did it.
    pub done_by: String,
    /// The docket or market day that it belongs to.
    pub document: Option<String>,
    /// Why.
    pub reason: String,
    /// The lots that it moved.
    pub lots: Vec<LotCode>,
    /// Grams that it moved, over all of its movements.
    pub grams_g: Grams,
}

impl Tx {
    pub(super) async fn late_entries(&mut self, span: Span) -> Result<Vec<LateEntry>> {
        Ok(sqlx::query_as!(
            LateEntry,
            r#"select act_id, kind as "kind: _", happened_at, recorded_at, done_by, document, reason,
                      array(select distinct m.lot from movement m where m.farm_id = act.farm_id and m.act_id = act.act_id order by 1) as "lots!: _",
                      (select coalesce(sum(m.grams), 0)::bigint from movement m where m.farm_id = act.farm_id and m.act_id = act.act_id) as "grams_g!: _"
                 from act
                where farm_id = $1 and happened_at >= $2 and happened_at < $3 and after_close order by recorded_at, act_id limit 500"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Acts that the last counts of a span do not know: entered after the count, for a time before it. One that was taken back since moves
    /// nothing, and what takes back an act that the count did know is itself unknown to it.
    pub(super) async fn entered_after_count(&mut self, span: Span) -> Result<Vec<LateEntry>> {
        Ok(sqlx::query_as!(
            LateEntry,
            r#"with last as (
                   select distinct on (c.lot, c.place) c.lot, c.place, k.happened_at, k.recorded_at
                     from (select act_id, lot, place from stock_count where farm_id = $1
                           union all
                           -- A finished lot is a lot of which nothing was there.
                           select e.act_id, e.lot, p.place from lot_event e join place p using (farm_id)
                            where e.farm_id = $1 and e.kind = 'finish' and p.kind in ('fridge', 'shelf', 'van', 'stall')) c
                     -- The last of all is in the span only if none is after it.
                     join act k on k.farm_id = $1 and k.act_id = c.act_id and k.happened_at >= $2
                    where not exists (select from act x where x.farm_id = k.farm_id and x.reverses = k.act_id)
                    order by c.lot, c.place, k.happened_at desc, k.recorded_at desc),
               unknown as (
                   select distinct a.act_id, m.leg, m.lot, m.grams
                     from last c join movement m on m.farm_id = $1 and m.lot = c.lot and c.place in (m.from_place, m.to_place)
                     join act a on a.farm_id = m.farm_id and a.act_id = m.act_id and a.recorded_at > c.recorded_at and a.happened_at <= c.happened_at
                     left join act o on o.farm_id = a.farm_id and o.act_id = a.reverses
                    where c.happened_at >= $2 and c.happened_at < $3 and (o.act_id is null or o.recorded_at < c.recorded_at)
                      and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id))
               select a.act_id, a.kind as "kind: _", a.happened_at, a.recorded_at, a.done_by, a.document, a.reason,
                      array_agg(distinct u.lot order by u.lot) as "lots!: _", sum(u.grams)::bigint as "grams_g!: _"
                 from unknown u join act a on a.farm_id = $1 and a.act_id = u.act_id
                group by a.farm_id, a.act_id order by a.recorded_at, a.act_id limit 500"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Replays what was moved in a span by the times written down and finds what went below zero.
    ///
    /// The lots come first and as a list: in one query the planner, without fresh statistics, takes them for one row and loops over
    /// every movement for each.
    pub(super) async fn below_zero(&mut self, span: Span) -> Result<Vec<BelowZero>> {
        let lots = sqlx::query_scalar!(
            r#"select distinct m.lot from movement m join act a using (farm_id, act_id)
                where m.farm_id = $1 and a.happened_at >= $2 and a.happened_at < $3"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?;
        let legs = sqlx::query!(
            r#"select m.lot as "lot: LotCode", m.from_place as "from_place: PlaceCode", m.to_place as "to_place: PlaceCode",
                      m.grams as "grams: Grams", a.happened_at
                 from movement m join act a using (farm_id, act_id) where m.farm_id = $1 and m.lot = any ($2)"#,
            self.farm.0,
            &lots
        )
        .fetch_all(&mut *self.db)
        .await?;
        let stores: BTreeSet<String> = sqlx::query_scalar!(
            "select place from place where farm_id = $1 and kind in ('fridge', 'shelf', 'van', 'stall')",
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?
        .into_iter()
        .collect();
        let mut changes: BTreeMap<_, Vec<_>> = BTreeMap::new();
        for leg in legs {
            for (place, grams) in [(leg.to_place, leg.grams), (leg.from_place, -leg.grams)] {
                if stores.contains(place.as_str()) {
                    changes.entry((leg.lot.clone(), place)).or_default().push((leg.happened_at, grams));
                }
            }
        }
        let below = changes.into_iter().filter_map(|((lot, place), changes)| {
            let (at, grams_g) = first_below_zero(changes, span)?;
            Some(BelowZero { lot, place, at, grams_g })
        });
        Ok(below.take(500).collect())
    }
}
