//! The week measured: what the counts found against the book, place by place, and what they could not explain.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    cold::weight_loss::ExpectedLoss,
    ledger::{
        reconciliation::{Sheet, percent_of},
        stock_count::split,
    },
    text::{LotCode, PlaceCode, StrainCode},
    units::calendar::Span,
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{Result, Tx};

/// A place, and how much of what it has was counted in the week.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PlaceCounted {
    /// The place.
    pub place: PlaceCode,
    /// What the book has there at the end of the week.
    pub closing_g: Grams,
    /// Of that, what is of lots that were counted there in the week.
    pub covered_g: Grams,
    /// The last count there, in the week or before it; nothing where none ever was.
    pub last_counted_at: Option<DateTime<Utc>>,
    /// Who counted then.
    pub last_counted_by: Option<String>,
    /// Whether that was in the week.
    pub in_week: bool,
}

/// A lot of which a count in the week found less than could be expected.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct LotUnexplained {
    /// The lot.
    pub lot: LotCode,
    /// Its strain.
    pub strain: StrainCode,
    /// Where.
    pub place: PlaceCode,
    /// When.
    pub counted_at: DateTime<Utc>,
    /// Who.
    pub counted_by: String,
    /// What the book had.
    pub book_g: Grams,
    /// What was there.
    pub counted_g: Grams,
    /// What was to be expected of the difference.
    pub expected: ExpectedLoss,
    /// Missing beyond the most that was to be expected.
    pub unexplained_g: Grams,
    /// What it would have brought, at the mean price of its strain over the four weeks before the week's end.
    #[schema(value_type = Option<String>)]
    pub money: Option<Decimal>,
}

/// The week's closing by the book against that by the counts. By the book − by the counts = water loss + unexplained − found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct WeekCounted {
    /// The last count of the week.
    pub last_counted_at: DateTime<Utc>,
    /// What the stores would have at the end of the week had nobody counted in it.
    pub closing_by_book_g: Grams,
    /// What they have, with what the counts found.
    pub closing_by_count_g: Grams,
    /// The one less the other.
    pub difference_g: Grams,
    /// Water loss that was to be expected of what was counted.
    pub expected: ExpectedLoss,
    /// Missing, and within what was to be expected.
    pub water_loss_g: Grams,
    /// Missing beyond the most that was to be expected.
    pub unexplained_g: Grams,
    /// The same, per cent of what went through: opening stock, harvested and entered.
    pub unexplained_percent: Option<f64>,
    /// What it would have brought, as far as there are prices.
    #[schema(value_type = String)]
    pub unexplained_money: Decimal,
    /// Lost less than the least that was to be expected, by so much.
    pub less_than_expected_g: Grams,
    /// Above the book.
    pub found_g: Grams,
    /// The versions of the coefficients that the expected losses rest on.
    pub coefficients_versions: BTreeSet<String>,
    /// Lots with an unexplained loss, the worst first.
    pub lots: Vec<LotUnexplained>,
    /// Strains of which a count warned that more is missing than water and scales explain, and nobody has answered.
    pub strains_warned_of: BTreeSet<StrainCode>,
}

/// Balances held against movements as they are now, of the lots that are in stock or were moved since 60 days before the week. What differs
/// is damage, and names the lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct BookCheck {
    /// In the stores by the balances.
    pub balances_g: Grams,
    /// In the stores by the movements.
    pub movements_g: Grams,
    /// Lots of which the two are not the same.
    pub lots_off: Vec<LotCode>,
}

impl Tx {
    /// What was counted in a week; nothing where nobody counted.
    pub(crate) async fn week_counted(&mut self, span: Span, total: &Sheet) -> Result<Option<WeekCounted>> {
        let rows = sqlx::query!(
            r#"select c.lot as "lot: LotCode", l.strain as "strain: StrainCode", c.place as "place: PlaceCode", a.happened_at, a.done_by,
                      c.counted_g as "counted_g: Grams", c.book_g as "book_g: Grams", c.low_g as "low_g: Grams", c.likely_g as "likely_g: Grams",
                      c.high_g as "high_g: Grams", c.coefficients,
                      exists (select from standing_loss_warning w where w.farm_id = $1 and w.act_id = c.act_id and w.strain = l.strain) as "warned!"
                 from stock_count c join act a using (farm_id, act_id) join lot l on l.farm_id = c.farm_id and l.lot = c.lot
                where c.farm_id = $1 and a.happened_at >= $2 and a.happened_at < $3
                  and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id)
                order by a.happened_at, c.lot"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?;
        let Some(last) = rows.last() else { return Ok(None) };
        let last_counted_at = last.happened_at;
        let coinage = self.farm_settings().await?.coinage;
        let prices = self.mean_prices(span.until).await?;
        let mut sums = split(Grams::ZERO, Grams::ZERO, &ExpectedLoss::default());
        let (mut expected, mut difference, mut versions, mut lots) =
            (ExpectedLoss::default(), Grams::ZERO, BTreeSet::new(), Vec::new());
        let warned = rows.iter().filter(|r| r.warned).map(|r| r.strain.clone()).collect();
        for r in rows {
            let range = ExpectedLoss { low_g: r.low_g, likely_g: r.likely_g, high_g: r.high_g };
            let parts = split(r.book_g, r.counted_g, &range);
            expected += range;
            difference += r.book_g - r.counted_g;
            sums.water_loss_g += parts.water_loss_g;
            sums.unexplained_g += parts.unexplained_g;
            sums.less_than_expected_g += parts.less_than_expected_g;
            sums.found_g += parts.found_g;
            versions.insert(r.coefficients);
            if parts.unexplained_g > Grams::ZERO {
                lots.push(LotUnexplained {
                    money: prices.get(&r.strain).map(|p| coinage.by_weight(parts.unexplained_g, *p)),
                    lot: r.lot,
                    strain: r.strain,
                    place: r.place,
                    counted_at: r.happened_at,
                    counted_by: r.done_by,
                    book_g: r.book_g,
                    counted_g: r.counted_g,
                    expected: range,
                    unexplained_g: parts.unexplained_g,
                });
            }
        }
        lots.sort_by(|a, b| (b.unexplained_g, &a.lot).cmp(&(a.unexplained_g, &b.lot)));
        Ok(Some(WeekCounted {
            last_counted_at,
            closing_by_book_g: total.closing_g + difference,
            closing_by_count_g: total.closing_g,
            difference_g: difference,
            expected,
            water_loss_g: sums.water_loss_g,
            unexplained_g: sums.unexplained_g,
            unexplained_percent: percent_of(sums.unexplained_g, total.throughput_g()),
            unexplained_money: coinage.round(lots.iter().filter_map(|l| l.money).sum()),
            less_than_expected_g: sums.less_than_expected_g,
            found_g: sums.found_g,
            coefficients_versions: versions,
            lots,
            strains_warned_of: warned,
        }))
    }

    /// Places with stock at the end of a week, or counted in it, and when each was counted last.
    pub(crate) async fn places_counted(&mut self, span: Span) -> Result<Vec<PlaceCounted>> {
        let closing = sqlx::query!(
            r#"select x.place as "place!: PlaceCode", x.lot as "lot!: LotCode", sum(x.delta)::bigint as "grams!: Grams"
                 from (select b.lot, b.place, b.grams as delta from balance b where b.farm_id = $1 and b.grams > 0
                       union all
                       select m.lot, d.place, d.delta
                         from act a join movement m on m.farm_id = $1 and m.act_id = a.act_id
                        cross join lateral (values (m.from_place, m.grams), (m.to_place, -m.grams)) d(place, delta)
                        where a.farm_id = $1 and a.happened_at >= $2) x
                 join place p on p.farm_id = $1 and p.place = x.place and p.kind in ('fridge', 'shelf', 'van', 'stall')
                group by x.place, x.lot having sum(x.delta) <> 0"#,
            self.farm.0,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?;
        let counts = sqlx::query!(
            r#"select c.place as "place: PlaceCode", c.lot as "lot: LotCode", a.happened_at, a.done_by
                 from stock_count c join act a using (farm_id, act_id)
                where c.farm_id = $1 and a.happened_at < $2
                  and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id)
                order by a.happened_at, a.recorded_at"#,
            self.farm.0,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?;
        let in_week: BTreeSet<(&PlaceCode, &LotCode)> =
            counts.iter().filter(|c| c.happened_at >= span.from).map(|c| (&c.place, &c.lot)).collect();
        let mut places: BTreeMap<&PlaceCode, (Grams, Grams)> =
            in_week.iter().map(|(place, _)| (*place, <(Grams, Grams)>::default())).collect();
        for c in &closing {
            let sums = places.entry(&c.place).or_default();
            sums.0 += c.grams;
            if in_week.contains(&(&c.place, &c.lot)) {
                sums.1 += c.grams;
            }
        }
        Ok(places
            .into_iter()
            .map(|(place, (closing_g, covered_g))| {
                let last = counts.iter().rev().find(|c| &c.place == place);
                PlaceCounted {
                    place: place.clone(),
                    closing_g,
                    covered_g,
                    last_counted_at: last.map(|c| c.happened_at),
                    last_counted_by: last.map(|c| c.done_by.clone()),
                    in_week: last.is_some_and(|c| c.happened_at >= span.from),
                }
            })
            .collect())
    }

    /// Holds the balances against the movements: of every lot, or of those that are in stock or were moved since an instant and some weeks
    /// before it, for which goods keep. The book of those that are long gone is a matter of `check`.
    pub(crate) async fn book_check(&mut self, since: Option<DateTime<Utc>>) -> Result<BookCheck> {
        let found = sqlx::query!(
            r#"with store as materialized (
                   select p.place from place p where p.farm_id = $1 and p.kind in ('fridge', 'shelf', 'van', 'stall')),
               checked as materialized (
                   select l.lot from lot l where l.farm_id = $1 and $2::timestamptz is null
                   union
                   select b.lot from balance b where b.farm_id = $1 and b.grams > 0 and b.place in (select place from store)
                   union
                   select m.lot from act a join movement m on m.farm_id = $1 and m.act_id = a.act_id
                    where a.farm_id = $1 and a.happened_at >= $2 - interval '60 days'),
               line(lot, place, stands, moved) as (
                   select b.lot, b.place, b.grams, 0 from balance b
                    where b.farm_id = $1 and b.place in (select place from store) and b.lot in (select lot from checked)
                   union all
                   select m.lot, m.to_place, 0, m.grams from movement m
                    where m.farm_id = $1 and m.to_place in (select place from store) and m.lot in (select lot from checked)
                   union all
                   select m.lot, m.from_place, 0, -m.grams from movement m
                    where m.farm_id = $1 and m.from_place in (select place from store) and m.lot in (select lot from checked)),
               there as (select lot, sum(stands) as stands, sum(moved) as moved from line group by lot, place)
               select coalesce(sum(stands), 0)::bigint as "balances!: Grams", coalesce(sum(moved), 0)::bigint as "movements!: Grams",
                      coalesce(array_agg(distinct lot order by lot) filter (where stands <> moved), '{}') as "lots_off!: Vec<LotCode>"
                 from there"#,
            self.farm.0,
            since
        )
        .fetch_one(&mut *self.db)
        .await?;
        Ok(BookCheck { balances_g: found.balances, movements_g: found.movements, lots_off: found.lots_off })
    }
}
