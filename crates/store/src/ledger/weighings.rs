//! Weighings: one crate or stack on the scale, into a lot.

use gillbook_core::{
    Grams,
    kinds::{ActKind, Basis, BatchOrigin, Form, LotOrigin, Packaging, PlaceKind},
    ledger::{
        entry::{PlannedLeg, PlannedLot, built_in_place},
        weighing::{BatchFacts, CrateFacts, Facts, NewWeighing, Plan, WeighedSource, Weighing, decide},
    },
    refusal::Refusal,
    text::{BatchCode, CrateCode, GradeCode, LotCode, PlaceCode, RoomCode, StrainCode},
    units::calendar::day_of,
};
use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use sqlx::types::Json;
use uuid::Uuid;

use crate::{
    Pagination, Result, Tx,
    heads::Heads,
    ledger::posting::{NewAct, NewLot, Parts},
};

impl Tx {
    /// Keeps a weighing, and puts it into the day's lot of its strain, grade and packaging.
    ///
    /// # Errors
    /// Names the field that cannot be.
    #[tracing::instrument(level = "debug", name = "store.ledger.weigh", skip_all, fields(farm_id = self.farm.0))]
    pub async fn weigh(&mut self, new: &NewWeighing) -> Result<Weighing> {
        let weighed_at = self.occurred_at(new.weighed_at, "/weighed_at")?;
        let batches: Vec<BatchCode> = new.sources.iter().map(|s| s.batch.clone()).collect();
        self.lock(&Heads { batches: &batches, ..Heads::default() }).await?;
        let facts = self.weighing_facts(new, weighed_at).await?;
        let plan = decide(new, &facts)?;
        let act = NewAct {
            id: new.id,
            kind: ActKind::Weighing,
            happened_at: weighed_at,
            by: new.by.as_ref(),
            document: None,
            reason: "",
            reverses: None,
        };
        let lot = NewLot {
            strain: &plan.strain,
            grade: &new.grade,
            packaging: new.packaging.unwrap_or(Packaging::Open),
            form: Form::Fresh,
            harvest_day: day_of(weighed_at, self.farm_settings().await?.zone),
            harvested_at: weighed_at,
            origin: LotOrigin::Harvest,
            best_before: None,
        };
        let parts = Parts::default()
            .with_lots([lot], true)?
            .with("weighing", &[WeighingRow::of(new, &plan)])?
            .with("sources", &plan.sources.iter().map(SourceRow::of).collect::<Vec<_>>())?;
        let posted = self.post(&act, &legs(&plan)?, parts).await?;
        let lot = posted.made.into_iter().next().ok_or_else(|| crate::Error::stored("a weighing without a lot"))?;
        Ok(Weighing {
            id: new.id,
            lot,
            strain: plan.strain,
            grade: new.grade.clone(),
            place: plan.place,
            gross_g: new.gross_g,
            tare_g: plan.tare_g,
            net_g: plan.net_g,
            trim_g: new.trim_g,
            cut: new.cut,
            sources: in_order(plan.sources),
            weighed_at,
            recorded_at: posted.act.recorded_at,
            done_by: posted.act.done_by,
            entered_by: posted.act.entered_by,
            reversed_by: None,
            on_hold: plan.on_hold,
        })
    }

    async fn weighing_facts(&mut self, new: &NewWeighing, weighed_at: DateTime<Utc>) -> Result<Facts> {
        let batches = self.batch_facts(new, weighed_at).await?;
        let (crates, places) = self.crates_and_places(new).await?;
        let (place, fridges) = match &new.place {
            Some(_) => (places.first().map(|p| p.kind), Vec::new()),
            None => (None, places.into_iter().map(|p| p.place).collect()),
        };
        Ok(Facts { batches, crates, place, fridges })
    }

    /// The batches of a weighing as they were when it was on the scale. Flushes and rooms are those of now: a weighing that is entered late
    /// may be of a flush that has been entered already.
    async fn batch_facts(
        &mut self,
        new: &NewWeighing,
        weighed_at: DateTime<Utc>,
    ) -> Result<BTreeMap<BatchCode, BatchFacts>> {
        let codes: Vec<String> = new.sources.iter().map(|s| s.batch.to_string()).collect();
        let rows = sqlx::query!(
            r#"select b.batch as "batch: BatchCode", b.strain as "strain: StrainCode", b.origin as "origin: BatchOrigin",
                      (b.blocks - coalesce((select sum(l.blocks) from batch_loss l
                                             where l.farm_id = b.farm_id and l.batch = b.batch and l.lost_at <= $3), 0)
                                - coalesce((select sum(m.blocks) from batch_move m
                                             where m.farm_id = b.farm_id and m.batch = b.batch and m.kind <> 'moved' and m.moved_at <= $3), 0)
                      )::int as "blocks_left!",
                      coalesce((select max(s.flush) from weighing_source s
                                 where s.farm_id = b.farm_id and s.batch = b.batch
                                   and not exists (select from act x where x.farm_id = s.farm_id and x.reverses = s.act_id)), 0) as "flush!",
                      (select m.room from batch_move m join room r using (farm_id, room)
                        where m.farm_id = b.farm_id and m.batch = b.batch and m.kind = 'moved' and r.kind = 'fruiting'
                        order by m.moved_at desc, m.recorded_at desc limit 1) as "room: RoomCode",
                      exists (select from batch_hold h where h.farm_id = b.farm_id and h.batch = b.batch) as "on_hold!"
                 from batch b where b.farm_id = $1 and b.batch = any ($2)"#,
            self.farm.0,
            &codes,
            weighed_at
        )
        .fetch_all(&mut *self.db)
        .await?;
        let facts = rows.into_iter().map(|r| {
            let batch = BatchFacts {
                strain: r.strain,
                origin: r.origin,
                blocks_left: r.blocks_left,
                flush: r.flush,
                room: r.room,
                on_hold: r.on_hold,
            };
            (r.batch, batch)
        });
        Ok(facts.collect())
    }

    /// The kinds of crates that a weighing names, and its place, or the farm's fridges where it names none.
    async fn crates_and_places(
        &mut self,
        new: &NewWeighing,
    ) -> Result<(BTreeMap<CrateCode, CrateFacts>, Vec<PlaceFacts>)> {
        let codes: Vec<String> =
            [&new.tare.crate_kind, &new.tare.liner].into_iter().flatten().map(ToString::to_string).collect();
        let row = sqlx::query!(
            r#"select coalesce((select jsonb_object_agg(c.crate, jsonb_build_object('kind', c.kind, 'tare_dry_g', c.tare_dry_g, 'tare_wet_g', c.tare_wet_g))
                                  from crate c where c.farm_id = $1 and c.crate = any ($2)), '{}') as "crates!: Json<BTreeMap<CrateCode, CrateFacts>>",
                      coalesce((select jsonb_agg(jsonb_build_object('place', p.place, 'kind', p.kind) order by p.place)
                                  from place p where p.farm_id = $1 and (p.place = $3 or $3::text is null and p.kind = 'fridge')), '[]')
                          as "places!: Json<Vec<PlaceFacts>>""#,
            self.farm.0,
            &codes,
            new.place.as_ref().map(PlaceCode::as_str)
        )
        .fetch_one(&mut *self.db)
        .await?;
        Ok((row.crates.0, row.places.0))
    }

    /// One weighing.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.ledger.weighing", skip_all, fields(farm_id = self.farm.0))]
    pub async fn weighing(&mut self, id: Uuid) -> Result<Weighing> {
        self.weighings_where(Some(id), false, &Pagination { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found("weighing", id).into())
    }

    /// Weighings in the order of recording, or the newest first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.weighings", skip_all, fields(farm_id = self.farm.0))]
    pub async fn weighings(&mut self, newest_first: bool, page: &Pagination) -> Result<Vec<Weighing>> {
        self.weighings_where(None, newest_first, page).await
    }

    async fn weighings_where(
        &mut self,
        only: Option<Uuid>,
        newest_first: bool,
        page: &Pagination,
    ) -> Result<Vec<Weighing>> {
        let after: Option<Uuid> = page.after.as_deref().and_then(|a| a.parse().ok());
        let mut rows = sqlx::query!(
            r#"select w.act_id, w.lot as "lot: LotCode", l.strain as "strain: StrainCode", l.grade as "grade: GradeCode", w.place as "place: PlaceCode",
                      w.gross_g as "gross_g: Grams", w.tare_g as "tare_g: Grams", w.net_g as "net_g: Grams", w.trim_g as "trim_g: Grams", w.cut,
                      a.happened_at, a.recorded_at, a.done_by, a.entered_by, r.act_id as "reversed_by?",
                      lot_held_since(w.farm_id, w.lot) is not null as "on_hold!"
                 from weighing w join act a using (farm_id, act_id) join lot l using (farm_id, lot)
                 left join act r on r.farm_id = a.farm_id and r.reverses = a.act_id
                where w.farm_id = $1 and ($2::uuid is null or w.act_id = $2)
                  and ($3::uuid is null or (a.recorded_at, a.act_id) > (select recorded_at, act_id from act where farm_id = $1 and act_id = $3))
                order by case when $5 then a.recorded_at end desc, case when $5 then a.act_id end desc, a.recorded_at, a.act_id limit $4"#,
            self.farm.0,
            only,
            after,
            page.limit,
            newest_first
        )
        .fetch_all(&mut *self.db)
        .await?;
        let ids: Vec<Uuid> = rows.iter().map(|r| r.act_id).collect();
        let sources = sqlx::query!(
            r#"select act_id, batch as "batch: BatchCode", flush, grams as "grams: Grams", basis as "basis: Basis"
                 from weighing_source where farm_id = $1 and act_id = any ($2) order by act_id, batch, flush"#,
            self.farm.0,
            &ids
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .drain(..)
            .map(|r| Weighing {
                sources: sources
                    .iter()
                    .filter(|s| s.act_id == r.act_id)
                    .map(|s| WeighedSource { batch: s.batch.clone(), flush: s.flush, grams_g: s.grams, basis: s.basis })
                    .collect(),
                id: r.act_id,
                lot: r.lot,
                strain: r.strain,
                grade: r.grade,
                place: r.place,
                gross_g: r.gross_g,
                tare_g: r.tare_g,
                net_g: r.net_g,
                trim_g: r.trim_g,
                cut: r.cut,
                weighed_at: r.happened_at,
                recorded_at: r.recorded_at,
                done_by: r.done_by,
                entered_by: r.entered_by,
                reversed_by: r.reversed_by,
                on_hold: r.on_hold,
            })
            .collect())
    }
}

/// A place that a weighing may go to.
#[derive(Debug, Deserialize)]
struct PlaceFacts {
    place: PlaceCode,
    kind: PlaceKind,
}

/// A weighing in the book.
#[derive(Serialize)]
struct WeighingRow<'a> {
    /// The one that the entry makes or joins.
    lot: PlannedLot,
    place: &'a PlaceCode,
    gross_g: Grams,
    tare_g: Grams,
    net_g: Grams,
    trim_g: Grams,
    cut: bool,
    #[serde(rename = "crate")]
    crate_kind: Option<&'a CrateCode>,
    crates: i32,
    liner: Option<&'a CrateCode>,
    wet: bool,
}

impl<'a> WeighingRow<'a> {
    fn of(new: &'a NewWeighing, plan: &'a Plan) -> Self {
        Self {
            lot: PlannedLot::Made(0),
            place: &plan.place,
            gross_g: new.gross_g,
            tare_g: plan.tare_g,
            net_g: plan.net_g,
            trim_g: new.trim_g,
            cut: new.cut,
            crate_kind: new.tare.crate_kind.as_ref(),
            crates: plan.crates,
            liner: new.tare.liner.as_ref(),
            wet: new.tare.wet,
        }
    }
}

/// What a batch gave, in the book.
#[derive(Serialize)]
struct SourceRow<'a> {
    batch: &'a BatchCode,
    flush: i32,
    grams: Grams,
    basis: Basis,
}

impl<'a> SourceRow<'a> {
    fn of(source: &'a WeighedSource) -> Self {
        Self { batch: &source.batch, flush: source.flush, grams: source.grams_g, basis: source.basis }
    }
}

/// As they are read back.
fn in_order(mut sources: Vec<WeighedSource>) -> Vec<WeighedSource> {
    sources.sort_by(|a, b| (&a.batch, a.flush).cmp(&(&b.batch, b.flush)));
    sources
}

/// From each room to the place, and to trim what was cut off.
fn legs(plan: &Plan) -> Result<Vec<PlannedLeg>> {
    let trim_place = built_in_place(PlaceKind::Trim);
    let mut legs = Vec::new();
    for share in &plan.rooms {
        // A room is a place under the same code.
        let from_place: PlaceCode = share.room.as_str().parse().map_err(crate::Error::Stored)?;
        for (to_place, grams_g) in [(&plan.place, share.net_g), (&trim_place, share.trim_g)] {
            if grams_g > Grams::ZERO {
                let (from_place, to_place) = (from_place.clone(), to_place.clone());
                legs.push(PlannedLeg { lot: PlannedLot::Made(0), from_place, to_place, grams_g });
            }
        }
    }
    Ok(legs)
}
