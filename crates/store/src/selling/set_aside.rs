//! Setting aside: which grams of which lots an order has been promised.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::{Form, Packaging, PlaceKind},
    refusal::Refusal,
    selling::{
        allocation::{AvailableLot, Goods, Need, Taken, best_before},
        order::Order,
        packing_list::{NewPacked, pack},
        product::Product,
        set_aside::{ChoiceFacts, Chosen, ChosenLot, NewSetAside, SetAside, WantedLine, choose, ensure_bounded, fill},
    },
    text::{LotCode, OrderCode, PlaceCode, ProductCode, StrainCode},
};
use sqlx::types::Json;

use crate::{Error, Result, Tx, selling::terms::OrderTerms};

impl Tx {
    /// Sets lots aside for an order, in place of what was set aside before: first-expiring-first beside what is packed, or as chosen.
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
        ensure_bounded(new.chosen.as_deref().unwrap_or_default())?;
        let chosen: Vec<LotCode> = new.chosen.iter().flatten().map(|c| c.lot.clone()).collect();
        self.lock_order_goods(code, &chosen).await?;
        let terms = self.order_terms(code, None, self.now).await?;
        terms.order.ensure_open()?;
        let mut order = terms.order.clone();
        let rows = match by_hand {
            None => self.first_expiring(&terms).await?,
            Some((lots, _)) => choose(code, lots, &self.choice_facts(terms, lots).await?)?,
        };
        order.replace_set_aside(&rows, by_hand.map_or("", |(_, reason)| reason.as_str()));
        self.write_set_aside(&mut order).await?;
        Ok(order)
    }

    /// Ticks off a lot that is packed for a line, with what the scale showed, or takes the tick back.
    ///
    /// # Errors
    /// Refuses an order that is a draft or has gone out, what is not set aside for it, what is packed with another weight, and a weight that the
    /// line or the lot does not allow.
    #[tracing::instrument(level = "debug", name = "store.selling.pack_set_aside", skip_all, fields(farm_id = self.farm.0))]
    pub async fn pack_set_aside(&mut self, code: &OrderCode, new: &NewPacked) -> Result<Order> {
        let packed_at = self.occurred_at(new.packed_at, "/packed_at")?;
        self.lock_order_goods(code, &[]).await?;
        let terms = self.order_terms(code, None, self.now).await?;
        let lines = terms.wanted_lines()?;
        let mut order = terms.order;
        pack(new, &mut order, &lines, &terms.customer, packed_at)?;
        self.write_set_aside(&mut order).await.map_err(|error| match error {
            Error::Refused(refusal) => refusal.at("/grams_g").into(),
            other => other,
        })?;
        Ok(order)
    }

    /// Releases what is set aside for an order.
    ///
    /// # Errors
    /// Refuses an order that has gone out.
    #[tracing::instrument(level = "debug", name = "store.selling.release", skip_all, fields(farm_id = self.farm.0))]
    pub async fn release(&mut self, code: &OrderCode) -> Result<Order> {
        self.lock_order_goods(code, &[]).await?;
        let mut order = self.order(code).await?;
        order.ensure_open()?;
        self.release_set_aside(code).await?;
        for line in &mut order.lines {
            line.set_aside.clear();
        }
        order.count_short();
        Ok(order)
    }

    pub(crate) async fn release_set_aside(&mut self, code: &OrderCode) -> Result<()> {
        sqlx::query!("delete from set_aside where farm_id = $1 and order_code = $2", self.farm.0, code.as_str())
            .execute(&mut *self.db)
            .await?;
        Ok(())
    }

    async fn first_expiring(&mut self, terms: &OrderTerms) -> Result<Vec<(i32, Taken)>> {
        let lines = terms.wanted_lines()?;
        let products: Vec<&Product> = lines.iter().map(|l| &l.product).collect();
        let of = self.candidates(&products, Some(&terms.order.order)).await?;
        let free = |l: &WantedLine| of.get(&l.product.product).cloned().unwrap_or_default();
        let available: Vec<Vec<AvailableLot>> = lines.iter().map(free).collect();
        Ok(fill(&terms.order, &lines, &terms.customer, &available))
    }

    /// What lots chosen by hand are decided on.
    async fn choice_facts(&mut self, terms: OrderTerms, chosen: &[Chosen]) -> Result<ChoiceFacts> {
        let lots: Vec<String> = chosen.iter().map(|c| c.lot.to_string()).collect();
        let places: Vec<String> = chosen.iter().map(|c| c.place.to_string()).collect();
        let found = sqlx::query!(
            r#"select coalesce((select jsonb_object_agg(l.lot, jsonb_build_object(
                               'strain', l.strain, 'form', l.form,
                               'hold', (select h.reason from lot_hold h where h.farm_id = $1 and h.lot = l.lot)))
                           from lot l where l.farm_id = $1 and l.lot = any ($2)), '{}') as "lots!: Json<BTreeMap<LotCode, ChosenLot>>",
                      coalesce((select jsonb_object_agg(p.place, p.kind) from place p where p.farm_id = $1 and p.place = any ($3)), '{}')
                          as "places!: Json<BTreeMap<PlaceCode, PlaceKind>>",
                      coalesce((select jsonb_agg(jsonb_build_array(b.lot, b.place)) from balance b
                                 where b.farm_id = $1 and b.lot = any ($2) and b.place = any ($3) and b.grams > 0), '[]')
                          as "there!: Json<BTreeSet<(LotCode, PlaceCode)>>""#,
            self.farm.0,
            &lots,
            &places
        )
        .fetch_one(&mut *self.db)
        .await?;
        Ok(ChoiceFacts {
            lines: terms.wanted_lines()?,
            customer: terms.customer,
            lots: found.lots.0,
            places: found.places.0,
            there: found.there.0,
        })
    }

    /// Writes what is set aside for an order, in place of what was, and looks up the warm spells of its lots.
    async fn write_set_aside(&mut self, order: &mut Order) -> Result<()> {
        let rows: Vec<(i32, &SetAside)> =
            order.lines.iter().flat_map(|l| l.set_aside.iter().map(|s| (l.line, s))).collect();
        let (lines, grams): (Vec<i32>, Vec<i64>) = rows.iter().map(|(line, s)| (*line, s.grams_g.0)).unzip();
        let (lots, places): (Vec<String>, Vec<String>) =
            rows.iter().map(|(_, s)| (s.lot.to_string(), s.place.to_string())).unzip();
        let reasons: Vec<String> = rows.iter().map(|(_, s)| s.reason.clone()).collect();
        let times =
            |of: fn(&SetAside) -> Option<DateTime<Utc>>| -> Vec<_> { rows.iter().map(|(_, s)| of(s)).collect() };
        let (packed, unpacked) = (times(|s| s.packed_at), times(|s| s.unpacked_at));
        sqlx::query!(
            "select replace_set_aside($1, $2, $3, $4, $5, $6, $7, $8, $9)",
            self.farm.0,
            order.order.as_str(),
            &lines,
            &lots,
            &places,
            &grams,
            &reasons,
            &packed as &[Option<DateTime<Utc>>],
            &unpacked as &[Option<DateTime<Utc>>]
        )
        .execute(&mut *self.db)
        .await?;
        let lots: Vec<LotCode> = order.lots_set_aside().collect();
        let warm = self.warm_spells_of(&lots).await?;
        for s in order.lines.iter_mut().flat_map(|l| &mut l.set_aside) {
            s.warm_spell = warm.get(&s.lot).cloned();
        }
        Ok(())
    }

    /// Locks the balances of the lots that are set aside for an order.
    pub(crate) async fn lock_set_aside(&mut self, order: &Order) -> Result<()> {
        let lots: Vec<LotCode> = order.lines.iter().flat_map(|l| &l.set_aside).map(|s| s.lot.clone()).collect();
        self.lock_lots(&lots).await
    }

    /// Locks an order with what is set aside for it, the lots chosen for it, and every lot in stock that it could be filled from.
    pub(crate) async fn lock_order_goods(&mut self, code: &OrderCode, chosen: &[LotCode]) -> Result<()> {
        let chosen: Vec<String> = chosen.iter().map(ToString::to_string).collect();
        sqlx::query!("select lock_order_goods($1, $2, $3)", self.farm.0, code.as_str(), &chosen)
            .execute(&mut *self.db)
            .await?;
        Ok(())
    }

    /// Lots that products can be filled from, by product: those that will do, free, not on hold. What is set aside for an order counts as free
    /// for that order.
    pub(crate) async fn candidates(
        &mut self,
        products: &[&Product],
        order: Option<&OrderCode>,
    ) -> Result<BTreeMap<ProductCode, Vec<AvailableLot>>> {
        let codes: Vec<String> = products.iter().map(|p| p.product.to_string()).collect();
        let rows = sqlx::query!(
            r#"select q.product as "product: ProductCode", l.lot as "lot: LotCode", b.place as "place: PlaceCode", f.free as "free!: Grams", l.best_before,
                      l.harvest_day, l.strain as "strain: StrainCode", l.form as "form: Form", l.packaging as "packaging: Packaging", g.rank,
                      least.rank as least_rank, r.days as "days?"
                 from product q join product_strain t using (farm_id, product)
                 join grade least on least.farm_id = q.farm_id and least.grade = q.least_grade
                 join lot l on l.farm_id = t.farm_id and l.strain = t.strain
                 join grade g on g.farm_id = l.farm_id and g.grade = l.grade
                 join balance b on b.farm_id = l.farm_id and b.lot = l.lot and b.grams > 0
                 join place p on p.farm_id = b.farm_id and p.place = b.place and p.kind in ('fridge', 'shelf')
                cross join lateral (
                      select (b.grams - b.set_aside_g + coalesce(sum(s.grams), 0))::bigint as free from set_aside s
                       where s.farm_id = b.farm_id and s.lot = b.lot and s.place = b.place and s.order_code = $4) f
                 left join lateral (select o.days from best_before_rule o where o.farm_id = l.farm_id and o.product = q.product
                                      and o.packaging = l.packaging and o.effective_from <= $3 order by o.effective_from desc limit 1) r on true
                where q.farm_id = $1 and q.product = any ($2) and f.free > 0 and lot_held_since(l.farm_id, l.lot) is null"#,
            self.farm.0,
            &codes,
            self.now,
            order.map(OrderCode::as_str)
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut candidates: BTreeMap<ProductCode, Vec<AvailableLot>> = BTreeMap::new();
        for r in rows {
            let Some(product) = products.iter().find(|p| p.product == r.product) else { continue };
            let need = Need {
                strains: product.strains.clone(),
                least_rank: r.least_rank,
                form: product.form,
                packaging: product.packaging,
                keeps: None,
            };
            let goods = Goods { strain: r.strain, grade_rank: r.rank, form: r.form, packaging: r.packaging };
            if need.takes(&goods) {
                candidates.entry(r.product).or_default().push(AvailableLot {
                    expires_on: r.best_before.unwrap_or_else(|| best_before(r.harvest_day, r.days)),
                    lot: r.lot,
                    place: r.place,
                    free: r.free,
                    harvest_day: r.harvest_day,
                    goods,
                });
            }
        }
        Ok(candidates)
    }
}
