//! Recalls and their rehearsals: whom have we told, and what is still here?

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};
use chrono::{DateTime, Utc};
use gillbook_core::{
    kinds::{CustomerKind, RecallKind, ToldHow},
    ledger::trace::TraceFrom,
    selling::recall::{Holder, NewRecall, NewRecallEnd, NewTold, Recall, RecallReport, Taken},
    text::RecallCode,
};
use gillbook_documents::recall_letter as paper;
use gillbook_store::{Pagination, Result as StoreResult, Tx, farm::farms::Farm};

use super::{
    Html, Layout,
    act::answer,
    count, date, exact_kg, full_time,
    resource::Resource,
    sheet::{Field, FormFields, Input, Sheet},
    trace::{TraceParams, address, start_words, trace_page},
    traced::{HolderRow, Shown, Traced, told_words},
    zone_of,
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    documents::set,
    extract::{KeyedForm, PathParam, Query, capital},
    problem::Problem,
    read_tx,
};

/// The list of them.
pub(super) struct Recalls;

impl Resource for Recalls {
    const PATH: &'static str = "/recalls";
    const TITLE: &'static str = "Recalls and practice recalls";
    const ADD: &'static str = "";
    const CODE: &'static str = "recall";
    const SETTLED: &'static [&'static str] = &[];
    type Item = Recall;

    async fn items(tx: &mut Tx, page: &Pagination) -> StoreResult<Vec<Recall>> {
        tx.recalls(page).await
    }

    fn code(recall: &Recall) -> String {
        recall.recall.to_string()
    }

    fn line(recall: &Recall) -> (String, String) {
        let stands = if recall.ended.is_some() { "ended" } else { "under way" };
        let of = format!("{} {}", recall.starts_from, recall.code);
        (
            format!("{} {}, {}", kind_word(recall.kind), recall.recall, date(recall.started_on)),
            format!("{of}, {stands}: {}", recall.reason),
        )
    }

    async fn fields(_: &mut Tx, _: &Farm) -> StoreResult<Vec<Field>> {
        Ok(Vec::new())
    }
}

/// What a recall is called on a page.
pub(super) const fn kind_word(kind: RecallKind) -> &'static str {
    match kind {
        RecallKind::Recall => "Recall",
        RecallKind::Rehearsal => "Practice recall",
    }
}

#[derive(Template)]
#[template(path = "recall.html")]
pub(super) struct RecallPage {
    head: Layout,
    title: String,
    reason: String,
    /// What it started from, since when and by whom; how long it took.
    about: Vec<String>,
    traced: Traced,
    /// Lots harvested since it began.
    since: Vec<String>,
    /// Where the lots that are recalled are traced.
    trace: String,
    lots: String,
    letters: Option<String>,
    /// Whether letters cannot say how the farm is reached.
    unreachable: bool,
    end: Option<Sheet>,
}

/// How long something took: "45 minutes", "2 hours 5 minutes".
fn took(from: DateTime<Utc>, until: DateTime<Utc>) -> String {
    match (until - from).num_minutes().max(0) {
        minutes @ ..60 => count(minutes, "minute"),
        minutes if minutes % 60 == 0 => count(minutes / 60, "hour"),
        minutes => format!("{} {}", count(minutes / 60, "hour"), count(minutes % 60, "minute")),
    }
}

fn told_sheet(recall: &RecallCode, of: &HolderRow) -> Sheet {
    let ways = ToldHow::ALL.iter().map(|by| (by.to_string(), told_words(*by).to_owned()));
    let first = if of.is_market { ToldHow::Notice } else { ToldHow::Telephone };
    let fields = vec![
        Field::hidden("customer", of.customer.clone()),
        Field::new("told_how", "How", Input::Choice).of(ways).with(first.to_string()),
        Field::new("note", "What they said", Input::Text).optional(),
    ];
    Sheet::new(format!("/recalls/{recall}/told"), "Write down", fields)
}

fn end_sheet(report: &RecallReport) -> Sheet {
    let mut fields =
        vec![Field::new("note", "What came of it", Input::Lines).hint("needed where somebody was not told").optional()];
    if !report.held.is_empty() {
        let held = i64::try_from(report.held.len()).unwrap_or(i64::MAX);
        let words = format!("Release what it put on hold ({}); only the owner can, signed in", count(held, "lot"));
        fields.push(Field::new("release", words, Input::Tick));
    }
    Sheet::new(format!("/recalls/{}/end", report.recall.recall), "Close it", fields)
}

fn about(report: &RecallReport, farm: &Farm, now: DateTime<Utc>) -> Vec<String> {
    let (of, zone) = (&report.recall, zone_of(farm));
    let (told, to_tell) = report.reached();
    let mut lines = vec![
        format!(
            "{}, begun {} by {}.",
            start_words(of.starts_from, &of.code, of.at, farm),
            full_time(of.started_at, zone),
            of.done_by
        ),
        match &of.ended {
            Some(end) => format!(
                "Ended {} by {}, after {}: {told} of {to_tell} told.",
                full_time(end.ended_at, zone),
                end.entered_by,
                took(of.started_at, end.ended_at)
            ),
            None => format!("{told} of {to_tell} told, {} after it began.", took(of.started_at, now)),
        },
    ];
    lines.extend(of.ended.as_ref().map(|end| end.note.clone()).filter(|note| !note.is_empty()));
    let loose = report.here.iter().filter(|row| !row.on_hold).count();
    if report.recall.ended.is_none() && !report.here.is_empty() {
        lines.push(if loose == 0 {
            "All that is here is on hold.".into()
        } else {
            "Not all that is here is on hold.".into()
        });
    }
    lines
}

async fn recall_page(app: &App, who: &Authenticated, code: &RecallCode) -> Result<RecallPage, Problem> {
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let report = tx.recall(code).await?;
        let head = Layout::new(&farm, who, "/stock");
        let is_over = report.recall.ended.is_some();
        let given = report.given.iter().collect();
        let shown = Shown { holders: &report.holders, given, here: &report.here, account: &report.account };
        let mut traced = Traced::of(&shown, &farm);
        if !is_over && head.may("POST", "/recalls/{recall}/told") {
            for row in traced.holders.iter_mut().filter(|row| row.is_to_be_told || !row.told.is_empty()) {
                row.sheet = Some(told_sheet(code, row));
            }
        }
        let lots = i64::try_from(report.lots.len() + report.made_into_lots.len()).unwrap_or(i64::MAX);
        let start = TraceFrom::named(report.recall.starts_from, &report.recall.code, report.recall.at)?;
        Ok(RecallPage {
            title: format!("{} {code}", kind_word(report.recall.kind)),
            reason: report.recall.reason.clone(),
            about: about(&report, &farm, tx.now()),
            since: report.since.iter().map(ToString::to_string).collect(),
            trace: address("/trace", &start),
            lots: count(lots, "lot"),
            unreachable: farm.telephone.is_empty() && farm.email.is_empty(),
            letters: (!report.holders.is_empty()).then(|| format!("/api/recalls/{code}/letters")),
            end: (!is_over && head.may("POST", "/recalls/{recall}/end")).then(|| end_sheet(&report)),
            traced,
            head,
        })
    })
}

pub(super) async fn get_recall(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<RecallCode>,
) -> Result<Html<RecallPage>, Problem> {
    Ok(Html(recall_page(&app, &who, &code).await?))
}

pub(super) async fn post_recall(
    State(app): State<App>,
    who: Authenticated,
    Query(asked): Query<TraceParams>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let (page, status) = trace_page(&app, &who, &asked).await?;
    let Some(sheet) = page.sheet() else { return Ok((status, Html(page)).into_response()) };
    let done = sheet
        .submit(&form, async |new: NewRecall| create_tx!(app, who, &form.once, |tx| tx.begin_recall(&new).await))
        .await;
    let on = |begun: &serde_json::Value| {
        begun["recall"].as_str().map_or("/recalls".into(), |code| format!("/recalls/{code}"))
    };
    Ok(answer(done, on, async |refused| Ok(page.with_refused(refused))).await)
}

pub(super) async fn post_told(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<RecallCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let mut page = recall_page(&app, &who, &code).await?;
    let customer = form.form.iter().find(|(name, _)| name == "customer").map(|(_, value)| value.clone());
    let row = page.traced.holders.iter_mut().find(|row| Some(&row.customer) == customer.as_ref());
    // A recall that has ended meanwhile says so when it is written to.
    let sheet = row.and_then(|row| row.sheet.take()).unwrap_or_else(|| {
        let of = Field::hidden("customer", customer.clone().unwrap_or_default());
        let rest = ["told_how", "note"].map(|name| Field::new(name, "", Input::Carried).optional());
        Sheet::new(format!("/recalls/{code}/told"), "Told", std::iter::once(of).chain(rest).collect())
    });
    let done = sheet
        .submit(&form, async |new: NewTold| create_tx!(app, who, &form.once, |tx| tx.tell_of_recall(&code, &new).await))
        .await;
    let again = async |refused: Sheet| {
        match page.traced.holders.iter_mut().find(|row| Some(&row.customer) == customer.as_ref()) {
            Some(row) => row.sheet = Some(refused),
            None => page.end = Some(refused),
        }
        Ok(page)
    };
    Ok(answer(done, |_| format!("/recalls/{code}"), again).await)
}

pub(super) async fn post_end(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<RecallCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    let mut page = recall_page(&app, &who, &code).await?;
    let sheet = page.end.take().unwrap_or_else(|| {
        let fields = ["note", "release"].map(|name| Field::new(name, "", Input::Carried).optional());
        Sheet::new(format!("/recalls/{code}/end"), "End it", fields.into())
    });
    let done = sheet
        .submit(&form, async |new: NewRecallEnd| {
            create_tx!(app, who, &form.once, |tx| tx.end_recall(&code, &new).await)
        })
        .await;
    let again = async |refused: Sheet| {
        page.end = Some(refused);
        Ok(page)
    };
    Ok(answer(done, |_| format!("/recalls/{code}"), again).await)
}

/// The letters of a recall, one for each customer who was sent something.
///
/// # Errors
/// When the document cannot be set.
pub(crate) async fn recall_letters(farm: &Farm, report: &RecallReport) -> Result<Vec<u8>, Problem> {
    let zone = zone_of(farm);
    let row = |taken: &Taken| paper::Row {
        lot: taken.lot.to_string(),
        name: taken.name.clone(),
        harvested: date(taken.harvest_day),
        best_before: taken.best_before.map_or_else(String::new, date),
        document: taken.docket.as_ref().map(ToString::to_string).unwrap_or_default(),
        sent: full_time(taken.sent_at, zone),
        under_way: taken.under_way,
        kg: exact_kg(taken.grams_g - taken.came_back_g),
    };
    let letter = |of: &Holder| paper::Letter {
        name: of.name.clone(),
        address: of.address.clone(),
        is_market: of.kind == CustomerKind::Market,
        rows: of.taken.iter().filter(|taken| taken.grams_g > taken.came_back_g).map(row).collect(),
        kg: exact_kg(of.kept_g + of.under_way_g),
    };
    let letters = paper::Letters {
        farm: farm.name.clone(),
        farm_address: farm.letterhead(),
        paper_size: farm.paper_size,
        docket_word: capital(farm.word("docket")),
        recall: report.recall.recall.to_string(),
        is_rehearsal: report.recall.kind == RecallKind::Rehearsal,
        began: full_time(report.recall.started_at, zone),
        reason: report.recall.reason.clone(),
        reached_at: [farm.telephone.as_str(), &farm.email]
            .into_iter()
            .filter(|at| !at.is_empty())
            .collect::<Vec<_>>()
            .join(" or "),
        letters: report.holders.iter().filter(|of| of.has_any()).map(letter).collect(),
    };
    set(move || letters.pdf()).await
}
