//! The week: what came in and what went out, what was counted, and its closing.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    ledger::{
        reconciliation::{Flow, Sheet, reconcile},
        replay::first_below_zero,
    },
    refusal::{Refusal, RefusalKind},
    text::{LotCode, PlaceCode, Short, StrainCode},
    units::calendar::{IsoWeek, Span, day_of, week_earlier},
    words::{ActKind, PlaceKind},
};
use serde::{Deserialize, Serialize};
use sqlx::types::Json;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    Result, Tx,
    ledger::posting::{NewAct, Parts},
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

/// A lot that by the times written down was below zero somewhere, though by the order of recording it never was: something was
/// written down late, or with the wrong time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BelowZero {
    /// The lot.
    pub lot: LotCode,
    /// Where.
    pub place: PlaceCode,
    /// The first instant of the week at which it was.
    pub at: DateTime<Utc>,
    /// Grams then, below zero.
    pub grams_g: Grams,
}

/// An act that was entered late: after its week was closed, or after a count of what it moved.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct LateEntry {
    /// The act.
    pub act_id: Uuid,
    /// Its kind.
    pub kind: ActKind,
    /// When it happened.
    pub happened_at: DateTime<Utc>,
    /// When it was entered.
    pub recorded_at: DateTime<Utc>,
    /// Who did it.
    pub done_by: String,
    /// The docket or market day that it belongs to.
    pub document: Option<String>,
    /// Why.
    pub reason: String,
    /// The lots that it moved.
    pub lots: Vec<LotCode>,
    /// Grams that it moved, over all of its movements.
    pub grams_g: Grams,
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

/// The closing of a week.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewWeekClose {
    /// Who; the one signed in unless said.
    pub by: Option<Short>,
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
        self.prefer_hash_joins(true).await?;
        let now = self.week_figures(week).await?;
        let before = self.week_before(week).await?;
        let book_check = self.book_check().await?;
        let below_zero = self.below_zero(span).await?;
        self.prefer_hash_joins(false).await?;
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

    async fn late_entries(&mut self, span: Span) -> Result<Vec<LateEntry>> {
        Ok(sqlx::query_as!(
            LateEntry,
            r#"select act_id, kind as "kind: _", happened_at, recorded_at, done_by, document, reason,
                      array(select distinct m.lot from movement m where m.farm_id = act.farm_id and m.act_id = act.act_id order by 1) as "lots!: _",
                      (select coalesce(sum(m.grams), 0)::bigint from movement m where m.farm_id = act.farm_id and m.act_id = act.act_id) as "grams_g!: _"
                 from act
                where farm_id = $1 and happened_at >= $2 and happened_at < $3 and after_close order by recorded_at, act_id limit 500"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// Acts that the last counts of a span do not know: entered after the count, for a time before it. One that was taken back since moves
    /// nothing, and what takes back an act that the count did know is itself unknown to it.
    async fn entered_after_count(&mut self, span: Span) -> Result<Vec<LateEntry>> {
        Ok(sqlx::query_as!(
            LateEntry,
            r#"with last as (
                   select distinct on (c.lot, c.place) c.lot, c.place, k.happened_at, k.recorded_at
                     from (select act_id, lot, place from stock_count where farm_id = $1
                           union all
                           -- A finished lot is a lot of which nothing was there.
                           select e.act_id, e.lot, p.place from lot_event e join place p using (farm_id)
                            where e.farm_id = $1 and e.kind = 'finish' and p.kind in ('fridge', 'shelf', 'van', 'stall')) c
                     join act k on k.farm_id = $1 and k.act_id = c.act_id
                    where not exists (select from act x where x.farm_id = k.farm_id and x.reverses = k.act_id)
                    order by c.lot, c.place, k.happened_at desc, k.recorded_at desc),
               unknown as (
                   select distinct a.act_id, m.leg, m.lot, m.grams
                     from last c join movement m on m.farm_id = $1 and m.lot = c.lot and c.place in (m.from_place, m.to_place)
                     join act a on a.farm_id = m.farm_id and a.act_id = m.act_id and a.recorded_at > c.recorded_at and a.happened_at <= c.happened_at
                     left join act o on o.farm_id = a.farm_id and o.act_id = a.reverses
                    where c.happened_at >= $2 and c.happened_at < $3 and (o.act_id is null or o.recorded_at < c.recorded_at)
                      and not exists (select from act x where x.farm_id = a.farm_id and x.reverses = a.act_id))
               select a.act_id, a.kind as "kind: _", a.happened_at, a.recorded_at, a.done_by, a.document, a.reason,
                      array_agg(distinct u.lot order by u.lot) as "lots!: _", sum(u.grams)::bigint as "grams_g!: _"
                 from unknown u join act a on a.farm_id = $1 and a.act_id = u.act_id
                group by a.farm_id, a.act_id order by a.recorded_at, a.act_id limit 500"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// When a week was closed, and with what figures.
    async fn closed_figures(&mut self, week: IsoWeek) -> Result<Option<(DateTime<Utc>, WeekFigures)>> {
        let closed = sqlx::query!(
            r#"select closed_at, sheet as "sheet: Json<WeekFigures>" from week_close where farm_id = $1 and week = $2"#,
            self.farm.0,
            week.to_string()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        Ok(closed.map(|c| (c.closed_at, c.sheet.0)))
    }

    /// The week before: as far as this one has come while it is running, else whole, and as it was closed where it was.
    async fn week_before(&mut self, week: IsoWeek) -> Result<WeekBefore> {
        let zone = self.farm_settings().await?.zone;
        let (span, before) = (week.span(zone), week.previous().span(zone));
        let running = (span.from..span.until).contains(&self.now);
        let until = if running { week_earlier(self.now, zone).clamp(before.from, before.until) } else { before.until };
        // What was closed stands, also for a comparison with it.
        let closed = self.closed_figures(week.previous()).await?.filter(|_| !running);
        let total = match closed {
            Some((_, figures)) => figures.total,
            None => reconcile(&self.flows(Span { from: before.from, until }).await?).total,
        };
        Ok(WeekBefore { week: week.previous(), until, whole: !running, total })
    }

    /// A week reads most of the ledger once, for which hash joins are right whatever the planner's statistics say; without fresh ones it
    /// would loop over every movement for every movement.
    async fn prefer_hash_joins(&mut self, yes: bool) -> Result<()> {
        sqlx::query!("select set_config('enable_nestloop', $1, true) as set", if yes { "off" } else { "on" })
            .fetch_one(&mut *self.db)
            .await?;
        Ok(())
    }

    /// Replays what was moved in a span by the times written down and finds what went below zero.
    ///
    /// The lots come first and as a list: in one query the planner, without fresh statistics, takes them for one row and loops over
    /// every movement for each.
    async fn below_zero(&mut self, span: Span) -> Result<Vec<BelowZero>> {
        let lots = sqlx::query_scalar!(
            r#"select distinct m.lot from movement m join act a using (farm_id, act_id)
                where m.farm_id = $1 and a.happened_at >= $2 and a.happened_at < $3"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?;
        let legs = sqlx::query!(
            r#"select m.lot as "lot: LotCode", m.from_place as "from_place: PlaceCode", m.to_place as "to_place: PlaceCode",
                      m.grams as "grams: Grams", a.happened_at
                 from movement m join act a using (farm_id, act_id) where m.farm_id = $1 and m.lot = any ($2)"#,
            self.farm.0,
            &lots
        )
        .fetch_all(&mut *self.db)
        .await?;
        let stores: BTreeSet<String> = sqlx::query_scalar!(
            "select place from place where farm_id = $1 and kind in ('fridge', 'shelf', 'van', 'stall')",
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?
        .into_iter()
        .collect();
        let mut changes: BTreeMap<_, Vec<_>> = BTreeMap::new();
        for leg in legs {
            for (place, grams) in [(leg.to_place, leg.grams), (leg.from_place, -leg.grams)] {
                if stores.contains(place.as_str()) {
                    changes.entry((leg.lot.clone(), place)).or_default().push((leg.happened_at, grams));
                }
            }
        }
        let below = changes.into_iter().filter_map(|((lot, place), changes)| {
            let (at, grams_g) = first_below_zero(changes, span)?;
            Some(BelowZero { lot, place, at, grams_g })
        });
        Ok(below.take(500).collect())
    }

    /// Movements before the end of a span, summed as far as a sheet does not tell them apart.
    async fn flows(&mut self, span: Span) -> Result<Vec<Flow>> {
        Ok(sqlx::query!(
            r#"select m.lot as "lot: LotCode", l.strain as "strain: StrainCode", f.kind as "from: PlaceKind", t.kind as "to: PlaceKind",
                      coalesce(o.kind, a.kind) as "act!: ActKind", (a.happened_at < $2) as "before!", (a.reverses is not null) as "takes_back!", sum(m.grams)::bigint as "grams!: Grams",
                      coalesce(sum(c.unexplained_g), 0)::bigint as "unexplained!: Grams"
                 from movement m
                 join act a on a.farm_id = m.farm_id and a.act_id = m.act_id
                 left join act o on o.farm_id = a.farm_id and o.act_id = a.reverses
                 join lot l on l.farm_id = m.farm_id and l.lot = m.lot
                 join place f on f.farm_id = m.farm_id and f.place = m.from_place
                 join place t on t.farm_id = m.farm_id and t.place = m.to_place
                 left join stock_count c on c.farm_id = m.farm_id and c.act_id = coalesce(a.reverses, a.act_id) and c.lot = m.lot
                      and c.place in (m.from_place, m.to_place)
                where m.farm_id = $1 and a.happened_at < $3
                group by 1, 2, 3, 4, 5, 6, 7"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?
        .into_iter()
        .map(|r| Flow {
            lot: r.lot,
            strain: r.strain,
            from: r.from,
            to: r.to,
            act: r.act,
            grams: r.grams,
            unexplained: r.unexplained,
            before: r.before,
            takes_back: r.takes_back,
        })
        .collect())
    }

    async fn week_figures(&mut self, week: IsoWeek) -> Result<WeekFigures> {
        let span = week.span(self.farm_settings().await?.zone);
        let flows = self.flows(span).await?;
        let sheets = reconcile(&flows);
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

    /// Closes a week: keeps what it added up to. What is entered for it later shows as after close.
    ///
    /// No act of the farm is under way meanwhile, so each is either in what is kept or marked as after close.
    ///
    /// # Errors
    /// Refuses a week that is not over or is closed, and balances that are not the sum of their movements.
    #[tracing::instrument(level = "debug", name = "store.reports.close_week", skip_all, fields(farm_id = self.farm.0))]
    pub async fn close_week(&mut self, week: IsoWeek, new: &NewWeekClose) -> Result<Week> {
        let zone = self.farm_settings().await?.zone;
        let span = week.span(zone);
        if self.now < span.until {
            return Err(Refusal::new(
                RefusalKind::Closed,
                format!(
                    "Week {week} is not over. Close it on {} or later.",
                    day_of(span.until, zone).format("%-d %B %Y")
                ),
            )
            .into());
        }
        sqlx::query!("select lock_weeks($1, true)", self.farm.0).execute(&mut *self.db).await?;
        self.prefer_hash_joins(true).await?;
        let figures = self.week_figures(week).await?;
        let check = self.book_check().await?;
        self.prefer_hash_joins(false).await?;
        if let Some(lot) = check.lots_off.first() {
            return Err(Refusal::new(
                RefusalKind::Closed,
                format!("The balances of lot {lot} are not the sum of its movements. Run `gillbook check`, and close week {week} when the book is sound."),
            )
            .into());
        }
        let act = NewAct {
            id: self.new_id(),
            kind: ActKind::WeekClose,
            happened_at: self.now,
            by: new.by.as_ref(),
            document: None,
            reason: "",
            reverses: None,
        };
        let close =
            WeekCloseRow { week, from_at: span.from, until_at: span.until, closed_at: self.now, sheet: &figures };
        self.post(&act, &[], Parts::default().with("week_close", &[close])?).await?;
        self.week(week).await
    }
}

/// A week's close in the book.
#[derive(Serialize)]
struct WeekCloseRow<'a> {
    week: IsoWeek,
    from_at: DateTime<Utc>,
    until_at: DateTime<Utc>,
    closed_at: DateTime<Utc>,
    sheet: &'a WeekFigures,
}
