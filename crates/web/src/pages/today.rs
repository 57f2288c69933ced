//! Today: what needs me now?

use std::collections::BTreeMap;

use askama::Template;
use axum::extract::State;
use chrono::{DateTime, Days, TimeDelta, Utc};
use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    kinds::{ExcursionKind, PlaceKind},
    units::calendar::{Span, day_begins, day_of},
};
use gillbook_store::{
    Pagination, Tx, cold::temperature::Temperature, ledger::spells::Excursion, reports::risk::EndsBy,
};

use super::{
    ALL, Html, Layout, clock, count,
    fridge::{current_c, silent_since},
    kg, long_day,
    recalls::kind_word,
    short_day, zone_of,
};
use crate::{App, auth::Authenticated, problem::Problem, read_tx};

/// Lots that are listed on the page; the rest is summed.
const SOON_LINES: usize = 6;

#[derive(Template)]
#[template(path = "today.html")]
pub(super) struct Today {
    head: Layout,
    day: String,
    strains: Vec<StrainLine>,
    /// The last delivery day that counts as ordered.
    ordered_until: String,
    short: String,
    sell_first: String,
    sell_first_words: String,
    soon: Vec<Soon>,
    /// What does not fit into the list.
    more: Option<String>,
    fridges: Vec<FridgeLine>,
    to_make_up: i64,
    overdue: i64,
    on_the_way: i64,
    on_hold: i64,
    /// Recalls under way: code, and what it is called.
    recalls: Vec<(String, &'static str)>,
    held_batches: Vec<String>,
    /// Names of strains of which more is missing at the counts than dries off.
    missing: Vec<String>,
    docket_word: String,
    checks_due: usize,
    alerts: String,
    warm_lots: usize,
    in_fruit: usize,
    due: usize,
    next: (String, String),
}

struct StrainLine {
    strain: String,
    in_stock: String,
    on_hold: Option<String>,
    ordered: String,
    left: String,
    word: &'static str,
}

struct Soon {
    lot: String,
    kg: String,
    when: String,
    remedy: String,
}

pub(super) struct FridgeLine {
    pub name: String,
    pub place: String,
    /// The air now, °C; none while nothing is known of it.
    pub now: Option<String>,
    /// What stands in its place then.
    pub silent: String,
    pub worst: Option<String>,
    pub word: String,
}

pub(super) async fn get_today(State(app): State<App>, who: Authenticated) -> Result<Html<Today>, Problem> {
    app.refresh_before_read(&who).await?;
    let view = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let head = Layout::new(&farm, &who, "/");
        let zone = zone_of(&farm);
        let checks_due = tx.house_checks().await?.iter().filter(|c| c.due).count();
        let spells = tx.excursions_to_deal_with().await?;
        let (morning, risk) = tx.today().await?;
        let batches = tx.in_fruit().await?;
        let names: BTreeMap<_, _> = tx.strains(&ALL).await?.into_iter().map(|s| (s.strain, s.name)).collect();
        let name = |strain| names.get(strain).map_or_else(|| strain.to_string(), ToString::to_string);
        let fridges = fridges(tx, zone).await?;
        // What is on hold is not for sale, and is told of under "on hold".
        let (sellable, now): (Vec<_>, Vec<_>) =
            risk.lots.iter().filter(|r| !r.on_hold).partition(|r| r.when == "later");
        let after: Grams = sellable.iter().map(|r| r.at_risk_g).sum();
        let urgent: Grams = now.iter().map(|r| r.at_risk_g).sum();
        let unlisted = now.iter().skip(SOON_LINES);
        let more = (now.len() > SOON_LINES).then(|| {
            let lots = count(i64::try_from(now.len() - SOON_LINES).unwrap_or(i64::MAX), "more lot");
            format!("and {} kg in {lots}", kg(unlisted.map(|r| r.at_risk_g).sum()))
        });
        let soon: Vec<Soon> = now
            .iter()
            .take(SOON_LINES)
            .map(|r| Soon {
                lot: r.lot.to_string(),
                kg: kg(r.at_risk_g),
                when: match r.ends_by {
                    EndsBy::BestBefore if r.when != "past its day" => format!("sell by {}", r.when),
                    EndsBy::ShelfLife | EndsBy::BestBefore => r.when.to_string(),
                },
                remedy: if morning.warm.contains(&r.lot) {
                    "In a warm spell that is not settled: your local food-safety rules and your plan decide.".into()
                } else {
                    let by_air = r.ends_by == EndsBy::ShelfLife && !r.remedy.contains("temperatures");
                    let why_now = if by_air { " By its temperatures it keeps no longer." } else { "" };
                    format!("{}{why_now} {}", r.why, r.remedy)
                },
            })
            .collect();
        Ok(Today {
            day: long_day(day_of(tx.now(), zone)),
            strains: morning
                .strains
                .iter()
                .map(|s| StrainLine {
                    strain: name(&s.strain),
                    in_stock: kg(s.in_stock_g),
                    on_hold: (s.on_hold_g > Grams::ZERO).then(|| kg(s.on_hold_g)),
                    ordered: kg(s.ordered_g),
                    left: kg(s.in_stock_g - s.ordered_g),
                    word: if s.ordered_g > s.in_stock_g { "short" } else { "enough" },
                })
                .collect(),
            ordered_until: short_day(day_of(tx.now(), zone) + Days::new(2)),
            short: kg(morning.short_g),
            sell_first: kg(urgent),
            sell_first_words: match (urgent > Grams::ZERO, risk.weeks.is_empty()) {
                (true, true) => format!("has no order and must go by tomorrow. {} kg after that.", kg(after)),
                (true, false) => {
                    format!("is likely to be left over and must go by tomorrow. {} kg after that.", kg(after))
                }
                (false, _) => format!("Nothing needs selling by tomorrow. {} kg after that.", kg(after)),
            },
            soon,
            more,
            fridges,
            to_make_up: morning.to_make_up,
            overdue: morning.overdue,
            on_the_way: morning.on_the_way,
            on_hold: morning.on_hold,
            recalls: morning.recalls.iter().map(|(code, kind)| (code.to_string(), kind_word(*kind))).collect(),
            held_batches: morning.held_batches.iter().map(ToString::to_string).collect(),
            missing: morning.strains_missing.iter().map(name).collect(),
            docket_word: farm.word("docket").to_owned(),
            checks_due,
            alerts: alerts(&spells),
            warm_lots: morning.warm.len(),
            in_fruit: batches.len(),
            due: batches.iter().filter(|b| b.due).count(),
            next: next(&head, &spells, morning.to_make_up + morning.overdue > 0),
            head,
        })
    })?;
    Ok(Html(view))
}

/// The one thing to do next, of what the role may do. A warm spell about which something is still to be written down comes
/// before the orders.
fn next(head: &Layout, spells: &[Excursion], orders_to_make_up: bool) -> (String, String) {
    let warm = spells.iter().find(|e| e.kind == ExcursionKind::TooWarm && e.wants_action);
    if let Some(e) = warm.filter(|_| head.may("POST", "/excursions/{excursion}/action")) {
        let spell = if e.withdrawn_at.is_some() { "Withdrawn warm spell" } else { "Warm spell" };
        let text = format!("{spell} in {}: say what becomes of the food", e.place);
        return (format!("/excursions/{}", e.excursion_id), text);
    }
    let (href, text) = if orders_to_make_up && head.may("POST", "/orders/{order}/set-aside") {
        ("/orders", "Make up orders")
    } else if head.may("GET", "/weigh") {
        ("/weigh", "Weigh")
    } else if head.may("POST", "/dockets/{docket}/delivery") {
        ("/orders", "See today's orders")
    } else if head.may("GET", "/week") {
        ("/week", "See the week")
    } else {
        ("/fridge", "See the fridge")
    };
    (href.into(), text.into())
}

/// What waits for somebody in the stores: `2 warm spells, 1 gap`. Empty where nothing does.
fn alerts(open: &[Excursion]) -> String {
    let kinds = [
        (ExcursionKind::TooWarm, "warm spell"),
        (ExcursionKind::TooCold, "cold spell"),
        (ExcursionKind::NoData, "gap"),
        (ExcursionKind::ProbeFault, "probe fault"),
    ];
    let counted = kinds.map(|(kind, noun)| (open.iter().filter(|e| e.kind == kind).count(), noun));
    let words: Vec<String> = counted
        .into_iter()
        .filter(|(n, _)| *n > 0)
        .map(|(n, noun)| count(i64::try_from(n).unwrap_or(i64::MAX), noun))
        .collect();
    words.join(", ")
}

/// The fridges as they are now, with the worst since midnight.
async fn fridges(tx: &mut Tx, zone: Tz) -> gillbook_store::Result<Vec<FridgeLine>> {
    let places = tx.places(&Pagination { after: None, limit: 500 }).await?;
    let mut lines = Vec::new();
    for place in places.into_iter().filter(|p| p.kind == PlaceKind::Fridge) {
        let midnight = day_begins(day_of(tx.now(), zone), zone);
        let from = midnight.min(tx.now() - TimeDelta::hours(1));
        let window = Span { from, until: tx.now() };
        let air = tx.temperature_of(&place, window, TimeDelta::minutes(1)).await?;
        lines.push(FridgeLine {
            now: current_c(&air, tx.now()).map(super::degrees),
            silent: silent_for(&air, tx.now()),
            worst: air.exposure.max_c.map(super::degrees),
            word: judge(&air, tx.now(), zone),
            name: place.name,
            place: place.place.to_string(),
        });
    }
    Ok(lines)
}

/// How long nothing has been known of the air.
fn silent_for(air: &Temperature, now: DateTime<Utc>) -> String {
    match silent_since(air, now).map(|at| (now - at).num_minutes()) {
        Some(m) if m < 120 => format!("no reading for {m} min"),
        Some(m) => format!("no reading for {} h {:02} min", m / 60, m % 60),
        None => "no reading".into(),
    }
}

/// The word under the figure: within the limit since when, above it since when, or no readings.
pub(super) fn judge(air: &Temperature, now: DateTime<Utc>, zone: Tz) -> String {
    let Some(last) = air.series.last() else { return "no readings".into() };
    if let Some(since) = silent_since(air, now) {
        return format!("no readings since {}: look at the thermometer", clock(since, zone));
    }
    let Some(limit) = &air.limit else { return "no limit is set for it".into() };
    let gap = TimeDelta::minutes(i64::from(limit.gap_minutes));
    let points: Vec<(DateTime<Utc>, f64)> = air.series.iter().map(|p| (p.at, p.c)).collect();
    let since = gillbook_core::cold::exposure::since(&points, gap, limit.warm_c).unwrap_or(last.at);
    let word = if last.c > limit.warm_c { "above the limit" } else { "within the limit" };
    // What was before the first reading that was looked at is not known here.
    let earlier = if points.first().is_some_and(|(at, _)| *at == since) { " or earlier" } else { "" };
    format!("{word} of {} °C since {}{earlier}", limit.warm_c, clock(since, zone))
}
