//! Fridge: was it cold, is it cold?

use std::fmt::Write as _;

use askama::Template;
use axum::extract::State;
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use gillbook_core::{
    cold::evaluate::GAP_WITHOUT_RULES,
    kinds::PlaceKind,
    refusal::{Refusal, RefusalKind},
    text::PlaceCode,
    units::calendar::Span,
};
use gillbook_store::{
    Pagination, Tx,
    cold::temperature::{AirPoint, Gap, Temperature},
    ledger::spells::Excursion,
};
use serde::Deserialize;

use super::{
    Html, Layout, clock, day_and_clock,
    excursion::{lasted, what, when},
    today::judge,
    zone_of,
};
use crate::{App, auth::Authenticated, extract::Query, problem::Problem, read_tx};

/// The plot's frame, in hundredths of the drawing, so that it fits a phone and a desk and its letters keep their size.
const LEFT: f64 = 7.0;
const RIGHT: f64 = 99.0;
const TOP: f64 = 3.0;
const BOTTOM: f64 = 88.0;

#[derive(Template)]
#[template(path = "fridge.html")]
pub(super) struct Fridge {
    head: Layout,
    name: String,
    now: Option<String>,
    /// Since when there are no readings, where there is none for now.
    silent: String,
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
    above: Option<String>,
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
    what: String,
    when: String,
    lasted: String,
    standing: &'static str,
}

fn standing(e: &Excursion) -> &'static str {
    match (e.ended_at, e.wants_action) {
        _ if e.withdrawn_at.is_some() && e.wants_action => "say what becomes of the food",
        _ if e.is_closed() => "countersigned",
        (None, true) => "still on: note what you are doing",
        (None, false) => "still on",
        (Some(_), true) => "to be dealt with",
        (Some(_), false) if e.actions.is_empty() => "over",
        (Some(_), false) => "needs countersigning",
    }
}

struct HourRow {
    hour: String,
    mean: String,
    max: String,
    above: String,
}

#[derive(Debug, Deserialize)]
pub(super) struct FridgeQuery {
    place: Option<PlaceCode>,
}

fn one(c: Option<f64>) -> String {
    c.map_or_else(|| "–".into(), super::degrees)
}

/// When the last reading came, where that is so long ago that it says nothing about now.
pub(super) fn silent_since(air: &Temperature, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
    let gap = air.limit.as_ref().map_or(GAP_WITHOUT_RULES, |l| TimeDelta::minutes(i64::from(l.gap_minutes)));
    air.series.last().map(|last| last.at).filter(|at| now - *at > gap)
}

/// What the air is now: the last reading, unless the probe has been silent since.
pub(super) fn current_c(air: &Temperature, now: DateTime<Utc>) -> Option<f64> {
    air.series.last().filter(|_| silent_since(air, now).is_none()).map(|last| last.c)
}

/// Minutes above the limit; a dash where nothing is known.
fn minutes_above(above_s: f64, known_s: f64) -> String {
    if known_s > 0.0 { format!("{:.0}", above_s / 60.0) } else { "–".into() }
}

/// The plot in words, for whoever cannot see it.
fn description(air: &Temperature) -> String {
    let e = &air.exposure;
    let above = match air.limit {
        Some(_) => format!(" {} minutes above the limit.", minutes_above(e.above_s, e.known_s)),
        None => " No limit is set.".into(),
    };
    format!(
        "Between {} and {} °C.{above} Readings for {:.0} per cent of the day.",
        one(e.min_c),
        one(e.max_c),
        e.coverage * 100.0
    )
}

pub(super) async fn get_fridge(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<FridgeQuery>,
) -> Result<Html<Fridge>, Problem> {
    app.refresh_before_read(&who).await?;
    let view = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let places = tx.places(&Pagination { after: None, limit: 500 }).await?;
        let fridges: Vec<_> = places.into_iter().filter(|p| p.kind == PlaceKind::Fridge).collect();
        let chosen = match &asked.place {
            Some(code) => fridges.iter().find(|p| p.place == *code),
            None => fridges.first(),
        };
        let place = chosen
            .cloned()
            .ok_or_else(|| Refusal::new(RefusalKind::NotFound, "There is no such fridge. Add one under places."))?;
        let window = Span { from: tx.now() - TimeDelta::days(1), until: tx.now() };
        let air = tx.temperature_of(&place, window, TimeDelta::minutes(1)).await?;
        let limit = air.limit.clone();
        let week = Span { from: tx.now() - TimeDelta::days(7), until: tx.now() + TimeDelta::minutes(1) };
        let warnings = warnings(tx, &place.place, &air, zone).await?;
        let now = tx.now();
        let excursions = tx.excursions(Some(&place.place), week).await?;
        let excursions = excursions
            .iter()
            .rev()
            .filter(|e| e.became.is_none())
            .map(|e| ExcursionLine {
                id: e.excursion_id.to_string(),
                what: what(e),
                when: when(e, zone),
                lasted: lasted(e, now),
                standing: standing(e),
            })
            .collect();
        let others =
            fridges.iter().filter(|p| p.place != place.place).map(|p| (p.place.to_string(), p.name.clone())).collect();
        let scale = Scale::of(&air, window);
        Ok(Fridge {
            head: Layout::new(&farm, &who, "/fridge"),
            now: current_c(&air, tx.now()).map(super::degrees),
            silent: silent_word(&air, tx.now(), zone),
            word: judge(&air, tx.now(), zone),
            description: description(&air),
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
            above: limit.as_ref().map(|_| minutes_above(air.exposure.above_s, air.exposure.known_s)),
            mean: one(air.exposure.mean_c),
            min: one(air.exposure.min_c),
            max: one(air.exposure.max_c),
            known: format!("{:.0}", air.exposure.coverage * 100.0),
            faults: air.faults,
            table: by_hour(&air, zone),
            rule: limit.map(|l| {
                // Said once: where the rule's own text does not.
                let says_so = l.rule_text.as_str().to_lowercase().contains("example");
                let example = if l.example && !says_so {
                    " This limit is an example: replace it with your local rule."
                } else {
                    ""
                };
                format!("Limit “{}”: {} °C. {}{example}", l.name, l.warm_c, l.rule_text)
            }),
            others,
            name: place.name,
        })
    })?;
    Ok(Html(view))
}

fn silent_word(air: &Temperature, now: DateTime<Utc>, zone: Tz) -> String {
    match silent_since(air, now) {
        Some(at) => format!("since {}", clock(at, zone)),
        None => "in the last 24 hours".into(),
    }
}

/// What somebody should know beside the plot: a probe that read far off, probes that do not agree, a lot that is too cold for its strain.
async fn warnings(tx: &mut Tx, place: &PlaceCode, air: &Temperature, zone: Tz) -> gillbook_store::Result<Vec<String>> {
    let mut told = Vec::new();
    for probe in tx.probes_of(place).await? {
        if let Some(since) = tx.probe_calibration(&probe).await?.doubtful_since {
            told.push(match since.timestamp() {
                0 => {
                    format!("{probe} read more than 1 °C off and was never checked before: its readings are suspect.")
                }
                _ => format!(
                    "{probe} read more than 1 °C off: its readings since {} are suspect.",
                    day_and_clock(since, zone)
                ),
            });
        }
    }
    let apart = air.hours.iter().map(|h| h.probe_spread_c).fold(0.0, f64::max);
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
            above: minutes_above(h.above_s, h.known_s),
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
        let whole = gillbook_core::cold::exposure::seconds(self.window);
        let part = gillbook_core::cold::exposure::seconds(Span { from: self.window.from, until: at });
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

    /// One line for each stretch without a gap. Points may stand as far apart as the step that thinned them, and no gap is bridged.
    fn lines(&self, series: &[AirPoint], air: &Temperature) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        let mut before: Option<DateTime<Utc>> = None;
        let parted =
            |from: DateTime<Utc>, until: DateTime<Utc>| air.gaps.iter().any(|g| g.from >= from && g.until <= until);
        for p in series.iter().filter(|p| p.at >= self.window.from && p.at <= self.window.until) {
            let point = format!("{:.2},{:.2}", self.x(p.at), self.y(p.c));
            match lines.last_mut() {
                Some(line) if before.is_some_and(|before| !parted(before, p.at)) => {
                    let _ = write!(line, " {point}");
                }
                _ => lines.push(point),
            }
            before = Some(p.at);
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
