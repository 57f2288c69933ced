//! The week: what came in and what went out, what was counted, and its closing.

mod closing;
mod late;

pub use {
    closing::NewWeekClose,
    late::{BelowZero, LateEntry},
};

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    kinds::{ActKind, PlaceKind},
    ledger::reconciliation::{Flow, Opening, Sheet, reconcile},
    text::{LotCode, StrainCode},
    units::calendar::{IsoWeek, Span, week_earlier},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    Result, Tx,
    reports::{
        week_counts::{BookCheck, PlaceCounted, WeekCounted},
        week_money::{ChannelMoney, MoneyTotal, OutForDelivery},
    },
};

/// A strain's sheet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct StrainSheet {
    /// The strain.
    pub strain: StrainCode,
    /// Its grams.
    pub sheet: Sheet,
}

/// A lot's sheet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct LotSheet {
    /// The lot.
    pub lot: LotCode,
    /// Its grams.
    pub sheet: Sheet,
}

/// A week's figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct WeekFigures {
    /// Everything.
    pub total: Sheet,
    /// By strain.
    pub strains: Vec<StrainSheet>,
    /// By lot: the rows that the others are sums of.
    pub lots: Vec<LotSheet>,
    /// What was counted; nothing where nobody counted in the week.
    pub counted: Option<WeekCounted>,
    /// Places with stock, and when each was counted last.
    pub places: Vec<PlaceCounted>,
    /// Grams that were ordered for days of the week. A stall has no orders.
    pub ordered_g: Grams,
    /// Grams that were handed over under dockets in the week; what came back is not taken off.
    pub delivered_g: Grams,
    /// Grams that stalls sold in the week.
    pub market_g: Grams,
    /// What had left and was not handed over when the week ended.
    pub out_for_delivery: OutForDelivery,
    /// Handed over in the week less what came back in it, by channel, without tax.
    pub money: Vec<ChannelMoney>,
    /// The same together.
    pub money_total: MoneyTotal,
    /// ISO 4217 letters.
    pub currency: String,
    /// Blocks lost in the week.
    pub blocks_lost: i64,
}

/// The week before, for comparison: the same part of it while a week is running, else the whole, as it was closed where it was.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct WeekBefore {
    /// The week before.
    pub week: IsoWeek,
    /// Up to here; the same weekday and clock time while a week is running.
    pub until: DateTime<Utc>,
    /// Whether that is the whole week.
    pub whole: bool,
    /// Its grams so far.
    pub total: Sheet,
}

/// How far a week has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum WeekStage {
    /// It lies ahead.
    NotBegun,
    /// It is running.
    Open,
    /// It is over and not closed.
    Ended,
    /// It is closed.
    Closed,
}

/// A week, now and as it was closed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Week {
    /// The week.
    pub week: IsoWeek,
    /// Its first instant.
    pub from: DateTime<Utc>,
    /// The first instant after it.
    pub until: DateTime<Utc>,
    /// How far it has come.
    pub stage: WeekStage,
    /// As the book has it now.
    pub now: WeekFigures,
    /// The week before, for comparison.
    pub before: WeekBefore,
    /// Balances against movements, now.
    pub book_check: BookCheck,
    /// When it was closed.
    pub closed_at: Option<DateTime<Utc>>,
    /// As it was when it was closed.
    pub closed: Option<WeekFigures>,
    /// Number of acts that happened in the week and were entered after it was closed.
    pub after_close: i64,
    /// The first 500 of them, in the order of entry.
    pub late_entries: Vec<LateEntry>,
    /// The first 500 acts that were entered after the last count of a lot at a place or after its finish, where that was in the week, though they happened before
    /// it. The count had allowed for what they moved, so it is counted twice until the count is taken back and made again; of what takes back
    /// another act only where the goods never left.
    pub entered_after_count: Vec<LateEntry>,
    /// Lots whose times do not agree with their grams.
    pub below_zero: Vec<BelowZero>,
}

impl Tx {
    /// The week reconciled.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.week", skip_all, fields(farm_id = self.farm.0))]
    pub async fn week(&mut self, week: IsoWeek) -> Result<Week> {
        let zone = self.farm_settings().await?.zone;
        let span = week.span(zone);
        let now = self.week_figures(week).await?;
        let before = self.week_before(week).await?;
        let book_check = self.book_check(Some(span.from)).await?;
        let below_zero = self.below_zero(span).await?;
        let closed = self.closed_figures(week).await?;
        let after_close = sqlx::query_scalar!(
            r#"select count(*) as "n!" from act where farm_id = $1 and happened_at >= $2 and happened_at < $3 and after_close"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_one(&mut *self.db)
        .await?;
        let late_entries = self.late_entries(span).await?;
        let entered_after_count = self.entered_after_count(span).await?;
        let (closed_at, closed) = closed.map_or((None, None), |(at, figures)| (Some(at), Some(figures)));
        let stage = match closed_at {
            Some(_) => WeekStage::Closed,
            None if self.now < span.from => WeekStage::NotBegun,
            None if self.now < span.until => WeekStage::Open,
            None => WeekStage::Ended,
        };
        Ok(Week {
            week,
            from: span.from,
            until: span.until,
            stage,
            now,
            before,
            book_check,
            closed_at,
            closed,
            after_close,
            late_entries,
            entered_after_count,
            below_zero,
        })
    }

    /// The week before: as far as this one has come while it is running, else whole, and as it was closed where it was.
    async fn week_before(&mut self, week: IsoWeek) -> Result<WeekBefore> {
        let zone = self.farm_settings().await?.zone;
        let (span, before) = (week.span(zone), week.previous().span(zone));
        let running = (span.from..span.until).contains(&self.now);
        let until = if running { week_earlier(self.now, zone).clamp(before.from, before.until) } else { before.until };
        // What was closed stands, also for a comparison with it.
        let closed = self.closed_figures(week.previous()).await?.filter(|_| !running);
        let total = if let Some((_, figures)) = closed {
            figures.total
        } else {
            let (opening, flows) = self.flows(Span { from: before.from, until }).await?;
            reconcile(&opening, &flows).total
        };
        Ok(WeekBefore { week: week.previous(), until, whole: !running, total })
    }

    /// What was in the stores when a span began, and what moved in it, summed as far as a sheet does not tell it apart.
    ///
    /// What was there is what is there now less what has moved since, so that the ledger before the span is not read. `check` proves that
    /// the balances are the sum of all movements.
    async fn flows(&mut self, span: Span) -> Result<(Vec<Opening>, Vec<Flow>)> {
        let rows = sqlx::query!(
            r#"with moved as materialized (
                   select m.act_id, m.lot, m.grams, f.place as from_place, f.kind as from_kind, t.place as to_place, t.kind as to_kind, a.kind, a.reverses, a.happened_at
                     from act a join movement m on m.farm_id = $1 and m.act_id = a.act_id
                     join place f on f.farm_id = $1 and f.place = m.from_place
                     join place t on t.farm_id = $1 and t.place = m.to_place
                    where a.farm_id = $1 and a.happened_at >= $2),
               opening as (
                   select x.lot, sum(x.grams)::bigint as grams
                     from (select b.lot, b.grams from place p join balance b on b.farm_id = $1 and b.place = p.place and b.grams > 0
                            where p.farm_id = $1 and p.kind in ('fridge', 'shelf', 'van', 'stall')
                           union all
                           select lot, -grams from moved where to_kind in ('fridge', 'shelf', 'van', 'stall')
                           union all
                           select lot, grams from moved where from_kind in ('fridge', 'shelf', 'van', 'stall')) x
                    group by x.lot having sum(x.grams) <> 0),
               flow as (
                   select m.lot, m.from_kind, m.to_kind, coalesce(o.kind, m.kind) as act, m.reverses is not null as takes_back,
                          sum(m.grams)::bigint as grams, coalesce(sum(c.unexplained_g), 0)::bigint as unexplained
                     from moved m
                     left join act o on o.farm_id = $1 and o.act_id = m.reverses
                     left join stock_count c on c.farm_id = $1 and c.act_id = coalesce(m.reverses, m.act_id) and c.lot = m.lot
                          and c.place in (m.from_place, m.to_place)
                    where m.happened_at < $3 group by 1, 2, 3, 4, 5)
               select x.lot as "lot!: LotCode", l.strain as "strain: StrainCode", x.from_kind as "from?: PlaceKind", x.to_kind as "to?: PlaceKind",
                      x.act as "act?: ActKind", x.takes_back as "takes_back?", x.grams as "grams!: Grams", x.unexplained as "unexplained!: Grams"
                 from (select lot, null as from_kind, null as to_kind, null as act, null::boolean as takes_back, grams, 0::bigint as unexplained from opening
                       union all
                       select lot, from_kind, to_kind, act, takes_back, grams, unexplained from flow) x
                 join lot l on l.farm_id = $1 and l.lot = x.lot"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?;
        let (mut opening, mut flows) = (Vec::new(), Vec::new());
        for r in rows {
            let (Some(from), Some(to), Some(act)) = (r.from, r.to, r.act) else {
                opening.push(Opening { lot: r.lot, strain: r.strain, grams: r.grams });
                continue;
            };
            flows.push(Flow {
                lot: r.lot,
                strain: r.strain,
                from,
                to,
                act,
                grams: r.grams,
                unexplained: r.unexplained,
                takes_back: r.takes_back.unwrap_or(false),
            });
        }
        Ok((opening, flows))
    }

    async fn week_figures(&mut self, week: IsoWeek) -> Result<WeekFigures> {
        let span = week.span(self.farm_settings().await?.zone);
        let (opening, flows) = self.flows(span).await?;
        let sheets = reconcile(&opening, &flows);
        let quiet = Sheet::default();
        let lots: Vec<LotSheet> = sheets
            .by_lot
            .into_iter()
            .filter(|(_, s)| *s != quiet)
            .map(|(lot, sheet)| LotSheet { lot, sheet })
            .collect();
        let ordered_g = sqlx::query_scalar!(
            r#"select coalesce(sum(l.grams), 0)::bigint as "g!: Grams" from order_line l join customer_order o using (farm_id, order_code)
                where l.farm_id = $1 and o.delivery_day between $2 and $3 and o.status not in ('draft', 'cancelled')"#,
            self.farm.0,
            week.monday(),
            week.sunday()
        )
        .fetch_one(&mut *self.db)
        .await?;
        let blocks_lost = sqlx::query_scalar!(
            r#"select coalesce(sum(blocks), 0)::bigint as "n!" from batch_loss where farm_id = $1 and lost_at >= $2 and lost_at < $3"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_one(&mut *self.db)
        .await?;
        let money = self.week_money(span).await?;
        Ok(WeekFigures {
            counted: self.week_counted(span, &sheets.total).await?,
            places: self.places_counted(span).await?,
            total: sheets.total,
            strains: sheets
                .by_strain
                .into_iter()
                .filter(|(_, s)| *s != quiet)
                .map(|(strain, sheet)| StrainSheet { strain, sheet })
                .collect(),
            lots,
            ordered_g,
            delivered_g: money.delivered_g,
            market_g: money.market_g,
            out_for_delivery: money.out_for_delivery,
            money: money.channels,
            money_total: money.total,
            currency: self.farm_settings().await?.coinage.currency().to_owned(),
            blocks_lost,
        })
    }
}
