//! The packing list of a day: out of which store, into which order of which round, ticked off as it is packed.

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Redirect, Response},
};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    kinds::OrderStatus,
    ledger::warm_spell::WarmSpell,
    selling::{
        order::{Order, OrderLine},
        packing_list::{LotToPack, NewPacked, PackingList, Stop},
        set_aside::SetAside,
    },
    text::OrderCode,
    units::calendar::Day,
};
use gillbook_documents::packing_list as paper;
use gillbook_store::farm::farms::Farm;
use serde::Deserialize;

use super::{
    Html, Layout, clock, date, exact_kg, full_day, kg,
    orders::{status_word, window_words},
    rerender_form,
    sheet::{Field, FormFields, Input, Sheet},
    short_day, zone_of,
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
    documents::set,
    extract::{KeyedForm, PathParam, Query},
    problem::Problem,
    read_tx,
};

/// Days ahead that the page leads to.
const DAYS_AHEAD: usize = 7;

/// Which day; today unless said.
#[derive(Debug, Default, Deserialize)]
pub(super) struct PageQuery {
    day: Option<Day>,
}

#[derive(Template)]
#[template(path = "packing_list.html")]
pub(super) struct PackingListPage {
    head: Layout,
    day: String,
    pdf: String,
    set_aside: String,
    packed: String,
    all_packed: bool,
    places: Vec<PlaceRow>,
    rounds: Vec<RoundRow>,
    /// The other days: address and words.
    days: Vec<(String, String)>,
}

struct PlaceRow {
    place: String,
    kg: String,
    lots: Vec<LotRow>,
}

struct LotRow {
    lot: String,
    /// Strain, grade and best-before or harvest day.
    of: String,
    kg: String,
    packed: bool,
}

struct RoundRow {
    name: String,
    stops: Vec<StopRow>,
}

struct StopRow {
    order: String,
    title: String,
    about: Vec<String>,
    lines: Vec<LineRow>,
    open: bool,
    status: &'static str,
}

struct LineRow {
    name: String,
    ordered: String,
    /// What is not set aside; empty where nothing is short.
    short: String,
    lots: Vec<PackRow>,
}

struct PackRow {
    lot: String,
    place: String,
    kg: String,
    packs: String,
    /// When it was packed.
    packed: String,
    warm: Option<WarmSpell>,
    sheet: Option<Sheet>,
}

/// What can be done with a lot that is set aside: ticked off with its weight, or the tick taken back.
fn sheet(order: &Order, line: &OrderLine, s: &SetAside) -> Sheet {
    let mut fields = vec![
        Field::hidden_whole("line", line.line),
        Field::hidden("lot", s.lot.to_string()),
        Field::hidden("place", s.place.to_string()),
    ];
    if s.packed_at.is_some() {
        return Sheet::new(format!("/orders/{}/unpacked", order.order), "Undo", fields);
    }
    let label = format!("Weight of {} for {}, kg", s.lot, order.customer_name);
    fields.push(Field::new("grams_g", label, Input::Kilograms).with(exact_kg(s.grams_g)));
    Sheet::new(format!("/orders/{}/packed", order.order), "Packed", fields)
}

/// How many packs a weight is, in words; nothing of what is sold loose.
fn packs(line: &OrderLine, grams: Grams) -> String {
    line.packs_in(grams).map_or_else(String::new, |n| super::count(n, "pack"))
}

/// Strain, grade and the day that a lot is good for.
fn of(lot: &LotToPack) -> String {
    let day = lot.of.best_before.map_or_else(
        || format!("picked {}", short_day(lot.of.harvest_day)),
        |day| format!("best before {}", short_day(day)),
    );
    format!("{} {}, {day}", lot.of.strain, lot.of.grade)
}

/// What is known of a stop before its goods, a sentence each.
fn about(stop: &Stop) -> Vec<String> {
    let address = stop.address.replace('\n', ", ");
    let window = window_words(stop.deliver_from, stop.deliver_until);
    [address, window, stop.order.note.clone()].into_iter().filter(|words| !words.is_empty()).collect()
}

fn title(stop: &Stop) -> String {
    let name = &stop.order.customer_name;
    if stop.stop == 0 { name.clone() } else { format!("{}. {name}", stop.stop) }
}

fn round_name(round: &str) -> String {
    if round.is_empty() { "No round".to_owned() } else { format!("Round {round}") }
}

fn is_open(order: &Order) -> bool {
    order.status == OrderStatus::Confirmed
}

/// The row of a stop. `may` says whether goods are packed by the one who looks; `refused` is a form that was not taken.
fn stop_row(stop: &Stop, zone: Tz, may: bool, refused: Option<&Sheet>) -> StopRow {
    let order = &stop.order;
    let row = |line: &OrderLine, s: &SetAside| {
        let own = sheet(order, line, s);
        let refused = refused.filter(|r| r.action == own.action && is_same(r, &own));
        PackRow {
            lot: s.lot.to_string(),
            place: s.place.to_string(),
            kg: exact_kg(s.grams_g),
            packs: packs(line, s.grams_g),
            packed: s.packed_at.map_or_else(String::new, |at| clock(at, zone)),
            warm: s.warm_spell.clone(),
            sheet: may.then(|| refused.cloned().unwrap_or(own)),
        }
    };
    let line = |line: &OrderLine| LineRow {
        name: line.packs.map_or_else(|| line.name.clone(), |n| format!("{} × {n}", line.name)),
        ordered: kg(line.grams_g),
        short: if is_open(order) && line.short_g > Grams::ZERO { exact_kg(line.short_g) } else { String::new() },
        lots: line.set_aside.iter().map(|s| row(line, s)).collect(),
    };
    StopRow {
        order: order.order.to_string(),
        title: title(stop),
        about: about(stop),
        lines: order.lines.iter().map(line).collect(),
        open: is_open(order),
        status: status_word(order.status),
    }
}

/// Whether two forms speak of the same lot of the same line.
fn is_same(a: &Sheet, b: &Sheet) -> bool {
    let of = |sheet: &Sheet| {
        let hidden = sheet.fields.iter().filter(|f| matches!(f.input, Input::Hidden | Input::HiddenWhole));
        hidden.map(|f| f.value.clone()).collect::<Vec<_>>()
    };
    of(a) == of(b)
}

async fn list_page(
    app: &App,
    who: &Authenticated,
    day: Option<Day>,
    refused: Option<&Sheet>,
) -> Result<PackingListPage, Problem> {
    app.refresh_before_read(who).await?;
    read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let today = tx.farm_day().await?;
        let day = day.unwrap_or(Day(today)).0;
        let list = tx.packing_list(day).await?;
        let head = Layout::new(&farm, who, "/orders");
        let may = head.may("POST", "/orders/{order}/packed");
        let sum = |grams: fn(&LotToPack) -> Grams| list.places.iter().flat_map(|p| &p.lots).map(grams).sum::<Grams>();
        let (set_aside, packed) = (sum(|l| l.grams_g), sum(|l| l.packed_g));
        let lot = |l: &LotToPack| LotRow {
            lot: l.lot.to_string(),
            of: of(l),
            kg: exact_kg(l.grams_g),
            packed: l.packed_g == l.grams_g,
        };
        let others = today.iter_days().take(DAYS_AHEAD).filter(|d| *d != day);
        Ok(PackingListPage {
            day: full_day(day),
            pdf: format!("/api/packing-list/pdf?day={day}"),
            set_aside: kg(set_aside),
            packed: kg(packed),
            all_packed: set_aside > Grams::ZERO && set_aside == packed,
            places: list
                .places
                .iter()
                .map(|p| PlaceRow {
                    place: p.place.to_string(),
                    kg: exact_kg(p.grams_g),
                    lots: p.lots.iter().map(lot).collect(),
                })
                .collect(),
            rounds: list
                .rounds
                .iter()
                .map(|r| RoundRow {
                    name: round_name(&r.round),
                    stops: r.stops.iter().map(|s| stop_row(s, zone_of(&farm), may, refused)).collect(),
                })
                .collect(),
            days: others.map(|d| (format!("/packing-list?day={d}"), short_day(d))).collect(),
            head,
        })
    })
}

pub(super) async fn get_packing_list(
    State(app): State<App>,
    who: Authenticated,
    Query(query): Query<PageQuery>,
) -> Result<Html<PackingListPage>, Problem> {
    Ok(Html(list_page(&app, &who, query.day, None).await?))
}

/// Takes a form of a lot: back to its order on the list, or the list again with what is wrong beside the weight.
async fn take(
    app: &App,
    who: &Authenticated,
    code: &OrderCode,
    form: &KeyedForm<FormFields>,
    packed: bool,
) -> Response {
    let order = match read_tx!(app, who, |tx| tx.order(code).await) {
        Ok(order) => order,
        Err(problem) => return problem.into_response(),
    };
    let day = order.delivery_day;
    let on = || Redirect::to(&format!("/packing-list?day={day}#{code}")).into_response();
    let typed = |name: &str| form.form.iter().find(|(n, _)| n == name).map_or("", |(_, value)| value.as_str());
    let found = order.lines.iter().filter(|l| l.line.to_string() == typed("line")).find_map(|l| {
        let s = l.set_aside.iter().find(|s| s.lot.as_str() == typed("lot") && s.place.as_str() == typed("place"))?;
        Some((l, s))
    });
    let Some((line, set_aside)) = found else {
        // Sent again after it was done, or released meanwhile: the list says which.
        return on();
    };
    let mut shown = set_aside.clone();
    shown.packed_at = (!packed).then(|| set_aside.packed_at.unwrap_or(order.placed_at));
    let act = async |new: NewPacked| {
        let new = NewPacked { packed, ..new };
        create_tx!(app, who, &form.once, |tx| tx.pack_set_aside(code, &new).await)
    };
    match sheet(&order, line, &shown).submit(form, act).await {
        Ok(_) => on(),
        Err((sheet, problem)) => rerender_form(list_page(app, who, Some(Day(day)), Some(&sheet)).await, problem),
    }
}

pub(super) async fn post_packed(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
    form: KeyedForm<FormFields>,
) -> Response {
    take(&app, &who, &code, &form, true).await
}

pub(super) async fn post_unpacked(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
    form: KeyedForm<FormFields>,
) -> Response {
    take(&app, &who, &code, &form, false).await
}

/// The list as it prints, of how things stand at an instant.
pub(crate) async fn packing_list_pdf(farm: Farm, list: PackingList, now: DateTime<Utc>) -> Result<Vec<u8>, Problem> {
    let zone = zone_of(&farm);
    let lot = |l: &LotToPack| paper::LotRow { lot: l.lot.to_string(), of: of(l), kg: exact_kg(l.grams_g) };
    let pack = |line: &OrderLine, s: &SetAside| paper::PackRow {
        lot: s.lot.to_string(),
        place: s.place.to_string(),
        kg: exact_kg(s.grams_g),
        packs: packs(line, s.grams_g),
        packed: s.packed_at.is_some(),
    };
    let line = |order: &Order, l: &OrderLine| paper::LineRow {
        name: l.name.clone(),
        ordered: exact_kg(l.grams_g),
        packs: packs(l, l.grams_g),
        short: if is_open(order) && l.short_g > Grams::ZERO { exact_kg(l.short_g) } else { String::new() },
        lots: l.set_aside.iter().map(|s| pack(l, s)).collect(),
    };
    let stop = |s: &Stop| paper::Stop {
        title: title(s),
        order: s.order.order.to_string(),
        reference: s.order.reference.clone(),
        about: about(s),
        status: if is_open(&s.order) { String::new() } else { status_word(s.order.status).to_owned() },
        lines: s.order.lines.iter().map(|l| line(&s.order, l)).collect(),
    };
    let sheet = paper::PackingList {
        day: full_day(list.day),
        as_of: format!("{}, {}", date(now.with_timezone(&zone).date_naive()), clock(now, zone)),
        places: list
            .places
            .iter()
            .map(|p| paper::Place {
                place: p.place.to_string(),
                kg: exact_kg(p.grams_g),
                lots: p.lots.iter().map(lot).collect(),
            })
            .collect(),
        rounds: list
            .rounds
            .iter()
            .map(|r| paper::Round { name: round_name(&r.round), stops: r.stops.iter().map(stop).collect() })
            .collect(),
        farm_address: farm.letterhead(),
        farm: farm.name,
    };
    set(move || sheet.pdf()).await
}

/// What the file of a day's list is called.
pub(crate) fn packing_list_name(day: NaiveDate) -> String {
    format!("packing-list-{day}.pdf")
}
