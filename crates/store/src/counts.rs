//! Stock counts: what is there against the book, the difference split into what was to be expected and what was not.

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    calendar::{Instant, Span},
    exposure::exposure,
    judgement::{gap_at, in_force},
    refusal::Refusal,
    text::{LotCode, PlaceCode, Short},
    weight_loss::expected_loss,
    words::{ActKind, Packaging, PlaceKind},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Page, Result, Tx,
    ledger::{Act, Leg, NewAct},
};

/// Counted grams of a lot.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Counted {
    /// The lot.
    pub lot: LotCode,
    /// What the scale showed, tare taken off.
    pub counted_g: Grams,
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
    /// When; now unless said.
    pub counted_at: Option<Instant>,
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
}

/// A counted lot against the book.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct CountRow {
    /// The lot.
    pub lot: LotCode,
    /// What the book had.
    pub book_g: Grams,
    /// What was there.
    pub counted_g: Grams,
    /// Weight loss that was to be expected since harvest or the last count.
    pub expected_loss_g: Grams,
    /// Missing beyond that; below zero when less was lost than expected.
    pub unexplained_g: Grams,
    /// Above the book.
    pub found_g: Grams,
}

/// A count as it was kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct StockCount {
    /// The place.
    pub place: PlaceCode,
    /// Its rows.
    pub rows: Vec<CountRow>,
    /// The act that booked the differences.
    pub act: Act,
}

fn row(lot: LotCode, book: Grams, counted: Grams, expected: Grams) -> CountRow {
    let missing = book - counted;
    CountRow {
        lot,
        book_g: book,
        counted_g: counted,
        expected_loss_g: expected,
        unexplained_g: if missing > Grams::ZERO { missing - expected } else { Grams::ZERO },
        found_g: if missing < Grams::ZERO { -missing } else { Grams::ZERO },
    }
}

impl Tx {
    /// Counts lots at a place and books the differences: missing grams as weight lost, grams above the book as found.
    ///
    /// # Errors
    /// Refuses a place that holds no stock, a lot that was never there, and a count below what is set aside.
    pub async fn count_stock(&mut self, new: &NewStockCount) -> Result<StockCount> {
        let counted_at = self.happened(new.counted_at, "/counted_at")?;
        let kind = self.place_kind(&new.place, "/place").await?;
        if !kind.holds_stock() {
            return Err(Refusal::field(
                "/place",
                format!("{} is a {kind} and holds no stock. Count a fridge, shelf, van or stall.", new.place),
            )
            .into());
        }
        if new.lots.is_empty() || new.lots.len() > 500 {
            return Err(Refusal::field("/lots", "Count at least one lot, and at most 500 at once.").into());
        }
        let lots: Vec<LotCode> = new.lots.iter().map(|l| l.lot.clone()).collect();
        self.lock_lots(&lots).await?;
        let (water, found) = (self.sink(PlaceKind::Water).await?, self.sink(PlaceKind::Found).await?);
        let mut rows = Vec::new();
        let mut legs = Vec::new();
        for (i, c) in new.lots.iter().enumerate() {
            if !(Grams::ZERO..=Grams::MOST).contains(&c.counted_g) {
                return Err(Refusal::field(format!("/lots/{i}/counted_g"), "A counted weight is zero or more.").into());
            }
            if new.lots[..i].iter().any(|o| o.lot == c.lot) {
                return Err(Refusal::field(
                    format!("/lots/{i}/lot"),
                    format!("Lot {} is counted twice. Add the two up.", c.lot),
                )
                .into());
            }
            let row = self.count_row(&new.place, c, counted_at, i).await?;
            let (from_place, to_place, grams_g) = if row.found_g > Grams::ZERO {
                (found.clone(), new.place.clone(), row.found_g)
            } else {
                (new.place.clone(), water.clone(), row.book_g - row.counted_g)
            };
            if grams_g > Grams::ZERO {
                legs.push(Leg { lot: c.lot.clone(), from_place, to_place, grams_g });
            }
            rows.push(row);
        }
        let id = new.id.unwrap_or_else(|| self.new_id());
        let act = NewAct {
            id,
            kind: ActKind::Count,
            happened_at: counted_at,
            by: new.by.as_ref(),
            document: None,
            reason: "stock count",
        };
        self.enter(&act, &legs).await?;
        for r in &rows {
            sqlx::query!(
                "insert into stock_count (farm_id, act_id, lot, place, counted_g, book_g, expected_loss_g) values ($1, $2, $3, $4, $5, $6, $7)",
                self.farm.0,
                id,
                r.lot.as_str(),
                new.place.as_str(),
                r.counted_g.0,
                r.book_g.0,
                r.expected_loss_g.0
            )
            .execute(&mut *self.db)
            .await?;
        }
        Ok(StockCount { place: new.place.clone(), rows, act: self.act(id).await? })
    }

    async fn count_row(
        &mut self,
        place: &PlaceCode,
        c: &Counted,
        counted_at: DateTime<Utc>,
        i: usize,
    ) -> Result<CountRow> {
        let l = sqlx::query!(
            r#"select l.packaging as "packaging: Packaging", b.grams as "book?: Grams", p.humidity_percent,
                      greatest(lot_harvested_at(l.farm_id, l.lot), (select max(a.happened_at) from stock_count s join act a using (farm_id, act_id)
                        where s.farm_id = l.farm_id and s.lot = l.lot and s.place = $3)) as "since!"
                 from lot l join place p on p.farm_id = l.farm_id and p.place = $3
                 left join balance b on b.farm_id = l.farm_id and b.lot = l.lot and b.place = $3
                where l.farm_id = $1 and l.lot = $2"#,
            self.farm.0,
            c.lot.as_str(),
            place.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        let Some((l, book)) = l.and_then(|l| l.book.map(|b| (l, b))) else {
            return Err(Refusal::field(
                format!("/lots/{i}/lot"),
                format!("Lot {} was never at {place}. Check the code, or transfer it first.", c.lot),
            )
            .into());
        };
        let span = Span { from: l.since.min(counted_at), until: counted_at };
        let rules = self.rules_of(place).await?;
        let limit_c = in_force(&rules, counted_at).map_or(5.0, |r| r.warm_c);
        let readings = self.air(place, span).await?;
        let mean = exposure(&readings, gap_at(&rules, counted_at), span, limit_c).mean_c.unwrap_or(limit_c);
        let hours = gillbook_core::exposure::seconds(span) / 3600.0;
        let expected = expected_loss(book, hours, mean, l.humidity_percent, l.packaging);
        Ok(row(c.lot.clone(), book, c.counted_g, expected))
    }

    /// Counts in the order of recording.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn stock_counts(&mut self, page: &Page) -> Result<Vec<StockCount>> {
        let acts = self.acts(Some(ActKind::Count), None, page).await?;
        let ids: Vec<Uuid> = acts.iter().map(|a| a.act_id).collect();
        let rows = sqlx::query!(
            r#"select act_id, lot as "lot: LotCode", place as "place: PlaceCode", counted_g as "counted_g: Grams", book_g as "book_g: Grams",
                      expected_loss_g as "expected_loss_g: Grams"
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
                Some(StockCount {
                    place: mine.first()?.place.clone(),
                    rows: mine.iter().map(|r| row(r.lot.clone(), r.book_g, r.counted_g, r.expected_loss_g)).collect(),
                    act,
                })
            })
            .collect())
    }
}
