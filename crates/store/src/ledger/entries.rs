//! Acts and their movements: the one way that stock changes.

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::{ActKind, PlaceKind},
    ledger::{
        entry::{Act, Leg, MovementPlan, NewMovement, PlannedLeg},
        warm_spell::WarmSpell,
    },
    refusal::Refusal,
    text::{Line, LotCode, PlaceCode, StrainCode},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Pagination, Result, Tx,
    error::OrMissing,
    ledger::posting::{NewAct, Parts},
};

/// Grams of a lot at a place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct StockRow {
    /// The lot.
    pub lot: LotCode,
    /// Its strain.
    pub strain: StrainCode,
    /// Where.
    pub place: PlaceCode,
    /// Kind of place.
    pub place_kind: PlaceKind,
    /// How much.
    pub grams_g: Grams,
    /// Of that, set aside for orders.
    pub set_aside_g: Grams,
    /// Of that, free: neither set aside nor, in a van, on a docket that is under way. Nothing of a lot on hold is.
    pub free_g: Grams,
    /// Whether the lot is on hold.
    pub on_hold: bool,
    /// The warm spell that the lot was in and that is not settled. Only of the stock as it is now.
    pub warm_spell: Option<WarmSpell>,
}

impl Tx {
    /// Moves grams by hand: a transfer, waste, a gift, a test, trim, home.
    ///
    /// # Errors
    /// Refuses a missing reason, more than is there, what is set aside, and a lot on hold for anything but waste and test.
    #[tracing::instrument(level = "debug", name = "store.ledger.move_grams", skip_all, fields(farm_id = self.farm.0))]
    pub async fn move_grams(&mut self, new: &NewMovement) -> Result<Act> {
        let happened_at = self.occurred_at(new.happened_at, "/happened_at")?;
        let plan = MovementPlan::of(new)?;
        self.lot_exists(&new.lot).await.or_missing(|| {
            Refusal::field("/lot", format!("There is no lot {} on this farm. Check the code.", new.lot))
        })?;
        self.lock_lots(std::slice::from_ref(&new.lot)).await?;
        if plan.refused_on_hold {
            self.ensure_not_on_hold(std::slice::from_ref(&new.lot)).await?;
        }
        if plan.eaten {
            self.authorise_warm(std::slice::from_ref(&new.lot)).await?;
        }
        let act = NewAct {
            id: new.id.unwrap_or_else(|| self.new_id()),
            kind: plan.kind,
            happened_at,
            by: new.by.as_ref(),
            document: None,
            reason: new.reason.as_ref().map_or("", Line::as_str),
            reverses: None,
        };
        let leg = PlannedLeg::of(&new.lot, &new.from_place, &plan.to_place, new.grams_g);
        Ok(self.post(&act, &[leg], Parts::default()).await?.act)
    }

    /// One act.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.ledger.act", skip_all, fields(farm_id = self.farm.0))]
    pub async fn act(&mut self, act_id: Uuid) -> Result<Act> {
        self.acts_where(Some(act_id), None, None, &Pagination { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found("entry", act_id).into())
    }

    /// Acts in the order of recording, all or of one kind or lot.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.acts", skip_all, fields(farm_id = self.farm.0))]
    pub async fn acts(&mut self, kind: Option<ActKind>, lot: Option<&LotCode>, page: &Pagination) -> Result<Vec<Act>> {
        self.acts_where(None, kind, lot, page).await
    }

    async fn acts_where(
        &mut self,
        only: Option<Uuid>,
        kind: Option<ActKind>,
        lot: Option<&LotCode>,
        page: &Pagination,
    ) -> Result<Vec<Act>> {
        let after: Option<Uuid> = page.after.as_deref().and_then(|a| a.parse().ok());
        let rows = sqlx::query!(
            r#"select a.act_id, a.kind as "kind: ActKind", a.happened_at, a.recorded_at, a.done_by, a.entered_by, a.document, a.reason,
                      a.reverses, r.act_id as "reversed_by?"
                 from act a left join act r on r.farm_id = a.farm_id and r.reverses = a.act_id
                where a.farm_id = $1 and ($2::uuid is null or a.act_id = $2) and ($3::text is null or a.kind = $3)
                  and ($4::text is null or exists (select from movement m where m.farm_id = a.farm_id and m.act_id = a.act_id and m.lot = $4))
                  and ($5::uuid is null or (a.recorded_at, a.act_id) > (select recorded_at, act_id from act where farm_id = $1 and act_id = $5))
                order by a.recorded_at, a.act_id limit $6"#,
            self.farm.0,
            only,
            kind.map(ActKind::as_str),
            lot.map(LotCode::as_str),
            after,
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?;
        let ids: Vec<Uuid> = rows.iter().map(|r| r.act_id).collect();
        let legs = sqlx::query!(
            r#"select act_id, lot as "lot: LotCode", from_place as "from_place: PlaceCode", to_place as "to_place: PlaceCode", grams as "grams: Grams"
                 from movement where farm_id = $1 and act_id = any ($2) order by act_id, leg"#,
            self.farm.0,
            &ids
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| Act {
                legs: legs
                    .iter()
                    .filter(|l| l.act_id == r.act_id)
                    .map(|l| Leg {
                        lot: l.lot.clone(),
                        from_place: l.from_place.clone(),
                        to_place: l.to_place.clone(),
                        grams_g: l.grams,
                    })
                    .collect(),
                act_id: r.act_id,
                kind: r.kind,
                happened_at: r.happened_at,
                recorded_at: r.recorded_at,
                done_by: r.done_by,
                entered_by: r.entered_by,
                document: r.document,
                reason: r.reason,
                reverses: r.reverses,
                reversed_by: r.reversed_by,
            })
            .collect())
    }

    /// Stock in fridges, shelves, vans and stalls now, or of all that had happened by an instant.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.stock", skip_all, fields(farm_id = self.farm.0))]
    pub async fn stock(&mut self, at: Option<DateTime<Utc>>, place: Option<&PlaceCode>) -> Result<Vec<StockRow>> {
        let rows = sqlx::query!(
            r#"select x.lot as "lot!: LotCode", l.strain as "strain!: StrainCode", x.place as "place!: PlaceCode", p.kind as "kind!: PlaceKind",
                      x.grams as "grams!: Grams", x.set_aside_g as "set_aside_g!: Grams",
                      case when p.kind = 'van' and $2 is null then docketed_g(l.farm_id, l.lot, x.place) else 0 end as "under_way_g!: Grams",
                      exists (select from lot_hold h where h.farm_id = l.farm_id and h.lot = l.lot) as "on_hold!"
                 from (select lot, place, grams, set_aside_g from balance where farm_id = $1 and grams > 0 and $2::timestamptz is null
                       union all
                       select m.lot, m.place, sum(m.delta)::bigint, 0::bigint
                         from (select lot, from_place as place, -grams as delta, act_id from movement where farm_id = $1 and $2 is not null
                               union all
                               select lot, to_place, grams, act_id from movement where farm_id = $1 and $2 is not null) m
                         join act a on a.farm_id = $1 and a.act_id = m.act_id and a.happened_at <= $2
                        group by m.lot, m.place having sum(m.delta) <> 0) x
                 join place p on p.farm_id = $1 and p.place = x.place and p.kind in ('fridge', 'shelf', 'van', 'stall')
                 join lot l on l.farm_id = $1 and l.lot = x.lot
                where $3::text is null or x.place = $3
                order by l.strain, l.harvest_day, x.lot, x.place"#,
            self.farm.0,
            at,
            place.map(PlaceCode::as_str)
        )
        .fetch_all(&mut *self.db)
        .await?;
        let lots: Vec<LotCode> = rows.iter().filter(|_| at.is_none()).map(|r| r.lot.clone()).collect();
        let warm = self.warm_spells_of(&lots).await?;
        Ok(rows
            .into_iter()
            .map(|r| StockRow {
                warm_spell: warm.get(&r.lot).cloned(),
                free_g: if r.on_hold { Grams::ZERO } else { r.grams - r.set_aside_g - r.under_way_g },
                lot: r.lot,
                strain: r.strain,
                place: r.place,
                place_kind: r.kind,
                grams_g: r.grams,
                set_aside_g: r.set_aside_g,
                on_hold: r.on_hold,
            })
            .collect())
    }
}
