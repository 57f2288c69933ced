//! Acts and their movements: the one way that stock changes.

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    ledger::entry::{Act, Destination, Leg, MovementPlan, NewMovement, expect_weight},
    refusal::{Kind, Refusal},
    text::{Line, LotCode, PlaceCode, Short, StrainCode},
    words::{ActKind, LotEventKind, PlaceKind},
};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{Page, Result, Tx, authority::SignedWith, error::OrMissing, ledger::warm_spells::WarmSpell};

/// An act to be entered.
pub(crate) struct NewAct<'a> {
    pub id: Uuid,
    pub kind: ActKind,
    pub happened_at: DateTime<Utc>,
    pub by: Option<&'a Short>,
    pub document: Option<&'a str>,
    pub reason: &'a str,
}

/// Grams of a lot at a place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
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

/// What happened to a lot beside its movements.
pub(crate) struct LotEvent<'a> {
    pub(crate) kind: LotEventKind,
    pub(crate) reason: &'a str,
    pub(crate) at: DateTime<Utc>,
    pub(crate) by: Option<&'a Short>,
    /// The warm spell that it is held for.
    pub(crate) document: Option<&'a str>,
    /// The act that finished it.
    pub(crate) act_id: Option<Uuid>,
}

impl Tx {
    /// Enters an act with its legs. The database posts the balances, and refuses what does not add up when the transaction commits.
    pub(crate) async fn enter(&mut self, act: &NewAct<'_>, legs: &[Leg]) -> Result<()> {
        self.enter_act(act, None).await?;
        self.enter_legs(act.id, legs).await
    }

    pub(crate) async fn enter_act(&mut self, act: &NewAct<'_>, reverses: Option<Uuid>) -> Result<()> {
        let entered = sqlx::query!(
            "insert into act (farm_id, act_id, kind, happened_at, recorded_at, done_by, entered_by, own_sign_in, document, reason, reverses)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) on conflict on constraint act_pk do nothing",
            self.farm.0,
            act.id,
            act.kind.as_str(),
            act.happened_at,
            self.now,
            self.done_by(act.by),
            self.signed.name,
            self.signed.with == SignedWith::OwnSignIn,
            act.document,
            act.reason,
            reverses
        )
        .execute(&mut *self.db)
        .await?;
        if entered.rows_affected() == 1 { Ok(()) } else { Err(self.id_taken(act).await?.into()) }
    }

    /// Why an act's id is not to be had: the same entry was sent again after its answer was forgotten, or another one has it.
    async fn id_taken(&mut self, act: &NewAct<'_>) -> Result<Refusal> {
        let there = self.act(act.id).await?;
        Ok(if there.kind == act.kind {
            Refusal::new(
                Kind::AlreadyThere,
                "This is in the book already, under the same id: it was kept the first time and counts once. Nothing is left to do.",
            )
        } else {
            Refusal::new(
                Kind::KeyReused,
                format!(
                    "Another entry of the book, {}, has this id. Make a new id and send it again.",
                    there.kind.said()
                ),
            )
        })
    }

    pub(crate) async fn enter_legs(&mut self, act_id: Uuid, legs: &[Leg]) -> Result<()> {
        expect_weight(legs)?;
        let column = |f: fn(&Leg) -> &str| legs.iter().map(|l| f(l).to_owned()).collect::<Vec<String>>();
        let grams: Vec<i64> = legs.iter().map(|l| l.grams_g.0).collect();
        sqlx::query!(
            "insert into movement (farm_id, act_id, leg, lot, from_place, to_place, grams)
             select $1, $2, n::smallint, l, f, t, g from unnest($3::text[], $4::text[], $5::text[], $6::bigint[]) with ordinality as u(l, f, t, g, n)",
            self.farm.0,
            act_id,
            &column(|l| l.lot.as_str()),
            &column(|l| l.from_place.as_str()),
            &column(|l| l.to_place.as_str()),
            &grams
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// The farm's only place of a kind that makes itself.
    pub(crate) async fn sink(&mut self, kind: PlaceKind) -> Result<PlaceCode> {
        Ok(sqlx::query_scalar!(
            r#"select place as "place: PlaceCode" from place where farm_id = $1 and kind = $2 order by place limit 1"#,
            self.farm.0,
            kind.as_str()
        )
        .fetch_one(&mut *self.db)
        .await?)
    }

    /// Locks the balances of lots, in the order that postings lock them.
    pub(crate) async fn lock_lots(&mut self, lots: &[LotCode]) -> Result<()> {
        let lots: Vec<String> = lots.iter().map(ToString::to_string).collect();
        sqlx::query!("select lock_balances($1, $2)", self.farm.0, &lots).execute(&mut *self.db).await?;
        Ok(())
    }

    /// Moves grams by hand: a transfer, waste, a gift, a test, trim, home.
    ///
    /// # Errors
    /// Refuses a missing reason, more than is there, what is set aside, and a lot on hold for anything but waste and test.
    #[tracing::instrument(level = "debug", name = "store.ledger.move_grams", skip_all, fields(farm_id = self.farm.0))]
    pub async fn move_grams(&mut self, new: &NewMovement) -> Result<Act> {
        let happened_at = self.happened(new.happened_at, "/happened_at")?;
        let plan = MovementPlan::of(new)?;
        self.lot_exists(&new.lot).await.or_missing(|| {
            Refusal::field("/lot", format!("There is no lot {} on this farm. Check the code.", new.lot))
        })?;
        self.lock_lots(std::slice::from_ref(&new.lot)).await?;
        if plan.refused_on_hold {
            self.expect_free_of_hold(std::slice::from_ref(&new.lot)).await?;
        }
        if plan.eaten {
            self.authorise_warm(std::slice::from_ref(&new.lot)).await?;
        }
        let to_place = match plan.to {
            Destination::Place(place) => place,
            Destination::Only(kind) => self.sink(kind).await?,
        };
        let id = new.id.unwrap_or_else(|| self.new_id());
        let act = NewAct {
            id,
            kind: plan.kind,
            happened_at,
            by: new.by.as_ref(),
            document: None,
            reason: new.reason.as_ref().map_or("", Line::as_str),
        };
        let leg = Leg { lot: new.lot.clone(), from_place: new.from_place.clone(), to_place, grams_g: new.grams_g };
        self.enter(&act, &[leg]).await?;
        self.act(id).await
    }

    /// One act.
    ///
    /// # Errors
    /// Refuses one that is not there.
    #[tracing::instrument(level = "debug", name = "store.ledger.act", skip_all, fields(farm_id = self.farm.0))]
    pub async fn act(&mut self, act_id: Uuid) -> Result<Act> {
        self.acts_where(Some(act_id), None, None, &Page { after: None, limit: 1 })
            .await?
            .pop()
            .ok_or_else(|| Refusal::not_found("entry", act_id).into())
    }

    /// Acts in the order of recording, all or of one kind or lot.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.acts", skip_all, fields(farm_id = self.farm.0))]
    pub async fn acts(&mut self, kind: Option<ActKind>, lot: Option<&LotCode>, page: &Page) -> Result<Vec<Act>> {
        self.acts_where(None, kind, lot, page).await
    }

    async fn acts_where(
        &mut self,
        only: Option<Uuid>,
        kind: Option<ActKind>,
        lot: Option<&LotCode>,
        page: &Page,
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
                      coalesce((select e.kind from lot_event e where e.farm_id = l.farm_id and e.lot = l.lot and e.kind in ('hold', 'release')
                        order by e.turn desc limit 1) = 'hold', false) as "on_hold!"
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

    /// Enters that a lot was held, released or finished. Call with the lot locked.
    pub(crate) async fn enter_lot_event(&mut self, lot: &LotCode, event: &LotEvent<'_>) -> Result<()> {
        let id = self.new_id();
        sqlx::query!(
            "insert into lot_event (farm_id, event_id, lot, kind, reason, happened_at, recorded_at, done_by, entered_by, document, act_id, turn)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, (select count(*) + 1 from lot_event where farm_id = $1 and lot = $3))",
            self.farm.0,
            id,
            lot.as_str(),
            event.kind.as_str(),
            event.reason,
            event.at,
            self.now,
            self.done_by(event.by),
            self.signed.name,
            event.document,
            event.act_id
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }
}
