//! Which lots were in a warm spell that is not settled, wherever they are now and whatever was made of them since.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use gillbook_core::{
    spell,
    text::{LotCode, PlaceCode},
    words::SpellStanding,
};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{Result, Tx};

/// What stands beside a lot of a warm spell that is not settled.
pub const WARM_SPELL: &str = "It was in a warm spell that is not settled yet. Your local food-safety rules and your own food-safety plan decide what may be done with it.";

/// A warm spell that a lot was in and that is not settled.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct WarmSpell {
    /// The excursion.
    pub excursion_id: Uuid,
    /// Where.
    pub place: PlaceCode,
    /// Since when.
    pub began_at: DateTime<Utc>,
    /// Until when; nothing while it lasts.
    pub ended_at: Option<DateTime<Utc>>,
    /// Open, or undecided.
    pub standing: SpellStanding,
    /// The caution.
    pub caution: &'static str,
}

/// A lot that was in an excursion, itself or before it was packed.
pub(crate) struct Inside {
    pub lot: LotCode,
    pub spell: WarmSpell,
    /// Whether an action names it, or what it was made of since.
    pub decided: bool,
}

impl Tx {
    /// The oldest warm spell that is not settled, for each of some lots that was in one: the lot itself, or one that it was made of after the
    /// spell had begun.
    pub(crate) async fn warm_spells_of(&mut self, lots: &[LotCode]) -> Result<BTreeMap<LotCode, WarmSpell>> {
        if lots.is_empty() {
            return Ok(BTreeMap::new());
        }
        let mut oldest = BTreeMap::new();
        for inside in self.inside_of(lots, None).await? {
            if inside.spell.standing != SpellStanding::Settled {
                oldest.entry(inside.lot).or_insert(inside.spell);
            }
        }
        Ok(oldest)
    }

    /// Which of some lots were in one excursion, or in any warm spell, the oldest first. An action counts for a lot that it names as a
    /// whole, for the part that it set apart, and for what was made of either later; not once its act was reversed.
    pub(crate) async fn inside_of(&mut self, lots: &[LotCode], only: Option<Uuid>) -> Result<Vec<Inside>> {
        let lots: Vec<String> = lots.iter().map(ToString::to_string).collect();
        let rows = sqlx::query!(
            r#"with recursive up(lot, ancestor, left_at, linked_at) as (
                   select l, l, 'infinity'::timestamptz, 'infinity'::timestamptz from unnest($2::text[]) l
                   union
                   select up.lot, k.parent, a.happened_at, a.recorded_at
                     from up join lot_link k on k.farm_id = $1 and k.child = up.ancestor
                     join act a on a.farm_id = k.farm_id and a.act_id = k.act_id
                    where not exists (select from act x where x.farm_id = k.farm_id and x.reverses = k.act_id)),
               met as (
                   select up.lot, e.excursion_id, e.place, e.began_at, e.ended_at
                     from up join movement m on m.farm_id = $1 and m.lot = up.ancestor
                     join act a on a.farm_id = m.farm_id and a.act_id = m.act_id
                     join excursion e on e.farm_id = m.farm_id and e.place in (m.from_place, m.to_place)
                    where e.withdrawn_at is null and (e.excursion_id = $3 or ($3 is null and e.kind = 'too_warm'))
                      and e.began_at <= up.left_at and a.happened_at <= coalesce(e.ended_at, 'infinity') and a.kind <> 'reversal'
                      and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id)
                    group by up.lot, up.ancestor, up.left_at, e.excursion_id, e.place, e.began_at, e.ended_at
                   having coalesce(sum(case when m.to_place = e.place then m.grams else -m.grams end)
                                   filter (where a.happened_at <= e.began_at), 0) > 0
                       or bool_or(m.to_place = e.place and a.happened_at > e.began_at and a.happened_at <= up.left_at))
               select distinct met.lot as "lot!: LotCode", met.excursion_id as "excursion_id!", met.place as "place!: PlaceCode",
                      met.began_at as "began_at!", met.ended_at,
                      exists (select from excursion_sign_off s where s.farm_id = $1 and s.excursion_id = met.excursion_id) as "countersigned!",
                      exists (select from up join excursion_action_lot d on d.farm_id = $1 and up.ancestor in (d.lot, d.set_apart)
                                join excursion_action t on t.farm_id = d.farm_id and t.action_id = d.action_id
                               where up.lot = met.lot and t.excursion_id = met.excursion_id and (d.whole or up.ancestor = d.set_apart)
                                 and t.recorded_at <= up.linked_at
                                 and not exists (select from act x where x.farm_id = t.farm_id and x.reverses = t.act_id)) as "decided!"
                 from met order by 4, 2, 1"#,
            self.farm.0,
            &lots,
            only
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Inside {
                lot: r.lot,
                spell: WarmSpell {
                    excursion_id: r.excursion_id,
                    place: r.place,
                    began_at: r.began_at,
                    ended_at: r.ended_at,
                    standing: spell::standing(r.ended_at.is_some(), r.decided, r.countersigned),
                    caution: WARM_SPELL,
                },
                decided: r.decided,
            })
            .collect())
    }

    /// Asks for the person's own sign-in before lots of a warm spell that is not settled leave the farm. Call with the lots locked.
    ///
    /// # Errors
    /// Refuses a shared phone and a machine.
    pub(crate) async fn authorise_warm(&mut self, lots: &[LotCode]) -> Result<BTreeMap<LotCode, WarmSpell>> {
        let warm = self.warm_spells_of(lots).await?;
        if let Some((lot, spell)) = warm.first_key_value() {
            self.authoriser(&format!(
                "Sending out lot {lot}, which was in a warm spell in {} that is not settled,",
                spell.place
            ))?;
        }
        Ok(warm)
    }
}
