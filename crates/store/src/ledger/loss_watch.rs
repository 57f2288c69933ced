//! What counts have said of goods that lose water alike, what they warned of, and what was answered.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    Grams,
    cold::weight_loss::{ExpectedLoss, PublishedLoss},
    kinds::Packaging,
    ledger::{
        loss_factor::WeighedLot,
        loss_watch::{CountedLot, KindDay, LossAnswer, LossKind, LossWarning, MAX_AGE_DAYS, NewLossAnswer},
    },
    text::{LotCode, PlaceCode, StrainCode},
    units::calendar::day_of,
};
use serde::Serialize;
use uuid::Uuid;

use crate::{Result, Tx};

/// Goods of a kind that were there in so many days can be answered for.
pub(crate) const KNOWN_DAYS: i64 = 180;

impl Tx {
    /// What the counts up to an instant said, by kind and day, as far back as they teach it; of some kinds, or of all.
    pub(crate) async fn past_counts(
        &mut self,
        kinds: Option<&BTreeSet<LossKind>>,
        until: DateTime<Utc>,
    ) -> Result<BTreeMap<LossKind, Vec<KindDay>>> {
        let zone = self.farm_settings().await?.zone;
        let strains: Option<Vec<String>> = kinds.map(|k| k.iter().map(|k| k.strain.to_string()).collect());
        let packagings: Option<Vec<String>> = kinds.map(|k| k.iter().map(|k| k.packaging.to_string()).collect());
        let rows = sqlx::query!(
            r#"select l.strain as "strain: StrainCode", l.packaging as "packaging: Packaging", a.happened_at,
                      c.lot as "lot: LotCode", c.place as "place: PlaceCode", c.book_g as "book_g: Grams", c.counted_g as "counted_g: Grams", c.published_low_g as "published_low_g: Grams",
                      c.published_g as "published_g: Grams", c.published_high_g as "published_high_g: Grams",
                      c.published_gross_g as "published_gross_g: Grams", c.found_reason is not null as "explained!", c.transferred,
                      exists (select from loss_warning w where w.farm_id = $1 and w.act_id = a.act_id and w.strain = l.strain and w.packaging = l.packaging)
                        and (r.recorded_at is null or r.recorded_at <= a.recorded_at) as "warned!"
                 from act a join stock_count c on c.farm_id = $1 and c.act_id = a.act_id join lot l on l.farm_id = $1 and l.lot = c.lot
                 left join lateral (select r.differently_since, r.recorded_at from loss_answer r
                                     where r.farm_id = $1 and r.strain = l.strain and r.packaging = l.packaging and r.differently_since is not null
                                     order by r.recorded_at desc limit 1) r on true
                where a.farm_id = $1 and a.kind = 'count' and a.happened_at >= $2 and a.happened_at <= $3 and l.form = 'fresh'
                  and ($4::text[] is null or (l.strain, l.packaging) in (select * from unnest($4::text[], $5::text[])))
                  and (r.differently_since is null or a.happened_at >= r.differently_since)
                  and not exists (select from act x where x.farm_id = $1 and x.reverses = a.act_id)
                order by a.happened_at, a.recorded_at, a.act_id, c.lot"#,
            self.farm.0,
            until - TimeDelta::days(MAX_AGE_DAYS),
            until,
            strains as _,
            packagings as _
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut counts: BTreeMap<LossKind, Vec<KindDay>> = BTreeMap::new();
        for r in rows {
            let days = counts.entry(LossKind { strain: r.strain, packaging: r.packaging }).or_default();
            let day = day_of(r.happened_at, zone);
            if days.last().is_none_or(|d| d.day != day) {
                days.push(KindDay { day, counted_at: r.happened_at, lots: Vec::new(), warned: false });
            }
            let published = PublishedLoss {
                low_g: r.published_low_g,
                likely_g: r.published_g,
                high_g: r.published_high_g,
                gross_g: r.published_gross_g,
            };
            let lot = WeighedLot { book_g: r.book_g, counted_g: r.counted_g, published };
            if let Some(day) = days.last_mut() {
                let at = (r.lot, r.place);
                day.lots.push(CountedLot { at, lot, explained: r.explained, transferred: r.transferred });
                day.warned |= r.warned;
            }
        }
        Ok(counts)
    }

    /// What some counts warned of.
    pub(crate) async fn loss_warnings_of(&mut self, acts: &[Uuid]) -> Result<BTreeMap<Uuid, Vec<LossWarning>>> {
        let rows = sqlx::query!(
            r#"select act_id, strain as "strain: StrainCode", packaging as "packaging: Packaging", count_days, counted_since, book_g as "book_g: Grams",
                      missing_g as "missing_g: Grams", low_g as "low_g: Grams", likely_g as "likely_g: Grams", high_g as "high_g: Grams", probability
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
                count_days: r.count_days,
                counted_since: r.counted_since,
                book_g: r.book_g,
                missing_g: r.missing_g,
                expected: ExpectedLoss { low_g: r.low_g, likely_g: r.likely_g, high_g: r.high_g },
                probability: r.probability,
            });
        }
        Ok(warnings)
    }

    /// Says what became of goods that are missing, or since when goods lose water differently.
    ///
    /// # Errors
    /// As [`NewLossAnswer::decide`] does; and where there is no such strain.
    #[tracing::instrument(level = "debug", name = "store.ledger.answer_loss", skip_all, fields(farm_id = self.farm.0))]
    pub async fn answer_loss(&mut self, new: &NewLossAnswer) -> Result<LossAnswer> {
        let (today, zone) = (self.farm_day().await?, self.farm_settings().await?.zone);
        let known = sqlx::query_scalar!(
            r#"select exists (select from lot l where l.farm_id = $1 and l.strain = $2 and l.packaging = $3 and l.form = 'fresh' and l.harvest_day >= $4)
                   or exists (select from standing_loss_warning w where w.farm_id = $1 and w.strain = $2 and w.packaging = $3) as "known!""#,
            self.farm.0,
            new.strain.as_str(),
            new.packaging.as_str(),
            (self.now - TimeDelta::days(KNOWN_DAYS)).date_naive()
        )
        .fetch_one(&mut *self.db)
        .await?;
        let answer = new.decide(known, (today, zone), self.now, &self.actor.name)?;
        sqlx::query!(
            "insert into loss_answer (farm_id, strain, packaging, recorded_at, reason, differently_since, entered_by) values ($1, $2, $3, $4, $5, $6, $7)",
            self.farm.0,
            answer.strain.as_str(),
            answer.packaging.as_str(),
            answer.recorded_at,
            answer.reason,
            answer.differently_since,
            answer.entered_by
        )
        .execute(&mut *self.db)
        .await?;
        Ok(answer)
    }
}

/// A warning in the book.
#[derive(Serialize)]
pub(super) struct WarningRow<'a> {
    strain: &'a StrainCode,
    packaging: Packaging,
    count_days: i32,
    counted_since: DateTime<Utc>,
    book_g: Grams,
    missing_g: Grams,
    #[serde(flatten)]
    expected: ExpectedLoss,
    probability: f64,
}

impl<'a> WarningRow<'a> {
    pub(super) fn of(warning: &'a LossWarning) -> Self {
        Self {
            strain: &warning.strain,
            packaging: warning.packaging,
            count_days: warning.count_days,
            counted_since: warning.counted_since,
            book_g: warning.book_g,
            missing_g: warning.missing_g,
            expected: warning.expected,
            probability: warning.probability,
        }
    }
}
