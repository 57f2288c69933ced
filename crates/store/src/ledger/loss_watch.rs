//! What counts have said of goods that lose water alike, and what they were warned of.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    Grams,
    cold::weight_loss::{ExpectedLoss, PublishedLoss},
    kinds::Packaging,
    ledger::{
        loss_factor::{LEARNED_DAYS, WeighedLot},
        loss_watch::{CountedLot, KindCount, LossKind, LossWarning, NewRelearning, Relearning},
    },
    text::StrainCode,
};
use serde::Serialize;
use uuid::Uuid;

use crate::{Result, Tx};

impl Tx {
    /// What the counts of half a year up to an instant said, by kind and in order of time, as far back as they teach it; of some kinds, or of
    /// all.
    pub(crate) async fn past_counts(
        &mut self,
        kinds: Option<&BTreeSet<LossKind>>,
        until: DateTime<Utc>,
    ) -> Result<BTreeMap<LossKind, Vec<KindCount>>> {
        let strains: Option<Vec<String>> = kinds.map(|k| k.iter().map(|k| k.strain.to_string()).collect());
        let packagings: Option<Vec<String>> = kinds.map(|k| k.iter().map(|k| k.packaging.to_string()).collect());
        let rows = sqlx::query!(
            r#"select l.strain as "strain: StrainCode", l.packaging as "packaging: Packaging", a.act_id, a.happened_at,
                      c.book_g as "book_g: Grams", c.counted_g as "counted_g: Grams", c.published_low_g as "published_low_g: Grams",
                      c.published_g as "published_g: Grams", c.published_high_g as "published_high_g: Grams",
                      c.published_gross_g as "published_gross_g: Grams", c.found_reason is not null as "explained!"
                 from act a join stock_count c on c.farm_id = $1 and c.act_id = a.act_id join lot l on l.farm_id = $1 and l.lot = c.lot
                 left join lateral (select r.learned_from from loss_relearning r
                                     where r.farm_id = $1 and r.strain = l.strain and r.packaging = l.packaging
                                     order by r.recorded_at desc limit 1) r on true
                where a.farm_id = $1 and a.kind = 'count' and a.happened_at >= $2 and a.happened_at <= $3 and l.form = 'fresh'
                  and ($4::text[] is null or (l.strain, l.packaging) in (select * from unnest($4::text[], $5::text[])))
                  and (r.learned_from is null or a.happened_at >= r.learned_from)
                  and not exists (select from act x where x.farm_id = $1 and x.reverses = a.act_id)
                order by a.happened_at, a.recorded_at, a.act_id, c.lot"#,
            self.farm.0,
            until - TimeDelta::days(LEARNED_DAYS),
            until,
            strains as _,
            packagings as _
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut counts: BTreeMap<LossKind, Vec<(Uuid, KindCount)>> = BTreeMap::new();
        for r in rows {
            let of_kind = counts.entry(LossKind { strain: r.strain, packaging: r.packaging }).or_default();
            if of_kind.last().is_none_or(|(act, _)| *act != r.act_id) {
                of_kind.push((r.act_id, KindCount { counted_at: r.happened_at, lots: Vec::new() }));
            }
            let published = PublishedLoss {
                low_g: r.published_low_g,
                likely_g: r.published_g,
                high_g: r.published_high_g,
                gross_g: r.published_gross_g,
            };
            let lot = WeighedLot { book_g: r.book_g, counted_g: r.counted_g, published };
            if let Some((_, count)) = of_kind.last_mut() {
                count.lots.push(CountedLot { lot, explained: r.explained });
            }
        }
        Ok(counts.into_iter().map(|(kind, counts)| (kind, counts.into_iter().map(|(_, c)| c).collect())).collect())
    }

    /// What some counts warned of.
    pub(crate) async fn loss_warnings_of(&mut self, acts: &[Uuid]) -> Result<BTreeMap<Uuid, Vec<LossWarning>>> {
        let rows = sqlx::query!(
            r#"select act_id, strain as "strain: StrainCode", packaging as "packaging: Packaging", counts, counted_since, book_g as "book_g: Grams",
                      missing_g as "missing_g: Grams", low_g as "low_g: Grams", likely_g as "likely_g: Grams", high_g as "high_g: Grams", chance
                 from loss_warning where farm_id = $1 and act_id = any ($2) order by strain, packaging"#,
            self.farm.0,
            acts
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut warnings: BTreeMap<Uuid, Vec<LossWarning>> = BTreeMap::new();
        for r in rows {
            warnings.entry(r.act_id).or_default().push(LossWarning {
                strain: r.strain,
                packaging: r.packaging,
                counts: r.counts,
                counted_since: r.counted_since,
                book_g: r.book_g,
                missing_g: r.missing_g,
                expected: ExpectedLoss { low_g: r.low_g, likely_g: r.likely_g, high_g: r.high_g },
                chance: r.chance,
            });
        }
        Ok(warnings)
    }

    /// Says that goods lose water otherwise since a day: what was counted before it teaches nothing any more.
    ///
    /// # Errors
    /// Refuses a strain that is not there, and a day that is to come or too long ago.
    #[tracing::instrument(level = "debug", name = "store.ledger.relearn_loss", skip_all, fields(farm_id = self.farm.0))]
    pub async fn relearn_loss(&mut self, new: &NewRelearning) -> Result<Relearning> {
        let (today, zone) = (self.farm_day().await?, self.farm_settings().await?.zone);
        let relearning = new.decide(today, zone, self.now, &self.actor.name)?;
        sqlx::query!(
            "insert into loss_relearning (farm_id, strain, packaging, recorded_at, learned_from, reason, entered_by) values ($1, $2, $3, $4, $5, $6, $7)",
            self.farm.0,
            relearning.strain.as_str(),
            relearning.packaging.as_str(),
            relearning.recorded_at,
            relearning.learned_from,
            relearning.reason,
            relearning.entered_by
        )
        .execute(&mut *self.db)
        .await?;
        Ok(relearning)
    }
}

/// A warning in the book.
#[derive(Serialize)]
pub(super) struct WarningRow<'a> {
    strain: &'a StrainCode,
    packaging: Packaging,
    counts: i32,
    counted_since: DateTime<Utc>,
    book_g: Grams,
    missing_g: Grams,
    #[serde(flatten)]
    expected: ExpectedLoss,
    chance: f64,
}

impl<'a> WarningRow<'a> {
    pub(super) fn of(warning: &'a LossWarning) -> Self {
        Self {
            strain: &warning.strain,
            packaging: warning.packaging,
            counts: warning.counts,
            counted_since: warning.counted_since,
            book_g: warning.book_g,
            missing_g: warning.missing_g,
            expected: warning.expected,
            chance: warning.chance,
        }
    }
}
