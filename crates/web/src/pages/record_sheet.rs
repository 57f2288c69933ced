//! The temperature record in words, as the page shows it and as it prints.

use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use gillbook_core::{cold::exposure::Exposure, units::calendar::day_of};
use gillbook_documents::record as paper;
use gillbook_store::{
    cold::places::Limit,
    ledger::spells::{Excursion, ExposedLot},
    reports::{
        record::{DayFigures, TemperatureRecord},
        record_parts::RecordedExcursion,
    },
};

use super::{date, excursion, full_day, full_time, kg, short_day};

fn one(c: Option<f64>) -> String {
    c.map_or_else(|| "–".into(), super::degrees)
}

/// Minutes above the limit; a dash where there is no limit and where nothing is known.
fn minutes_above(e: &Exposure, has_limit: bool) -> String {
    if has_limit && e.known_s > 0.0 { format!("{:.0}", e.above_s / 60.0) } else { "–".into() }
}

pub(super) fn sheet_of(r: &TemperatureRecord) -> paper::Record {
    let zone: Tz = r.zone.parse().unwrap_or(Tz::UTC);
    let told = |spells: bool| {
        r.excursions.iter().filter(|x| x.is_spell() == spells).map(|x| spell(x, r.printed_at, zone)).collect()
    };
    paper::Record {
        farm: r.farm.clone(),
        farm_address: r.farm_address.clone(),
        paper_size: r.paper_size,
        place: r.place_name.clone(),
        span: format!("{} to {}", date(r.from), date(r.until)),
        zone: r.zone.clone(),
        spells: told(true),
        wasted: r
            .wasted
            .iter()
            .map(|w| {
                let kg = format!("{} kg", kg(w.grams_g));
                vec![full_time(w.wasted_at, zone), w.lot.to_string(), kg, w.reason.clone(), w.done_by.clone()]
            })
            .collect(),
        wasted_sum: format!(
            "{} {}, {} kg",
            r.wasted.len(),
            if r.wasted.len() == 1 { "entry" } else { "entries" },
            kg(r.wasted.iter().map(|w| w.grams_g).sum())
        ),
        no_spells: match (r.exposure.known_s > 0.0, unknown(r)) {
            (false, _) => "No readings in these days.".into(),
            (true, Some(_)) => "None in the readings there are.".into(),
            (true, None) => "None in these days.".into(),
        },
        gaps: told(false),
        no_gaps: unknown(r).map_or_else(
            || "None in these days.".into(),
            |unknown| format!("No alert in these days. No readings for {unknown}."),
        ),
        summary: summary(r),
        limits: r.limits.iter().map(|l| limit(l, zone)).collect(),
        plot: plot(r),
        days: r.days.iter().map(|d| day(d, !r.limits.is_empty())).collect(),
        probes: probes(r, zone),
        spots: r
            .spot_readings
            .iter()
            .map(|s| vec![full_time(s.at, zone), super::celsius(s.c), s.done_by.clone(), s.note.clone()])
            .collect(),
        checks: r
            .checks
            .iter()
            .map(|c| {
                let result = if c.good { "OK".to_owned() } else { format!("problem: {}", c.what_done) };
                vec![full_time(c.done_at, zone), c.name.clone(), result, c.done_by.clone()]
            })
            .collect(),
        deliveries: r
            .deliveries
            .iter()
            .map(|d| {
                let when = full_time(d.delivered_at, zone);
                vec![when, d.docket.to_string(), d.customer_name.clone(), one(d.temperature_c), d.done_by.clone()]
            })
            .collect(),
        people: r.people.iter().map(|p| format!("{}: {}, {}", p.initials, p.name, p.role.as_str())).collect(),
        mean_kinetic: r.exposure.mean_kinetic_c.map(super::celsius),
        printed: format!("Printed by {}, {} ({})", r.printed_by, full_time(r.printed_at, zone), r.zone),
        caution: r.caution.to_string(),
    }
}

fn summary(r: &TemperatureRecord) -> Vec<(String, String)> {
    let e = &r.exposure;
    let mut summary = vec![
        ("Lowest, mean, highest".into(), format!("{} / {} / {} °C", one(e.min_c), one(e.mean_c), one(e.max_c))),
        ("Readings for".into(), format!("{:.1} % of the time", e.coverage * 100.0)),
    ];
    if let Some(unknown) = unknown(r) {
        summary.push(("No readings for".into(), unknown));
    }
    if !r.limits.is_empty() {
        summary.push(("Minutes above limit".into(), minutes_above(e, true)));
    }
    summary
}

/// How long nothing is known, in how many stretches; nothing where there is no more than the minute since the last reading.
fn unknown(r: &TemperatureRecord) -> Option<String> {
    let gaps: Vec<TimeDelta> = r.gaps.iter().map(|g| g.until - g.from).filter(|g| *g > TimeDelta::minutes(2)).collect();
    let minutes = gaps.iter().sum::<TimeDelta>().num_minutes();
    let stretches = if gaps.len() == 1 { "stretch" } else { "stretches" };
    (!gaps.is_empty()).then(|| format!("{} h {:02} min, in {} {stretches}", minutes / 60, minutes % 60, gaps.len()))
}

fn day(d: &DayFigures, has_limit: bool) -> Vec<String> {
    let e = &d.exposure;
    vec![
        full_day(d.day),
        one(e.min_c),
        one(e.mean_c),
        one(e.max_c),
        one(d.product_max_c),
        minutes_above(e, has_limit),
        format!("{:.0} %", e.coverage * 100.0),
    ]
}

fn limit(l: &Limit, zone: Tz) -> paper::Limit {
    paper::Limit {
        name: l.name.to_string(),
        since: l.effective_from.map_or_else(String::new, |i| full_time(i.0, zone)),
        figures: format!(
            "warm above {} °C for more than {} min (air above {} °C), cold below {} °C",
            l.warm_c,
            l.grace_minutes,
            l.air_c.unwrap_or(l.warm_c),
            l.cold_c
        ),
        rule: l.rule_text.to_string(),
        // Said once: where the rule's own text does not.
        example: l.example && !l.rule_text.as_str().to_lowercase().contains("example"),
    }
}

fn spell(recorded: &RecordedExcursion, now: DateTime<Utc>, zone: Tz) -> paper::Excursion {
    let x = &recorded.excursion;
    let began = full_time(x.began_at, zone);
    let mut actions: Vec<String> = x
        .actions
        .iter()
        .map(|a| {
            let lots: Vec<String> = a.lots.iter().map(|l| format!("{} {} kg", l.lot, kg(l.grams_g))).collect();
            let food: Vec<String> = [excursion::food_word(a.food).to_owned(), lots.join(", "), a.food_note.clone()]
                .into_iter()
                .filter(|part| !part.is_empty())
                .collect();
            format!(
                "Action taken: {} ({}, {}). Food: {}.{}",
                a.done,
                a.done_by,
                full_time(a.done_at, zone),
                food.join("; "),
                if a.reversed { " Taken back since." } else { "" }
            )
        })
        .collect();
    if actions.is_empty() && recorded.is_spell() {
        actions.push("No action is written down.".into());
    }
    paper::Excursion {
        what: excursion::what(x),
        when: match x.ended_at {
            Some(ended) => format!("{began} to {}", full_time(ended, zone)),
            None => format!("since {began}, still on"),
        },
        lasted: excursion::lasted(x, now),
        figures: match (x.air_c, x.product_c) {
            (Some(air), Some(product)) => format!("Air to {air:.1} °C, food estimated at {product:.1} °C."),
            _ => x.probe.as_ref().map_or_else(String::new, |probe| format!("Probe {probe}.")),
        },
        undecided: x.undecided,
        actions,
        lots: recorded.is_spell().then(|| inside(recorded)),
        signed: (!x.sign_offs.is_empty()).then(|| signed(x, zone)),
    }
}

/// Who countersigned, and whether anything has been left open since.
fn signed(x: &Excursion, zone: Tz) -> String {
    let mut parts: Vec<String> = x
        .sign_offs
        .iter()
        .map(|s| {
            let note = if s.note.is_empty() { String::new() } else { format!(". {}", s.note) };
            format!("{}, {}{note}", s.signed_by, full_time(s.signed_at, zone))
        })
        .collect();
    if !x.is_closed() {
        parts.push("not yet for what was written down or came to light since".into());
    }
    parts.join("; ")
}

fn inside(recorded: &RecordedExcursion) -> String {
    if recorded.lots.is_empty() {
        return "No lot was inside.".into();
    }
    let lot = |l: &ExposedLot| {
        if l.made_since {
            format!("{} (packed of them since)", l.lot)
        } else {
            format!("{} ({} kg)", l.lot, kg(l.grams_g))
        }
    };
    let lots: Vec<String> = recorded.lots.iter().map(lot).collect();
    format!("Lots inside: {}.", lots.join(", "))
}

fn probes(r: &TemperatureRecord, zone: Tz) -> Vec<paper::Probe> {
    r.probes
        .iter()
        .map(|p| paper::Probe {
            probe: p.probe.clone(),
            doubtful: p.doubtful_since.map(|since| {
                if since.timestamp() == 0 {
                    "all its readings are suspect".into()
                } else {
                    format!("suspect since {}", full_time(since, zone))
                }
            }),
            checks: p
                .checks
                .iter()
                .map(|c| {
                    let kind = c.kind.as_str().replace('_', " ");
                    let offset = c.offset_c.map(|o| format!(", corrected by {o:+.2} °C")).unwrap_or_default();
                    let off = format!("off by {:+.2} °C{offset}", c.off_c);
                    vec![full_time(c.checked_at, zone), kind, off, c.done_by.clone()]
                })
                .collect(),
        })
        .collect()
}

/// Hours as columns from coldest to warmest, in shares of the plot's width and height.
fn plot(r: &TemperatureRecord) -> paper::Plot {
    #[expect(clippy::cast_precision_loss, reason = "seconds of a year")]
    let seconds = |t: TimeDelta| t.num_seconds() as f64;
    let whole = seconds(r.ends - r.begins).max(1.0);
    let limit = r.limits.last().map(|l| l.warm_c);
    let most = r.exposure.max_c.unwrap_or(6.0).max(limit.unwrap_or(5.0)) + 1.0;
    let least = r.exposure.min_c.unwrap_or(0.0).min(0.0) - 1.0;
    let y = |c: f64| ((c - least) / (most - least)).clamp(0.0, 1.0);
    let step = if most - least > 16.0 { 5.0 } else { 2.0 };
    let first = (least / step).ceil() * step;
    paper::Plot {
        width: 3600.0 / whole,
        hours: r
            .hours
            .iter()
            .filter_map(|h| Some((seconds(h.hour - r.begins) / whole, y(h.min_c?), y(h.max_c?))))
            .collect(),
        limit: limit.map(|l| (y(l), format!("{l} °C"))),
        ticks: (0..20)
            .map(|i| first + step * f64::from(i))
            .take_while(|c| *c <= most)
            .map(|c| (y(c), format!("{c}")))
            .collect(),
        silences: r
            .gaps
            .iter()
            .map(|gap| (seconds(gap.from - r.begins) / whole, seconds(gap.until - gap.from) / whole))
            .collect(),
        days: (0..=4)
            .map(|i| {
                let at = r.begins + (r.ends - r.begins) / 4 * i;
                (f64::from(i) / 4.0, short_day(day_of(at, r.zone.parse().unwrap_or(Tz::UTC))))
            })
            .collect(),
    }
}
