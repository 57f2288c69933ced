//! Stock counts: what is there against the book, the difference split into what was to be expected and what was not.

use gillbook_core::{
    Grams,
    cold::weight_loss::{COEFFICIENTS_VERSION, ExpectedLoss},
    kinds::{ActKind, PlaceKind},
    ledger::{
        entry::{Act, PlannedLeg, built_in_place},
        stock_count::{scale_tolerance, split},
    },
    refusal::{Refusal, RefusalKind},
    text::{Line, LotCode, PlaceCode, Short},
    units::calendar::Instant,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Pagination, Result, Tx,
    heads::Heads,
    ledger::{
        booked::Booked,
        posting::{NewAct, Parts},
    },
};

/// Counted grams of a lot.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Counted {
    /// The lot.
    pub lot: LotCode,
    /// What the scale showed, tare taken off.
    pub counted_g: Grams,
    /// Why there is more than the book has. Needed where it is more than two weighings on one scale can differ by.
    pub found_reason: Option<Line>,
}

/// A count at a place.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewStockCount {
    /// Made by the client; the same again counts once.
    pub id: Option<Uuid>,
    /// Where.
    pub place: PlaceCode,
    /// The lots that were counted. Lots that are left out stay as the book has them.
    #[schema(min_items = 1, max_items = 500)]
    pub lots: Vec<Counted>,
    /// When; now unless said. What was counted is held against what the book had then.
    pub counted_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// A counted lot against the book. Book less counted = water loss + unexplained − found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct CountRow {
    /// The lot.
    pub lot: LotCode,
    /// What the book had at the instant of the count.
    pub book_g: Grams,
    /// What was there.
    pub counted_g: Grams,
    /// Water loss that was to be expected since the goods came there or were last counted.
    pub expected: ExpectedLoss,
    /// Missing, and within what was to be expected.
    pub water_loss_g: Grams,
    /// Missing beyond the most that was to be expected.
    pub unexplained_g: Grams,
    /// Lost less than the least that was to be expected, by so much.
    pub less_than_expected_g: Grams,
    /// Above the book.
    pub found_g: Grams,
    /// Why there was more than the book had.
    pub found_reason: Option<String>,
}

/// A count as it was kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct StockCount {
    /// The place.
    pub place: PlaceCode,
    /// Its rows.
    pub rows: Vec<CountRow>,
    /// The version of the coefficients that the expected loss rests on.
    pub coefficients_version: String,
    /// The act that booked the differences.
    pub act: Act,
}

fn row(
    lot: LotCode,
    book_g: Grams,
    counted_g: Grams,
    expected: ExpectedLoss,
    found_reason: Option<String>,
) -> CountRow {
    let parts = split(book_g, counted_g, &expected);
    CountRow {
        lot,
        book_g,
        counted_g,
        expected,
        water_loss_g: parts.water_loss_g,
        unexplained_g: parts.unexplained_g,
        less_than_expected_g: parts.less_than_expected_g,
        found_g: parts.found_g,
        found_reason,
    }
}

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
        if !kind.holds_stock() {
            return Err(Refusal::field(
                "/place",
                format!("{} holds no stock. Count a fridge, shelf, van or stall.", new.place),
            )
            .into());
        }
        check_counted(&new.lots)?;
        let lots: Vec<LotCode> = new.lots.iter().map(|l| l.lot.clone()).collect();
        self.lock(&Heads { lots: &lots, places: std::slice::from_ref(&new.place), ..Heads::default() }).await?;
        let booked = self.booked(&new.place, &lots, counted_at).await?;
        let air = self.air_before(&new.place, kind, &booked, counted_at).await?;
        let mut rows = Vec::new();
        for (i, counted) in new.lots.iter().enumerate() {
            let Some(booked) = booked.get(&counted.lot) else {
                return Err(Refusal::field(
                    format!("/lots/{i}/lot"),
                    format!("Lot {} was never at {}. Check the code, or transfer it first.", counted.lot, new.place),
                )
                .into());
            };
            let expected = booked.expected(&air, counted_at);
            let reason = counted.found_reason.as_ref().map(ToString::to_string);
            let row = row(counted.lot.clone(), booked.grams_then(), counted.counted_g, expected, reason);
            check_row(&row, booked, &new.place, i)?;
            rows.push(row);
        }
        if let Some(found) = rows.iter().find(|r| r.found_g > scale_tolerance(r.book_g.max(r.counted_g))) {
            self.authorise_gain(&format!("Counting {} of lot {} more than the book has", found.found_g, found.lot))
                .await?;
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
        let counts: Vec<CountedRow> = rows.iter().map(|r| CountedRow::of(r, &new.place)).collect();
        let posted = self.post(&act, &legs(&new.place, &rows), Parts::default().with("counts", &counts)?).await?;
        Ok(StockCount {
            place: new.place.clone(),
            rows,
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
                      low_g as "low_g: Grams", likely_g as "likely_g: Grams", high_g as "high_g: Grams", coefficients, found_reason
                 from stock_count where farm_id = $1 and act_id = any ($2) order by lot"#,
            self.farm.0,
            &ids
        )
        .fetch_all(&mut *self.db)
        .await?;
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
                            row(r.lot.clone(), r.book_g, r.counted_g, expected, r.found_reason.clone())
                        })
                        .collect(),
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
            unexplained_g: row.unexplained_g,
            found_reason: row.found_reason.as_deref(),
        }
    }
}

/// What is missing becomes lost weight, what is too much was found.
fn legs(place: &PlaceCode, rows: &[CountRow]) -> Vec<PlannedLeg> {
    let (water, found) = (built_in_place(PlaceKind::Water), built_in_place(PlaceKind::Found));
    let off = rows.iter().filter(|r| r.book_g != r.counted_g);
    off.map(|r| {
        let (from_place, to_place) = if r.found_g > Grams::ZERO { (&found, place) } else { (place, &water) };
        PlannedLeg::of(&r.lot, from_place, to_place, Grams((r.book_g - r.counted_g).0.abs()))
    })
    .collect()
}

fn check_counted(lots: &[Counted]) -> Result<(), Refusal> {
    if lots.is_empty() || lots.len() > 500 {
        return Err(Refusal::field("/lots", "Count at least one lot, and at most 500 at once."));
    }
    for (i, c) in lots.iter().enumerate() {
        if !(Grams::ZERO..=Grams::MAX).contains(&c.counted_g) {
            return Err(Refusal::field(format!("/lots/{i}/counted_g"), "A counted weight is zero or more."));
        }
        if lots[..i].iter().any(|o| o.lot == c.lot) {
            return Err(Refusal::field(
                format!("/lots/{i}/lot"),
                format!("Lot {} is counted twice. Add the two up.", c.lot),
            ));
        }
    }
    Ok(())
}

fn check_row(row: &CountRow, booked: &Booked, place: &PlaceCode, i: usize) -> Result<(), Refusal> {
    let lot = &row.lot;
    if let Some(later) = booked.counted_after {
        return Err(Refusal::new(
            RefusalKind::Closed,
            format!(
                "Lot {lot} was counted at {place} again since, at {}. The later count holds: leave this one out.",
                later.format("%Y-%m-%d %H:%M UTC")
            ),
        )
        .at(format!("/lots/{i}/lot")));
    }
    if row.book_g < Grams::ZERO {
        return Err(Refusal::field(
            "/counted_at",
            format!(
                "By the times written down, {place} had {} of lot {lot} then. Correct what was entered with the wrong time, or count now.",
                row.book_g
            ),
        ));
    }
    let tolerance = scale_tolerance(row.book_g.max(row.counted_g));
    if row.found_g > tolerance && row.found_reason.is_none() {
        return Err(Refusal::field(
            format!("/lots/{i}/found_reason"),
            format!(
                "{place} has {} of lot {lot} by the book, and {} were counted. That is {} more, and two weighings differ by {tolerance} at most. Count again; if it is right, say why.",
                row.book_g, row.counted_g, row.found_g
            ),
        ));
    }
    let missing = row.book_g - row.counted_g;
    if missing > booked.grams_now {
        return Err(Refusal::new(
            RefusalKind::NotEnough,
            format!(
                "The count is {missing} short of the book, but only {} of lot {lot} are left at {place} by now. Count what is there now.",
                booked.grams_now
            ),
        )
        .at(format!("/lots/{i}/counted_g")));
    }
    Ok(())
}
