//! What a trace and a recall both show: who has it, what is still here, and what became of every gram.

use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    kinds::{CustomerKind, PlaceKind, ToldHow},
    ledger::trace::{Account, Here, NotSold, Trace},
    selling::recall::{Holder, Taken, Told},
    text::LotCode,
};
use gillbook_store::farm::farms::Farm;

use super::{count, docket::dial, exact_kg, full_time, kg, sheet::Sheet, zone_of};
use crate::problem::Problem;

/// What one customer took, shown of each; the whole stands in the CSV.
const MAX_DELIVERIES: usize = 8;

/// Lots in stock that are shown one by one.
const MAX_LOTS: usize = 100;

pub(super) struct Traced {
    pub holders: Vec<HolderRow>,
    /// Who has it, in a word.
    pub summary: String,
    /// What was given away, tested or eaten at home.
    pub given: Vec<String>,
    pub here: Vec<HereRow>,
    /// Lots in stock beyond those that are shown.
    pub here_more: usize,
    /// What became of the grams, and how many kilograms.
    pub account: Vec<(&'static str, String)>,
    /// How much of it is accounted for.
    pub accounted: String,
}

pub(super) struct HolderRow {
    pub customer: String,
    pub name: String,
    pub telephone: String,
    pub dial: String,
    pub email: String,
    /// What stands in an e-mail to them that is begun on the phone.
    pub mail: String,
    pub kg: String,
    /// What is on its way to them.
    pub under_way: Option<String>,
    pub deliveries: Vec<Delivered>,
    /// Deliveries beyond those that are shown.
    pub more: usize,
    /// When they were told, line by line.
    pub told: Vec<String>,
    /// Whether somebody has to tell them.
    pub is_to_be_told: bool,
    /// Whether nobody knows who bought it.
    pub is_market: bool,
    /// To write down that they were told.
    pub sheet: Option<Sheet>,
}

pub(super) struct Delivered {
    pub docket: Option<String>,
    pub lot: String,
    pub text: String,
}

pub(super) struct HereRow {
    pub lot: String,
    pub place: String,
    pub kg: String,
    pub on_hold: bool,
}

pub(super) const fn told_words(how: ToldHow) -> &'static str {
    match how {
        ToldHow::Telephone => "by telephone",
        ToldHow::Email => "by e-mail",
        ToldHow::Letter => "by letter",
        ToldHow::InPerson => "in person",
        ToldHow::Notice => "by a notice",
        ToldHow::NotReached => "not reached",
    }
}

fn told(t: &Told, zone: Tz) -> String {
    let note = if t.note.is_empty() { String::new() } else { format!(": {}", t.note) };
    let what = match t.told_how {
        ToldHow::NotReached => "Not reached".to_owned(),
        how => format!("Told {}", told_words(how)),
    };
    format!("{what} {} by {}{note}", full_time(t.told_at, zone), t.done_by)
}

fn delivered(taken: &Taken, zone: Tz) -> Delivered {
    let back = match taken.came_back_g {
        Grams::ZERO => String::new(),
        grams => format!(", {} kg of it came back", exact_kg(grams)),
    };
    let way = match (taken.under_way, &taken.docket) {
        (false, _) => "",
        (true, Some(_)) => ", in the van",
        (true, None) => " taken to the stall, any of it may be sold by now",
    };
    let text =
        format!("{} kg, {}, sent {}{way}{back}", exact_kg(taken.grams_g), taken.name, full_time(taken.sent_at, zone));
    Delivered { docket: taken.docket.as_ref().map(ToString::to_string), lot: taken.lot.to_string(), text }
}

/// What an e-mail says that is begun on the phone: the lots and their weight, for whoever writes to add to.
fn mail(of: &Holder) -> String {
    let rows = of.taken.iter().filter(|t| t.grams_g > t.came_back_g).map(|t| {
        let docket = t.docket.as_ref().map(|docket| format!(", {docket}")).unwrap_or_default();
        format!("{} {}, {} kg{docket}", t.name, t.lot, exact_kg(t.grams_g - t.came_back_g))
    });
    let body = rows.take(MAX_DELIVERIES).collect::<Vec<_>>().join("\n");
    let set = percent_encoding::NON_ALPHANUMERIC;
    let coded = |text: &str| percent_encoding::utf8_percent_encode(text, set).to_string();
    format!("mailto:{}?subject={}&body={}", of.email, coded("Please read at once"), coded(&body))
}

fn holder(of: &Holder, zone: Tz) -> HolderRow {
    HolderRow {
        customer: of.customer.to_string(),
        name: of.name.clone(),
        dial: dial(&of.telephone),
        telephone: of.telephone.clone(),
        email: of.email.clone(),
        mail: mail(of),
        kg: kg(of.kept_g),
        under_way: (of.under_way_g > Grams::ZERO).then(|| kg(of.under_way_g)),
        deliveries: of.taken.iter().take(MAX_DELIVERIES).map(|taken| delivered(taken, zone)).collect(),
        more: of.taken.len().saturating_sub(MAX_DELIVERIES),
        told: of.told.iter().map(|t| told(t, zone)).collect(),
        is_to_be_told: of.is_to_be_told(),
        is_market: of.kind == CustomerKind::Market,
        sheet: None,
    }
}

fn given(row: &NotSold, zone: Tz) -> String {
    let what = match row.became {
        PlaceKind::Gift => "given away",
        PlaceKind::Test => "sample",
        _ => "home use",
    };
    let why = if row.reason.is_empty() { String::new() } else { format!(": {}", row.reason) };
    format!("{} kg of {}, {what} {}{why}", exact_kg(row.grams_g), row.lot, full_time(row.happened_at, zone))
}

/// What a trace or a recall shows of who has it and where the rest is.
pub(super) struct Shown<'a> {
    pub holders: &'a [Holder],
    pub given: Vec<&'a NotSold>,
    pub here: &'a [Here],
    pub account: &'a Account,
}

impl Traced {
    pub(super) fn of(shown: &Shown<'_>, farm: &Farm) -> Self {
        let (zone, account) = (zone_of(farm), shown.account);
        let parts = [
            ("Still here", account.here_g),
            ("With customers", account.with_customers_g),
            ("Thrown away", account.wasted_g),
            ("Given away", account.given_g),
            ("Samples", account.tested_g),
            ("Trimmed off", account.trimmed_g),
            ("Home use", account.home_g),
            ("Water taken by drying", account.dried_g),
            ("Lost as water or missing at a count", account.missing_g),
        ];
        let mut holders: Vec<HolderRow> = shown.holders.iter().map(|of| holder(of, zone)).collect();
        // Who is still to be told comes first.
        holders.sort_by_key(|row| !row.is_to_be_told);
        let with = shown.holders.iter().filter(|h| h.has_any()).count();
        let left = shown.holders.iter().filter(|h| h.is_to_be_told()).count();
        let customers = |n: usize| count(i64::try_from(n).unwrap_or(i64::MAX), "customer");
        Self {
            holders,
            summary: match (with, left) {
                (0, _) => "No customer has any of it.".into(),
                (n, 0) => format!("{}, all told.", customers(n)),
                (n, left) => format!("{}, {left} still to tell.", customers(n)),
            },
            given: shown.given.iter().map(|row| given(row, zone)).collect(),
            here: shown
                .here
                .iter()
                .take(MAX_LOTS)
                .map(|row| HereRow {
                    lot: row.lot.to_string(),
                    place: row.place.to_string(),
                    kg: kg(row.grams_g),
                    on_hold: row.on_hold,
                })
                .collect(),
            here_more: shown.here.len().saturating_sub(MAX_LOTS),
            account: parts.into_iter().filter(|(_, g)| *g > Grams::ZERO).map(|(word, g)| (word, exact_kg(g))).collect(),
            accounted: account.accounted_percent().map_or_else(String::new, |percent| {
                format!("{} kg in all, {percent:.1} % of it accounted for.", exact_kg(account.total_g))
            }),
        }
    }
}

/// A text that no table program takes for a formula.
fn plain(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() }
}

/// A row of the CSV: what it tells, the lot, when, what or who else, the paper, grams, grams that came back, a remark.
type CsvRow = [String; 8];

fn csv_row(what: &str, lot: &LotCode, at: String, other: &str, document: &str, grams: Grams, remark: &str) -> CsvRow {
    let (lot, grams) = (lot.to_string(), grams.0.to_string());
    [what.to_owned(), lot, at, other.to_owned(), document.to_owned(), grams, String::new(), plain(remark)]
}

/// Where lots came from and where they were.
fn back_rows(trace: &Trace, at: impl Fn(DateTime<Utc>) -> String) -> Vec<CsvRow> {
    let mut rows: Vec<CsvRow> = Vec::new();
    for r in &trace.came_from {
        let spawn = format!("{} {}", r.spawn_supplier, r.spawn_lot);
        let cook = r.cook.as_ref().map_or("", |cook| cook.as_str());
        rows.push(csv_row("came_from", &r.lot, r.made_on.to_string(), r.batch.as_str(), cook, r.grams_g, spawn.trim()));
    }
    for r in &trace.was_in {
        let until = r.until.map(&at).unwrap_or_default();
        rows.push(csv_row("was_in", &r.lot, at(r.since), r.place.as_str(), "", r.grams_g, &until));
    }
    rows
}

/// What became of them.
fn forward_rows(trace: &Trace, at: impl Fn(DateTime<Utc>) -> String) -> Vec<CsvRow> {
    let mut rows: Vec<CsvRow> = Vec::new();
    for r in &trace.made {
        rows.push(csv_row("made_into", &r.from_lot, at(r.made_at), r.into_lot.as_str(), "", r.grams_g, ""));
    }
    for r in &trace.went_to {
        let docket = r.docket.as_ref().map_or("", |docket| docket.as_str());
        let why: Vec<&str> =
            [r.name.as_str(), &r.refused_because, &r.returned_because].into_iter().filter(|w| !w.is_empty()).collect();
        let (what, remark) = (if r.under_way { "on_its_way_to" } else { "went_to" }, why.join(", "));
        let mut row = csv_row(what, &r.lot, at(r.sent_at), r.customer.as_str(), docket, r.grams_g, &remark);
        row[6] = (r.refused_g + r.returned_g).0.to_string();
        rows.push(row);
    }
    for r in &trace.not_sold {
        rows.push(csv_row(
            r.became.as_str(),
            &r.lot,
            at(r.happened_at),
            r.place.as_str(),
            r.act.as_str(),
            r.grams_g,
            &r.reason,
        ));
    }
    for r in &trace.here {
        let held = if r.on_hold { "on hold" } else { "" };
        rows.push(csv_row("here", &r.lot, String::new(), r.place.as_str(), "", r.grams_g, held));
    }
    rows
}

/// The rows of a trace as CSV (RFC 4180), whole, with the clock times of the farm.
pub(crate) fn trace_csv(farm: &Farm, trace: &Trace) -> Result<Vec<u8>, Problem> {
    let zone = zone_of(farm);
    let at = |instant: DateTime<Utc>| instant.with_timezone(&zone).to_rfc3339();
    let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let heads = ["what", "lot", "at", "other", "document", "grams", "came_back_grams", "remark"];
    let rows = [back_rows(trace, at), forward_rows(trace, at)].concat();
    let written = csv.write_record(heads).and_then(|()| rows.iter().try_for_each(|row| csv.write_record(row)));
    written.map_err(|_| Problem::broken())?;
    csv.into_inner().map_err(|_| Problem::broken())
}
