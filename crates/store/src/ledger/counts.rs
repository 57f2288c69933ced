//! Stock counts in the book.

use std::collections::BTreeSet;

use gillbook_core::{
    Grams,
    cold::weight_loss::{COEFFICIENTS_VERSION, ExpectedLoss, PublishedLoss},
    kinds::ActKind,
    ledger::{
        booked::Booked,
        counting::{CountFacts, CountRow, NewStockCount, StockCount, decide},
        loss_watch::LossKind,
    },
    text::{LotCode, PlaceCode},
    units::calendar::day_of,
};
use serde::Serialize;
use uuid::Uuid;

use crate::{
    Pagination, Result, Tx,
    heads::Heads,
    ledger::{
        loss_watch::WarningRow,
        posting::{NewAct, Parts},
    },
};

impl Tx {
    /// Counts lots at a place, holds them against what the book had there at that instant, and books the differences: missing grams as
    /// lost weight, grams above the book as found.
    ///
    /// # Errors
    /// Refuses a place that holds no stock, a lot that was never there or was counted again since, more above the book than two weighings
    /// can differ by unless it is said why (while a warm spell is not settled or a lot is on hold, by the person's own sign-in), and a shortage of goods that have left since or are set aside.
    #[tracing::instrument(level = "debug", name = "store.ledger.count_stock", skip_all, fields(farm_id = self.farm.0))]
    pub async fn count_stock(&mut self, new: &NewStockCount) -> Result<StockCount> {
        let counted_at = self.occurred_at(new.counted_at, "/counted_at")?;
        let kind = self.place_kind(&new.place, "/place").await?;
        new.ensure_possible(kind)?;
        let lots: Vec<LotCode> = new.lots.iter().map(|l| l.lot.clone()).collect();
        self.lock(&Heads { lots: &lots, places: std::slice::from_ref(&new.place), ..Heads::default() }).await?;
        let booked = self.booked(&new.place, &lots, counted_at).await?;
        let air = self.air_before(&new.place, kind, &booked, counted_at).await?;
        let kinds: BTreeSet<LossKind> = booked.values().filter_map(Booked::loss_kind).collect();
        let past = self.past_counts(Some(&kinds), counted_at).await?;
        let day = day_of(counted_at, self.farm_settings().await?.zone);
        let plan = decide(new, &CountFacts { booked, air, past, counted_at, day })?;
        if let Some((lot, found_g)) = &plan.gained {
            self.authorise_gain(&format!("Counting {found_g} of lot {lot} more than the book has")).await?;
        }
        let act = NewAct {
            id: new.id.unwrap_or_else(|| self.new_id()),
            kind: ActKind::Count,
            happened_at: counted_at,
            by: new.by.as_ref(),
            document: None,
            reason: "stock count",
            reverses: None,
        };
        let counts: Vec<CountedRow> = plan.rows.iter().map(|r| CountedRow::of(r, &new.place)).collect();
        let warnings: Vec<WarningRow> = plan.loss_warnings.iter().map(WarningRow::of).collect();
        let parts = Parts::default().with("counts", &counts)?.with("loss_warnings", &warnings)?;
        let posted = self.post(&act, &plan.legs, parts).await?;
        Ok(StockCount {
            place: new.place.clone(),
            rows: plan.rows,
            loss_warnings: plan.loss_warnings,
            coefficients_version: COEFFICIENTS_VERSION.to_owned(),
            act: posted.act,
        })
    }

    /// Counts in the order of recording.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.ledger.stock_counts", skip_all, fields(farm_id = self.farm.0))]
    pub async fn stock_counts(&mut self, page: &Pagination) -> Result<Vec<StockCount>> {
        let acts = self.acts(Some(ActKind::Count), None, page).await?;
        let ids: Vec<Uuid> = acts.iter().map(|a| a.act_id).collect();
        let rows = sqlx::query!(
            r#"select act_id, lot as "lot: LotCode", place as "place: PlaceCode", counted_g as "counted_g: Grams", book_g as "book_g: Grams",
                      low_g as "low_g: Grams", likely_g as "likely_g: Grams", high_g as "high_g: Grams", published_low_g as "published_low_g: Grams",
                      published_g as "published_g: Grams", published_high_g as "published_high_g: Grams",
                      published_gross_g as "published_gross_g: Grams", transferred, coefficients, found_reason
                 from stock_count where farm_id = $1 and act_id = any ($2) order by lot"#,
            self.farm.0,
            &ids
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut warnings = self.loss_warnings_of(&ids).await?;
        Ok(acts
            .into_iter()
            .filter_map(|act| {
                let mine: Vec<_> = rows.iter().filter(|r| r.act_id == act.act_id).collect();
                let first = mine.first()?;
                Some(StockCount {
                    place: first.place.clone(),
                    coefficients_version: first.coefficients.clone(),
                    rows: mine
                        .iter()
                        .map(|r| {
                            let expected = ExpectedLoss { low_g: r.low_g, likely_g: r.likely_g, high_g: r.high_g };
                            let published = PublishedLoss {
                                low_g: r.published_low_g,
                                likely_g: r.published_g,
                                high_g: r.published_high_g,
                                gross_g: r.published_gross_g,
                            };
                            let reason = r.found_reason.clone();
                            CountRow::of(
                                (r.lot.clone(), r.book_g, r.counted_g),
                                (published, r.transferred),
                                expected,
                                reason,
                            )
                        })
                        .collect(),
                    loss_warnings: warnings.remove(&act.act_id).unwrap_or_default(),
                    act,
                })
            })
            .collect())
    }
}

/// A counted lot in the book.
#[derive(Serialize)]
struct CountedRow<'a> {
    place: &'a PlaceCode,
    coefficients: &'static str,
    lot: &'a LotCode,
    counted_g: Grams,
    book_g: Grams,
    low_g: Grams,
    likely_g: Grams,
    high_g: Grams,
    published_low_g: Grams,
    published_g: Grams,
    published_high_g: Grams,
    published_gross_g: Grams,
    transferred: bool,
    unexplained_g: Grams,
    found_reason: Option<&'a str>,
}

impl<'a> CountedRow<'a> {
    fn of(row: &'a CountRow, place: &'a PlaceCode) -> Self {
        Self {
            place,
            coefficients: COEFFICIENTS_VERSION,
            lot: &row.lot,
            counted_g: row.counted_g,
            book_g: row.book_g,
            low_g: row.expected.low_g,
            likely_g: row.expected.likely_g,
            high_g: row.expected.high_g,
            published_low_g: row.published.low_g,
            published_g: row.published.likely_g,
            published_high_g: row.published.high_g,
            published_gross_g: row.published.gross_g,
            transferred: row.transferred,
            unexplained_g: row.unexplained_g,
            found_reason: row.found_reason.as_deref(),
        }
    }
}
