//! What flushes gave, day by day, and which go on: what a harvest is expected by.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate, TimeDelta};
use gillbook_core::{
    Grams,
    growing::forecast::{ComingFlush, FLUSH_DAYS, FlushStage, PastFlush},
    text::{BatchCode, GradeCode, StrainCode},
};

use crate::{Result, Tx, growing::batches::InFruit};

/// How far back flushes are looked at, in days: a year, so that each season is in it.
const LOOKED_BACK_DAYS: u64 = 365;

/// What was picked of a flush.
struct Picked {
    strain: StrainCode,
    made_on: NaiveDate,
    days_to_first: i32,
    interval_days: i32,
    /// Blocks that stood when it began.
    blocks: i32,
    picks: BTreeMap<NaiveDate, Grams>,
}

/// The flushes of a year.
pub(crate) struct Flushes {
    by_flush: BTreeMap<(BatchCode, i32), Picked>,
    /// What each strain gave of each grade.
    pub grades: BTreeMap<StrainCode, BTreeMap<GradeCode, Grams>>,
}

impl Picked {
    fn began_on(&self) -> Option<NaiveDate> {
        self.picks.first_key_value().map(|(day, _)| *day)
    }
}

impl Flushes {
    /// When a flush was due; not known where the one before it is not.
    fn due_on(&self, batch: &BatchCode, flush: i32, picked: &Picked) -> Option<NaiveDate> {
        let after = |day: NaiveDate, days: i32| Some(day + Days::new(u64::from(days.unsigned_abs())));
        if flush == 1 {
            return after(picked.made_on, picked.days_to_first);
        }
        let before = self.by_flush.get(&(batch.clone(), flush - 1))?.began_on()?;
        after(before, picked.interval_days)
    }

    /// Flushes of a strain that are finished by a day, those of one number. Flushes of which the year that is looked at may hold only a part
    /// are left out, and so are those of which no block stood by their first day.
    pub(crate) fn finished(&self, strain: &StrainCode, number: i32, today: NaiveDate) -> Vec<PastFlush> {
        let whole = first_day(today) + TimeDelta::days(FLUSH_DAYS)..=today - TimeDelta::days(FLUSH_DAYS);
        let of = |((batch, flush), picked): (&(BatchCode, i32), &Picked)| {
            let is_one = *flush == number && picked.strain == *strain && picked.blocks > 0;
            (is_one && whole.contains(&picked.began_on()?)).then_some(())?;
            let picks = picked.picks.iter().map(|(day, grams)| (*day, *grams)).collect();
            Some(PastFlush { blocks: picked.blocks, due_on: self.due_on(batch, *flush, picked)?, picks })
        };
        self.by_flush.iter().filter_map(of).collect()
    }

    /// The flushes of a batch in fruit that go on or are due next, with their numbers.
    pub(crate) fn coming(&self, batch: &InFruit, today: NaiveDate) -> Vec<(i32, ComingFlush)> {
        let blocks = batch.standing;
        let last = self.by_flush.range((batch.batch.clone(), 0)..=(batch.batch.clone(), i32::MAX)).next_back();
        let going_on = last.and_then(|((_, flush), picked)| {
            let on = picked.began_on().filter(|on| *on + TimeDelta::days(FLUSH_DAYS) > today)?;
            let (last_pick, _) = picked.picks.last_key_value()?;
            Some((*flush, ComingFlush { blocks, stage: FlushStage::Begun { on, last_pick: *last_pick } }))
        });
        let next = batch.next_flush.map(|(flush, on)| (flush, ComingFlush { blocks, stage: FlushStage::Due { on } }));
        going_on.into_iter().chain(next).collect()
    }
}

/// The first day that is looked at.
fn first_day(today: NaiveDate) -> NaiveDate {
    today - Days::new(LOOKED_BACK_DAYS)
}

impl Tx {
    /// What flushes gave over a year, without trim, and the blocks that stood on the first day of each.
    pub(crate) async fn flushes(&mut self, today: NaiveDate) -> Result<Flushes> {
        let zone = self.farm_settings().await?.zone;
        let rows = sqlx::query!(
            r#"select b.batch as "batch: BatchCode", b.strain as "strain: StrainCode", p.flush, b.made_on, s.days_to_first_flush, s.flush_interval_days,
                      p.harvest_day, p.grade as "grade: GradeCode", p.grams as "grams!: Grams",
                      (b.blocks - coalesce((select sum(x.blocks) from batch_loss x
                                             where x.farm_id = b.farm_id and x.batch = b.batch and x.lost_at < p.began_at), 0)
                                - coalesce((select sum(x.blocks) from batch_move x
                                             where x.farm_id = b.farm_id and x.batch = b.batch and x.kind <> 'moved' and x.moved_at < p.began_at), 0))::int
                          as "blocks!"
                 from (select ws.batch, ws.flush, l.harvest_day, l.grade, sum(ws.grams * w.net_g / (w.net_g + w.trim_g))::bigint as grams,
                              min(min(l.harvest_day)) over (partition by ws.batch, ws.flush)::timestamp at time zone $3 as began_at
                         from lot l join weighing w using (farm_id, lot) join weighing_source ws using (farm_id, act_id)
                        where l.farm_id = $1 and l.harvest_day >= $2
                          and not exists (select from act x where x.farm_id = w.farm_id and x.reverses = w.act_id)
                        group by ws.batch, ws.flush, l.harvest_day, l.grade) p
                 join batch b on b.farm_id = $1 and b.batch = p.batch
                 join strain s on s.farm_id = b.farm_id and s.strain = b.strain"#,
            self.farm.0,
            first_day(today),
            zone.name()
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut flushes = Flushes { by_flush: BTreeMap::new(), grades: BTreeMap::new() };
        for r in rows {
            let of_grade = flushes.grades.entry(r.strain.clone()).or_default().entry(r.grade).or_insert(Grams::ZERO);
            *of_grade += r.grams;
            let picked = flushes.by_flush.entry((r.batch, r.flush)).or_insert_with(|| Picked {
                strain: r.strain,
                made_on: r.made_on,
                days_to_first: r.days_to_first_flush,
                interval_days: r.flush_interval_days,
                blocks: r.blocks,
                picks: BTreeMap::new(),
            });
            *picked.picks.entry(r.harvest_day).or_insert(Grams::ZERO) += r.grams;
        }
        Ok(flushes)
    }
}
