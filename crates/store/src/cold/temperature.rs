//! What the air of a place was: the series, its figures, and the hours that they are summed from.

use std::borrow::Cow;

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use gillbook_core::{
    cold::{
        CAUTION,
        air::{HOUR_S, Last, LastReading, Reading, known_air},
        evaluate::{Figures, Rules, State, figures_within, gap_at, trace_hour},
        exposure::{Exposure, Point, Segment, gaps, seconds},
        reevaluate::{hour_of, reach},
    },
    refusal::Refusal,
    text::PlaceCode,
    units::calendar::Span,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    Result, Tx,
    cold::{
        air::within,
        cold_lots::ChilledLot,
        places::{Limit, Place},
    },
};

/// An hour of a record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct HourFigures {
    /// Its beginning. Where the span begins or ends within an hour, the beginning of the part.
    pub hour: DateTime<Utc>,
    /// Coldest and warmest air, °C.
    pub min_c: Option<f64>,
    /// Likewise.
    pub max_c: Option<f64>,
    /// Time-weighted mean, °C. An hour with one lone reading has a coldest and a warmest but no mean, and 0 seconds known.
    pub mean_c: Option<f64>,
    /// The warmest that the food is estimated at, °C.
    pub product_max_c: Option<f64>,
    /// Seconds that are known.
    pub known_s: f64,
    /// Seconds of air above the limit in force.
    pub above_s: f64,
    /// Readings.
    pub readings: i32,
    /// Faults.
    pub faults: i32,
    /// The most that two probes were apart, °C.
    pub probe_spread_c: f64,
}

impl HourFigures {
    /// The figures of an hour.
    #[must_use]
    pub fn of(hour: DateTime<Utc>, f: &Figures) -> Self {
        Self {
            hour,
            min_c: f.min_c,
            max_c: f.max_c,
            mean_c: f.mean_c(),
            product_max_c: f.product_c,
            known_s: f.known_s,
            above_s: f.above_s,
            readings: f.readings,
            faults: f.faults,
            probe_spread_c: f.probe_spread_c,
        }
    }
}

/// A stretch of time without readings.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Gap {
    /// Its beginning.
    pub from: DateTime<Utc>,
    /// Its end.
    pub until: DateTime<Utc>,
}

/// A reading of air.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct AirPoint {
    /// When.
    pub at: DateTime<Utc>,
    /// °C.
    pub c: f64,
}

/// What a place's air was over a span.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Temperature {
    /// The place.
    pub place: PlaceCode,
    /// The limit in force at the end of the span.
    pub limit: Option<Limit>,
    /// The span.
    pub from: DateTime<Utc>,
    /// Its end.
    pub until: DateTime<Utc>,
    /// Exact figures of the readings, not of the thinned series.
    pub exposure: Exposure,
    /// Stretches in which nothing is known, exact also over long spans: with `exposure.known_s` they add up to the span. They are gaps by
    /// the gap limit; only those longer than the silence time are excursions ("no data").
    pub gaps: Vec<Gap>,
    /// The air, thinned to the step that was asked for; each point is the warmest of its step. Where several probes measure, the warmer one
    /// counts, each joined with its own readings only. Over spans of more than a week its
    /// points are the warmest of the hours.
    pub series: Vec<AirPoint>,
    /// The estimated food temperature, likewise: the warm estimate, which no gap makes colder. Only for spans of at most a week.
    pub product: Vec<AirPoint>,
    /// The whole hours of the span in which something was known.
    pub hours: Vec<HourFigures>,
    /// Faults in the span.
    pub faults: i32,
    /// Lots there now that were too cold for their strain in hours of the span.
    pub chilled: Vec<ChilledLot>,
    /// The usual caution.
    pub caution: Cow<'static, str>,
}

/// The longest span whose readings are read one by one.
const MAX_RAW_SPAN: TimeDelta = TimeDelta::days(8);

fn whole_hour_after(at: DateTime<Utc>) -> DateTime<Utc> {
    let hour = hour_of(at);
    if hour == at { hour } else { hour + TimeDelta::hours(1) }
}

/// The last good reading of each probe before an instant, and the first after another.
fn last_and_next(readings: &[Reading], from: DateTime<Utc>, until: DateTime<Utc>) -> (Last, Vec<Reading>) {
    let mut last = Last::new();
    let mut next: Vec<Reading> = Vec::new();
    for r in readings {
        let Some(c) = r.c else { continue };
        if r.at < from {
            last.insert(r.probe, LastReading { at: r.at, c });
        } else if r.at >= until && next.iter().all(|n| n.probe != r.probe) {
            next.push(*r);
        }
    }
    (last, next)
}

impl Tx {
    /// The figures of the hours that a span touches. Whole hours are as they were evaluated; where the span begins or ends within an hour
    /// the part of it is evaluated from its readings, under the instant at which the part begins.
    pub(crate) async fn hours_within(
        &mut self,
        place: &PlaceCode,
        rules: &[Rules],
        span: Span,
    ) -> Result<BTreeMap<DateTime<Utc>, Figures>> {
        let first = whole_hour_after(span.from).min(span.until);
        let last = hour_of(span.until).max(first);
        let mut hours = self.hours_between(place, Span { from: first, until: last }).await?;
        for part in [Span { from: span.from, until: first }, Span { from: last, until: span.until }] {
            if part.from < part.until {
                let figures = self.part_of_hour(place, rules, part).await?;
                if figures != Figures::default() {
                    hours.insert(part.from, figures);
                }
            }
        }
        Ok(hours)
    }

    /// The figures of a span, summed from the hours that it touches.
    pub(crate) async fn figures_between(&mut self, place: &PlaceCode, rules: &[Rules], span: Span) -> Result<Figures> {
        Ok(sum_of(&self.hours_within(place, rules, span).await?))
    }

    async fn part_of_hour(&mut self, place: &PlaceCode, rules: &[Rules], part: Span) -> Result<Figures> {
        let hour = hour_of(part.from);
        let end = hour + TimeDelta::hours(1);
        let readings = self.readings_of(place, Span { from: hour - reach(rules), until: end + reach(rules) }).await?;
        let (last, next) = last_and_next(&readings, hour, end);
        let begins = State { last, ..self.state_before(place, hour).await? };
        Ok(figures_within(rules, hour, &begins, within(&readings, hour, end), &next, part))
    }

    /// The known air of a place over a span: the warmer of its probes, each joined with its own readings only.
    pub(crate) async fn known_air(&mut self, place: &PlaceCode, span: Span) -> Result<Vec<Segment>> {
        Ok(self.known_air_of(&[place], span).await?.remove(place).unwrap_or_default())
    }

    /// Likewise of several places; each of them has an entry.
    pub(crate) async fn known_air_of(
        &mut self,
        places: &[&PlaceCode],
        span: Span,
    ) -> Result<BTreeMap<PlaceCode, Vec<Segment>>> {
        let mut rules = BTreeMap::new();
        for place in places {
            rules.insert((*place).clone(), self.rules_of(place).await?);
        }
        let widest = rules.values().map(|rules| reach(rules)).max().unwrap_or_default();
        let wide = Span { from: hour_of(span.from) - widest, until: span.until + TimeDelta::hours(1) + widest };
        let readings = self.readings_of_places(places, wide).await?;
        Ok(readings
            .into_iter()
            .map(|(place, readings)| {
                let rules = &rules[&place];
                let known = known_air(&readings, span, reach(rules), |at| gap_at(rules, at));
                (place, known)
            })
            .collect())
    }

    /// The gaps of a long span: whole hours that are known or silent from their figures, the others from their readings.
    pub(crate) async fn gaps_within(&mut self, place: &PlaceCode, window: Span) -> Result<Vec<Gap>> {
        let hours = self.hours_between(place, Span { from: hour_of(window.from), until: window.until }).await?;
        let hour_from = |from: DateTime<Utc>| Span { from, until: from + TimeDelta::hours(1) };
        let is_whole = |f: &Figures| f.known_s > HOUR_S - 1e-3;
        let mut close: Vec<Span> = Vec::new();
        for hour in hours.iter().filter(|(_, f)| f.known_s > 0.0 && !is_whole(f)).map(|(h, _)| hour_from(*h)) {
            match close.last_mut() {
                Some(run) if hour.from - run.until <= TimeDelta::days(1) && hour.until - run.from <= MAX_RAW_SPAN => {
                    run.until = hour.until;
                }
                _ => close.push(hour),
            }
        }
        let is_read = |hour: DateTime<Utc>| close.iter().any(|run| run.from <= hour && hour < run.until);
        let mut known: Vec<Span> =
            hours.iter().filter(|(h, f)| is_whole(f) && !is_read(**h)).map(|(h, _)| hour_from(*h)).collect();
        for run in &close {
            known.extend(self.known_air(place, *run).await?.into_iter().map(|s| s.span));
        }
        known.sort_by_key(|span| span.from);
        Ok(as_gaps(gaps(known, window)))
    }

    /// The product through a span of at most a week, from the state that its first hour begins with.
    async fn product_through(
        &mut self,
        place: &PlaceCode,
        rules: &[Rules],
        readings: &[Reading],
        span: Span,
    ) -> Result<Vec<Point>> {
        let first = hour_of(span.from);
        let mut state = self.state_before(place, first).await?;
        let mut points = Vec::new();
        let mut hour = first;
        while hour < span.until {
            let end = hour + TimeDelta::hours(1);
            let (_, next) = last_and_next(readings, hour, end);
            let (judged, product) = trace_hour(rules, hour, &state, within(readings, hour, end), &next);
            state = judged.state;
            points.extend(product);
            hour = end;
        }
        Ok(points)
    }

    /// What a place's air was. `step` thins the series, not the figures.
    ///
    /// # Errors
    /// Refuses a place that is not there and a span that is empty or longer than 400 days.
    #[tracing::instrument(level = "debug", name = "store.cold.temperature", skip_all, fields(farm_id = self.farm.0))]
    pub async fn temperature(&mut self, code: &PlaceCode, window: Span, step: TimeDelta) -> Result<Temperature> {
        if window.from >= window.until {
            return Err(Refusal::field("until", "The span is empty. Choose an end after its beginning.").into());
        }
        if window.until - window.from > TimeDelta::days(400) {
            return Err(Refusal::field("until", "The span is longer than 400 days. Ask for less at once.").into());
        }
        let place = self.place(code).await?;
        self.temperature_of(&place, window, step).await
    }

    /// Likewise of a place that was read already, over a span that is neither empty nor longer than that.
    ///
    /// # Errors
    /// When the database fails.
    #[tracing::instrument(level = "debug", name = "store.cold.temperature_of", skip_all, fields(farm_id = self.farm.0))]
    pub async fn temperature_of(&mut self, place: &Place, window: Span, step: TimeDelta) -> Result<Temperature> {
        let code = &place.place;
        let rules = self.rules_of(code).await?;
        let is_raw = window.until - window.from <= MAX_RAW_SPAN;
        // Read first and over all that is looked at below, so that a snapshot's transaction reads it once.
        let reach = reach(&rules);
        let wide = Span { from: hour_of(window.from) - reach, until: window.until + TimeDelta::hours(1) + reach };
        let readings = if is_raw { self.readings_of(code, wide).await? } else { Vec::new() };
        let within = self.hours_within(code, &rules, window).await?;
        let figures = sum_of(&within);
        let whole: BTreeMap<_, _> = within.range(whole_hour_after(window.from)..).collect();
        let whole = whole.into_iter().filter(|(hour, _)| **hour < hour_of(window.until));
        let hours: Vec<HourFigures> = whole.map(|(hour, figures)| HourFigures::of(*hour, figures)).collect();
        let mut answer = Temperature {
            limit: place.limit.clone(),
            place: code.clone(),
            from: window.from,
            until: window.until,
            exposure: Exposure::of(&figures, seconds(window)),
            gaps: Vec::new(),
            series: Vec::new(),
            product: Vec::new(),
            hours,
            faults: figures.faults,
            chilled: self.chilled_lots(code, window).await?,
            caution: CAUTION.into(),
        };
        if is_raw {
            let known = known_air(&readings, window, reach, |at| gap_at(&rules, at));
            answer.gaps = as_gaps(gaps(known.iter().map(|s| s.span), window));
            answer.series = thin(&corners(&known, &readings), window, step);
            answer.product = thin(&self.product_through(code, &rules, &readings, window).await?, window, step);
        } else {
            answer.gaps = self.gaps_within(code, window).await?;
            answer.series = answer.hours.iter().filter_map(|h| h.max_c.map(|c| AirPoint { at: h.hour, c })).collect();
        }
        Ok(answer)
    }
}

fn sum_of(hours: &BTreeMap<DateTime<Utc>, Figures>) -> Figures {
    let mut sum = Figures::default();
    for figures in hours.values() {
        sum.add(figures);
    }
    sum
}

fn as_gaps(spans: Vec<Span>) -> Vec<Gap> {
    spans.into_iter().map(|g| Gap { from: g.from, until: g.until }).collect()
}

/// The corners of known air, and the readings that stand alone between gaps, in time order.
fn corners(known: &[Segment], readings: &[Reading]) -> Vec<Point> {
    let mut points: Vec<Point> = Vec::with_capacity(known.len() + 1);
    for segment in known {
        points.extend([(segment.span.from, segment.from_c), (segment.span.until, segment.until_c)]);
    }
    let is_known = |at: DateTime<Utc>| {
        let after = known.partition_point(|s| s.span.until < at);
        known.get(after).is_some_and(|s| s.span.from <= at)
    };
    points.extend(readings.iter().filter(|r| !is_known(r.at)).filter_map(|r| Some((r.at, r.c?))));
    points.sort_by_key(|p| p.0);
    points.dedup();
    points
}

/// The warmest reading of each step, at its own time.
fn thin(readings: &[Point], window: Span, step: TimeDelta) -> Vec<AirPoint> {
    let step_ms = step.num_milliseconds().max(1);
    let mut series: Vec<AirPoint> = Vec::new();
    let mut bin = None;
    for (at, c) in readings.iter().filter(|(t, _)| *t >= window.from && *t < window.until) {
        let this = (*at - window.from).num_milliseconds() / step_ms;
        match (bin, series.last_mut()) {
            (Some(b), Some(last)) if b == this => {
                if *c > last.c {
                    *last = AirPoint { at: *at, c: *c };
                }
            }
            _ => series.push(AirPoint { at: *at, c: *c }),
        }
        bin = Some(this);
    }
    series
}
