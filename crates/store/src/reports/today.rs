//! What needs doing this morning.

use std::collections::{BTreeMap, BTreeSet};

use chrono::Days;
use gillbook_core::{
    Grams,
    kinds::{OrderStatus, RecallKind},
    text::{BatchCode, LotCode, ProductCode, RecallCode, StrainCode},
    units::calendar::day_of,
};

use sqlx::types::Json;

use crate::{Pagination, Result, Tx, ledger::lot_state::LotState, reports::risk::ShelfLife};

/// Grams of a strain that are there and that are ordered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StrainToday {
    /// The strain.
    pub strain: StrainCode,
    /// In the stores and not on hold.
    pub in_stock_g: Grams,
    /// In the stores and on hold.
    pub on_hold_g: Grams,
    /// On orders for today, tomorrow and the day after.
    pub ordered_g: Grams,
}

impl StrainToday {
    fn none(strain: StrainCode) -> Self {
        Self { strain, in_stock_g: Grams::ZERO, on_hold_g: Grams::ZERO, ordered_g: Grams::ZERO }
    }
}

/// What calls for attention this morning.
#[derive(Debug, Clone, PartialEq)]
pub struct TodaySummary {
    /// What is there and what is ordered, by strain.
    pub strains: Vec<StrainToday>,
    /// Orders for today that have not gone out.
    pub to_make_up: i64,
    /// Orders for an earlier day that have not gone out.
    pub overdue: i64,
    /// Dockets on the way.
    pub on_the_way: i64,
    /// Lots on hold with stock.
    pub on_hold: i64,
    /// Lots in stock and not on hold that were in a warm spell which is not settled.
    pub warm: BTreeSet<LotCode>,
    /// Grams short on orders until today.
    pub short_g: Grams,
    /// Recalls and rehearsals that are under way, oldest first.
    pub recalls: Vec<(RecallCode, RecallKind)>,
    /// Batches on hold that have blocks left.
    pub held_batches: Vec<BatchCode>,
    /// Strains of which more was missing at a count than water and scales explain, and nobody has answered.
    pub strains_missing: Vec<StrainCode>,
}

impl Tx {
    /// What calls for attention this morning, and what must be sold first.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.today", skip_all, fields(farm_id = self.farm.0))]
    pub async fn today(&mut self) -> Result<(TodaySummary, ShelfLife)> {
        let lots = self.lots_in_stock().await?;
        Ok((self.summary_of_today(&lots).await?, self.shelf_life_of(&lots).await?))
    }

    async fn summary_of_today(&mut self, in_stock: &[LotState]) -> Result<TodaySummary> {
        let today = day_of(self.now, self.farm_settings().await?.zone);
        let mut strains: BTreeMap<StrainCode, StrainToday> = BTreeMap::new();
        let warm = in_stock.iter().filter(|l| l.warm_spell.is_some() && !l.on_hold()).map(|l| l.lot.clone()).collect();
        let on_hold = i64::try_from(in_stock.iter().filter(|l| l.on_hold()).count()).unwrap_or(i64::MAX);
        for lot in in_stock {
            for at in lot.places.iter().filter(|p| p.kind.sells()) {
                let line =
                    strains.entry(lot.strain.clone()).or_insert_with_key(|strain| StrainToday::none(strain.clone()));
                *(if lot.on_hold() { &mut line.on_hold_g } else { &mut line.in_stock_g }) += at.grams_g;
            }
        }
        let orders = self
            .orders(
                None,
                Some(today + Days::new(2)),
                Some(OrderStatus::Confirmed),
                &Pagination { after: None, limit: 5000 },
            )
            .await?;
        // A product of several strains counts for its first.
        let found = sqlx::query!(
            r#"select (select count(*) from customer_order where farm_id = $1 and status = 'dispatched') as "on_the_way!",
                      coalesce((select jsonb_object_agg(p.product, p.strain) from
                          (select product, min(strain) as strain from product_strain where farm_id = $1 group by product) p), '{}')
                          as "first_strains!: Json<BTreeMap<ProductCode, StrainCode>>",
                      array(select r.recall from recall_under_way r where r.farm_id = $1 order by r.started_at, r.recall) as "recalls!: Vec<RecallCode>",
                      array(select r.kind from recall_under_way r where r.farm_id = $1 order by r.started_at, r.recall) as "recall_kinds!: Vec<RecallKind>",
                      array(select h.batch from batch_hold h join batch b using (farm_id, batch)
                             where h.farm_id = $1
                               and b.blocks > coalesce((select sum(l.blocks) from batch_loss l where l.farm_id = $1 and l.batch = h.batch), 0)
                                            + coalesce((select sum(m.blocks) from batch_move m
                                                         where m.farm_id = $1 and m.batch = h.batch and m.kind <> 'moved'), 0)
                             order by h.batch) as "held_batches!: Vec<BatchCode>",
                      array(select distinct w.strain from standing_loss_warning w where w.farm_id = $1 order by w.strain) as "strains_missing!: Vec<StrainCode>""#,
            self.farm.0
        )
        .fetch_one(&mut *self.db)
        .await?;
        let first_strains = found.first_strains.0;
        for l in orders.iter().flat_map(|o| &o.lines) {
            if let Some(strain) = first_strains.get(&l.product) {
                let line = strains.entry(strain.clone()).or_insert_with_key(|strain| StrainToday::none(strain.clone()));
                line.ordered_g += l.grams_g;
            }
        }
        let due: Vec<_> = orders.iter().filter(|o| o.delivery_day <= today).collect();
        Ok(TodaySummary {
            strains: strains.into_values().collect(),
            to_make_up: i64::try_from(due.iter().filter(|o| o.delivery_day == today).count()).unwrap_or(i64::MAX),
            overdue: i64::try_from(due.iter().filter(|o| o.delivery_day < today).count()).unwrap_or(i64::MAX),
            on_the_way: found.on_the_way,
            on_hold,
            warm,
            recalls: found.recalls.into_iter().zip(found.recall_kinds).collect(),
            held_batches: found.held_batches,
            strains_missing: found.strains_missing,
            short_g: due.iter().flat_map(|o| &o.lines).map(|l| l.short_g).sum(),
        })
    }
}
