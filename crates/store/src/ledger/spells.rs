//! Excursions with the lots that were inside, and what was done about them.

use std::borrow::Cow;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    cold::spell,
    kinds::{ExcursionKind, Packaging, SpellStanding},
    refusal::Refusal,
    text::{LotCode, PlaceCode},
    units::calendar::Span,
};
use serde::{Deserialize, Serialize};
use sqlx::types::Json;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Result, Tx,
    cold::probe_checks::PROBE_TOLERANCE_C,
    ledger::{countersign::SignOff, excursion_actions::ActionTaken},
};

/// An excursion.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Excursion {
    /// Id.
    pub excursion_id: Uuid,
    /// Where.
    pub place: PlaceCode,
    /// What it is.
    pub kind: ExcursionKind,
    /// The probe, for a fault.
    pub probe: Option<String>,
    /// When it began.
    pub began_at: DateTime<Utc>,
    /// When it ended; nothing while it lasts. One that was withdrawn while it lasted ended then.
    pub ended_at: Option<DateTime<Utc>>,
    /// The farthest that the air went, °C.
    pub air_c: Option<f64>,
    /// The farthest that the product was reckoned to go, °C.
    pub product_c: Option<f64>,
    /// Degree-minutes of the product beyond the limit.
    pub beyond_degree_minutes: f64,
    /// Whether the product stayed so near the limit that a probe good to ±1 °C cannot decide.
    pub undecided: bool,
    /// When later readings withdrew it.
    pub withdrawn_at: Option<DateTime<Utc>>,
    /// The excursion that it became part of.
    pub became: Option<Uuid>,
    /// Where a warm or cold spell stands; nothing for the other kinds. Settled once every lot of it that is in stock is decided on, and all
    /// that was written down about it is countersigned.
    pub standing: Option<SpellStanding>,
    /// Whether something is still to be written down about it: about a warm or cold spell, when nothing stands or a lot in stock was inside on
    /// which nothing decides; about a gap that is over, or a warm spell that was withdrawn, when such a lot was inside.
    pub wants_action: bool,
    /// What was done.
    pub actions: Vec<ActionTaken>,
    /// The second sign-offs, oldest first. What each is for stands with the actions.
    pub sign_offs: Vec<SignOff>,
}

/// A lot that was there meanwhile, or that was made since of one that was.
#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own")]
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ExposedLot {
    /// The lot.
    pub lot: LotCode,
    /// Grams that by the book were there when it began or came while it lasted. None of a lot that was made since, nor of an entry that was
    /// taken back: until then it counts as having happened, so that the lot is inside.
    pub grams_g: Grams,
    /// Whether it was not there itself: it was made since of a lot that was, or a count may have taken such a lot for it.
    pub made_since: bool,
    /// Grams that may have been there: more than by the book where departures were entered late on a shared phone, nothing where an entry
    /// was taken back.
    pub careful_g: Option<Grams>,
    /// Whether all that was inside is still where it was, or went out of stock: nothing of it went to another store.
    #[serde(skip)]
    pub(crate) stayed: bool,
    /// Of what may have been there, what has not left the stores since; nothing where nobody can tell.
    #[serde(skip)]
    pub(crate) left_g: Option<Grams>,
    /// Grams of it that are there now.
    pub there_g: Grams,
    /// Grams of it in fridges, shelves, vans and stalls now.
    pub stock_g: Grams,
    /// Whether it is on hold.
    pub on_hold: bool,
    /// Whether an action says what becomes of it.
    pub decided: bool,
    /// Whether every action that says so is countersigned.
    pub countersigned: bool,
    /// Whether what is there now can be set apart and held alone: the rest of the lot is elsewhere, and nothing has gone from here to
    /// another store since it began.
    pub can_set_apart: bool,
    /// How it is packed.
    pub packaging: Packaging,
    /// Days of shelf life that it took of the lot while the lot was there, beyond what the same time at the limit would have taken. Nothing
    /// where no life is set or no air is known.
    pub life_days: Option<f64>,
    /// A caution, for a sealed pack.
    pub caution: Option<Cow<'static, str>>,
}

/// An excursion, and the lots that were there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ExcursionWithLots {
    /// The excursion.
    #[serde(flatten)]
    pub excursion: Excursion,
    /// The lots.
    pub lots: Vec<ExposedLot>,
    /// The usual caution.
    pub caution: Cow<'static, str>,
}

/// The caution of a sealed pack.
const SEALED: &str = "Sealed packs: warmth can be a matter of safety here and not only of quality. Hold it and ask your local authority's rules or your food-safety plan.";

const fn is_spell(kind: ExcursionKind) -> bool {
    matches!(kind, ExcursionKind::TooWarm | ExcursionKind::TooCold)
}

impl Tx {
    /// Excursions that touch a span, oldest first; of one place or of all. Withdrawn ones only if something was done about them, or is still
    /// to be decided about food that was inside: a limit or a probe that was corrected says nothing of the food.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.excursions", skip_all, fields(farm_id = self.farm.0))]
    pub async fn excursions(&mut self, place: Option<&PlaceCode>, span: Span) -> Result<Vec<Excursion>> {
        self.excursions_where(None, place, span).await
    }

    /// The excursions that want something: open ones, warm or cold spells that are not settled, and gaps and withdrawn warm spells
    /// with food in them that nobody has decided on.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.excursions_to_deal_with", skip_all, fields(farm_id = self.farm.0))]
    pub async fn excursions_to_deal_with(&mut self) -> Result<Vec<Excursion>> {
        let ids = self.recent_and_unsigned_spells(self.now - chrono::TimeDelta::days(31)).await?;
        let unsettled = |e: &Excursion| e.standing.is_some_and(|standing| standing != SpellStanding::Settled);
        let all = self.excursions_where(Some(&ids), None, self.always()).await?;
        Ok(all
            .into_iter()
            .filter(|e| match e.withdrawn_at {
                Some(_) => e.became.is_none() && (e.wants_action || (unsettled(e) && !e.actions.is_empty())),
                None => e.ended_at.is_none() || unsettled(e) || e.wants_action,
            })
            .collect())
    }

    /// All that lasted after an instant; of those that ended before it, the spells that nobody has countersigned, and withdrawn ones of a year
    /// that nobody has dealt with.
    async fn recent_and_unsigned_spells(&mut self, since: DateTime<Utc>) -> Result<Vec<Uuid>> {
        Ok(sqlx::query_scalar!(
            "select e.excursion_id from excursion e
              where e.farm_id = $1 and (coalesce(e.ended_at, e.withdrawn_at, 'infinity') >= $2 or e.kind in ('too_warm', 'too_cold')
                and case when e.withdrawn_at is null
                         then not exists (select from excursion_sign_off s where s.farm_id = e.farm_id and s.excursion_id = e.excursion_id)
                         else e.kind = 'too_warm' and e.became is null and e.withdrawn_at > $2 - interval '1 year' end)
              order by e.began_at",
            self.farm.0,
            since
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    fn always(&self) -> Span {
        Span { from: DateTime::<Utc>::UNIX_EPOCH, until: self.now }
    }

    async fn excursions_where(
        &mut self,
        only: Option<&[Uuid]>,
        place: Option<&PlaceCode>,
        span: Span,
    ) -> Result<Vec<Excursion>> {
        let rows = sqlx::query!(
            r#"select e.excursion_id, e.place as "place: PlaceCode", e.kind as "kind: ExcursionKind", p.name as "probe?", e.began_at, e.ended_at,
                      e.air_c, e.product_c, e.beyond_c_s, e.withdrawn_at, e.became,
                      (select l.warm_c from place_limit l where l.farm_id = e.farm_id and l.place = e.place and l.effective_from <= e.began_at
                        order by l.effective_from desc limit 1) as warm_c,
                      coalesce((select jsonb_agg(jsonb_build_object('action_id', t.action_id, 'done', t.done, 'food', t.food, 'food_note', t.food_note,
                                       'lots', coalesce((select jsonb_agg(jsonb_build_object('lot', n.lot, 'grams_g', n.grams, 'whole', n.whole,
                                                                                             'set_apart', n.set_apart) order by n.lot)
                                                           from excursion_action_lot n where n.farm_id = $1 and n.action_id = t.action_id), '[]'),
                                       'to_place', t.to_place, 'act_id', t.act_id, 'orders_short', t.orders_short, 'done_at', t.done_at,
                                       'done_by', t.done_by, 'entered_by', t.entered_by, 'reversed', action_reversed(t.farm_id, t.action_id),
                                       'countersigned_by', s.signed_by) order by t.done_at, t.action_id)
                                  from excursion_action t
                                  left join excursion_action_sign_off c on c.farm_id = $1 and c.action_id = t.action_id
                                  left join excursion_sign_off s on s.farm_id = $1 and s.sign_off_id = c.sign_off_id
                                 where t.farm_id = $1 and t.excursion_id = e.excursion_id), '[]') as "actions!: Json<Vec<ActionTaken>>",
                      coalesce((select jsonb_agg(jsonb_build_object('signed_by', s.signed_by, 'signed_at', s.signed_at, 'note', s.note)
                                                 order by s.signed_at, s.sign_off_id)
                                  from excursion_sign_off s where s.farm_id = $1 and s.excursion_id = e.excursion_id), '[]') as "sign_offs!: Json<Vec<SignOff>>"
                 from excursion e left join probe p using (farm_id, probe_id)
                where e.farm_id = $1 and ($2::uuid[] is null or e.excursion_id = any ($2)) and ($3::text is null or e.place = $3)
                  and ($2::uuid[] is not null or (e.began_at < $5 and (coalesce(e.ended_at, e.withdrawn_at) is null or coalesce(e.ended_at, e.withdrawn_at) >= $4)
                       and (e.withdrawn_at is null or (e.kind = 'too_warm' and e.became is null)
                            or exists (select from excursion_action a where a.farm_id = e.farm_id and a.excursion_id = e.excursion_id))))
                order by e.began_at, e.excursion_id"#,
            self.farm.0,
            only as Option<&[Uuid]>,
            place.map(PlaceCode::as_str),
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?;
        // Food that stood in unknown air is to be decided on like food that stood in warm air; once the readings have come the air is known.
        let about_food =
            rows.iter().filter(|r| is_spell(r.kind) || (r.kind == ExcursionKind::NoData && r.withdrawn_at.is_none()));
        let about_food = about_food.map(|r| (r.excursion_id, r.kind == ExcursionKind::TooWarm && r.became.is_none()));
        let undecided = self.undecided_in_stock(about_food.collect()).await?;
        Ok(rows
            .into_iter()
            .filter_map(|r| {
                let actions = r.actions.0;
                let food_undecided = undecided.contains(&r.excursion_id);
                // By its id one is told whatever became of it.
                let listed = only.is_some() || r.withdrawn_at.is_none() || !actions.is_empty() || food_undecided;
                if !listed {
                    return None;
                }
                let ended_at = r.ended_at.or(r.withdrawn_at);
                let stands = || actions.iter().filter(|a| !a.reversed);
                let is_spell = is_spell(r.kind);
                let decided = stands().next().is_some() && !food_undecided;
                let countersigned = stands().all(|a| a.countersigned_by.is_some());
                Some(Excursion {
                    standing: is_spell.then(|| spell::standing(ended_at.is_some(), decided, countersigned)),
                    wants_action: match r.withdrawn_at {
                        Some(_) => r.became.is_none() && food_undecided,
                        None if is_spell => !decided,
                        None => r.ended_at.is_some() && food_undecided,
                    },
                    actions,
                    undecided: r.kind == ExcursionKind::TooWarm
                        && r.withdrawn_at.is_none()
                        && r.product_c
                            .zip(r.warm_c)
                            .is_some_and(|(product, limit)| product < limit + PROBE_TOLERANCE_C),
                    excursion_id: r.excursion_id,
                    place: r.place,
                    kind: r.kind,
                    probe: r.probe,
                    began_at: r.began_at,
                    ended_at,
                    air_c: r.air_c,
                    product_c: r.product_c,
                    beyond_degree_minutes: r.beyond_c_s / 60.0,
                    withdrawn_at: r.withdrawn_at,
                    became: r.became,
                    sign_offs: r.sign_offs.0,
                })
            })
            .collect())
    }

    /// Those excursions that a lot in stock was inside, while nothing decides on it. Each is given with whether it is a warm spell that became no
    /// part of another: of those a page that shows the stock knows already.
    async fn undecided_in_stock(&mut self, excursions: BTreeMap<Uuid, bool>) -> Result<BTreeSet<Uuid>> {
        let (warm, others): (BTreeMap<Uuid, bool>, BTreeMap<Uuid, bool>) =
            excursions.into_iter().partition(|(_, is_warm)| *is_warm);
        let others: Vec<Uuid> = others.into_keys().collect();
        if warm.is_empty() && others.is_empty() {
            return Ok(BTreeSet::new());
        }
        let in_stock = sqlx::query_scalar!(
            r#"select distinct b.lot as "lot: LotCode" from place p join balance b using (farm_id, place)
                where p.farm_id = $1 and b.grams > 0 and p.kind in ('fridge', 'shelf', 'van', 'stall')"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut undecided = BTreeSet::new();
        if !warm.is_empty() {
            let reached = self.unsettled_spells_of(&in_stock).await?;
            undecided.extend(
                reached.iter().filter(|r| !r.decided).map(|r| r.spell.excursion_id).filter(|id| warm.contains_key(id)),
            );
        }
        if !others.is_empty() {
            let in_stock: Vec<String> = in_stock.iter().map(ToString::to_string).collect();
            let found = sqlx::query_scalar!(
                r#"select distinct excursion_id as "id!" from lots_inside($1, $2, $3) where not decided"#,
                self.farm.0,
                &others,
                &in_stock
            )
            .fetch_all(&mut *self.db)
            .await?;
            undecided.extend(found);
        }
        Ok(undecided)
    }

    /// One excursion, with the lots that were there and what it took of their life.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.ledger.excursion", skip_all, fields(farm_id = self.farm.0))]
    pub async fn excursion(&mut self, id: Uuid) -> Result<ExcursionWithLots> {
        let excursion = self
            .excursions_where(Some(&[id]), None, self.always())
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found("excursion", id))?;
        let span =
            Span { from: excursion.began_at, until: excursion.ended_at.unwrap_or(self.now).max(excursion.began_at) };
        let lots = self.lots_there(id, &excursion.place, span).await?;
        Ok(ExcursionWithLots { excursion, lots, caution: gillbook_core::cold::CAUTION.into() })
    }

    pub(crate) async fn lots_there(&mut self, id: Uuid, place: &PlaceCode, span: Span) -> Result<Vec<ExposedLot>> {
        // `offset 0` keeps the planner from looking for "spread" among all that was ever moved.
        let rows = sqlx::query!(
            r#"select l.lot as "lot: LotCode", l.packaging as "packaging: Packaging", i.made_since as "made_since!", i.grams as "grams!: Grams", i.careful_g as "careful_g: Grams",
                      i.decided as "decided!", i.countersigned as "countersigned!",
                      coalesce((select b.grams from balance b where b.farm_id = $1 and b.lot = l.lot and b.place = $2), 0) as "there!: Grams",
                      coalesce((select sum(b.grams) from balance b join place p using (farm_id, place)
                                 where b.farm_id = $1 and b.lot = l.lot and p.kind in ('fridge', 'shelf', 'van', 'stall')), 0)::bigint as "stock!: Grams",
                      lot_held_since(l.farm_id, l.lot) is not null as "on_hold!",
                      coalesce((select sum(m.grams) from movement m join act a using (farm_id, act_id) join place p on p.farm_id = m.farm_id and p.place = m.to_place
                                 where m.farm_id = $1 and m.lot = l.lot and m.from_place = $2 and p.kind not in ('fridge', 'shelf', 'van', 'stall')
                                   and a.happened_at >= $3 and a.kind <> 'reversal'
                                   and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id)), 0)::bigint as "gone!: Grams",
                      exists (select from movement m join act a using (farm_id, act_id) join place p on p.farm_id = m.farm_id and p.place = m.to_place
                                join place f on f.farm_id = m.farm_id and f.place = m.from_place
                               where m.farm_id = $1 and m.lot = l.lot and (m.from_place = $2 or f.kind = 'found' and m.to_place <> $2) and p.kind in ('fridge', 'shelf', 'van', 'stall')
                                 and case when a.own_sign_in then a.happened_at else greatest(a.happened_at, a.recorded_at) end >= $3
                                 and a.kind <> 'reversal'
                                 and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id) offset 0) as "spread!"
                 from lots_inside($1, array[$4::uuid], null) i join lot l on l.farm_id = $1 and l.lot = i.lot
                order by l.lot"#,
            self.farm.0,
            place.as_str(),
            span.from,
            id
        )
        .fetch_all(&mut *self.db)
        .await?;
        let sells = self.place_kind(place, "/place").await?.sells();
        let there: Vec<LotCode> = rows.iter().filter(|r| !r.made_since).map(|r| r.lot.clone()).collect();
        let lost = self.life_lost(place, span, &there).await?;
        Ok(rows
            .into_iter()
            .map(|r| ExposedLot {
                life_days: lost.get(&r.lot).copied(),
                decided: r.decided,
                countersigned: r.countersigned,
                can_set_apart: sells
                    && !r.made_since
                    && !r.on_hold
                    && !r.spread
                    && r.careful_g == Some(r.grams)
                    && r.there > Grams::ZERO
                    && r.there < r.stock,
                left_g: r.careful_g.map(|grams| grams - r.gone),
                careful_g: r.careful_g,
                stayed: !r.spread && r.careful_g == Some(r.grams),
                lot: r.lot,
                grams_g: r.grams,
                made_since: r.made_since,
                there_g: r.there,
                stock_g: r.stock,
                on_hold: r.on_hold,
                packaging: r.packaging,
                caution: (r.packaging == Packaging::Sealed).then_some(SEALED.into()),
            })
            .collect())
    }
}
