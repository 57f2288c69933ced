//! Fridge: was it cold, is it cold?

use std::fmt::Write as _;

use askama::Template;
use axum::extract::State;
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use gillbook_core::{
    calendar::Span,
    exposure::segments,
    refusal::{Kind, Refusal},
    text::PlaceCode,
    words::PlaceKind,
};
use gillbook_store::{
    Page as Rows, Tx,
    excursions::Excursion,
    temperature::{AirPoint, Gap, Temperature},
};
use serde::Deserialize;

use super::{
    Head, Page, clock, day_and_clock,
    excursion::{lasted, what, when},
    today::judge,
    zone_of,
};
use crate::{App, body::Asked, problem::Problem, read, who::Who};

/// The plot's frame, in hundredths of the drawing, so that it fits a phone and a desk and its letters keep their size.
const LEFT: f64 = 7.0;
const RIGHT: f64 = 99.0;
const TOP: f64 = 3.0;
const BOTTOM: f64 = 88.0;

#[derive(Template)]
#[template(path = "fridge.html")]
pub(super) struct Fridge {
    head: Head,
    name: String,
    now: String,
    word: String,
    description: String,
    left: f64,
    right: f64,
    top: f64,
    height: f64,
    lines: Vec<String>,
    gaps: Vec<GapMark>,
    ticks: Vec<Mark>,
    limit: Option<Mark>,
    hours: Vec<HourMark>,
    above: String,
    mean: String,
    min: String,
    max: String,
    known: String,
    faults: i32,
    place: String,
    products: Vec<String>,
    excursions: Vec<ExcursionLine>,
    warnings: Vec<String>,
    table: Vec<HourRow>,
    rule: Option<String>,
    others: Vec<(String, String)>,
}

struct GapMark {
    /// Whether there is room for a word in it.
    wide: bool,
    x: String,
    width: String,
    middle: String,
}

struct Mark {
    y: String,
    label: String,
}

struct HourMark {
    x: String,
    anchor: &'static str,
    label: String,
}

/// A spell as a line to be dealt with.
struct ExcursionLine {
    id: String,
    what: &'static str,
    when: String,
    lasted: String,
    standing: &'static str,
}

fn standing(e: &Excursion) -> &'static str {
    match (e.ended_at, e.actions.is_empty(), &e.signed_off) {
        (_, _, Some(_)) => "countersigned",
        (None, true, _) => "still on: note what you are doing",
        (None, false, _) => "still on",
        (Some(_), true, _) => "to be dealt with",
        (Some(_), false, None) => "needs countersigning",
    }
}

struct HourRow {
    hour: String,
    mean: String,
    max: String,
    above: String,
}

#[derive(Debug, Deserialize)]
pub(super) struct FridgeAsked {
    place: Option<PlaceCode>,
}

fn one(c: Option<f64>) -> String {
    c.map_or_else(|| "–".into(), |c| format!("{c:.1}"))
}

pub(super) async fn get_fridge(
    State(app): State<App>,
    who: Who,
    Asked(asked): Asked<FridgeAsked>,
) -> Result<Page<Fridge>, Problem> {
    app.judge_first(&who).await?;
    let view = read!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let places = tx.places(&Rows { after: None, limit: 500 }).await?;
        let fridges: Vec<_> = places.into_iter().filter(|p| p.kind == PlaceKind::Fridge).collect();
        let chosen = match &asked.place {
            Some(code) => fridges.iter().find(|p| p.place == *code),
            None => fridges.first(),
        };
        let place = chosen
            .cloned()
            .ok_or_else(|| Refusal::new(Kind::NotFound, "There is no such fridge. Add one under places."))?;
        let window = Span { from: tx.now() - TimeDelta::days(1), until: tx.now() };
        let air = tx.temperature(&place.place, window, TimeDelta::minutes(1)).await?;
        let limit = air.limit.clone();
        let week = Span { from: tx.now() - TimeDelta::days(7), until: tx.now() + TimeDelta::minutes(1) };
        let warnings = warnings(tx, &place.place, &air, zone).await?;
        let now = tx.now();
        let excursions = tx.excursions(Some(&place.place), week).await?;
        let excursions = excursions
            .iter()
            .rev()
            .filter(|e| e.withdrawn_at.is_none())
            .map(|e| ExcursionLine {
                id: e.excursion_id.to_string(),
                what: what(e.kind),
                when: when(e, zone),
                lasted: lasted(e, now),
                standing: standing(e),
            })
            .collect();
        let others =
            fridges.iter().filter(|p| p.place != place.place).map(|p| (p.place.to_string(), p.name.clone())).collect();
        let scale = Scale::of(&air, window);
        Ok(Fridge {
            head: Head::new(&farm, &who, "/fridge"),
            now: one(air.series.last().map(|p| p.c)),
            word: judge(&air, tx.now(), zone),
            description: format!(
                "Between {} and {} °C, {:.0} minutes above the limit, {:.0} per cent of the day known.",
                one(air.exposure.min_c),
                one(air.exposure.max_c),
                air.exposure.above_s / 60.0,
                air.exposure.coverage * 100.0
            ),
            left: LEFT,
            right: RIGHT,
            top: TOP,
            height: BOTTOM - TOP,
            lines: scale.lines(&air.series, &air),
            products: scale.lines(&air.product, &air),
            place: place.place.to_string(),
            excursions,
            warnings,
            gaps: scale.gaps(&air),
            ticks: scale.ticks(),
            limit: limit.as_ref().map(|l| scale.mark(l.warm_c)),
            hours: (0..=4)
                .map(|i| {
                    let at = window.from + TimeDelta::hours(6 * i);
                    let anchor = ["start", "middle", "end"][usize::from(i > 0) + usize::from(i == 4)];
                    HourMark { x: format!("{:.1}", scale.x(at)), label: clock(at, zone), anchor }
                })
                .collect(),
            above: format!(
                "{:.0} min, {:.0} degree-minutes",
                air.exposure.above_s / 60.0,
                air.exposure.above_degree_minutes
            ),
            mean: one(air.exposure.mean_c),
            min: one(air.exposure.min_c),
            max: one(air.exposure.max_c),
            known: format!("{:.0}", air.exposure.coverage * 100.0),
            faults: air.faults,
            table: by_hour(&air, zone),
            rule: limit.map(|l| {
                let example =
                    if l.example { " This limit is an example: replace it with your local rule." } else { "" };
                format!("Limit “{}”: {} °C. {}{example}", l.name, l.warm_c, l.rule_text)
            }),
            others,
            name: place.name,
        })
    })?;
    Ok(Page(view))
}

/// What somebody should know beside the plot: a probe that read far off, probes that do not agree, a lot that is too cold for its strain.
async fn warnings(tx: &mut Tx, place: &PlaceCode, air: &Temperature, zone: Tz) -> gillbook_store::Result<Vec<String>> {
    let mut told = Vec::new();
    for probe in tx.probes_of(place).await? {
        if let Some(since) = tx.probe_standing(&probe).await?.doubtful_since {
            told.push(match since.timestamp() {
                0 => {
                    format!("{probe} read more than 1 °C off and was never checked before: its readings are doubtful.")
                }
                _ => format!(
                    "{probe} read more than 1 °C off: its readings since {} are doubtful.",
                    day_and_clock(since, zone)
                ),
            });
        }
    }
    let apart = air.hours.iter().map(|h| h.apart_c).fold(0.0, f64::max);
    if apart > 1.0 {
        told.push(format!("The probes were up to {apart:.1} °C apart. The warmer one counts."));
    }
    told.extend(air.chilled.iter().map(|l| {
        format!(
            "{} ({}) stood in air of down to {:.1} °C for {} hours, and keeps badly below {} °C. Find it a warmer place.",
            l.lot, l.strain, l.coldest_c, l.hours, l.lowest_c
        )
    }));
    Ok(told)
}

fn by_hour(air: &Temperature, zone: Tz) -> Vec<HourRow> {
    air.hours
        .iter()
        .map(|h| HourRow {
            hour: clock(h.hour, zone),
            mean: one(h.mean_c),
            max: one(h.max_c),
            above: format!("{:.0}", h.above_s / 60.0),
        })
        .collect()
}

/// Turns time and temperature into the plot's units.
struct Scale {
    window: Span,
    low: f64,
    high: f64,
}

impl Scale {
    fn of(air: &Temperature, window: Span) -> Self {
        let limit = air.limit.as_ref().map_or(5.0, |l| l.warm_c);
        let low = air.exposure.min_c.unwrap_or(0.0).min(0.0) - 0.5;
        let high = air.exposure.max_c.unwrap_or(limit).max(limit) + 1.0;
        Self { window, low: low.max(-30.0), high: high.min(60.0) }
    }

    fn x(&self, at: DateTime<Utc>) -> f64 {
        let whole = gillbook_core::exposure::seconds(self.window);
        let part = gillbook_core::exposure::seconds(Span { from: self.window.from, until: at });
        LEFT + (RIGHT - LEFT) * (part / whole).clamp(0.0, 1.0)
    }

    fn y(&self, c: f64) -> f64 {
        BOTTOM - (BOTTOM - TOP) * ((c - self.low) / (self.high - self.low)).clamp(0.0, 1.0)
    }

    fn mark(&self, c: f64) -> Mark {
        Mark { y: format!("{:.2}", self.y(c)), label: format!("{c} °C") }
    }

    fn ticks(&self) -> Vec<Mark> {
        let step = if self.high - self.low > 16.0 { 5.0 } else { 2.0 };
        let first = (self.low / step).ceil() * step;
        (0..20)
            .map(|i| first + step * f64::from(i))
            .take_while(|c| *c <= self.high)
            .map(|c| Mark { y: format!("{:.2}", self.y(c)), label: format!("{c}") })
            .collect()
    }

    /// One line for each stretch without a gap.
    fn lines(&self, series: &[AirPoint], air: &Temperature) -> Vec<String> {
        let points: Vec<(DateTime<Utc>, f64)> = series.iter().map(|p| (p.at, p.c)).collect();
        let gap = TimeDelta::minutes(air.limit.as_ref().map_or(15, |l| l.gap_minutes).into());
        let mut lines: Vec<String> = Vec::new();
        let mut reached = None;
        for s in segments(&points, gap, self.window) {
            if reached != Some(s.span.from) {
                lines.push(format!("{:.2},{:.2}", self.x(s.span.from), self.y(s.from_c)));
            }
            if let Some(line) = lines.last_mut() {
                let _ = write!(line, " {:.2},{:.2}", self.x(s.span.until), self.y(s.until_c));
            }
            reached = Some(s.span.until);
        }
        lines
    }

    fn gaps(&self, air: &Temperature) -> Vec<GapMark> {
        let widest = |g: &Gap| g.until - g.from > TimeDelta::minutes(2);
        air.gaps
            .iter()
            .filter(|g| widest(g))
            .map(|g| {
                let (from, until) = (self.x(g.from), self.x(g.until));
                GapMark {
                    wide: until - from > 18.0,
                    x: format!("{from:.1}"),
                    width: format!("{:.1}", until - from),
                    middle: format!("{:.1}", f64::midpoint(from, until)),
                }
            })
            .collect()
    }
}
