//! Judging what was touched: hours and excursions brought in line with the readings.
//!
//! Whoever keeps a reading, a limit or an offset marks the place in the same commit. The judge leases marks in a short transaction, because
//! whoever posts for those places waits for it, and judges each place in a transaction of its own. A judge that dies leaves its leases to
//! the next.
//!
//! Whoever posts one reading after the other for a place need not look at its mark each time: leases are counted, and a mark that was seen
//! at a count stands while the count is the same and no lease is on its way.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::{Mutex, MutexGuard, PoisonError},
    time::{Duration, Instant},
};

use chrono::{DateTime, Utc};
use gillbook_core::{
    cold::{
        evaluate::{Figures, Rules, State, still_open},
        reevaluate::{Reevaluation, Replacement, first_dirty_hour, hour_of, reach},
    },
    text::PlaceCode,
    units::calendar::Span,
};
use sqlx::{Postgres, types::Json};
use tokio::sync::{Notify, broadcast};

use crate::{Actor, FarmId, Result, Store, Tx, cold::readings::MAX_READING_AGE, set_farms, transaction};

/// The most places that are judged in one round.
const PLACES_PER_ROUND: i64 = 500;
/// The most farms whose marks are leased at once. A lease is short, because whoever posts for them waits for it.
const FARMS_PER_LEASE: usize = 200;
/// The most hours of a place that are judged in one transaction: two months, give or take a chunk.
const MAX_HOURS_PER_TX: usize = 1500;

fn judge_of(farm: FarmId) -> Actor {
    Actor::program(farm, "judge")
}

/// Farms that this program touched and has not looked at since. The marks themselves are in the database; this only says where to look
/// first.
#[derive(Debug, Default)]
pub(crate) struct DirtyFarms {
    waiting: Mutex<Waiting>,
    bell: Notify,
}

#[derive(Debug, Default)]
struct Waiting {
    farms: BTreeSet<FarmId>,
    /// Since when the first of them waits.
    since: Option<Instant>,
    /// Since when the first of those waited that are being evaluated.
    in_hand: Option<Instant>,
}

impl DirtyFarms {
    pub(crate) fn tell(&self, farms: impl IntoIterator<Item = FarmId>) {
        let mut waiting = self.waiting();
        waiting.farms.extend(farms);
        waiting.since.get_or_insert_with(Instant::now);
        drop(waiting);
        self.bell.notify_one();
    }

    fn take(&self) -> Vec<FarmId> {
        let mut waiting = self.waiting();
        waiting.in_hand = waiting.since.take();
        std::mem::take(&mut waiting.farms).into_iter().collect()
    }

    /// For how long the first touch has waited that is not evaluated; zero where none waits.
    pub(crate) fn lag(&self) -> Duration {
        let waiting = self.waiting();
        waiting.in_hand.into_iter().chain(waiting.since).map(|at| at.elapsed()).max().unwrap_or_default()
    }

    fn waiting(&self) -> MutexGuard<'_, Waiting> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The setting that lets rows of farms be seen.
pub(crate) fn setting_of(farms: impl IntoIterator<Item = FarmId>) -> String {
    let numbers: Vec<String> = farms.into_iter().map(|farm| farm.0.to_string()).collect();
    format!("{{{}}}", numbers.join(","))
}

impl Store {
    /// Rung when something was touched.
    #[tracing::instrument(level = "debug", name = "store.cold.dirty_notified", skip_all)]
    pub async fn dirty_notified(&self) {
        self.touched.bell.notified().await;
    }

    /// Says that a farm was touched, so that the judge looks there next.
    pub fn mark_dirty(&self, farm: FarmId) {
        self.touched.tell([farm]);
    }

    /// Every place that is judged from now on.
    #[must_use]
    pub fn subscribe_evaluated(&self) -> broadcast::Receiver<(FarmId, PlaceCode)> {
        self.judged.subscribe()
    }

    /// Judges what this program touched since it was last asked. Returns how many places were judged.
    ///
    /// # Errors
    /// When the database fails; what is left then is found by [`Store::evaluate_all_dirty`].
    #[tracing::instrument(level = "debug", name = "store.cold.evaluate_dirty", skip_all)]
    pub async fn evaluate_dirty(&self, now: DateTime<Utc>) -> Result<usize> {
        let judged = self.judge_farms(&self.touched.take(), now).await;
        self.touched.waiting().in_hand = None;
        judged
    }

    /// Judges what is marked on any farm, whoever touched it. Returns how many places were judged.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.evaluate_all_dirty", skip_all)]
    pub async fn evaluate_all_dirty(&self, now: DateTime<Utc>) -> Result<usize> {
        let mut db = self.first_dirty_hour(&self.farms_with_people().await?).await?;
        let farms =
            sqlx::query_scalar!(r#"select distinct farm_id as "farm_id: FarmId" from place_touched order by farm_id"#)
                .fetch_all(&mut *db)
                .await?;
        db.commit().await?;
        self.judge_farms(&farms, now).await
    }

    async fn judge_farms(&self, farms: &[FarmId], now: DateTime<Utc>) -> Result<usize> {
        let mut judged = 0;
        for some in farms.chunks(FARMS_PER_LEASE) {
            let setting = setting_of(some.iter().copied());
            let mut db = self.first_dirty_hour(&setting).await?;
            // A place that another judge has in hand keeps its mark for the next time.
            let in_hand = sqlx::query!(
                r#"select farm_id, place as "place: PlaceCode" from place_touched where leased for update skip locked"#
            )
            .fetch_all(&mut *db)
            .await?;
            lease(&mut db, some, None, in_hand.into_iter().map(|p| (p.farm_id, p.place))).await?;
            db.commit().await?;
            judged += self.judge_what_is_leased(&setting, now).await?;
        }
        Ok(judged)
    }

    async fn judge_what_is_leased(&self, farms: &str, now: DateTime<Utc>) -> Result<usize> {
        let mut judged = 0;
        loop {
            let mut db = self.first_dirty_hour(farms).await?;
            let places = sqlx::query!(
                r#"select farm_id as "farm_id: FarmId", place as "place: PlaceCode" from place_touched where leased
                    order by through_at, farm_id, place limit $1"#,
                PLACES_PER_ROUND
            )
            .fetch_all(&mut *db)
            .await?;
            db.commit().await?;
            let before = judged;
            for p in &places {
                match self.judge_to_its_end(p.farm_id, &p.place, now).await {
                    Ok(()) => judged += 1,
                    Err(error) if error.is_transient() => return Err(error),
                    // The others are judged all the same; this one keeps its lease.
                    Err(error) => {
                        tracing::error!(%error, farm = p.farm_id.0, place = p.place.as_str(), "not judged");
                    }
                }
            }
            if judged == before || i64::try_from(places.len()).is_ok_and(|n| n < PLACES_PER_ROUND) {
                return Ok(judged);
            }
        }
    }

    /// Begins a transaction that sees rows of many farms.
    #[expect(clippy::disallowed_methods, reason = "the farms are set right after")]
    pub(crate) async fn first_dirty_hour(&self, farms: &str) -> Result<sqlx::Transaction<'static, Postgres>> {
        let mut db = self.pool.begin().await?;
        set_farms(&mut db, farms).await?;
        Ok(db)
    }

    /// Judges one place, if it was touched, before somebody looks at it.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.evaluate_place", skip_all)]
    pub async fn evaluate_place(&self, farm: FarmId, place: &PlaceCode, now: DateTime<Utc>) -> Result<()> {
        let signed = judge_of(farm);
        let touched = transaction!(write, self, &signed, now, |tx| tx.lease_place(place).await)?;
        if touched {
            self.judge_to_its_end(farm, place, now).await?;
        }
        Ok(())
    }

    async fn judge_to_its_end(&self, farm: FarmId, place: &PlaceCode, now: DateTime<Utc>) -> Result<()> {
        let signed = judge_of(farm);
        while transaction!(write, self, &signed, now, |tx| tx.judge_leased(place).await)? {}
        self.judged.send((farm, place.clone())).ok();
        Ok(())
    }

    /// Judges every touched place of a farm.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.evaluate_farm", skip_all)]
    pub async fn evaluate_farm(&self, farm: FarmId, now: DateTime<Utc>) -> Result<()> {
        let signed = judge_of(farm);
        let places = transaction!(write, self, &signed, now, |tx| tx.touched_places().await)?;
        for place in &places {
            self.evaluate_place(farm, place, now).await?;
        }
        Ok(())
    }

    /// Opens what time alone opens, such as silence, on any farm. Returns at how many places.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.judge_silence", skip_all)]
    pub async fn judge_silence(&self, now: DateTime<Utc>) -> Result<usize> {
        let mut db = self.first_dirty_hour(&self.farms_with_people().await?).await?;
        let silent = sqlx::query!(
            r#"select p.farm_id as "farm_id: FarmId", p.place as "place: PlaceCode"
                 from place p
                 cross join lateral (select silence_minutes from place_limit l where l.farm_id = p.farm_id and l.place = p.place
                                        and l.effective_from <= $1 order by l.effective_from desc limit 1) l
                 cross join lateral (select state from place_hour h where h.farm_id = p.farm_id and h.place = p.place
                                      order by h.hour desc limit 1) h
                where ((h.state->>'known_until')::timestamptz < $1 - make_interval(mins => l.silence_minutes)
                       or h.state->'faulty' <> '{}'::jsonb)
                  and not exists (select from excursion e where e.farm_id = p.farm_id and e.place = p.place and e.ended_at is null
                                     and e.withdrawn_at is null and e.kind = 'no_data')"#,
            now
        )
        .fetch_all(&mut *db)
        .await?;
        db.commit().await?;
        let places = silent.len();
        for p in silent {
            let signed = judge_of(p.farm_id);
            transaction!(write, self, &signed, now, |tx| tx.judge_what_time_opens(&p.place).await)?;
            self.judged.send((p.farm_id, p.place)).ok();
        }
        Ok(places)
    }

    /// The farms that somebody can sign in to, as the setting that lets them be seen.
    pub(crate) async fn farms_with_people(&self) -> Result<String> {
        Ok(sqlx::query_scalar!(
            r#"select coalesce(array_agg(distinct farm_id), '{}')::text as "farms!" from sign_in_name"#
        )
        .fetch_one(&self.pool)
        .await?)
    }
}

/// Turns marks of farms, which are given in order, into leases: of one place or of all. Leases that are there already are widened where this
/// transaction has them locked, `in_hand`; the marks beside others are left, because whoever posts would wait as long as the judge that has
/// those.
async fn lease(
    db: &mut sqlx::PgConnection,
    farms: &[FarmId],
    place: Option<&PlaceCode>,
    in_hand: impl Iterator<Item = (i32, PlaceCode)>,
) -> Result<()> {
    let farms: Vec<i32> = farms.iter().map(|farm| farm.0).collect();
    sqlx::query!("select begin_lease($1)", &farms).fetch_one(&mut *db).await?;
    let (in_hand_farms, in_hand_places): (Vec<_>, Vec<_>) =
        in_hand.map(|(farm, place)| (farm, place.to_string())).unzip();
    // Locked in the order in which whoever posts locks them.
    sqlx::query!(
        r#"with marked as materialized (
               select m.farm_id, m.place from place_touched m
                where not m.leased and m.farm_id = any ($1) and ($2::text is null or m.place = $2)
                  and ((m.farm_id, m.place) in (select * from unnest($3::int[], $4::text[]))
                       or not exists (select from place_touched c where c.leased and (c.farm_id, c.place) = (m.farm_id, m.place)))
                order by m.farm_id, m.place collate "C" for update of m),
           mark as (
               delete from place_touched t using marked m where not t.leased and (t.farm_id, t.place) = (m.farm_id, m.place) returning t.*)
           insert into place_touched as t (farm_id, place, leased, from_at, through_at)
           select farm_id, place, true, from_at, through_at from mark order by farm_id, place
           on conflict (farm_id, place, leased) do update
              set from_at = least(t.from_at, excluded.from_at), through_at = greatest(t.through_at, excluded.through_at)"#,
        &farms,
        place.map(PlaceCode::as_str),
        &in_hand_farms,
        &in_hand_places
    )
    .execute(db)
    .await?;
    Ok(())
}

impl Tx {
    /// Marks a place: what was judged from an instant on, at least through another, is judged again.
    pub(crate) async fn mark_dirty(
        &mut self,
        place: &PlaceCode,
        from: DateTime<Utc>,
        through: DateTime<Utc>,
    ) -> Result<()> {
        sqlx::query!(
            "insert into place_touched as t (farm_id, place, leased, from_at, through_at) values ($1, $2, false, $3, $4)
             on conflict (farm_id, place, leased) do update
                set from_at = least(t.from_at, excluded.from_at), through_at = greatest(t.through_at, excluded.through_at)",
            self.farm.0,
            place.as_str(),
            from,
            through
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }

    async fn lease_place(&mut self, place: &PlaceCode) -> Result<bool> {
        let farm = self.farm;
        // Waits for a judge that has it in hand before the mark is locked, so that nobody who posts waits with it.
        let in_hand = sqlx::query_scalar!(
            "select farm_id from place_touched where farm_id = $1 and place = $2 and leased for update",
            farm.0,
            place.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        lease(&mut self.db, &[farm], Some(place), in_hand.into_iter().map(|farm| (farm, place.clone()))).await?;
        Ok(sqlx::query_scalar!(
            r#"select exists (select from place_touched where farm_id = $1 and place = $2) as "there!""#,
            farm.0,
            place.as_str()
        )
        .fetch_one(&mut *self.db)
        .await?)
    }

    async fn touched_places(&mut self) -> Result<Vec<PlaceCode>> {
        Ok(sqlx::query_scalar!(
            r#"select distinct place as "place: PlaceCode" from place_touched where farm_id = $1"#,
            self.farm.0
        )
        .fetch_all(&mut *self.db)
        .await?)
    }

    /// The state that the last judged hour before an hour ended in.
    pub(crate) async fn state_before(&mut self, place: &PlaceCode, hour: DateTime<Utc>) -> Result<State> {
        let state = sqlx::query_scalar!(
            r#"select state as "state: Json<State>" from place_hour where farm_id = $1 and place = $2 and hour < $3
                order by hour desc limit 1"#,
            self.farm.0,
            place.as_str(),
            hour
        )
        .fetch_optional(&mut *self.db)
        .await?;
        Ok(state.map(|s| s.0).unwrap_or_default())
    }

    async fn states_between(&mut self, place: &PlaceCode, span: Span) -> Result<BTreeMap<DateTime<Utc>, State>> {
        let rows = sqlx::query!(
            r#"select hour, state as "state: Json<State>" from place_hour where farm_id = $1 and place = $2 and hour >= $3 and hour < $4"#,
            self.farm.0,
            place.as_str(),
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|r| (r.hour, r.state.0)).collect())
    }

    /// The next reading of a place's probes from an instant on.
    async fn next_reading(&mut self, place: &PlaceCode, from: DateTime<Utc>) -> Result<Option<DateTime<Utc>>> {
        Ok(sqlx::query_scalar!(
            r#"select min(x.at) from probe p
                cross join lateral (select at from reading r where r.farm_id = p.farm_id and r.probe_id = p.probe_id and r.at >= $3
                                     order by r.at limit 1) x
                where p.farm_id = $1 and p.place = $2"#,
            self.farm.0,
            place.as_str(),
            from
        )
        .fetch_one(&mut *self.db)
        .await?)
    }

    /// Judges a place whose mark is leased, at most so many hours of it; returns whether there is more. Whoever leases it meanwhile
    /// waits.
    async fn judge_leased(&mut self, place: &PlaceCode) -> Result<bool> {
        let touched = sqlx::query!(
            "select from_at, through_at from place_touched where farm_id = $1 and place = $2 and leased for update",
            self.farm.0,
            place.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        let Some(touched) = touched else { return Ok(false) };
        self.lock_excursions(place).await?;
        let rules = self.rules_of(place).await?;
        let begin = self.begin_in_use(first_dirty_hour(&rules, touched.from_at)).await?;
        let begins = self.state_before(place, begin).await?;
        let mut again = Reevaluation::new(&rules, begin, begins, touched.through_at);
        loop {
            let wanted = again.next_span();
            let beyond =
                Span { from: wanted.from, until: wanted.until + reach(&rules) + chrono::TimeDelta::milliseconds(1) };
            let readings = self.readings_of(place, beyond).await?;
            let stored = self.states_between(place, wanted).await?;
            if again.judge(wanted, &readings, &stored) {
                break;
            }
            if again.judged() >= MAX_HOURS_PER_TX {
                return self.pause_judging(place, &rules, again.pause()).await;
            }
            let next = self.next_reading(place, wanted.until).await?;
            if !again.skip_to(next) {
                break;
            }
        }
        let done = again.done();
        self.replace_hours(place, &done).await?;
        self.settle_excursions(place, &rules, Some(&done)).await?;
        sqlx::query!(
            "delete from place_touched where farm_id = $1 and place = $2 and leased",
            self.farm.0,
            place.as_str()
        )
        .execute(&mut *self.db)
        .await?;
        Ok(false)
    }

    /// An hour, or where the readings in use begin: what was judged of months that were detached stands.
    async fn begin_in_use(&mut self, hour: DateTime<Utc>) -> Result<DateTime<Utc>> {
        // Only months older than any reading that is taken are ever detached.
        if hour > self.now - MAX_READING_AGE {
            return Ok(hour);
        }
        let begins = sqlx::query_scalar!("select readings_begin()").fetch_one(&mut *self.db).await?;
        Ok(begins.map_or(hour, |begins| hour.max(begins)))
    }

    /// Keeps what was judged so far, and the lease for the rest.
    async fn pause_judging(&mut self, place: &PlaceCode, rules: &[Rules], done: Replacement) -> Result<bool> {
        self.replace_hours(place, &done).await?;
        self.settle_excursions(place, rules, Some(&done)).await?;
        sqlx::query!(
            "update place_touched set from_at = $3, through_at = greatest(through_at, $3) where farm_id = $1 and place = $2 and leased",
            self.farm.0,
            place.as_str(),
            done.until
        )
        .execute(&mut *self.db)
        .await?;
        Ok(true)
    }

    async fn judge_what_time_opens(&mut self, place: &PlaceCode) -> Result<()> {
        self.lock_excursions(place).await?;
        let rules = self.rules_of(place).await?;
        self.settle_excursions(place, &rules, None).await
    }

    /// Locks a place's excursions for whoever brings them in line, so that two programs never open one silence twice. Nobody who posts
    /// readings waits for it.
    async fn lock_excursions(&mut self, place: &PlaceCode) -> Result<()> {
        sqlx::query!(
            "select from place where farm_id = $1 and place = $2 for no key update",
            self.farm.0,
            place.as_str()
        )
        .fetch_optional(&mut *self.db)
        .await?;
        Ok(())
    }

    /// Brings the excursions of a place in line with its hours, which are stored already: those that ended in hours that were evaluated
    /// again, if any were, and those that are open now. Every way to evaluate a place ends here.
    async fn settle_excursions(
        &mut self,
        place: &PlaceCode,
        rules: &[Rules],
        done: Option<&Replacement>,
    ) -> Result<()> {
        let last = self.state_before(place, far_future()).await?;
        let open = still_open(rules, &last, self.now);
        self.replace_excursions(place, done, &open).await
    }

    async fn replace_hours(&mut self, place: &PlaceCode, done: &Replacement) -> Result<()> {
        sqlx::query!(
            "delete from place_hour where farm_id = $1 and place = $2 and hour >= $3 and ($4::timestamptz is null or hour < $4)",
            self.farm.0,
            place.as_str(),
            hour_of(done.from),
            done.until
        )
        .execute(&mut *self.db)
        .await?;
        if done.hours.is_empty() {
            return Ok(());
        }
        let f = |of: fn(&Figures) -> f64| done.hours.values().map(|h| of(&h.figures)).collect::<Vec<_>>();
        let o = |of: fn(&Figures) -> Option<f64>| done.hours.values().map(|h| of(&h.figures)).collect::<Vec<_>>();
        let n = |of: fn(&Figures) -> i32| done.hours.values().map(|h| of(&h.figures)).collect::<Vec<_>>();
        let states: Vec<Json<&State>> = done.hours.values().map(|h| Json(&h.state)).collect();
        sqlx::query!(
            "insert into place_hour (farm_id, place, hour, readings, faults, known_s, air_integral_c_s, kinetic_s, above_s, above_c_s, below_s, probe_spread_c,
                                     min_c, max_c, product_c, state)
             select $1, $2, * from unnest($3::timestamptz[], $4::int[], $5::int[], $6::float8[], $7::float8[], $8::float8[], $9::float8[],
                                          $10::float8[], $11::float8[], $12::float8[], $13::float8[], $14::float8[], $15::float8[], $16::jsonb[])",
            self.farm.0,
            place.as_str(),
            &done.hours.keys().copied().collect::<Vec<_>>(),
            &n(|f| f.readings),
            &n(|f| f.faults),
            &f(|f| f.known_s),
            &f(|f| f.air_integral_c_s),
            &f(|f| f.kinetic_s),
            &f(|f| f.above_s),
            &f(|f| f.above_c_s),
            &f(|f| f.below_s),
            &f(|f| f.probe_spread_c),
            &o(|f| f.min_c) as &[Option<f64>],
            &o(|f| f.max_c) as &[Option<f64>],
            &o(|f| f.product_c) as &[Option<f64>],
            &states as _
        )
        .execute(&mut *self.db)
        .await?;
        Ok(())
    }
}

/// Later than any hour that is judged.
fn far_future() -> DateTime<Utc> {
    DateTime::from_timestamp(7_258_118_400, 0).unwrap_or_default()
}
