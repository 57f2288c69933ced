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

impl Tx {
    /// The oldest warm spell that is not settled, for each of some lots that was in one: the lot itself, or one that it was made of since,
    /// out of a place that grams from the spell had reached.
    pub(crate) async fn warm_spells_of(&mut self, lots: &[LotCode]) -> Result<BTreeMap<LotCode, WarmSpell>> {
        if lots.is_empty() {
            return Ok(BTreeMap::new());
        }
        let lots: Vec<String> = lots.iter().map(ToString::to_string).collect();
        let rows = sqlx::query!(
            r#"select i.lot as "lot!: LotCode", e.excursion_id, e.place as "place: PlaceCode", e.began_at, e.ended_at,
                      i.decided as "decided!", i.countersigned as "countersigned!"
                 from lots_inside($1, null, $2) i join excursion e on e.farm_id = $1 and e.excursion_id = i.excursion_id
                order by e.began_at, e.excursion_id, i.lot"#,
            self.farm.0,
            &lots
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut oldest = BTreeMap::new();
        for r in rows {
            let standing = spell::standing(r.ended_at.is_some(), r.decided, r.countersigned);
            if standing != SpellStanding::Settled {
                oldest.entry(r.lot).or_insert(WarmSpell {
                    excursion_id: r.excursion_id,
                    place: r.place,
                    began_at: r.began_at,
                    ended_at: r.ended_at,
                    standing,
                    caution: WARM_SPELL,
                });
            }
        }
        Ok(oldest)
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
