//! How much water fresh goods lose, as the counts have taught it, and where more is missing than that.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    Grams,
    cold::weight_loss::{ExpectedLoss, percent_per_day},
    kinds::Packaging,
    ledger::{
        loss_factor::{FactorRange, LEARNED_DAYS},
        loss_watch::{LossKind, LossWarning, LossWatch, Relearning},
    },
    text::StrainCode,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{Result, Tx};

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
    /// So many lots, weighed at counts of the last 180 days, taught it. With none it is the published rate and a wide range about half of it.
    pub lots: i32,
    /// What they lose a day.
    pub a_day: DailyLoss,
    /// What they would lose a day at the published rate.
    pub published_percent: f64,
    /// From when on it was learned, where somebody said that it was another matter before.
    pub relearned: Option<Relearning>,
    /// What the last count warned of.
    pub warning: Option<StandingWarning>,
}

/// A warning that no later count and nobody has settled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct StandingWarning {
    /// When it was counted.
    pub counted_at: DateTime<Utc>,
    /// Who counted.
    pub counted_by: String,
    /// What is missing.
    #[serde(flatten)]
    pub warning: LossWarning,
}

fn a_day(packaging: Packaging, factor: FactorRange) -> DailyLoss {
    let at = |factor| percent_per_day(packaging, factor);
    DailyLoss { low_percent: at(factor.low), likely_percent: at(factor.likely), high_percent: at(factor.high) }
}

impl Tx {
    /// How much water fresh goods lose, by strain and packaging of the lots of half a year.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.reports.weight_loss", skip_all, fields(farm_id = self.farm.0))]
    pub async fn weight_loss(&mut self) -> Result<Vec<WeightLoss>> {
        let counts = self.past_counts(None, self.now).await?;
        let mut warnings = self.standing_warnings().await?;
        let kinds = sqlx::query_as!(
            KindRow,
            r#"select k.strain as "strain!: StrainCode", k.packaging as "packaging!: Packaging", r.learned_from as "learned_from?",
                      r.reason as "reason?", r.recorded_at as "recorded_at?", r.entered_by as "entered_by?"
                 from (select distinct l.strain, l.packaging from lot l where l.farm_id = $1 and l.form = 'fresh' and l.harvested_at >= $2) k
                 left join lateral (select r.* from loss_relearning r
                                     where r.farm_id = $1 and r.strain = k.strain and r.packaging = k.packaging
                                     order by r.recorded_at desc limit 1) r on true
                order by k.strain, k.packaging"#,
            self.farm.0,
            self.now - TimeDelta::days(LEARNED_DAYS)
        )
        .fetch_all(&mut *self.db)
        .await?;
        let row = |k: KindRow| {
            let relearned = k.relearned();
            let kind = LossKind { strain: k.strain, packaging: k.packaging };
            let watch = LossWatch::of(counts.get(&kind).map_or(&[], Vec::as_slice));
            WeightLoss {
                lots: i32::try_from(watch.factor().lots()).unwrap_or(i32::MAX),
                a_day: a_day(kind.packaging, watch.factor().range()),
                published_percent: percent_per_day(kind.packaging, 1.0),
                relearned,
                warning: warnings.remove(&kind),
                packaging: kind.packaging,
                strain: kind.strain,
            }
        };
        Ok(kinds.into_iter().map(row).collect())
    }

    async fn standing_warnings(&mut self) -> Result<BTreeMap<LossKind, StandingWarning>> {
        let rows = sqlx::query!(
            r#"select w.strain as "strain!: StrainCode", w.packaging as "packaging!: Packaging", w.counts as "counts!", w.counted_since as "counted_since!",
                      w.book_g as "book_g!: Grams", w.missing_g as "missing_g!: Grams", w.low_g as "low_g!: Grams", w.likely_g as "likely_g!: Grams",
                      w.high_g as "high_g!: Grams", w.chance as "chance!", w.counted_at as "counted_at!", w.counted_by as "counted_by!"
                 from standing_loss_warning w where w.farm_id = $1"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| {
                let warning = LossWarning {
                    strain: r.strain.clone(),
                    packaging: r.packaging,
                    counts: r.counts,
                    counted_since: r.counted_since,
                    book_g: r.book_g,
                    missing_g: r.missing_g,
                    expected: ExpectedLoss { low_g: r.low_g, likely_g: r.likely_g, high_g: r.high_g },
                    chance: r.chance,
                };
                let standing = StandingWarning { counted_at: r.counted_at, counted_by: r.counted_by, warning };
                (LossKind { strain: r.strain, packaging: r.packaging }, standing)
            })
            .collect())
    }
}

/// A kind of goods, and from when on its loss was learned anew.
struct KindRow {
    strain: StrainCode,
    packaging: Packaging,
    learned_from: Option<DateTime<Utc>>,
    reason: Option<String>,
    recorded_at: Option<DateTime<Utc>>,
    entered_by: Option<String>,
}

impl KindRow {
    fn relearned(&self) -> Option<Relearning> {
        Some(Relearning {
            strain: self.strain.clone(),
            packaging: self.packaging,
            learned_from: self.learned_from?,
            reason: self.reason.clone()?,
            recorded_at: self.recorded_at?,
            entered_by: self.entered_by.clone()?,
        })
    }
}
