//! Setting aside: which grams of which lots an order has been promised.

use std::collections::BTreeMap;

use gillbook_core::{
    Grams,
    refusal::Refusal,
    selling::{
        allocation::{Candidate, Goods, Need, Taken, best_before},
        product::Product,
        set_aside::{ChoiceFacts, Chosen, NewSetAside, WantedLine, choose, expect_bounded, fill},
    },
    text::{Line, LotCode, OrderCode, PlaceCode, ProductCode, StrainCode},
    words::{Form, Packaging, PlaceKind},
};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    Result, Tx,
    ledger::warm_spells::WarmSpell,
    selling::orders::{Order, expect_open},
};

/// Grams of a lot set aside for a line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct SetAside {
    /// The lot.
    pub lot: LotCode,
    /// Where it is.
    pub place: PlaceCode,
    /// How much.
    pub grams_g: Grams,
    /// Why this lot, where somebody chose it.
    pub reason: String,
    /// The warm spell that the lot was in and that is not settled.
    pub warm_spell: Option<WarmSpell>,
}

impl Tx {
    /// Sets lots aside for an order, in place of what was set aside before: first-expiring-first, or as chosen.
    ///
    /// # Errors
    /// Refuses an order that has gone out or was called off, chosen lots without a reason, on hold, of the wrong strain, with too little
    /// free, or of more than the line takes.
    #[tracing::instrument(level = "debug", name = "store.selling.set_aside", skip_all, fields(farm_id = self.farm.0))]
    pub async fn set_aside(&mut self, code: &OrderCode, new: &NewSetAside) -> Result<Order> {
        let by_hand = match (&new.chosen, &new.reason) {
            (None, _) => None,
            (Some(_), None) => return Err(Refusal::field("/reason", "Say why these lots, in a few words.").into()),
            (Some(chosen), Some(reason)) => Some((chosen, reason)),
        };
        expect_bounded(new.chosen.as_deref().unwrap_or_default())?;
        let order = self.order_for_change(code).await?;
        expect_open(&order)?;
        // Every lot that may be touched is locked at once and in one order, before the old setting aside is released:
        // so two orders that want the same lots cannot wait for each other.
        let chosen: Vec<LotCode> = new.chosen.iter().flatten().map(|c| c.lot.clone()).collect();
        self.lock_lots_for(&order, &chosen).await?;
        self.release_set_aside(code).await?;
        match by_hand {
            None => self.set_aside_first_expiring(&order).await?,
            Some((chosen, reason)) => self.set_aside_chosen(&order, chosen, reason).await?,
        }
        self.order(code).await
    }

    /// Releases what is set aside for an order.
    ///
    /// # Errors
    /// Refuses an order that has gone out.
    #[tracing::instrument(level = "debug", name = "store.selling.release", skip_all, fields(farm_id = self.farm.0))]
    pub async fn release(&mut self, code: &OrderCode) -> Result<Order> {
        let order = self.order_for_change(code).await?;
        expect_open(&order)?;
        self.lock_set_aside(&order).await?;
        self.release_set_aside(code).await?;
        self.order(code).await
    }

    pub(crate) async fn release_set_aside(&mut self, code: &OrderCode) -> Result<()> {
        sqlx::query!("delete from set_aside where farm_id = $1 and order_code = $2", self.farm.0, code.as_str())
            .execute(&mut *self.db)
            .await?;
        Ok(())
    }

    async fn set_aside_first_expiring(&mut self, order: &Order) -> Result<()> {
        let customer = self.customer(&order.customer).await?;
        let lines = self.wanted_lines(order).await?;
        let mut of: BTreeMap<&ProductCode, Vec<Candidate>> = BTreeMap::new();
        for line in &lines {
            if !of.contains_key(&line.product.product) {
                of.insert(&line.product.product, self.candidates(&line.product).await?);
            }
        }
        let available: Vec<Vec<Candidate>> = lines.iter().map(|l| of[&l.product.product].clone()).collect();
        let rows = fill(&lines, order.delivery_day, &customer, &available);
        self.insert_set_aside(&order.order, &rows, "").await
    }

    async fn set_aside_chosen(&mut self, order: &Order, chosen: &[Chosen], reason: &Line) -> Result<()> {
        let lots: Vec<LotCode> = chosen.iter().map(|c| c.lot.clone()).collect();
        self.expect_free_of_hold(&lots).await?;
        let facts = self.choice_facts(order, chosen).await?;
        let rows = choose(&order.order, chosen, &facts)?;
        self.insert_set_aside(&order.order, &rows, reason.as_str()).await
    }

    async fn wanted_lines(&mut self, order: &Order) -> Result<Vec<WantedLine>> {
        let products = self.products_of(order).await?;
        let lines = order.lines.iter().zip(products);
        Ok(lines.map(|(l, product)| WantedLine { line: l.line, grams_g: l.grams_g, product }).collect())
    }

    /// What lots chosen by hand are decided on.
    async fn choice_facts(&mut self, order: &Order, chosen: &[Chosen]) -> Result<ChoiceFacts> {
        let lots: Vec<String> = chosen.iter().map(|c| c.lot.to_string()).collect();
        let places: Vec<String> = chosen.iter().map(|c| c.place.to_string()).collect();
        let kinds = sqlx::query!(
            r#"select lot as "lot: LotCode", strain as "strain: StrainCode", form as "form: Form" from lot where farm_id = $1 and lot = any ($2)"#,
            self.farm.0,
            &lots
        )
        .fetch_all(&mut *self.db)
        .await?;
        let there = sqlx::query!(
            r#"select p.place as "place: PlaceCode", p.kind as "kind: PlaceKind", b.lot as "lot?: LotCode"
                 from place p left join balance b on b.farm_id = p.farm_id and b.place = p.place and b.grams > 0 and b.lot = any ($2)
                where p.farm_id = $1 and p.place = any ($3)"#,
            self.farm.0,
            &lots,
            &places
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(ChoiceFacts {
            customer: self.customer(&order.customer).await?,
            lines: self.wanted_lines(order).await?,
            lots: kinds.into_iter().map(|l| (l.lot, (l.strain, l.form))).collect(),
            places: there.iter().map(|t| (t.place.clone(), t.kind)).collect(),
            there: there.into_iter().filter_map(|t| Some((t.lot?, t.place))).collect(),
        })
    }

    async fn insert_set_aside(&mut self, code: &OrderCode, rows: &[(i32, Taken)], reason: &str) -> Result<()> {
        let lines: Vec<i32> = rows.iter().map(|r| r.0).collect();
        let lots: Vec<String> = rows.iter().map(|r| r.1.lot.to_string()).collect();
        let places: Vec<String> = rows.iter().map(|r| r.1.place.to_string()).collect();
        let grams: Vec<i64> = rows.iter().map(|r| r.1.grams.0).collect();
        sqlx::query!(
            "insert into set_aside (farm_id, order_code, line, lot, place, grams, reason)
             select $1, $2, n, l, p, g, $7 from unnest($3::int[], $4::text[], $5::text[], $6::bigint[]) as u(n, l, p, g)",
            self.farm.0,
            code.as_str(),
            &lines,
            &lots,
            &places,
            &grams,
            reason
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// The products of an order's lines, in their order.
    pub(crate) async fn products_of(&mut self, order: &Order) -> Result<Vec<Product>> {
        let codes: Vec<ProductCode> = order.lines.iter().map(|l| l.product.clone()).collect();
        let products = self.products_named(&codes).await?;
        codes
            .iter()
            .map(|code| products.get(code).cloned().ok_or_else(|| Refusal::not_found(ProductCode::WHAT, code).into()))
            .collect()
    }

    /// Locks the balances of the lots that are set aside for an order.
    pub(crate) async fn lock_set_aside(&mut self, order: &Order) -> Result<()> {
        let lots: Vec<LotCode> = order.lines.iter().flat_map(|l| &l.set_aside).map(|s| s.lot.clone()).collect();
        self.lock_lots(&lots).await
    }

    /// Locks the balances of the lots that are set aside for an order, of those chosen for it, and of every lot in stock that it could
    /// be filled from.
    async fn lock_lots_for(&mut self, order: &Order, chosen: &[LotCode]) -> Result<()> {
        let products = self.products_of(order).await?;
        let strains: Vec<String> = products.iter().flat_map(|p| p.strains.iter().map(ToString::to_string)).collect();
        let mut lots = sqlx::query_scalar!(
            r#"select distinct l.lot as "lot: LotCode" from lot l join balance b using (farm_id, lot) join place p using (farm_id, place)
                where l.farm_id = $1 and l.strain = any ($2) and b.grams > 0 and p.kind in ('fridge', 'shelf')"#,
            self.farm.0,
            &strains
        )
        .fetch_all(&mut *self.db)
        .await?;
        lots.extend(order.lines.iter().flat_map(|l| &l.set_aside).map(|s| s.lot.clone()));
        lots.extend(chosen.iter().cloned());
        self.lock_lots(&lots).await
    }

    /// Lots that a product can be filled from: those that will do, free, not on hold.
    pub(crate) async fn candidates(&mut self, product: &Product) -> Result<Vec<Candidate>> {
        let strains: Vec<String> = product.strains.iter().map(ToString::to_string).collect();
        let rows = sqlx::query!(
            r#"select l.lot as "lot: LotCode", b.place as "place: PlaceCode", (b.grams - b.set_aside_g)::bigint as "free!: Grams", l.best_before,
                      l.harvest_day, l.strain as "strain: StrainCode", l.form as "form: Form", l.packaging as "packaging: Packaging", g.rank,
                      least.rank as least_rank, r.days as "days?"
                 from lot l join balance b using (farm_id, lot) join place p using (farm_id, place)
                 join grade g on g.farm_id = l.farm_id and g.grade = l.grade
                 join grade least on least.farm_id = l.farm_id and least.grade = $3
                 left join lateral (select q.days from best_before_rule q where q.farm_id = l.farm_id and q.product = $4 and q.packaging = l.packaging
                                      and q.effective_from <= $5 order by q.effective_from desc limit 1) r on true
                where l.farm_id = $1 and l.strain = any ($2) and p.kind in ('fridge', 'shelf') and b.grams > b.set_aside_g
                  and coalesce((select e.kind from lot_event e where e.farm_id = l.farm_id and e.lot = l.lot and e.kind in ('hold', 'release')
                        order by e.turn desc limit 1), 'release') = 'release'"#,
            self.farm.0,
            &strains,
            product.least_grade.as_str(),
            product.product.as_str(),
            self.now
        )
        .fetch_all(&mut *self.db)
        .await?;
        let need = |least_rank| Need {
            strains: product.strains.clone(),
            least_rank,
            form: product.form,
            packaging: product.packaging,
        };
        Ok(rows
            .into_iter()
            .map(|r| {
                let goods = Goods { strain: r.strain, grade_rank: r.rank, form: r.form, packaging: r.packaging };
                (
                    need(r.least_rank).takes(&goods),
                    Candidate {
                        expires_on: r.best_before.unwrap_or_else(|| best_before(r.harvest_day, r.days)),
                        lot: r.lot,
                        place: r.place,
                        free: r.free,
                        harvest_day: r.harvest_day,
                        goods,
                    },
                )
            })
            .filter_map(|(takes, candidate)| takes.then_some(candidate))
            .collect())
    }
}
