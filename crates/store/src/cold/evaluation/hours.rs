//! The evaluated hours of a place: read, evaluated anew, replaced.

use crate::{Result, Tx, cold::readings::MAX_READING_AGE};
use chrono::{DateTime, Utc};
use gillbook_core::{
    cold::{
        evaluate::{Figures, Rules, State, still_open},
        reevaluate::{Reevaluation, Replacement, first_dirty_hour, hour_of, reach},
    },
    text::PlaceCode,
    units::calendar::Span,
};
use sqlx::types::Json;
use std::collections::BTreeMap;

/// Later than any hour that is judged.
fn far_future() -> DateTime<Utc> {
    DateTime::from_timestamp(7_258_118_400, 0).unwrap_or_default()
}

/// The most hours of a place that are judged in one transaction: two months, give or take a chunk.
const MAX_HOURS_PER_TX: usize = 1500;

impl Tx {
    /// The state that the last judged hour before an hour ended in.
    pub(crate) async fn state_before(&mut self, place: &PlaceCode, hour: DateTime<Utc>) -> Result<State> {
        let state = sqlx::query_scalar!(
            r#"select state as "state: Json<State>" from hourly_figure where farm_id = $1 and place = $2 and hour < $3
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
            r#"select hour, state as "state: Json<State>" from hourly_figure where farm_id = $1 and place = $2 and hour >= $3 and hour < $4"#,
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
    pub(super) async fn evaluate_leased_place(&mut self, place: &PlaceCode) -> Result<bool> {
        let touched = sqlx::query!(
            "select from_at, through_at from dirty_range where farm_id = $1 and place = $2 and leased for update",
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
                return self.checkpoint(place, &rules, again.pause()).await;
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
            "delete from dirty_range where farm_id = $1 and place = $2 and leased",
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
    async fn checkpoint(&mut self, place: &PlaceCode, rules: &[Rules], done: Replacement) -> Result<bool> {
        self.replace_hours(place, &done).await?;
        self.settle_excursions(place, rules, Some(&done)).await?;
        sqlx::query!(
            "update dirty_range set from_at = $3, through_at = greatest(through_at, $3) where farm_id = $1 and place = $2 and leased",
            self.farm.0,
            place.as_str(),
            done.until
        )
        .execute(&mut *self.db)
        .await?;
        Ok(true)
    }

    pub(super) async fn open_no_data_of(&mut self, place: &PlaceCode) -> Result<()> {
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
            "delete from hourly_figure where farm_id = $1 and place = $2 and hour >= $3 and ($4::timestamptz is null or hour < $4)",
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
            "insert into hourly_figure (farm_id, place, hour, readings, faults, known_s, air_integral_c_s, kinetic_s, above_s, above_c_s, below_s, probe_spread_c,
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
