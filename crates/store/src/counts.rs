//! Stock counts: what is there against the book, the difference split into what was to be expected and what was not.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    Grams,
    calendar::{Instant, Span},
    exposure::{Point, exposure, seconds},
    judgement::{Rules, gap_at, in_force},
    refusal::{Kind, Refusal},
    stock_count::{scale_tolerance, split},
    text::{Line, LotCode, PlaceCode, Short},
    weight_loss::{COEFFICIENTS_VERSION, Entry, ExpectedLoss, Goods, Surroundings, expected_loss, rates},
    words::{ActKind, Form, Packaging, PlaceKind},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Page, Result, Tx,
    ledger::{Act, Leg, NewAct},
};

/// What air without readings is taken to be where the place has no limit: the coldest, the likeliest, the warmest mean, °C. Our own
/// convention (unverified), from a cold van in winter to a stall in summer.
const NO_LIMIT_C: [f64; 3] = [2.0, 8.0, 20.0];

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
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
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
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
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

/// What the book knows of a lot at the place and instant of a count.
struct Booked {
    packaging: Packaging,
    form: Form,
    latin_name: String,
    /// At the place now, whenever that came.
    grams_now: Grams,
    /// By an earlier count, if there was one.
    counted_before: Option<DateTime<Utc>>,
    /// By a later count, if there was one.
    counted_after: Option<DateTime<Utc>>,
    /// What came and left until the count, in order of time.
    moved: Vec<(DateTime<Utc>, Grams)>,
}

impl Booked {
    fn grams_then(&self) -> Grams {
        self.moved.iter().map(|m| m.1).sum()
    }

    /// When what is to be expected of it begins: at the last count, or when it came.
    fn since(&self) -> Option<DateTime<Utc>> {
        self.counted_before.max(self.moved.first().map(|m| m.0))
    }

    fn entries(&self, counted_at: DateTime<Utc>) -> Vec<Entry> {
        let since = self.since().unwrap_or(counted_at);
        let hours = |at: DateTime<Utc>| seconds(Span { from: at.max(since), until: counted_at }) / 3600.0;
        self.moved.iter().map(|(at, grams)| Entry { grams: *grams, hours: hours(*at) }).collect()
    }
}

/// Air of a place before a count.
struct AirBefore {
    readings: Vec<Point>,
    gap: TimeDelta,
    unknown_c: [f64; 3],
    humidity_percent: f64,
}

impl AirBefore {
    fn new(readings: Vec<Point>, rules: &[Rules], humidity_percent: f64, counted_at: DateTime<Utc>) -> Self {
        let gap = gap_at(rules, counted_at);
        let [cold, likely, warm] =
            in_force(rules, counted_at).map_or(NO_LIMIT_C, |r| [r.cold_c, f64::midpoint(r.cold_c, r.warm_c), r.warm_c]);
        let day = Span { from: counted_at - TimeDelta::days(1), until: counted_at };
        // Where the place was read in the last day, that is the likeliest for the hours that were not.
        let likely = exposure(&readings, gap, day, warm).mean_c.unwrap_or(likely);
        Self { readings, gap, unknown_c: [cold.min(likely), likely, warm.max(likely)], humidity_percent }
    }

    fn over(&self, span: Span) -> Surroundings {
        let first = self.readings.partition_point(|r| r.0 < span.from - self.gap);
        let air = exposure(&self.readings[first..], self.gap, span, 0.0);
        let known_hours = air.known_s / 3600.0;
        Surroundings {
            known_hours,
            known_c: air.mean_c.unwrap_or(self.unknown_c[1]),
            unknown_hours: seconds(span) / 3600.0 - known_hours,
            unknown_c: self.unknown_c,
            humidity_percent: self.humidity_percent,
        }
    }
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
    /// can differ by unless it is said why, and a shortage of goods that have left since or are set aside.
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
        check_counted(&new.lots)?;
        let lots: Vec<LotCode> = new.lots.iter().map(|l| l.lot.clone()).collect();
        self.lock_lots(&lots).await?;
        let booked = self.booked(&new.place, &lots, counted_at).await?;
        let air = self.air_before(&new.place, &booked, counted_at).await?;
        let mut rows = Vec::new();
        for (i, counted) in new.lots.iter().enumerate() {
            let Some(booked) = booked.get(&counted.lot) else {
                return Err(Refusal::field(
                    format!("/lots/{i}/lot"),
                    format!("Lot {} was never at {}. Check the code, or transfer it first.", counted.lot, new.place),
                )
                .into());
            };
            let since = booked.since().unwrap_or(counted_at).min(counted_at);
            let goods = Goods { latin_name: &booked.latin_name, packaging: booked.packaging, form: booked.form };
            let rates = rates(goods, &air.over(Span { from: since, until: counted_at }));
            let expected = expected_loss(&booked.entries(counted_at), rates);
            let reason = counted.found_reason.as_ref().map(ToString::to_string);
            let row = row(counted.lot.clone(), booked.grams_then(), counted.counted_g, expected, reason);
            check_row(&row, booked, &new.place, i)?;
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
        let legs = self.count_legs(&new.place, &rows).await?;
        self.enter(&act, &legs).await?;
        self.keep_count(id, &new.place, &rows).await?;
        Ok(StockCount {
            place: new.place.clone(),
            rows,
            coefficients_version: COEFFICIENTS_VERSION.to_owned(),
            act: self.act(id).await?,
        })
    }

    async fn count_legs(&mut self, place: &PlaceCode, rows: &[CountRow]) -> Result<Vec<Leg>> {
        let (water, found) = (self.sink(PlaceKind::Water).await?, self.sink(PlaceKind::Found).await?);
        Ok(rows
            .iter()
            .filter(|r| r.book_g != r.counted_g)
            .map(|r| {
                let (from_place, to_place) = if r.found_g > Grams::ZERO {
                    (found.clone(), place.clone())
                } else {
                    (place.clone(), water.clone())
                };
                Leg { lot: r.lot.clone(), from_place, to_place, grams_g: Grams((r.book_g - r.counted_g).0.abs()) }
            })
            .collect())
    }

    async fn keep_count(&mut self, act: Uuid, place: &PlaceCode, rows: &[CountRow]) -> Result<()> {
        let grams = |f: fn(&CountRow) -> Grams| rows.iter().map(|r| f(r).0).collect::<Vec<i64>>();
        let lots: Vec<String> = rows.iter().map(|r| r.lot.to_string()).collect();
        let reasons: Vec<Option<String>> = rows.iter().map(|r| r.found_reason.clone()).collect();
        sqlx::query!(
            "insert into stock_count (farm_id, act_id, place, coefficients, lot, counted_g, book_g, low_g, likely_g, high_g, unexplained_g, found_reason)
             select $1, $2, $3, $4, u.* from unnest($5::text[], $6::bigint[], $7::bigint[], $8::bigint[], $9::bigint[], $10::bigint[], $11::bigint[], $12::text[]) as u",
            self.farm.0,
            act,
            place.as_str(),
            COEFFICIENTS_VERSION,
            &lots,
            &grams(|r| r.counted_g),
            &grams(|r| r.book_g),
            &grams(|r| r.expected.low_g),
            &grams(|r| r.expected.likely_g),
            &grams(|r| r.expected.high_g),
            &grams(|r| r.unexplained_g),
            &reasons as &[Option<String>]
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    /// What the book has of lots at a place, by the times at which things happened. Lots that were never there are left out.
    async fn booked(
        &mut self,
        place: &PlaceCode,
        lots: &[LotCode],
        counted_at: DateTime<Utc>,
    ) -> Result<BTreeMap<LotCode, Booked>> {
        let codes: Vec<String> = lots.iter().map(ToString::to_string).collect();
        let facts = sqlx::query!(
            r#"select l.lot as "lot: LotCode", l.packaging as "packaging: Packaging", l.form as "form: Form", s.latin_name, b.grams as "grams: Grams",
                      max(a.happened_at) filter (where a.happened_at <= $4) as counted_before,
                      max(a.happened_at) filter (where a.happened_at > $4) as counted_after
                 from lot l join strain s using (farm_id, strain) join balance b on b.farm_id = l.farm_id and b.lot = l.lot and b.place = $3
                 left join (stock_count c join act a using (farm_id, act_id)) on c.farm_id = l.farm_id and c.lot = l.lot and c.place = $3
                      and not exists (select from act x where x.farm_id = c.farm_id and x.reverses = c.act_id)
                where l.farm_id = $1 and l.lot = any ($2)
                group by l.lot, l.packaging, l.form, s.latin_name, b.grams"#,
            self.farm.0,
            &codes,
            place.as_str(),
            counted_at
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut booked: BTreeMap<LotCode, Booked> = facts
            .into_iter()
            .map(|f| {
                let booked = Booked {
                    packaging: f.packaging,
                    form: f.form,
                    latin_name: f.latin_name,
                    grams_now: f.grams,
                    counted_before: f.counted_before,
                    counted_after: f.counted_after,
                    moved: Vec::new(),
                };
                (f.lot, booked)
            })
            .collect();
        let moved = sqlx::query!(
            r#"select m.lot as "lot: LotCode", a.happened_at, sum(case when m.to_place = $3 then m.grams else -m.grams end)::bigint as "grams!: Grams"
                 from movement m join act a using (farm_id, act_id)
                where m.farm_id = $1 and m.lot = any ($2) and $3 in (m.from_place, m.to_place) and a.happened_at <= $4
                group by m.lot, a.happened_at order by a.happened_at"#,
            self.farm.0,
            &codes,
            place.as_str(),
            counted_at
        )
        .fetch_all(&mut *self.db)
        .await?;
        for m in moved.into_iter().filter(|m| m.grams != Grams::ZERO) {
            if let Some(lot) = booked.get_mut(&m.lot) {
                lot.moved.push((m.happened_at, m.grams));
            }
        }
        Ok(booked)
    }

    async fn air_before(
        &mut self,
        place: &PlaceCode,
        booked: &BTreeMap<LotCode, Booked>,
        counted_at: DateTime<Utc>,
    ) -> Result<AirBefore> {
        let rules = self.rules_of(place).await?;
        let humidity_percent = sqlx::query_scalar!(
            "select humidity_percent from place where farm_id = $1 and place = $2",
            self.farm.0,
            place.as_str()
        )
        .fetch_one(&mut *self.db)
        .await?;
        let day = counted_at - TimeDelta::days(1);
        let oldest = booked.values().filter_map(Booked::since).min().unwrap_or(day).min(day);
        let gap = gap_at(&rules, counted_at);
        let readings = self.air(place, Span { from: oldest - gap, until: counted_at + gap }).await?;
        Ok(AirBefore::new(readings, &rules, humidity_percent, counted_at))
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

fn check_counted(lots: &[Counted]) -> Result<(), Refusal> {
    if lots.is_empty() || lots.len() > 500 {
        return Err(Refusal::field("/lots", "Count at least one lot, and at most 500 at once."));
    }
    for (i, c) in lots.iter().enumerate() {
        if !(Grams::ZERO..=Grams::MOST).contains(&c.counted_g) {
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
            Kind::Closed,
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
                "{place} has {} of lot {lot} by the book, and {} were counted. That is {} more, and two weighings differ by {tolerance} at most. Count again; if it is right, say why in found_reason.",
                row.book_g, row.counted_g, row.found_g
            ),
        ));
    }
    let missing = row.book_g - row.counted_g;
    if missing > booked.grams_now {
        return Err(Refusal::new(
            Kind::NotEnough,
            format!(
                "The count is {missing} short of the book, but only {} of lot {lot} are left at {place} by now. Count what is there now.",
                booked.grams_now
            ),
        )
        .at(format!("/lots/{i}/counted_g")));
    }
    Ok(())
}
