//! Setting aside: which grams of which lots an order has been promised.

use crate::selling::orders::{Order, expect_open, expires};
use crate::{Result, Tx, error::OrMissing, ledger::warm_spells::WarmSpell, selling::products::Product};
use gillbook_core::{
    Grams,
    refusal::{Kind, Refusal},
    selling::allocation::{Candidate, Goods, Need, Taken, Wish, allocate, line_limit},
    text::{Line, LotCode, OrderCode, PlaceCode, StrainCode},
    words::{Form, Packaging},
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

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

/// A lot chosen for a line by hand.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Chosen {
    /// The line.
    pub line: i32,
    /// The lot.
    pub lot: LotCode,
    /// Where it is.
    pub place: PlaceCode,
    /// How much.
    pub grams_g: Grams,
}

/// What to set aside: nothing said is first-expiring-first; chosen lots need a reason.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSetAside {
    /// Lots chosen by hand, in place of the proposal.
    #[schema(max_items = 500)]
    pub chosen: Option<Vec<Chosen>>,
    /// Why they were chosen.
    pub reason: Option<Line>,
}

impl Tx {
    /// Sets lots aside for an order, in place of what was set aside before: first-expiring-first, or as chosen.
    ///
    /// # Errors
    /// Refuses an order that has gone out or was called off, chosen lots without a reason, on hold, of the wrong strain, with too little
    /// free, or of more than the line takes.
    pub async fn set_aside(&mut self, code: &OrderCode, new: &NewSetAside) -> Result<Order> {
        let order = self.order_for_change(code).await?;
        expect_open(&order)?;
        // Every lot that may be touched is locked at once and in one order, before the old setting aside is released:
        // so two orders that want the same lots cannot wait for each other.
        let chosen: Vec<LotCode> = new.chosen.iter().flatten().take(500).map(|c| c.lot.clone()).collect();
        self.lock_lots_for(&order, &chosen).await?;
        self.release_set_aside(code).await?;
        match (&new.chosen, &new.reason) {
            (None, _) => self.set_aside_first_expiring(&order).await?,
            (Some(_), None) => return Err(Refusal::field("/reason", "Say why these lots, in a few words.").into()),
            (Some(chosen), Some(reason)) => self.set_aside_chosen(&order, chosen, reason).await?,
        }
        self.order(code).await
    }

    /// Releases what is set aside for an order.
    ///
    /// # Errors
    /// Refuses an order that has gone out.
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
        let products = self.products_of(order).await?;
        let mut rows: Vec<(i32, Taken)> = Vec::new();
        for (line, product) in order.lines.iter().zip(&products) {
            let mut candidates = self.candidates(product).await?;
            // What an earlier line of this order has taken is not free any more.
            for c in &mut candidates {
                c.free -= rows.iter().filter(|(_, t)| t.lot == c.lot && t.place == c.place).map(|(_, t)| t.grams).sum();
            }
            let wish = Wish {
                grams: line.grams_g,
                pack: product.pack_g.map(|g| Grams(g.into())),
                delivery_day: order.delivery_day,
                least_days: customer.least_days.unsigned_abs(),
                freshest: customer.freshest,
            };
            rows.extend(allocate(&wish, &candidates).0.into_iter().map(|t| (line.line, t)));
        }
        self.insert_set_aside(&order.order, &rows, "").await
    }

    async fn set_aside_chosen(&mut self, order: &Order, chosen: &[Chosen], reason: &Line) -> Result<()> {
        if chosen.len() > 500 {
            return Err(Refusal::field("/chosen", "At most 500 lots are chosen at once.").into());
        }
        let lots: Vec<LotCode> = chosen.iter().map(|c| c.lot.clone()).collect();
        self.expect_free_of_hold(&lots).await?;
        let products = self.products_of(order).await?;
        let over_percent = self.customer(&order.customer).await?.over_percent;
        for (i, c) in chosen.iter().enumerate() {
            let Some(product) = order.lines.iter().zip(&products).find(|(l, _)| l.line == c.line).map(|(_, p)| p)
            else {
                return Err(Refusal::field(
                    format!("/chosen/{i}/line"),
                    format!("Order {} has no line {}.", order.order, c.line),
                )
                .into());
            };
            let lot = self.lot_facts(&c.lot).await.or_missing(|| {
                Refusal::field(
                    format!("/chosen/{i}/lot"),
                    format!("There is no lot {} on this farm. Check the code.", c.lot),
                )
            })?;
            if !product.strains.contains(&lot.strain) || product.form != lot.form {
                return Err(Refusal::field(
                    format!("/chosen/{i}/lot"),
                    format!("Lot {} is not what {} is sold of.", c.lot, product.name),
                )
                .into());
            }
            expect_within_line(order, product, &chosen[..=i], over_percent)
                .map_err(|detail| Refusal::field(format!("/chosen/{i}/grams_g"), detail))?;
            if !self.place_kind(&c.place, &format!("/chosen/{i}/place")).await?.sells() {
                return Err(Refusal::field(
                    format!("/chosen/{i}/place"),
                    format!("{} is not a place that orders are filled from.", c.place),
                )
                .into());
            }
            let there = self.free_places(&c.lot, &c.place).await?.iter().any(|(place, _)| *place == c.place);
            if !there {
                return Err(Refusal::new(Kind::NotEnough, format!("{} has nothing of lot {}.", c.place, c.lot))
                    .at(format!("/chosen/{i}/place"))
                    .into());
            }
        }
        let rows: Vec<(i32, Taken)> = chosen
            .iter()
            .map(|c| (c.line, Taken { lot: c.lot.clone(), place: c.place.clone(), grams: c.grams_g }))
            .collect();
        self.insert_set_aside(&order.order, &rows, reason.as_str()).await
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

    pub(crate) async fn products_of(&mut self, order: &Order) -> Result<Vec<Product>> {
        let mut products = Vec::with_capacity(order.lines.len());
        for line in &order.lines {
            products.push(self.product(&line.product).await?);
        }
        Ok(products)
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
                        expires_on: r.best_before.unwrap_or_else(|| expires(r.harvest_day, r.days)),
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

/// Holds the last of some chosen rows against its line: what was ordered, and what the customer takes over it.
fn expect_within_line(
    order: &Order,
    product: &Product,
    chosen: &[Chosen],
    over_percent: Decimal,
) -> Result<(), String> {
    let Some((last, line)) = chosen.last().and_then(|c| Some((c, order.lines.iter().find(|l| l.line == c.line)?)))
    else {
        return Ok(());
    };
    if last.grams_g <= Grams::ZERO {
        return Err("Give a weight above zero.".into());
    }
    let pack = product.pack_g.map(|g| Grams(g.into()));
    if let Some(pack) = pack.filter(|p| last.grams_g.0 % p.0 != 0) {
        return Err(format!("{} is sold in packs of {pack}. Choose whole packs of each lot.", product.name));
    }
    let sum: Grams = chosen.iter().filter(|c| c.line == last.line).map(|c| c.grams_g).sum();
    let limit = line_limit(line.grams_g, over_percent, pack);
    if sum > limit {
        return Err(format!(
            "{sum} are chosen for line {}, which is of {}. {} takes up to {limit}. Choose less, or change the order.",
            line.line, line.grams_g, order.customer_name
        ));
    }
    Ok(())
}
