//! Weighings: one crate or stack on the scale, into a lot.

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    ledger::weighing::{SourceAmount, Stack, net, share_sources},
    refusal::{Kind, Refusal},
    text::{BatchCode, CrateCode, GradeCode, LotCode, PlaceCode, RoomCode, Short, StrainCode},
    units::{
        calendar::{Instant, day_of},
        quantity::share_by_largest_remainder,
    },
    words::{ActKind, Basis, BatchOrigin, CrateKind, Form, LotOrigin, Packaging, PlaceKind},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Page, Result, Tx,
    error::OrMissing,
    ledger::{
        entries::{Leg, NewAct},
        lots::NewLot,
    },
};

/// A batch that a weighing comes from.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSource {
    /// The batch.
    pub batch: BatchCode,
    /// Its flush, from 1.
    #[schema(minimum = 1, maximum = 9)]
    pub flush: i32,
    /// Grams that were weighed apart, trim included.
    pub grams_g: Option<Grams>,
    /// A share, such as blocks in fruit, where they were not.
    pub share: Option<i32>,
}

/// The tare of a weighing: its weight, or what stood on the scale.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTare {
    /// The weight, where it was weighed.
    pub tare_g: Option<Grams>,
    /// The kind of crate.
    #[serde(rename = "crate")]
    pub crate_kind: Option<CrateCode>,
    /// How many; one unless said.
    #[schema(minimum = 1, maximum = 20)]
    pub crates: Option<i32>,
    /// The kind of liner in each.
    pub liner: Option<CrateCode>,
    /// Whether they were wet.
    #[serde(default)]
    pub wet: bool,
}

/// One crate or stack on the scale.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewWeighing {
    /// Made by the client; the same again counts once.
    pub id: Uuid,
    /// The batches that it comes from, all of one strain.
    #[schema(min_items = 1, max_items = 20)]
    pub sources: Vec<NewSource>,
    /// Its grade.
    pub grade: GradeCode,
    /// Its packaging; open unless said.
    pub packaging: Option<Packaging>,
    /// What the scale showed.
    pub gross_g: Grams,
    /// What stood under it.
    #[serde(default)]
    pub tare: NewTare,
    /// What was cut off and weighed, where it was.
    #[serde(default)]
    pub trim_g: Grams,
    /// Whether it was cut before the scale.
    #[serde(default)]
    pub cut: bool,
    /// Where it goes; the farm's only fridge unless said.
    pub place: Option<PlaceCode>,
    /// When; now unless said.
    pub weighed_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// A source of a weighing, with its grams.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct WeighedSource {
    /// The batch.
    pub batch: BatchCode,
    /// Its flush.
    pub flush: i32,
    /// How much, trim included.
    pub grams_g: Grams,
    /// Weighed apart, or shared.
    pub basis: Basis,
}

/// A weighing as it was kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Weighing {
    /// Id.
    pub id: Uuid,
    /// The lot that it went into.
    pub lot: LotCode,
    /// Strain of the lot.
    pub strain: StrainCode,
    /// Grade of the lot.
    pub grade: GradeCode,
    /// Where it went.
    pub place: PlaceCode,
    /// What the scale showed.
    pub gross_g: Grams,
    /// What was under it.
    pub tare_g: Grams,
    /// Gross less tare: what reached the place.
    pub net_g: Grams,
    /// What was cut off.
    pub trim_g: Grams,
    /// Whether it was cut before the scale.
    pub cut: bool,
    /// The batches that it came from.
    pub sources: Vec<WeighedSource>,
    /// When.
    pub weighed_at: DateTime<Utc>,
    /// When it was written down.
    pub recorded_at: DateTime<Utc>,
    /// Who did it.
    pub done_by: String,
    /// Who was signed in.
    pub entered_by: String,
    /// The act that took it back.
    pub reversed_by: Option<Uuid>,
}

struct Origin {
    strain: StrainCode,
    rooms: Vec<RoomCode>,
}

impl Tx {
    /// Keeps a weighing, and puts it into the day's lot of its strain, grade and packaging.
    ///
    /// # Errors
    /// Names the field that cannot be.
    pub async fn weigh(&mut self, new: &NewWeighing) -> Result<Weighing> {
        let weighed_at = self.happened(new.weighed_at, "/weighed_at")?;
        let (tare, crates) = self.tare(&new.tare).await?;
        let net_g = net(new.gross_g, tare, new.trim_g)?;
        let origin = self.origin(&new.sources, weighed_at).await?;
        let total = net_g + new.trim_g;
        let amounts: Vec<SourceAmount> =
            new.sources.iter().enumerate().map(source_amount).collect::<Result<_, Refusal>>()?;
        let shares = share_sources(total, &amounts)?;
        let place = self.weighing_place(new.place.as_ref()).await?;
        let act = NewAct {
            id: new.id,
            kind: ActKind::Weighing,
            happened_at: weighed_at,
            by: new.by.as_ref(),
            document: None,
            reason: "",
        };
        self.enter_act(&act, None).await?;
        let lot = self.lot_of_the_day(new, &origin.strain, weighed_at).await?;
        sqlx::query!(
            "insert into weighing (farm_id, act_id, lot, place, gross_g, tare_g, net_g, trim_g, cut, crate, crates, liner, wet)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)",
            self.farm.0,
            new.id,
            lot.as_str(),
            place.as_str(),
            new.gross_g.0,
            tare.0,
            net_g.0,
            new.trim_g.0,
            new.cut,
            new.tare.crate_kind.as_ref().map(CrateCode::as_str),
            crates,
            new.tare.liner.as_ref().map(CrateCode::as_str),
            new.tare.wet
        )
        .execute(&mut *self.db)
        .await?;
        for (source, (grams, basis)) in new.sources.iter().zip(&shares) {
            sqlx::query!(
                "insert into weighing_source (farm_id, act_id, batch, flush, grams, basis) values ($1, $2, $3, $4, $5, $6)",
                self.farm.0,
                new.id,
                source.batch.as_str(),
                source.flush,
                grams.0,
                basis.as_str()
            )
            .execute(&mut *self.db)
            .await?;
        }
        let legs = self.weighing_legs(&lot, &place, &origin.rooms, &shares, new.trim_g).await?;
        self.enter_legs(new.id, &legs).await?;
        self.weighing(new.id).await
    }

    async fn tare(&mut self, tare: &NewTare) -> Result<(Grams, i32)> {
        let crates = tare.crates.unwrap_or(i32::from(tare.crate_kind.is_some() || tare.liner.is_some()));
        if !(0..=20).contains(&crates) || (tare.crates == Some(0)) {
            return Err(Refusal::field("/tare/crates", "A stack has 1 to 20 crates.").into());
        }
        if let Some(weighed) = tare.tare_g {
            return Ok((weighed, crates));
        }
        let mut stack = Stack { crates, ..Stack::default() };
        for (code, kind, pointer) in
            [(&tare.crate_kind, CrateKind::Crate, "/tare/crate"), (&tare.liner, CrateKind::Liner, "/tare/liner")]
        {
            let Some(code) = code else { continue };
            let found = self.crate_kind(code).await.or_missing(|| {
                Refusal::field(pointer, format!("There is no {kind} {code} on this farm. Check the code."))
            })?;
            if found.kind != kind {
                return Err(Refusal::field(pointer, format!("{code} is a {}, not a {kind}.", found.kind)).into());
            }
            let grams = Grams(i64::from(if tare.wet { found.tare_wet_g } else { found.tare_dry_g }));
            match kind {
                CrateKind::Crate => stack.crate_g = grams,
                CrateKind::Liner => stack.liner_g = grams,
            }
        }
        Ok((stack.tare(), crates))
    }

    /// Checks the batches of a weighing: there, of one strain, in a fruiting room, not finished, and in a flush that can be.
    async fn origin(&mut self, sources: &[NewSource], weighed_at: DateTime<Utc>) -> Result<Origin> {
        if sources.len() > 20 {
            return Err(Refusal::field("/sources", "A weighing comes from at most 20 batches. Weigh in two.").into());
        }
        let mut strain: Option<(StrainCode, BatchCode)> = None;
        let mut rooms = Vec::new();
        for (i, s) in sources.iter().enumerate() {
            let at = |field: &str| format!("/sources/{i}/{field}");
            if sources[..i].iter().any(|o| o.batch == s.batch && o.flush == s.flush) {
                return Err(Refusal::field(
                    at("batch"),
                    format!("Batch {} stands there twice. Add the two up.", s.batch),
                )
                .into());
            }
            let batch = self.batch(&s.batch).await.or_missing(|| {
                Refusal::field(
                    at("batch"),
                    format!("There is no batch {} on this farm. Check the code on the bag.", s.batch),
                )
            })?;
            match &strain {
                None => strain = Some((batch.strain.clone(), batch.batch.clone())),
                Some((other, first)) if *other != batch.strain => {
                    return Err(Refusal::field(
                        at("batch"),
                        format!(
                            "Batch {} is {} and batch {first} is {other}. Weigh each strain by itself.",
                            s.batch, batch.strain
                        ),
                    )
                    .into());
                }
                Some(_) => {}
            }
            if self.standing_at(&s.batch, weighed_at).await? <= 0 {
                return Err(Refusal::new(
                    Kind::Closed,
                    format!("Batch {} is finished: no block of it is left. Check the code on the bag.", s.batch),
                )
                .at(at("batch"))
                .into());
            }
            self.check_flush(&batch.batch, s.flush, batch.origin, &at("flush")).await?;
            rooms.push(self.fruiting_room(&s.batch).await?.ok_or_else(|| {
                Refusal::field(
                    at("batch"),
                    format!("Batch {} is in no fruiting room. Move it to its room first.", s.batch),
                )
            })?);
        }
        let (strain, _) = strain
            .ok_or_else(|| Refusal::field("/sources", "A weighing comes from at least one batch. Choose the batch."))?;
        Ok(Origin { strain, rooms })
    }

    async fn standing_at(&mut self, batch: &BatchCode, at: DateTime<Utc>) -> Result<i32> {
        Ok(sqlx::query_scalar!(
            r#"select (b.blocks - coalesce((select sum(blocks) from batch_loss where farm_id = b.farm_id and batch = b.batch and lost_at <= $3), 0)
                      - coalesce((select sum(blocks) from batch_move where farm_id = b.farm_id and batch = b.batch and kind <> 'moved' and moved_at <= $3), 0))::int as "n!"
                 from batch b where b.farm_id = $1 and b.batch = $2"#,
            self.farm.0,
            batch.as_str(),
            at
        )
        .fetch_one(&mut *self.db)
        .await?)
    }

    async fn check_flush(&mut self, batch: &BatchCode, flush: i32, origin: BatchOrigin, pointer: &str) -> Result<()> {
        let so_far = sqlx::query_scalar!(
            r#"select coalesce(max(s.flush), 0) as "n!" from weighing_source s where s.farm_id = $1 and s.batch = $2
                and not exists (select from act x where x.farm_id = s.farm_id and x.reverses = s.act_id)"#,
            self.farm.0,
            batch.as_str()
        )
        .fetch_one(&mut *self.db)
        .await?;
        // Blocks that stood in the rooms at opening may have flushed before the book began.
        let most = if so_far == 0 && origin == BatchOrigin::Opening { 9 } else { (so_far + 1).min(9) };
        if (1..=most).contains(&flush) {
            return Ok(());
        }
        let detail = match so_far {
            0 => format!("Batch {batch} has given nothing yet, so this is flush 1 and not {flush}."),
            n => format!("Batch {batch} has given {n} so far, so this is flush 1 to {most} and not {flush}."),
        };
        Err(Refusal::field(pointer, detail).into())
    }

    async fn fruiting_room(&mut self, batch: &BatchCode) -> Result<Option<RoomCode>> {
        Ok(sqlx::query_scalar!(
            r#"select m.room as "room!: RoomCode" from batch_move m join room r using (farm_id, room)
                where m.farm_id = $1 and m.batch = $2 and m.kind = 'moved' and r.kind = 'fruiting'
                order by m.moved_at desc, m.recorded_at desc limit 1"#,
            self.farm.0,
            batch.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?)
    }

    async fn weighing_place(&mut self, named: Option<&PlaceCode>) -> Result<PlaceCode> {
        if let Some(place) = named {
            let kind = self.place_kind(place, "/place").await?;
            if !matches!(kind, PlaceKind::Fridge | PlaceKind::Shelf | PlaceKind::Van) {
                return Err(Refusal::field(
                    "/place",
                    format!("{place} is not a fridge, a shelf or a van. A weighing goes to one of those."),
                )
                .into());
            }
            return Ok(place.clone());
        }
        let fridges = sqlx::query_scalar!(
            r#"select place as "place: PlaceCode" from place where farm_id = $1 and kind = 'fridge' order by place limit 2"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        match <[PlaceCode; 1]>::try_from(fridges) {
            Ok([only]) => Ok(only),
            Err(_) => Err(Refusal::field("/place", "This farm has no fridge, or several. Name the place.").into()),
        }
    }

    /// The lot of this strain, grade, packaging and harvest day that is not finished, or a new one.
    async fn lot_of_the_day(
        &mut self,
        new: &NewWeighing,
        strain: &StrainCode,
        weighed_at: DateTime<Utc>,
    ) -> Result<LotCode> {
        let day = day_of(weighed_at, self.ways().await?.zone);
        let packaging = new.packaging.unwrap_or(Packaging::Open);
        // One at a time for a strain and day, so that two scales do not begin the same lot twice.
        sqlx::query!(
            "select pg_advisory_xact_lock(hashtextextended($1, $2))",
            format!("lot {strain} {day}"),
            i64::from(self.farm.0)
        )
        .execute(&mut *self.db)
        .await?;
        let found = sqlx::query_scalar!(
            r#"select l.lot as "lot: LotCode" from lot l
                where l.farm_id = $1 and l.strain = $2 and l.grade = $3 and l.packaging = $4 and l.harvest_day = $5 and l.origin = 'harvest'
                  and not lot_finished(l.farm_id, l.lot) and lot_held_since(l.farm_id, l.lot) is null
                order by length(l.lot), l.lot limit 1"#,
            self.farm.0,
            strain.as_str(),
            new.grade.as_str(),
            packaging.as_str(),
            day
        )
        .fetch_optional(&mut *self.db)
        .await?;
        match found {
            Some(lot) => Ok(lot),
            None => {
                self.begin_lot(&NewLot {
                    strain,
                    grade: &new.grade,
                    packaging,
                    form: Form::Fresh,
                    harvest_day: day,
                    harvested_at: weighed_at,
                    origin: LotOrigin::Harvest,
                    best_before: None,
                    began_by: new.id,
                })
                .await
            }
        }
    }

    /// From each room to the place, and to trim what was cut off.
    async fn weighing_legs(
        &mut self,
        lot: &LotCode,
        place: &PlaceCode,
        rooms: &[RoomCode],
        shares: &[(Grams, Basis)],
        trim: Grams,
    ) -> Result<Vec<Leg>> {
        let mut by_room: Vec<(PlaceCode, i64)> = Vec::new();
        for (room, (grams, _)) in rooms.iter().zip(shares) {
            match by_room.iter_mut().find(|(p, _)| p.as_str() == room.as_str()) {
                Some((_, sum)) => *sum += grams.0,
                None => by_room.push((room.as_str().parse().map_err(crate::Error::Stored)?, grams.0)),
            }
        }
        let weights: Vec<i64> = by_room.iter().map(|(_, g)| *g).collect();
        let trims = share_by_largest_remainder(trim.0, &weights);
        let trim_place = self.sink(PlaceKind::Trim).await?;
        Ok(by_room
            .into_iter()
            .zip(trims)
            .flat_map(|((room, grams), trim)| {
                [(place.clone(), grams - trim), (trim_place.clone(), trim)].map(|(to_place, g)| Leg {
                    lot: lot.clone(),
                    from_place: room.clone(),
                    to_place,
                    grams_g: Grams(g),
                })
            })
            .filter(|l| l.grams_g > Grams::ZERO)
            .collect())
    }

    /// One weighing.
    ///
    /// # Errors
    /// Refuses one that is not there.
    pub async fn weighing(&mut self, id: Uuid) -> Result<Weighing> {
        self.weighings_where(Some(id), false, &Page { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found("weighing", id).into())
    }

    /// Weighings in the order of recording, or the newest first.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn weighings(&mut self, newest_first: bool, page: &Page) -> Result<Vec<Weighing>> {
        self.weighings_where(None, newest_first, page).await
    }

    async fn weighings_where(&mut self, only: Option<Uuid>, newest_first: bool, page: &Page) -> Result<Vec<Weighing>> {
        let after: Option<Uuid> = page.after.as_deref().and_then(|a| a.parse().ok());
        let mut rows = sqlx::query!(
            r#"select w.act_id, w.lot as "lot: LotCode", l.strain as "strain: StrainCode", l.grade as "grade: GradeCode", w.place as "place: PlaceCode",
                      w.gross_g as "gross_g: Grams", w.tare_g as "tare_g: Grams", w.net_g as "net_g: Grams", w.trim_g as "trim_g: Grams", w.cut,
                      a.happened_at, a.recorded_at, a.done_by, a.entered_by, r.act_id as "reversed_by?"
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
            })
            .collect())
    }
}

fn source_amount((i, source): (usize, &NewSource)) -> Result<SourceAmount, Refusal> {
    match (source.grams_g, source.share) {
        (Some(_), Some(_)) => Err(Refusal::field(format!("/sources/{i}"), "Give grams or a share, not both.")),
        (Some(grams), None) => Ok(SourceAmount::Measured(grams)),
        (None, share) => Ok(SourceAmount::Share(share.unwrap_or(1))),
    }
}
