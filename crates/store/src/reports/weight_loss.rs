//! How much water fresh goods lose, as the counts have taught it, and where more is missing than that.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    Grams,
    cold::weight_loss::percent_per_day,
    kinds::Packaging,
    ledger::{
        loss_factor::FactorRange,
        loss_watch::{LossAnswer, LossKind, LossWarning, LossWatch},
    },
    text::{LotCode, PlaceCode, StrainCode},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{Result, Tx, ledger::loss_watch::KNOWN_DAYS};

/// The most lots that a warning names.
const MAX_NAMED_LOTS: usize = 5;

/// Per cent of their weight that goods lose in their first day at 3 °C and 90 % humidity. The truth lies between low and high with nine chances
/// in ten.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct DailyLoss {
    /// The least.
    pub low_percent: f64,
    /// The middle.
    pub likely_percent: f64,
    /// The most.
    pub high_percent: f64,
}

/// How much water fresh goods of a strain in a packaging lose.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct WeightLoss {
    /// The strain.
    pub strain: StrainCode,
    /// The packaging.
    pub packaging: Packaging,
    /// So many lots, weighed on the last 26 days with a count of it that did not warn, taught it. With none it is a wide range about half of the
    /// published rate.
    pub lots: i32,
    /// What they lose a day.
    pub a_day: DailyLoss,
    /// What they would lose a day at the published rate.
    pub published_percent: f64,
    /// From when on it was learned, where somebody said that it was different before.
    pub learned_since: Option<LossAnswer>,
    /// The newest warning that nobody has answered.
    pub warning: Option<StandingWarning>,
}

/// A lot that was missing more than was likely.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct MissingLot {
    /// The lot.
    pub lot: LotCode,
    /// Where it was counted.
    pub place: PlaceCode,
    /// What was missing.
    pub missing_g: Grams,
    /// What was likely to be missing.
    pub likely_g: Grams,
}

/// A warning that nobody has answered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct StandingWarning {
    /// When it was counted.
    pub counted_at: DateTime<Utc>,
    /// Who counted.
    pub counted_by: String,
    /// Whether that count was taken back since.
    pub taken_back: bool,
    /// Lots that were missing more than was likely on those days, the worst first, five at most.
    pub lots: Vec<MissingLot>,
    /// What is missing.
    #[serde(flatten)]
    pub warning: LossWarning,
}

fn a_day(packaging: Packaging, factor: FactorRange) -> DailyLoss {
    let at = |factor| percent_per_day(packaging, factor);
    DailyLoss { low_percent: at(factor.low), likely_percent: at(factor.likely), high_percent: at(factor.high) }
}

impl Tx {
    /// How much water fresh goods lose, by strain and packaging of the lots of half a year and of what is missing.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.weight_loss", skip_all, fields(farm_id = self.farm.0))]
    pub async fn weight_loss(&mut self) -> Result<Vec<WeightLoss>> {
        let counts = self.past_counts(None, self.now).await?;
        let mut warnings = self.standing_warnings().await?;
        let kinds = sqlx::query_as!(
            KindRow,
            r#"select k.strain as "strain!: StrainCode", k.packaging as "packaging!: Packaging", r.differently_since as "differently_since?",
                      r.reason as "reason?", r.recorded_at as "recorded_at?", r.entered_by as "entered_by?"
                 from (select l.strain, l.packaging from lot l where l.farm_id = $1 and l.form = 'fresh' and l.harvest_day >= $2
                       union select w.strain, w.packaging from standing_loss_warning w where w.farm_id = $1) k
                 left join lateral (select r.* from loss_answer r
                                     where r.farm_id = $1 and r.strain = k.strain and r.packaging = k.packaging and r.differently_since is not null
                                     order by r.recorded_at desc limit 1) r on true
                order by k.strain, k.packaging"#,
            self.farm.0,
            (self.now - TimeDelta::days(KNOWN_DAYS)).date_naive()
        )
        .fetch_all(&mut *self.db)
        .await?;
        let row = |k: KindRow| {
            let learned_since = k.learned_since();
            let kind = LossKind { strain: k.strain, packaging: k.packaging };
            let watch = LossWatch::of(counts.get(&kind).map_or(&[], Vec::as_slice));
            WeightLoss {
                lots: i32::try_from(watch.factor().lots()).unwrap_or(i32::MAX),
                a_day: a_day(kind.packaging, watch.factor().range()),
                published_percent: percent_per_day(kind.packaging, 1.0),
                learned_since,
                warning: warnings.remove(&kind),
                packaging: kind.packaging,
                strain: kind.strain,
            }
        };
        Ok(kinds.into_iter().map(row).collect())
    }

    /// The newest warning of each kind that nobody has answered, with the lots that are to blame.
    async fn standing_warnings(&mut self) -> Result<BTreeMap<LossKind, StandingWarning>> {
        let rows = sqlx::query!(
            r#"select distinct on (w.strain, w.packaging) w.strain as "strain!: StrainCode", w.packaging as "packaging!: Packaging", w.act_id as "act_id!",
                      w.counted_at as "counted_at!", w.counted_by as "counted_by!", w.taken_back as "taken_back!"
                 from standing_loss_warning w where w.farm_id = $1 order by w.strain, w.packaging, w.counted_at desc, w.recorded_at desc"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        let acts: Vec<Uuid> = rows.iter().map(|r| r.act_id).collect();
        if acts.is_empty() {
            return Ok(BTreeMap::new());
        }
        let mut warnings = self.loss_warnings_of(&acts).await?;
        let mut lots = self.missing_lots(&acts).await?;
        let standing = rows.into_iter().filter_map(|r| {
            let kind = LossKind { strain: r.strain, packaging: r.packaging };
            let of_act = warnings.get_mut(&r.act_id)?;
            let at = of_act.iter().position(|w| w.strain == kind.strain && w.packaging == kind.packaging)?;
            let lots = lots.remove(&(r.act_id, kind.clone())).unwrap_or_default();
            let warning = of_act.remove(at);
            let (counted_at, counted_by, taken_back) = (r.counted_at, r.counted_by, r.taken_back);
            Some((kind, StandingWarning { counted_at, counted_by, taken_back, lots, warning }))
        });
        Ok(standing.collect())
    }

    /// The lots of which most was missing, at the counts that some warnings are of.
    async fn missing_lots(&mut self, acts: &[Uuid]) -> Result<BTreeMap<(Uuid, LossKind), Vec<MissingLot>>> {
        let rows = sqlx::query!(
            r#"select w.act_id, w.strain as "strain: StrainCode", w.packaging as "packaging: Packaging", c.lot as "lot: LotCode",
                      c.place as "place: PlaceCode", c.book_g - c.counted_g as "missing!: Grams", c.likely_g as "likely: Grams"
                 from loss_warning w join act told on told.farm_id = $1 and told.act_id = w.act_id
                 join act a on a.farm_id = $1 and a.kind = 'count' and a.happened_at between w.counted_since and told.happened_at
                 join stock_count c on c.farm_id = $1 and c.act_id = a.act_id
                 join lot l on l.farm_id = $1 and l.lot = c.lot and l.strain = w.strain and l.packaging = w.packaging and l.form = 'fresh'
                where w.farm_id = $1 and w.act_id = any ($2) and c.book_g - c.counted_g > c.likely_g
                order by c.book_g - c.counted_g - c.likely_g desc, c.lot"#,
            self.farm.0,
            acts
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut lots: BTreeMap<(Uuid, LossKind), Vec<MissingLot>> = BTreeMap::new();
        for r in rows {
            let of = lots.entry((r.act_id, LossKind { strain: r.strain, packaging: r.packaging })).or_default();
            if of.len() < MAX_NAMED_LOTS {
                of.push(MissingLot { lot: r.lot, place: r.place, missing_g: r.missing, likely_g: r.likely });
            }
        }
        Ok(lots)
    }
}

/// A kind of goods, and from when on its loss was learned anew.
struct KindRow {
    strain: StrainCode,
    packaging: Packaging,
    differently_since: Option<DateTime<Utc>>,
    reason: Option<String>,
    recorded_at: Option<DateTime<Utc>>,
    entered_by: Option<String>,
}

impl KindRow {
    fn learned_since(&self) -> Option<LossAnswer> {
        Some(LossAnswer {
            strain: self.strain.clone(),
            packaging: self.packaging,
            differently_since: Some(self.differently_since?),
            reason: self.reason.clone()?,
            recorded_at: self.recorded_at?,
            entered_by: self.entered_by.clone()?,
        })
    }
}
