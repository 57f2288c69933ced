//! Weight loss: is more missing than water?

use std::collections::BTreeMap;

use axum::{extract::State, response::Response};
use chrono_tz::Tz;
use gillbook_core::ledger::loss_watch::NewRelearning;
use gillbook_store::reports::weight_loss::{StandingWarning, WeightLoss};

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

/// What the last counts warned of, in words.
fn warned(standing: &StandingWarning, zone: Tz) -> String {
    let w = &standing.warning;
    let counts = match w.counts {
        1 => format!("at the count of {}", full_time(standing.counted_at, zone)),
        n => format!("at the last {n} counts, since {}", full_time(w.counted_since, zone)),
    };
    format!(
        "{} g missing of {} kg {counts}. As they dried until then, it would be {} to {} g. Counted by {}.",
        grams(w.missing_g),
        kg(w.book_g),
        grams(w.expected.low_g),
        grams(w.expected.high_g),
        standing.counted_by
    )
}

/// What goods of a kind lose, in words.
fn learned(row: &WeightLoss, zone: Tz) -> String {
    let day = row.a_day;
    let range = format!("{:.2} to {:.2}\u{a0}%", day.low_percent, day.high_percent);
    let by = match row.lots {
        0 => format!(
            "{range}. Not counted yet: a wide range about half of the published {:.2}\u{a0}%.",
            row.published_percent
        ),
        n => format!("{:.2}\u{a0}% ({range}), from {}.", day.likely_percent, count(n.into(), "counted lot")),
    };
    let since = row.relearned.as_ref().map(|r| {
        let day = date(r.learned_from.with_timezone(&zone).date_naive());
        format!(" Counts since {day} only: {} ({}).", r.reason, r.entered_by)
    });
    by + &since.unwrap_or_default()
}

async fn loss_page(app: &App, who: &Authenticated) -> Result<ActPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let rows = tx.weight_loss().await?;
        let names: BTreeMap<_, _> = tx.strains(&ALL).await?.into_iter().map(|s| (s.strain, s.name)).collect();
        let name = |row: &WeightLoss| {
            let strain = names.get(&row.strain).map_or(row.strain.as_str(), String::as_str);
            format!("{strain}, {}", packed(row.packaging).to_lowercase())
        };
        let missing: Vec<_> = rows.iter().filter_map(|row| row.warning.as_ref().map(|w| (row, w))).collect();
        let page = ActPage::new(Layout::new(&farm, who, "/stock"), "Weight loss", ("/stock", "All stock"));
        let page = page.about(match missing.first() {
            None => "Nothing is missing at the counts but what dries off. What goods lose in their first day at 3\u{a0}°C and 90\u{a0}% humidity, as the counts tell it:",
            Some(_) => {
                "More is missing than dries off. Look for a crate in another place, a label on the wrong crate, a docket or waste that nobody wrote down; then count again. Below it what goods lose in their first day at 3\u{a0}°C and 90\u{a0}% humidity, as the counts tell it."
            }
        });
        let page =
            missing.iter().fold(page, |page, (row, w)| page.detail(format!("Missing: {}", name(row)), warned(w, zone)));
        let page = rows.iter().fold(page, |page, row| page.detail(name(row), learned(row, zone)));
        let page = page.or_nothing("There were no fresh lots in the last half year.");
        if rows.is_empty() || !page.head.may("POST", PATH) {
            return Ok(page);
        }
        let mut strains: Vec<(String, String)> =
            rows.iter().map(|r| (r.strain.to_string(), names.get(&r.strain).cloned().unwrap_or_default())).collect();
        strains.dedup();
        let worst = missing.first().map_or(&rows[0], |(row, _)| row);
        let fields = vec![
            Field::new("strain", "Strain", Input::Choice).of(strains).with(worst.strain.to_string()),
            Field::new("packaging", "Packed in", Input::Touch).of_words(&PACKAGING).with(worst.packaging.as_str()),
            Field::new("since", "Since", Input::Day).hint("the first day with other boxes, lids or another fan"),
            Field::new("reason", "What is different", Input::Text),
        ];
        Ok(page.sheet("They dry otherwise now", Sheet::new(PATH, "Learn it anew from that day", fields)))
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
    let act = async |new: NewRelearning| create_tx!(app, who, &form.once, |tx| tx.relearn_loss(&new).await);
    loss_page(&app, &who).await?.take(PATH, &form, act, |_| PATH.to_owned()).await
}
