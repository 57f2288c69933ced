//! Lots: what they are, what they are made of, where each gram is, and what they touched.

use std::borrow::Cow;

use crate::{
    Pagination, Result, Tx,
    ledger::{
        holds::Hold,
        lot_state::Lots,
        posting::{LotEvent, NewAct, Parts},
    },
};
use chrono::{DateTime, NaiveDate, Utc};
use gillbook_core::{
    Grams,
    cold::shelf_life::LifeLeft,
    kinds::{ActKind, Basis, Form, LotEventKind, LotOrigin, Packaging, PlaceKind},
    ledger::{
        entry::{PlannedLeg, built_in_place},
        lot::{self, Composition, Link, Source},
        warm_spell::WarmSpell,
    },
    refusal::{Refusal, RefusalKind},
    text::{BatchCode, GradeCode, Line, LotCode, PlaceCode, Short, StrainCode},
    units::calendar::Instant,
};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use utoipa::ToSchema;

/// What a lot is made of, from one batch and flush.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct MadeOf {
    /// The batch.
    pub batch: BatchCode,
    /// Its flush.
    pub flush: i32,
    /// How much.
    pub grams_g: Grams,
    /// Weighed apart, or shared.
    pub basis: Basis,
}

/// Grams of a lot at a place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct LotAt {
    /// Where.
    pub place: PlaceCode,
    /// Kind of place.
    pub kind: PlaceKind,
    /// How much.
    pub grams_g: Grams,
    /// Of that, set aside.
    pub set_aside_g: Grams,
    /// Shelf life left of what is there, where stock is kept and the strain has a life in this packaging. Where the grams went different
    /// ways, of those that fared worst.
    pub life: Option<LifeLeft>,
    /// Of those that fared best, where that is more than a day longer.
    pub life_at_best: Option<LifeLeft>,
}

/// A lot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Lot {
    /// Code.
    pub lot: LotCode,
    /// Strain.
    pub strain: StrainCode,
    /// Grade.
    pub grade: GradeCode,
    /// Packaging.
    pub packaging: Packaging,
    /// Fresh or dried.
    pub form: Form,
    /// Harvest day.
    pub harvest_day: NaiveDate,
    /// When the first of it was on the scale: the earliest weighing that stands, of this lot or of those that it was made of. For a lot of
    /// the opening entry, when its harvest day began.
    pub harvested_at: DateTime<Utc>,
    /// How it began.
    pub origin: LotOrigin,
    /// Best before, by the farm's own rule, set when packed.
    pub best_before: Option<NaiveDate>,
    /// Whether it is on hold.
    pub on_hold: bool,
    /// Why it is on hold, since when and by whom.
    pub hold: Option<Hold>,
    /// The warm spell that it was in, itself or before it was packed, and that is not settled.
    pub warm_spell: Option<WarmSpell>,
    /// Whether it is finished.
    pub finished: bool,
    /// Where each gram is.
    pub places: Vec<LotAt>,
    /// What it is made of. Empty for lots of the opening entry.
    pub made_of: Vec<MadeOf>,
    /// The usual caution.
    pub caution: Cow<'static, str>,
}

/// What a lot is, without where it is and how it has fared.
#[derive(Debug, Clone)]
pub(crate) struct LotFacts {
    /// The lot.
    pub lot: LotCode,
    pub strain: StrainCode,
    pub grade: GradeCode,
    pub packaging: Packaging,
    pub form: Form,
    pub harvest_day: NaiveDate,
    pub harvested_at: DateTime<Utc>,
    pub best_before: Option<NaiveDate>,
    pub on_hold: bool,
}

/// Why a lot is held, released or finished, or a batch held.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewLotEvent {
    /// Why.
    pub reason: Line,
    /// When; now unless said.
    pub happened_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

impl Tx {
    /// What a lot is, where only that is needed.
    pub(crate) async fn lot_facts(&mut self, code: &LotCode) -> Result<LotFacts> {
        let mut lots = self.facts_of_lots(std::slice::from_ref(code)).await?;
        lots.remove(code).ok_or_else(|| Refusal::not_found(LotCode::NOUN, code).into())
    }

    /// What those of some lots are that are there.
    pub(crate) async fn facts_of_lots(&mut self, codes: &[LotCode]) -> Result<BTreeMap<LotCode, LotFacts>> {
        let codes: Vec<String> = codes.iter().map(ToString::to_string).collect();
        let lots = sqlx::query_as!(
            LotFacts,
            r#"select l.lot as "lot: _", l.strain as "strain: _", l.grade as "grade: _", l.packaging as "packaging: _", l.form as "form: _", l.harvest_day,
                      lot_harvested_at(l.farm_id, l.lot) as "harvested_at!", l.best_before,
                      exists (select from lot_hold h where h.farm_id = l.farm_id and h.lot = l.lot) as "on_hold!"
                 from lot l where l.farm_id = $1 and l.lot = any ($2)"#,
            self.farm.0,
            &codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(lots.into_iter().map(|l| (l.lot.clone(), l)).collect())
    }

    pub(crate) async fn lot_exists(&mut self, code: &LotCode) -> Result<()> {
        sqlx::query_scalar!(
            r#"select 1 as "one!" from lot where farm_id = $1 and lot = $2"#,
            self.farm.0,
            code.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?
        .map(|_| ())
        .ok_or_else(|| Refusal::not_found(LotCode::NOUN, code).into())
    }

    /// Lots by code, or only those with stock.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.lots", skip_all, fields(farm_id = self.farm.0))]
    pub async fn lots(&mut self, in_stock: bool, page: &Pagination) -> Result<Vec<Lot>> {
        self.lots_where(if in_stock { Lots::InStock } else { Lots::All }, page).await
    }

    /// One lot.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.ledger.lot", skip_all, fields(farm_id = self.farm.0))]
    pub async fn lot(&mut self, code: &LotCode) -> Result<Lot> {
        self.lots_where(Lots::One(code), &Pagination { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found(LotCode::NOUN, code).into())
    }

    async fn lots_where(&mut self, which: Lots<'_>, page: &Pagination) -> Result<Vec<Lot>> {
        let states = self.states_where(which, page).await?;
        let codes: Vec<String> = states.iter().map(|s| s.lot.to_string()).collect();
        let compositions = self.compositions(Some(&codes)).await?;
        Ok(states
            .into_iter()
            .map(|state| {
                let composition = compositions.get(&state.lot);
                state.made_of(composition)
            })
            .collect())
    }

    /// The make-up of lots, or of every lot.
    pub(crate) async fn compositions(&mut self, only: Option<&[String]>) -> Result<BTreeMap<LotCode, Composition>> {
        let wanted = only.unwrap_or_default();
        let rows = sqlx::query!(
            r#"with recursive up(lot) as (
                   select lot from lot where farm_id = $1 and (not $3 or lot = any ($2))
                   union
                   select k.parent from lot_link k join up on k.child = up.lot where k.farm_id = $1),
               given as (
                   select k.child as lot, k.act_id, k.parent, null::text as batch, null::int as flush, k.grams, null::text as basis
                     from lot_link k
                    where k.farm_id = $1 and k.child in (select lot from up)
                      and not exists (select from act x where x.farm_id = $1 and x.reverses = k.act_id)
                   union all
                   select w.lot, null, null, s.batch, s.flush, sum(s.grams)::bigint, case when bool_or(s.basis = 'shared') then 'shared' else 'measured' end
                     from weighing w join weighing_source s on s.farm_id = $1 and s.act_id = w.act_id
                    where w.farm_id = $1 and w.lot in (select lot from up)
                      and not exists (select from act x where x.farm_id = $1 and x.reverses = w.act_id)
                    group by w.lot, s.batch, s.flush)
               select lot as "lot!: LotCode", parent as "parent: LotCode", batch as "batch: BatchCode", flush, grams as "grams!: Grams",
                      basis as "basis: Basis"
                 from given order by lot, act_id, parent"#,
            self.farm.0,
            wanted,
            only.is_some()
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut weighed: BTreeMap<LotCode, Composition> = BTreeMap::new();
        let mut links = Vec::new();
        // Each row is grams that another lot gave, or that were weighed of a batch.
        for r in rows {
            if let Some(parent) = r.parent {
                links.push(Link { parent, child: r.lot, grams: r.grams });
            } else if let (Some(batch), Some(flush), Some(basis)) = (r.batch, r.flush, r.basis) {
                weighed.entry(r.lot).or_default().insert(Source { batch, flush }, (r.grams, basis));
            }
        }
        Ok(lot::compositions(&weighed, &links))
    }

    /// Finishes a lot: what the book still has of it in fridge, shelf, van and stall is weight lost as water.
    ///
    /// # Errors
    /// Refuses a lot of which nothing is left and that is finished, one that is on its way to a customer or out at a stall, and one of which
    /// something is set aside.
    #[tracing::instrument(level = "debug", name = "store.ledger.finish_lot", skip_all, fields(farm_id = self.farm.0))]
    pub async fn finish_lot(&mut self, code: &LotCode, new: &NewLotEvent) -> Result<Lot> {
        let at = self.occurred_at(new.happened_at, "/happened_at")?;
        self.lock_lots(std::slice::from_ref(code)).await?;
        let lot = self.lot(code).await?;
        let water = built_in_place(PlaceKind::Water);
        let stock = lot.places.iter().filter(|p| p.kind.holds_stock());
        let legs: Vec<PlannedLeg> = stock.map(|p| PlannedLeg::of(code, &p.place, &water, p.grams_g)).collect();
        // A reversal may have brought some of it back since it was finished: that can be finished too.
        if lot.finished && legs.is_empty() {
            return Err(Refusal::new(RefusalKind::Closed, format!("Lot {code} is finished already.")).into());
        }
        self.ensure_not_on_its_way(code).await?;
        let act = NewAct {
            id: self.new_id(),
            kind: ActKind::Finish,
            happened_at: at,
            by: new.by.as_ref(),
            document: None,
            reason: new.reason.as_str(),
            reverses: None,
        };
        let finish = LotEvent {
            lot: code.clone().into(),
            kind: LotEventKind::Finish,
            reason: new.reason.as_str(),
            happened_at: at,
            by: new.by.as_ref(),
            document: None,
        };
        let parts = Parts::default().with("lot_events", &self.lot_event_rows(&[finish])?)?;
        self.post(&act, &legs, parts).await?;
        self.lot(code).await
    }

    /// Refuses a lot under a docket that was not handed over yet, or at a stall whose day is not closed. Call with the lot locked.
    async fn ensure_not_on_its_way(&mut self, code: &LotCode) -> Result<()> {
        let under = sqlx::query!(
            r#"select d.docket as "document!", true as "van!" from docket_line l join docket d using (farm_id, docket)
                where l.farm_id = $1 and l.lot = $2 and d.van is not null and docket_is_open(d)
               union all
               select y.market_day, false from market_day y join movement m on m.farm_id = y.farm_id and m.act_id = y.out_act
                where y.farm_id = $1 and y.status = 'open' and m.lot = $2
                order by 2 desc, 1 limit 1"#,
            self.farm.0,
            code.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        let text = match under {
            None => return Ok(()),
            Some(u) if u.van => format!("out for delivery under docket {}. Write down the delivery first.", u.document),
            Some(u) => format!("at the stall of market day {}. Close the market day first.", u.document),
        };
        Err(Refusal::new(RefusalKind::Closed, format!("Lot {code} is not finished: some of it is {text}")).into())
    }
}

pub(super) fn made_of(composition: Option<&Composition>) -> Vec<MadeOf> {
    composition
        .into_iter()
        .flatten()
        .map(|(s, (grams, basis))| MadeOf { batch: s.batch.clone(), flush: s.flush, grams_g: *grams, basis: *basis })
        .collect()
}
