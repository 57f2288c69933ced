//! The week: what came in and what went out, to the gram, and its closing.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use gillbook_core::{
    Grams,
    calendar::{IsoWeek, Span, day_of},
    reconciliation::{Flow, Sheet, reconcile},
    refusal::{Kind, Refusal},
    replay::first_below_zero,
    text::{LotCode, PlaceCode, Short, StrainCode},
    words::{ActKind, CustomerKind, PlaceKind},
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use sqlx::types::Json;
use utoipa::ToSchema;

use crate::{Result, Tx, ledger::NewAct};

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

/// Takings of a channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ChannelMoney {
    /// The channel.
    pub channel: CustomerKind,
    /// Grams sent out.
    pub grams_g: Grams,
    /// Net amount.
    #[schema(value_type = String)]
    pub net: Decimal,
    /// Net amount a kilogram; nothing where nothing was sold.
    #[schema(value_type = Option<String>)]
    pub per_kg: Option<Decimal>,
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
    /// Grams that were ordered for days of the week.
    pub ordered_g: Grams,
    /// Grams that were handed over in the week, market included.
    pub delivered_g: Grams,
    /// Sent out in the week, by channel, at the dockets' prices and the stalls' takings.
    pub money: Vec<ChannelMoney>,
    /// ISO 4217 letters.
    pub currency: String,
    /// Blocks lost in the week.
    pub blocks_lost: i64,
    /// Rows that do not close. Empty, or the week does not.
    pub open_rows: Vec<LotCode>,
}

/// A lot that by the times written down was below zero somewhere, though by the order of recording it never was: something was
/// written down late, or with the wrong time.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
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

/// A week, now and as it was closed.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Week {
    /// The week.
    pub week: IsoWeek,
    /// Its first instant.
    pub from: DateTime<Utc>,
    /// The first instant after it.
    pub until: DateTime<Utc>,
    /// As the book has it now.
    pub now: WeekFigures,
    /// When it was closed.
    pub closed_at: Option<DateTime<Utc>>,
    /// As it was when it was closed.
    pub closed: Option<WeekFigures>,
    /// Acts that happened in the week and were recorded after it was closed.
    pub after_close: i64,
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
    pub async fn week(&mut self, week: IsoWeek) -> Result<Week> {
        let zone = self.ways().await?.zone;
        let span = week.span(zone);
        self.prefer_hash_joins(true).await?;
        let now = self.week_figures(week).await?;
        let below_zero = self.below_zero(span).await?;
        self.prefer_hash_joins(false).await?;
        let closed = sqlx::query!(
            r#"select closed_at, sheet as "sheet: Json<WeekFigures>" from week_close where farm_id = $1 and week = $2"#,
            self.farm.0,
            week.to_string()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        let after_close = sqlx::query_scalar!(
            r#"select count(*) as "n!" from act a join week_close w on w.farm_id = a.farm_id and w.week = $2
                where a.farm_id = $1 and a.happened_at >= $3 and a.happened_at < $4 and a.recorded_at > w.closed_at"#,
            self.farm.0,
            week.to_string(),
            span.from,
            span.until
        )
        .fetch_one(&mut *self.db)
        .await?;
        let (closed_at, closed) = closed.map_or((None, None), |c| (Some(c.closed_at), Some(c.sheet.0)));
        Ok(Week { week, from: span.from, until: span.until, now, closed_at, closed, after_close, below_zero })
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

    async fn week_figures(&mut self, week: IsoWeek) -> Result<WeekFigures> {
        let ways = self.ways().await?;
        let span = week.span(ways.zone);
        let flows: Vec<Flow> = sqlx::query!(
            r#"select m.lot as "lot: LotCode", l.strain as "strain: StrainCode", f.kind as "from: PlaceKind", t.kind as "to: PlaceKind",
                      coalesce(o.kind, a.kind) as "act!: ActKind", (a.happened_at < $2) as "before!", sum(m.grams)::bigint as "grams!: Grams"
                 from movement m
                 join act a on a.farm_id = m.farm_id and a.act_id = m.act_id
                 left join act o on o.farm_id = a.farm_id and o.act_id = a.reverses
                 join lot l on l.farm_id = m.farm_id and l.lot = m.lot
                 join place f on f.farm_id = m.farm_id and f.place = m.from_place
                 join place t on t.farm_id = m.farm_id and t.place = m.to_place
                where m.farm_id = $1 and a.happened_at < $3
                group by 1, 2, 3, 4, 5, 6"#,
            self.farm.0,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?
        .into_iter()
        .map(|r| Flow { lot: r.lot, strain: r.strain, from: r.from, to: r.to, act: r.act, grams: r.grams, before: r.before })
        .collect();
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
        Ok(WeekFigures {
            delivered_g: sheets.total.sold_g,
            open_rows: lots.iter().filter(|l| l.sheet.difference_g != Grams::ZERO).map(|l| l.lot.clone()).collect(),
            total: sheets.total,
            strains: sheets
                .by_strain
                .into_iter()
                .filter(|(_, s)| *s != quiet)
                .map(|(strain, sheet)| StrainSheet { strain, sheet })
                .collect(),
            lots,
            ordered_g,
            money: self.week_money(span.from, span.until).await?,
            currency: self.farm().await?.currency,
            blocks_lost,
        })
    }

    async fn week_money(&mut self, from: DateTime<Utc>, until: DateTime<Utc>) -> Result<Vec<ChannelMoney>> {
        let coinage = self.ways().await?.coinage;
        let rows = self.sales(Some((from, until))).await?;
        let mut by_channel: BTreeMap<CustomerKind, (Grams, Decimal)> = BTreeMap::new();
        for r in rows {
            let sum = by_channel.entry(r.channel).or_default();
            sum.0 += r.grams;
            sum.1 += r.amount;
        }
        Ok(by_channel
            .into_iter()
            .map(|(channel, (grams, net))| ChannelMoney {
                channel,
                grams_g: grams,
                net: coinage.round(net),
                per_kg: (grams > Grams::ZERO)
                    .then(|| coinage.round(net * Decimal::from(1000) / Decimal::from(grams.0))),
            })
            .collect())
    }

    /// Closes a week: keeps what it added up to. What is recorded for it later shows as after close.
    ///
    /// # Errors
    /// Refuses a week that is not over, is closed, or does not add up.
    pub async fn close_week(&mut self, week: IsoWeek, new: &NewWeekClose) -> Result<Week> {
        let zone = self.ways().await?.zone;
        let span = week.span(zone);
        if self.now < span.until {
            return Err(Refusal::new(
                Kind::Closed,
                format!("Week {week} is not over: it ends when {} begins. Close it then.", day_of(span.until, zone)),
            )
            .into());
        }
        self.prefer_hash_joins(true).await?;
        let figures = self.week_figures(week).await?;
        self.prefer_hash_joins(false).await?;
        if let Some(lot) = figures.open_rows.first() {
            return Err(Refusal::new(
                Kind::Closed,
                format!("Week {week} does not add up, beginning with lot {lot}. Run `gillbook check`."),
            )
            .into());
        }
        let id = self.new_id();
        let act = NewAct {
            id,
            kind: ActKind::WeekClose,
            happened_at: self.now,
            by: new.by.as_ref(),
            document: None,
            reason: "",
        };
        self.enter(&act, &[]).await?;
        sqlx::query!(
            "insert into week_close (farm_id, week, act_id, closed_at, sheet) values ($1, $2, $3, $4, $5)",
            self.farm.0,
            week.to_string(),
            id,
            self.now,
            Json(&figures) as _
        )
        .execute(&mut *self.db)
        .await?;
        self.week(week).await
    }
}
