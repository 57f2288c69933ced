//! Which lots were in a warm spell that is not settled, wherever they are now and whatever was made of them since.

use std::collections::{BTreeMap, BTreeSet};

use gillbook_core::{
    cold::spell,
    kinds::{ExcursionKind, SpellStanding},
    ledger::warm_spell::{Reached, WARM_SPELL, WarmSpell, authorise_from, authorise_sending, oldest},
    text::{DocketCode, LotCode, PlaceCode},
};
use uuid::Uuid;

use crate::{Result, Tx};

impl Tx {
    /// The oldest warm spell that is not settled, for each of some lots that was in one: the lot itself, or one that it was made of since,
    /// out of a place that grams from the spell had reached.
    pub(crate) async fn warm_spells_of(&mut self, lots: &[LotCode]) -> Result<BTreeMap<LotCode, WarmSpell>> {
        Ok(oldest(&self.unsettled_spells_of(lots).await?))
    }

    /// Every warm spell that is not settled of some lots, the oldest first.
    pub(crate) async fn unsettled_spells_of(&mut self, lots: &[LotCode]) -> Result<Vec<Reached>> {
        if lots.is_empty() {
            return Ok(Vec::new());
        }
        let mut lots: Vec<String> = lots.iter().map(ToString::to_string).collect();
        lots.sort_unstable();
        lots.dedup();
        if let Some((of, spells)) = self.memo.spells.as_ref()
            && lots.iter().all(|lot| of.binary_search(lot).is_ok())
        {
            let is_wanted = |r: &&Reached| lots.binary_search_by(|lot| lot.as_str().cmp(r.lot.as_str())).is_ok();
            return Ok(spells.iter().filter(is_wanted).cloned().collect());
        }
        let rows = sqlx::query!(
            r#"select i.lot as "lot!: LotCode", e.excursion_id, e.place as "place: PlaceCode", e.began_at, coalesce(e.ended_at, e.withdrawn_at) as ended_at, e.air_c,
                      e.product_c, i.decided as "decided!", i.countersigned as "countersigned!", i.places as "places!: Vec<PlaceCode>"
                 from lots_inside($1, null, $2) i join excursion e on e.farm_id = $1 and e.excursion_id = i.excursion_id
                order by e.began_at, e.excursion_id, i.lot"#,
            self.farm.0,
            &lots
        )
        .fetch_all(&mut *self.db)
        .await?;
        let reached = rows.into_iter().map(|r| Reached {
            lot: r.lot,
            places: r.places,
            decided: r.decided,
            air_c: r.air_c,
            product_c: r.product_c,
            spell: WarmSpell {
                excursion_id: r.excursion_id,
                place: r.place,
                began_at: r.began_at,
                ended_at: r.ended_at,
                standing: spell::standing(r.ended_at.is_some(), r.decided, r.countersigned),
                caution: WARM_SPELL.into(),
            },
        });
        let reached: Vec<Reached> = reached.filter(|r| r.spell.standing != SpellStanding::Settled).collect();
        if self.memo.one_snapshot {
            self.memo.spells = Some((lots, reached.clone()));
        }
        Ok(reached)
    }

    /// Asks for the person's own sign-in before grams of lots leave a place that a warm spell has reached which is not settled. `known` is
    /// whether the one who sent them out knew of it.
    pub(crate) async fn authorise_warm_from(
        &mut self,
        lots: &[LotCode],
        place: &PlaceCode,
        what: &str,
        known: impl Fn(&Reached) -> bool,
    ) -> Result<()> {
        let spells = self.unsettled_spells_of(lots).await?;
        Ok(authorise_from(&spells, place, what, known, self.actor.with)?)
    }

    /// Asks for the person's own sign-in before lots of a warm spell that is not settled leave the farm. Call with the lots locked.
    ///
    /// # Errors
    /// Refuses a shared phone and a machine.
    pub(crate) async fn authorise_warm(&mut self, lots: &[LotCode]) -> Result<Vec<Reached>> {
        let warm = self.unsettled_spells_of(lots).await?;
        authorise_sending(&warm, self.actor.with)?;
        Ok(warm)
    }

    /// Asks for the person's own sign-in before a lot has more in stock than it had, without being weighed, while a warm spell is not settled
    /// or a lot was put on hold of late: what comes to light may be of such a lot under another label.
    pub(crate) async fn authorise_gain(&mut self, what: &str) -> Result<()> {
        let spells = self.excursions_to_deal_with().await?;
        let mut unsettled = spells.into_iter().find(|e| e.kind == ExcursionKind::TooWarm).map(|e| e.place);
        if unsettled.is_none() {
            // One that was withdrawn asks nobody any more once nothing of its lots is in stock.
            unsettled = sqlx::query_scalar!(
                r#"select e.place as "place: PlaceCode" from excursion e
                    where e.farm_id = $1 and e.excursion_id in (
                          select i.excursion_id from lots_inside($1, array(
                              select w.excursion_id from excursion w
                               where w.farm_id = $1 and w.kind = 'too_warm' and w.became is null
                                 and w.withdrawn_at > $2::timestamptz - interval '60 days'), null) i
                           where not (i.decided and i.countersigned))
                    order by e.began_at limit 1"#,
                self.farm.0,
                self.now
            )
            .fetch_optional(&mut *self.db)
            .await?;
        }
        if let Some(place) = unsettled {
            self.authoriser(&format!("{what}, while a warm spell in {place} is not settled,"))?;
        }
        let on_hold = sqlx::query_scalar!(
            "select lot from lot where farm_id = $1 and lot_held_since(farm_id, lot) > $2::timestamptz - interval '60 days' order by lot limit 1",
            self.farm.0,
            self.now
        )
        .fetch_optional(&mut *self.db)
        .await?;
        if let Some(lot) = on_hold {
            self.authoriser(&format!("{what}, while lot {lot} is on hold,"))?;
        }
        Ok(())
    }

    /// The warm spells that a docket's lots were sent out with and that are no worse than they were known to be then. What was sent out had
    /// left the other places, so a spell may last longer there; one in the van itself may not. Where more of the lot was brought into the van
    /// since, nothing is known of that.
    pub(crate) async fn known_docket_spells(&mut self, docket: &DocketCode) -> Result<BTreeSet<(LotCode, Uuid)>> {
        let rows = sqlx::query!(
            r#"select d.lot as "lot: LotCode", d.excursion_id
                 from docket_spell d join excursion e using (farm_id, excursion_id) join docket k using (farm_id, docket)
                 join act a on a.farm_id = k.farm_id and a.act_id = k.act_id
                where d.farm_id = $1 and d.docket = $2
                  and is_no_worse(e, d.began_at, case when e.place = k.van then coalesce(d.ended_at, a.recorded_at) else d.ended_at end, d.air_c, d.product_c)
                  and not exists (select from movement m join act t on t.farm_id = m.farm_id and t.act_id = m.act_id
                                   where m.farm_id = d.farm_id and m.lot = d.lot and m.to_place = k.van
                                     and t.kind <> 'dispatch' and t.recorded_at >= a.recorded_at)"#,
            self.farm.0,
            docket.as_str()
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|r| (r.lot, r.excursion_id)).collect())
    }
}
