//! Packings: lots made into lots. Packing into punnets, regrading, drying, and the opening entry of lots that were there.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use gillbook_core::{
    kinds::{ActKind, Form, LotOrigin, Packaging, PlaceKind},
    ledger::{
        entry::{PlannedLeg, PlannedLot, built_in_place},
        packing::{Facts, NewOpening, NewPacking, Packing, ParentFacts, decide},
    },
    text::{GradeCode, LotCode, PlaceCode, ProductCode, StrainCode},
    units::calendar::{day_begins, day_of},
};
use uuid::Uuid;

use crate::{
    Pagination, Result, Tx,
    heads::Heads,
    ledger::posting::{NewAct, NewLot, Parts},
};

impl Tx {
    /// Makes lots of lots. In = out + trim + water, to the gram.
    ///
    /// # Errors
    /// Refuses sums that do not close, strains that mix, lots on hold, and more than is there.
    #[tracing::instrument(level = "debug", name = "store.ledger.pack", skip_all, fields(farm_id = self.farm.0))]
    pub async fn pack(&mut self, new: &NewPacking) -> Result<Packing> {
        let happened_at = self.occurred_at(new.happened_at, "/happened_at")?;
        // Before anything is locked: what is not a sum locks nothing.
        new.ensure_sums()?;
        let lots: Vec<LotCode> = new.lots_in.iter().map(|l| l.lot.clone()).collect();
        self.lock_lots(&lots).await?;
        let facts = self.packing_facts(new, &lots, happened_at).await?;
        let plan = decide(new, &facts)?;
        self.ensure_not_on_hold(&lots).await?;
        let act = NewAct {
            id: new.id.unwrap_or_else(|| self.new_id()),
            kind: ActKind::Packing,
            happened_at,
            by: new.by.as_ref(),
            document: None,
            reason: "",
            reverses: None,
        };
        let lots = plan.children.iter().map(|child| NewLot {
            strain: &plan.strain,
            grade: &child.grade,
            packaging: child.packaging,
            form: child.form,
            harvest_day: plan.harvest_day,
            harvested_at: plan.harvested_at,
            origin: LotOrigin::Packed,
            best_before: child.best_before,
        });
        let parts = Parts::default().with_lots(lots, false)?.with_links(&plan.links())?;
        let posted = self.post(&act, &plan.legs(&new.place), parts).await?;
        Ok(Packing { made: posted.made, act: posted.act })
    }

    async fn packing_facts(&mut self, new: &NewPacking, lots: &[LotCode], at: DateTime<Utc>) -> Result<Facts> {
        let codes: Vec<String> = lots.iter().map(ToString::to_string).collect();
        let parents = sqlx::query!(
            r#"select l.lot as "lot: LotCode", l.strain as "strain: StrainCode", l.form as "form: Form", l.harvest_day,
                      lot_harvested_at(l.farm_id, l.lot) as "harvested_at!", l.best_before
                 from lot l where l.farm_id = $1 and l.lot = any ($2)"#,
            self.farm.0,
            &codes
        )
        .fetch_all(&mut *self.db)
        .await?;
        let parents = parents.into_iter().map(|l| {
            let facts = ParentFacts {
                strain: l.strain,
                form: l.form,
                harvest_day: l.harvest_day,
                harvested_at: l.harvested_at,
                best_before: l.best_before,
            };
            (l.lot, facts)
        });
        let mut facts = Facts { parents: parents.collect(), ..Facts::default() };
        let products: Vec<ProductCode> = new.lots_out.iter().filter_map(|out| out.product.clone()).collect();
        let grades: Vec<String> = new.lots_out.iter().map(|out| out.grade.to_string()).collect();
        facts.grades = sqlx::query_scalar!(
            r#"select grade as "grade: GradeCode" from grade where farm_id = $1 and grade = any ($2)"#,
            self.farm.0,
            &grades
        )
        .fetch_all(&mut *self.db)
        .await?
        .into_iter()
        .collect();
        if !products.is_empty() {
            facts.best_before_days = self.best_before_days(&products, at).await?;
            facts.products = self.products_there(&products).await?;
        }
        let named: Vec<PlaceCode> =
            new.lots_out.iter().filter_map(|out| out.place.as_ref()).chain([&new.place]).cloned().collect();
        facts.places = self.kinds_of_places(&named).await?.into_keys().collect();
        Ok(facts)
    }

    /// Those of some products that are there.
    async fn products_there(&mut self, products: &[ProductCode]) -> Result<BTreeSet<ProductCode>> {
        let products: Vec<String> = products.iter().map(ToString::to_string).collect();
        let there = sqlx::query_scalar!(
            r#"select product as "product: ProductCode" from product where farm_id = $1 and product = any ($2)"#,
            self.farm.0,
            &products
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(there.into_iter().collect())
    }

    /// Days from harvest to best before of some products by the farm's rules in force, by packaging.
    pub(crate) async fn best_before_days(
        &mut self,
        products: &[ProductCode],
        at: DateTime<Utc>,
    ) -> Result<BTreeMap<(ProductCode, Packaging), u64>> {
        let products: Vec<String> = products.iter().map(ToString::to_string).collect();
        let rules = sqlx::query!(
            r#"select distinct on (product, packaging) product as "product: ProductCode", packaging as "packaging: Packaging", days
                 from best_before_rule where farm_id = $1 and product = any ($2) and effective_from <= $3
                order by product, packaging, effective_from desc"#,
            self.farm.0,
            &products,
            at
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rules.into_iter().filter_map(|r| Some(((r.product, r.packaging), u64::try_from(r.days).ok()?))).collect())
    }

    /// Packings in the order of recording.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.packings", skip_all, fields(farm_id = self.farm.0))]
    pub async fn packings(&mut self, page: &Pagination) -> Result<Vec<Packing>> {
        let acts = self.acts(Some(ActKind::Packing), None, page).await?;
        let ids: Vec<Uuid> = acts.iter().map(|a| a.act_id).collect();
        let made = sqlx::query!(
            r#"select began_by, lot as "lot: LotCode" from lot where farm_id = $1 and began_by = any ($2) order by lot"#,
            self.farm.0,
            &ids
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(acts
            .into_iter()
            .map(|act| Packing {
                made: made.iter().filter(|m| m.began_by == act.act_id).map(|m| m.lot.clone()).collect(),
                act,
            })
            .collect())
    }

    /// Enters a lot that was in stock when the book was opened.
    ///
    /// # Errors
    /// Refuses a harvest day in the future and a place that holds no stock.
    #[tracing::instrument(level = "debug", name = "store.ledger.enter_opening", skip_all, fields(farm_id = self.farm.0))]
    pub async fn enter_opening(&mut self, new: &NewOpening) -> Result<Packing> {
        let happened_at = self.occurred_at(new.happened_at, "/happened_at")?;
        let zone = self.farm_settings().await?.zone;
        new.ensure_harvested(day_of(happened_at, zone))?;
        self.place_kind(&new.place, "/place").await?;
        self.lock(&Heads { places: std::slice::from_ref(&new.place), ..Heads::default() }).await?;
        let act = NewAct {
            id: new.id.unwrap_or_else(|| self.new_id()),
            kind: ActKind::Opening,
            happened_at,
            by: new.by.as_ref(),
            document: None,
            reason: "opening entry",
            reverses: None,
        };
        let lot = NewLot {
            strain: &new.strain,
            grade: &new.grade,
            packaging: new.packaging,
            form: new.form.unwrap_or(Form::Fresh),
            harvest_day: new.harvest_day.0,
            harvested_at: day_begins(new.harvest_day.0, zone),
            origin: LotOrigin::Opening,
            best_before: None,
        };
        let leg = PlannedLeg {
            lot: PlannedLot::Made(0),
            from_place: built_in_place(PlaceKind::Opening),
            to_place: new.place.clone(),
            grams_g: new.grams_g,
        };
        let posted = self.post(&act, &[leg], Parts::default().with_lots([lot], false)?).await?;
        Ok(Packing { made: posted.made, act: posted.act })
    }
}
