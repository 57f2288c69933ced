//! Lots as they are now: what they are, where each gram is, and how it has fared.

use chrono::{DateTime, NaiveDate, Utc};
use gillbook_core::{
    cold::CAUTION,
    kinds::{Form, LotOrigin, Packaging},
    ledger::{lot::Composition, warm_spell::WarmSpell},
    text::{GradeCode, LotCode, StrainCode},
};
use sqlx::types::Json;

use crate::{
    Pagination, Result, Tx,
    ledger::{
        holds::Hold,
        lots::{Lot, LotAt, made_of},
    },
};

/// The most lots in stock that are looked at at once.
const MAX_LOTS_IN_STOCK: i64 = 10_000;

/// Which lots are read.
#[derive(Debug, Clone, Copy)]
pub(super) enum Lots<'a> {
    All,
    InStock,
    One(&'a LotCode),
}

/// A lot as it is now, without what it is made of.
#[derive(Debug, Clone, PartialEq)]
pub struct LotState {
    /// The lot.
    pub lot: LotCode,
    /// Its strain.
    pub strain: StrainCode,
    /// Its grade.
    pub grade: GradeCode,
    /// Its packaging.
    pub packaging: Packaging,
    /// Fresh or dried.
    pub form: Form,
    /// The day of its harvest.
    pub harvest_day: NaiveDate,
    /// As in [`Lot`].
    pub harvested_at: DateTime<Utc>,
    /// How it began.
    pub origin: LotOrigin,
    /// Best before, set when packed.
    pub best_before: Option<NaiveDate>,
    /// Why it is on hold, where it is.
    pub hold: Option<Hold>,
    /// The warm spell that it was in and that is not settled.
    pub warm_spell: Option<WarmSpell>,
    /// Whether it is finished.
    pub finished: bool,
    /// Where each gram is, with its shelf life.
    pub places: Vec<LotAt>,
}

impl LotState {
    /// Whether nothing of it is to be sold.
    #[must_use]
    pub fn on_hold(&self) -> bool {
        self.hold.is_some()
    }

    pub(super) fn made_of(self, composition: Option<&Composition>) -> Lot {
        Lot {
            on_hold: self.on_hold(),
            lot: self.lot,
            strain: self.strain,
            grade: self.grade,
            packaging: self.packaging,
            form: self.form,
            harvest_day: self.harvest_day,
            harvested_at: self.harvested_at,
            origin: self.origin,
            best_before: self.best_before,
            hold: self.hold,
            warm_spell: self.warm_spell,
            finished: self.finished,
            places: self.places,
            made_of: made_of(composition),
            caution: CAUTION.into(),
        }
    }
}

impl Tx {
    /// Lots with stock, without what they are made of.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.lots_in_stock", skip_all, fields(farm_id = self.farm.0))]
    pub async fn lots_in_stock(&mut self) -> Result<Vec<LotState>> {
        self.states_where(Lots::InStock, &Pagination { after: None, limit: MAX_LOTS_IN_STOCK }).await
    }

    async fn lot_codes(&mut self, page: &Pagination) -> Result<Vec<String>> {
        Ok(sqlx::query_scalar!(
            "select lot from lot where farm_id = $1 and lot > $2 order by lot limit $3",
            self.farm.0,
            page.after.as_deref().unwrap_or_default(),
            page.limit
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    pub(super) async fn states_where(&mut self, which: Lots<'_>, page: &Pagination) -> Result<Vec<LotState>> {
        let named = match which {
            Lots::One(code) => vec![code.to_string()],
            Lots::All => self.lot_codes(page).await?,
            Lots::InStock => Vec::new(),
        };
        let rows = sqlx::query!(
            r#"with code as materialized (
                   select x.lot
                     from (select unnest($2::text[]) as lot
                           union
                           select b.lot from place p join balance b on b.farm_id = $1 and b.place = p.place and b.grams > 0
                            where $5 and p.farm_id = $1 and p.kind in ('fridge', 'shelf', 'van', 'stall')) x
                    where $3::text is null or x.lot > $3 order by x.lot limit $4),
               chosen as materialized (select l.* from code join lot l on l.farm_id = $1 and l.lot = code.lot)
               select l.lot as "lot: LotCode", l.strain as "strain: StrainCode", l.grade as "grade: GradeCode",
                      l.packaging as "packaging: Packaging", l.form as "form: Form", l.harvest_day,
                      h.at as "harvested_at!",
                      l.origin as "origin: LotOrigin", l.best_before,
                      exists (select from lot_event e where e.farm_id = $1 and e.lot = l.lot and e.kind = 'finish'
                                 and not exists (select from act x where x.farm_id = $1 and x.reverses = e.act_id)) as "finished!",
                      (select jsonb_build_object('reason', h.reason, 'since', h.happened_at, 'done_by', h.done_by, 'entered_by', h.entered_by,
                                   'excursion_id', h.excursion_id, 'recall', h.recall, 'batch', h.batch)
                         from lot_hold h where h.farm_id = $1 and h.lot = l.lot) as "hold: Json<Hold>",
                      coalesce((select jsonb_agg(jsonb_build_object('place', b.place, 'kind', p.kind, 'grams_g', b.grams, 'set_aside_g', b.set_aside_g)
                                                 order by b.place)
                                  from balance b join place p on p.farm_id = $1 and p.place = b.place
                                 where b.farm_id = $1 and b.lot = l.lot and b.grams > 0), '[]') as "places!: Json<Vec<LotAt>>"
                 from chosen l join lots_harvested_at($1, array(select lot from chosen)) h on h.lot = l.lot
                order by l.lot"#,
            self.farm.0,
            &named,
            page.after,
            page.limit,
            matches!(which, Lots::InStock)
        )
        .fetch_all(&mut *self.db)
        .await?;
        let ageing: Vec<LotCode> =
            rows.iter().filter(|r| is_ageing(r.form, &r.places.0)).map(|r| r.lot.clone()).collect();
        let lives = self.lives_left(&ageing).await?;
        let warm = self.warm_spells_of(&rows.iter().map(|r| r.lot.clone()).collect::<Vec<_>>()).await?;
        let mut states = Vec::with_capacity(rows.len());
        for r in rows {
            let mut places = r.places.0;
            for at in &mut places {
                let life = lives.get(&(r.lot.clone(), at.place.clone()));
                at.life = life.map(|l| l.worst);
                at.life_at_best = life.and_then(|l| l.best);
            }
            states.push(LotState {
                places,
                warm_spell: warm.get(&r.lot).cloned(),
                lot: r.lot,
                strain: r.strain,
                grade: r.grade,
                packaging: r.packaging,
                form: r.form,
                harvest_day: r.harvest_day,
                harvested_at: r.harvested_at,
                origin: r.origin,
                best_before: r.best_before,
                hold: r.hold.map(|hold| hold.0),
                finished: r.finished,
            });
        }
        Ok(states)
    }
}

fn is_ageing(form: Form, places: &[LotAt]) -> bool {
    form == Form::Fresh && places.iter().any(|p| p.kind.holds_stock())
}
