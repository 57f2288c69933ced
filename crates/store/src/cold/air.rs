//! The air of places as it was read: limits, readings with the offsets of their probes, and the figures of evaluated hours.
//!
//! A page shows the same air several ways. Where a transaction reads one snapshot, what it has read is kept until it ends, so that each
//! further way costs no query. One statement reads the probes of many places, and each probe's readings come as two arrays: thousands of
//! rows would take longer to unpack than to find.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    cold::{
        air::Reading,
        evaluate::{Figures, Rules},
    },
    text::PlaceCode,
    units::calendar::Span,
};

use crate::{Result, Tx};

/// What a snapshot's transaction has read of the air.
#[derive(Debug, Default)]
pub(crate) struct AirCache {
    /// The limits of every place of the farm.
    rules: Option<BTreeMap<PlaceCode, Vec<Rules>>>,
    /// Readings by place, of the span that was asked for last.
    readings: BTreeMap<PlaceCode, (Span, Vec<Reading>)>,
}

impl AirCache {
    fn readings(&self, place: &PlaceCode, span: Span) -> Option<Vec<Reading>> {
        let (read, readings) = self.readings.get(place)?;
        let is_inside = read.from <= span.from && span.until <= read.until;
        is_inside.then(|| within(readings, span.from, span.until).to_vec())
    }
}

/// Those of some readings, which are in time order, that lie in a span.
pub(crate) fn within(readings: &[Reading], from: DateTime<Utc>, until: DateTime<Utc>) -> &[Reading] {
    let first = readings.partition_point(|r| r.at < from);
    &readings[first..readings.partition_point(|r| r.at < until).max(first)]
}

/// Readings of one probe, in time order, with the offset added that was in force at each.
fn with_offsets(
    probe: i32,
    readings: impl Iterator<Item = (DateTime<Utc>, Option<f64>)>,
    offsets: &[(DateTime<Utc>, f64)],
) -> Vec<Reading> {
    let mut begun = 0;
    readings
        .map(|(at, c)| {
            begun += offsets[begun..].iter().take_while(|o| o.0 <= at).count();
            let offset_c = begun.checked_sub(1).map_or(0.0, |last| offsets[last].1);
            Reading { probe, at, c: c.map(|c| c + offset_c) }
        })
        .collect()
}

impl Tx {
    /// The rules of a place, in the order in which they begin.
    pub(crate) async fn rules_of(&mut self, place: &PlaceCode) -> Result<Vec<Rules>> {
        if let Some(rules) = &self.memo.air.rules {
            return Ok(rules.get(place).cloned().unwrap_or_default());
        }
        let minutes = |n: i32| TimeDelta::minutes(i64::from(n));
        let only = (!self.memo.one_snapshot).then(|| place.as_str());
        let rows = sqlx::query!(
            r#"select place as "place: PlaceCode", effective_from, warm_c, air_c, cold_c, grace_minutes, hysteresis_c, gap_minutes,
                      silence_minutes, lag_minutes
                 from place_limit where farm_id = $1 and ($2::text is null or place = $2) order by place, effective_from"#,
            self.farm.0,
            only
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut rules: BTreeMap<PlaceCode, Vec<Rules>> = BTreeMap::new();
        for r in rows {
            rules.entry(r.place).or_default().push(Rules {
                from: r.effective_from,
                warm_c: r.warm_c,
                air_c: r.air_c,
                cold_c: r.cold_c,
                grace: minutes(r.grace_minutes),
                hysteresis_c: r.hysteresis_c,
                gap: minutes(r.gap_minutes),
                silence: minutes(r.silence_minutes),
                lag: minutes(r.lag_minutes),
            });
        }
        let own = rules.get(place).cloned().unwrap_or_default();
        if self.memo.one_snapshot {
            self.memo.air.rules = Some(rules);
        }
        Ok(own)
    }

    /// The readings of a place's probes in a span, in time order, with the offsets in force added.
    pub(crate) async fn readings_of(&mut self, place: &PlaceCode, span: Span) -> Result<Vec<Reading>> {
        Ok(self.readings_of_places(&[place], span).await?.remove(place).unwrap_or_default())
    }

    /// Likewise of several places; each of them has an entry.
    pub(crate) async fn readings_of_places(
        &mut self,
        places: &[&PlaceCode],
        span: Span,
    ) -> Result<BTreeMap<PlaceCode, Vec<Reading>>> {
        let mut all: BTreeMap<PlaceCode, Vec<Reading>> = BTreeMap::new();
        let mut unread: BTreeMap<PlaceCode, Vec<Reading>> = BTreeMap::new();
        for place in places {
            match self.memo.air.readings(place, span) {
                Some(readings) => all.insert((*place).clone(), readings),
                None => unread.insert((*place).clone(), Vec::new()),
            };
        }
        if unread.is_empty() {
            return Ok(all);
        }
        let codes: Vec<String> = unread.keys().map(ToString::to_string).collect();
        let rows = sqlx::query!(
            r#"select p.place as "place: PlaceCode", p.probe_id,
                      array(select o.effective_from from probe_offset o where o.farm_id = $1 and o.probe_id = p.probe_id order by o.effective_from) as "offset_from!",
                      array(select o.offset_c from probe_offset o where o.farm_id = $1 and o.probe_id = p.probe_id order by o.effective_from) as "offset_c!",
                      r.at as "at!", r.c as "c!: Vec<Option<f64>>"
                 from probe p
                cross join lateral (
                      select coalesce(array_agg(x.at), '{}') as at, coalesce(array_agg(case when x.fault is null then x.value_c end), '{}') as c
                        from (select at, value_c, fault from reading
                               where farm_id = $1 and probe_id = p.probe_id and at >= $3 and at < $4 order by at) x) r
                where p.farm_id = $1 and p.place = any ($2) order by p.place, p.probe_id"#,
            self.farm.0,
            &codes,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?;
        for r in rows {
            let offsets: Vec<_> = r.offset_from.into_iter().zip(r.offset_c).collect();
            let readings = with_offsets(r.probe_id, r.at.into_iter().zip(r.c), &offsets);
            unread.entry(r.place).or_default().extend(readings);
        }
        for (place, mut readings) in unread {
            readings.sort_by_key(|r| (r.at, r.probe));
            if self.memo.one_snapshot {
                self.memo.air.readings.insert(place.clone(), (span, readings.clone()));
            }
            all.insert(place, readings);
        }
        Ok(all)
    }

    /// Offsets of a probe in the order in which they begin: since when, °C.
    pub(crate) async fn offsets_of(&mut self, probe: i32) -> Result<Vec<(DateTime<Utc>, f64)>> {
        let rows = sqlx::query!(
            "select effective_from, offset_c from probe_offset where farm_id = $1 and probe_id = $2 order by effective_from",
            self.farm.0,
            probe
        )
        .fetch_all(&mut *self.db)
        .await?;
        Ok(rows.into_iter().map(|r| (r.effective_from, r.offset_c)).collect())
    }

    /// The evaluated hours that begin in a span, with their figures. Hours in which nothing was known have none.
    pub(crate) async fn hours_between(
        &mut self,
        place: &PlaceCode,
        span: Span,
    ) -> Result<BTreeMap<DateTime<Utc>, Figures>> {
        Ok(self.hours_of_places(&[place], span).await?.remove(place).unwrap_or_default())
    }

    /// Likewise of several places. One of which nothing was known has no entry.
    pub(crate) async fn hours_of_places(
        &mut self,
        places: &[&PlaceCode],
        span: Span,
    ) -> Result<BTreeMap<PlaceCode, BTreeMap<DateTime<Utc>, Figures>>> {
        let codes: Vec<String> = places.iter().map(ToString::to_string).collect();
        let rows = sqlx::query!(
            r#"select place as "place: PlaceCode", hour, readings, faults, known_s, air_integral_c_s, kinetic_s, above_s, above_c_s, below_s, min_c,
                      max_c, product_c, probe_spread_c
                 from hourly_figure where farm_id = $1 and place = any ($2) and hour >= $3 and hour < $4 order by place, hour"#,
            self.farm.0,
            &codes,
            span.from,
            span.until
        )
        .fetch_all(&mut *self.db)
        .await?;
        let mut hours: BTreeMap<PlaceCode, BTreeMap<DateTime<Utc>, Figures>> = BTreeMap::new();
        for r in rows {
            let figures = Figures {
                readings: r.readings,
                faults: r.faults,
                known_s: r.known_s,
                air_integral_c_s: r.air_integral_c_s,
                kinetic_s: r.kinetic_s,
                above_s: r.above_s,
                above_c_s: r.above_c_s,
                below_s: r.below_s,
                min_c: r.min_c,
                max_c: r.max_c,
                product_c: r.product_c,
                probe_spread_c: r.probe_spread_c,
            };
            hours.entry(r.place).or_default().insert(r.hour, figures);
        }
        Ok(hours)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_offset_holds_from_its_instant_on() {
        let at = |minute: i64| DateTime::from_timestamp(1_750_000_000 + minute * 60, 0).unwrap();
        let offsets = [(at(2), 0.5), (at(4), -1.0), (at(4), -2.0)];
        let read = (1..6).map(|minute| (at(minute), (minute != 5).then_some(3.0)));
        let c: Vec<_> = with_offsets(7, read, &offsets).into_iter().map(|r| r.c).collect();
        assert_eq!(c, [Some(3.0), Some(3.5), Some(3.5), Some(1.0), None]);
    }
}
