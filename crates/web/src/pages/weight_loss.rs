//! Weight loss: is more missing than water?

use std::collections::{BTreeMap, BTreeSet};

use axum::{extract::State, response::Response};
use chrono_tz::Tz;
use gillbook_core::{ledger::loss_watch::NewLossAnswer, text::StrainCode};
use gillbook_store::{
    farm::farms::Farm,
    reports::weight_loss::{StandingWarning, WeightLoss},
};

use super::{
    ALL, Html, Layout,
    act::{ActPage, first},
    count, date, full_time, g as grams, kg,
    resource::{PACKAGING, packed},
    sheet::{Field, FormFields, Input, Sheet},
    zone_of,
};
use crate::{App, auth::Authenticated, create_tx, extract::KeyedForm, problem::Problem, read_tx};

const PATH: &str = "/weight-loss";

/// Names of strains.
type Names = BTreeMap<StrainCode, String>;

/// What a warning says, in words.
fn warned(standing: &StandingWarning, zone: Tz) -> String {
    let w = &standing.warning;
    let counts = match w.count_days {
        1 => format!("on the day of the count of {}", full_time(standing.counted_at, zone)),
        n => format!("at the counts of {n} days, since {}", full_time(w.counted_since, zone)),
    };
    format!(
        "{} g missing of {} kg {counts}, counted by {}{}. Going by earlier counts, {} to {} g would be water and the scale.",
        grams(w.missing_g),
        kg(w.book_g),
        standing.counted_by,
        if standing.taken_back { " and taken back since" } else { "" },
        grams(w.expected.low_g),
        grams(w.expected.high_g),
    )
}

/// What goods of a kind lose, in words.
fn learned(row: &WeightLoss, zone: Tz) -> String {
    let day = row.a_day;
    let range = format!("{:.2} to {:.2}\u{a0}%", day.low_percent, day.high_percent);
    let by = match row.lots {
        0 => format!("{range}. No counts yet, so this is a guess."),
        n => format!("{:.2}\u{a0}% ({range}), from {}.", day.likely_percent, count(n.into(), "counted lot")),
    };
    let since = row.learned_since.as_ref().and_then(|a| Some((a.differently_since?, a))).map(|(since, answer)| {
        let day = date(since.with_timezone(&zone).date_naive());
        format!(" Counts since {day} only: {} ({}).", answer.reason, answer.entered_by)
    });
    by + &since.unwrap_or_default()
}

/// What is missing, with the ways to what is to blame, and what each kind loses.
fn told(page: ActPage, rows: &[WeightLoss], names: &Names, zone: Tz) -> ActPage {
    let name = |row: &WeightLoss| {
        let strain = names.get(&row.strain).map_or(row.strain.as_str(), String::as_str);
        format!("{strain}, {}", packed(row.packaging).to_lowercase())
    };
    let mut page = page;
    let missing: Vec<_> = rows.iter().filter_map(|row| row.warning.as_ref().map(|w| (row, w))).collect();
    let mut places = BTreeSet::new();
    for (row, standing) in &missing {
        page = page.detail(format!("Missing: {}", name(row)), warned(standing, zone));
        for lot in &standing.lots {
            let words = format!("{}: {} g missing, {} g likely", lot.lot, grams(lot.missing_g), grams(lot.likely_g));
            page = page.link(format!("/lots/{}", lot.lot), words);
            places.insert(lot.place.clone());
        }
    }
    for place in places {
        if page.head.may("GET", "/places/{place}/count") {
            page = page.link(format!("/places/{place}/count"), format!("Count {place} again"));
        }
    }
    rows.iter().fold(page, |page, row| page.detail(name(row), learned(row, zone)))
}

/// The form to answer a warning with, or to say that it is different now.
fn answer_sheet(rows: &[WeightLoss], names: &Names) -> Option<(&'static str, Sheet)> {
    let worst = rows.iter().find(|row| row.warning.is_some());
    let shown = worst.or(rows.first())?;
    let strain = |r: &WeightLoss| (r.strain.to_string(), names.get(&r.strain).cloned().unwrap_or_default());
    let mut strains: Vec<(String, String)> = rows.iter().map(strain).collect();
    strains.dedup();
    let since = Field::new("differently_since", "They dry out differently since", Input::Day)
        .hint("the first day with other boxes, lids or another fan; earlier counts are not used any more");
    let (heading, since) = match worst {
        Some(_) => ("What became of it?", since.optional()),
        None => ("They dry out differently now", since),
    };
    let fields = vec![
        Field::new("strain", "Strain", Input::Choice).of(strains).with(shown.strain.to_string()),
        Field::new("packaging", "Packed in", Input::Touch).of_words(&PACKAGING).with(shown.packaging.as_str()),
        Field::new("reason", "What happened, or what is different", Input::Text),
        since,
    ];
    Some((heading, Sheet::new(PATH, "Write it down", fields)))
}

fn page_of(farm: &Farm, who: &Authenticated, rows: &[WeightLoss], names: &Names) -> ActPage {
    let page = ActPage::new(Layout::new(farm, who, "/stock"), "Weight loss", ("/stock", "All stock"));
    let lost = "What the mushrooms lose in their first day at 3\u{a0}°C and 90\u{a0}% humidity, going by your counts, is below.";
    let page = page.about(if rows.iter().any(|row| row.warning.is_some()) {
        format!("More is missing than drying out explains. Look for a crate in another place, a label on the wrong crate, a delivery or waste that nobody wrote down. {lost}")
    } else {
        format!("No warning stands. {lost}")
    });
    told(page.or_nothing("There were no fresh lots in the last half year."), rows, names, zone_of(farm))
}

async fn loss_page(app: &App, who: &Authenticated) -> Result<ActPage, Problem> {
    let (farm, rows, names) = read_tx!(app, who, |tx| {
        let names: Names = tx.strains(&ALL).await?.into_iter().map(|s| (s.strain, s.name)).collect();
        Ok((tx.farm().await?, tx.weight_loss().await?, names))
    })?;
    let page = page_of(&farm, who, &rows, &names);
    Ok(match answer_sheet(&rows, &names).filter(|_| page.head.may("POST", PATH)) {
        Some((heading, sheet)) => page.sheet(heading, sheet),
        None => page,
    })
}

pub(super) async fn get_weight_loss(State(app): State<App>, who: Authenticated) -> Result<Html<ActPage>, Problem> {
    first(loss_page(&app, &who).await)
}

pub(super) async fn post_weight_loss(
    State(app): State<App>,
    who: Authenticated,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let act = async |new: NewLossAnswer| create_tx!(app, who, &form.once, |tx| tx.answer_loss(&new).await);
    loss_page(&app, &who).await?.take(PATH, &form, act, |_| PATH.to_owned()).await
}
