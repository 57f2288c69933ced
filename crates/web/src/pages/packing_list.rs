//! The packing list of a day: out of which store, into which order of which round, ticked off as it is packed.

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Redirect, Response},
};
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
use serde::Deserialize;

use super::{
    Html, Layout, clock,
    days::MadeAt,
    exact_kg, full_day, kg,
    orders::{status_word, window_words},
    rerender_form,
    sheet::{Field, FormFields, Input, Sheet},
    short_day, zone_of,
};
use crate::{
    App,
    auth::Authenticated,
    create_tx,
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
    made_at: MadeAt,
    day: String,
    pdf: String,
    /// How much is packed of what is set aside, in words.
    progress: String,
    /// What was not taken, where its row is no longer as it was.
    wrong: Option<String>,
    places: Vec<PlaceRow>,
    rounds: Vec<RoundRow>,
    /// The other days: address and words.
    days: Vec<(String, String)>,
}

struct PlaceRow {
    place: String,
    /// What is not packed yet.
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
    note: String,
    lines: Vec<LineRow>,
    open: bool,
    status: &'static str,
    /// The dockets that it went out with: code and kilograms.
    dockets: Vec<(String, String)>,
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
    /// Where it is, its grade, and how many packs.
    of: String,
    kg: String,
    /// When it was packed.
    packed: String,
    warm: Option<WarmSpell>,
    sheet: Option<Sheet>,
}

/// What can be done with a lot that is set aside: ticked off with its weight, or the tick taken back.
fn sheet(order: &Order, line: &OrderLine, s: &SetAside) -> Sheet {
    let to_do = s.packed_at.map_or_else(|| ToDo::Pack(exact_kg(s.grams_g)), |at| ToDo::Undo(at.to_rfc3339()));
    lot_sheet(order, line.line, s.lot.as_str(), s.place.as_str(), to_do)
}

/// What can be done with a lot.
enum ToDo {
    /// Ticked off, with its weight in kilograms.
    Pack(String),
    /// The tick of a time taken back.
    Undo(String),
}

/// The form of a lot.
fn lot_sheet(order: &Order, line: i32, lot: &str, place: &str, to_do: ToDo) -> Sheet {
    let mut fields = vec![Field::hidden_whole("line", line), Field::hidden("lot", lot), Field::hidden("place", place)];
    let of = format!("{lot} for {}", order.customer_name);
    let weight = match to_do {
        ToDo::Pack(weight) => weight,
        ToDo::Undo(was_packed_at) => {
            fields.push(Field::hidden("was_packed_at", was_packed_at).optional());
            let undo = Sheet::new(format!("/orders/{}/unpacked", order.order), "Undo", fields);
            return undo.or_later(format!("{of}: not packed after all"), Some("packed_at"));
        }
    };
    fields.push(Field::new("grams_g", format!("Weight of {of}, kg"), Input::Kilograms).with(weight));
    let tick = Sheet::new(format!("/orders/{}/packed", order.order), "Tick off", fields);
    tick.or_later(format!("{of}: {{grams_g}} kg packed"), Some("packed_at"))
}

/// How many packs a weight is, in words; nothing of what is sold loose.
pub(super) fn packs(line: &OrderLine, grams: Grams) -> String {
    line.packs_in(grams).map_or_else(String::new, |n| super::count(n, "pack"))
}

/// Strain, grade and the day that a lot is good for.
pub(super) fn of(lot: &LotToPack) -> String {
    let day = lot.label.best_before.map_or_else(
        || format!("picked {}", short_day(lot.label.harvest_day)),
        |day| format!("best before {}", short_day(day)),
    );
    format!("{} {}, {day}", lot.label.strain, lot.label.grade)
}

/// What is known of a stop before its goods, a sentence each.
pub(super) fn about(stop: &Stop) -> Vec<String> {
    let address = stop.address.replace('\n', ", ");
    let window = window_words(stop.deliver_from, stop.deliver_until);
    let day = if stop.not_their_day { "They take no deliveries on this day of the week." } else { "" };
    [address, day.to_owned(), window].into_iter().filter(|words| !words.is_empty()).collect()
}

pub(super) fn title(stop: &Stop) -> String {
    let name = &stop.order.customer_name;
    if stop.stop == 0 { name.clone() } else { format!("{}. {name}", stop.stop) }
}

pub(super) fn round_name(round: &str) -> String {
    if round.is_empty() { "No round".to_owned() } else { format!("Round {round}") }
}

pub(super) fn is_confirmed(order: &Order) -> bool {
    order.status == OrderStatus::Confirmed
}

/// What is short of a line that is still to be packed, in kilograms to the gram; nothing where nothing is.
pub(super) fn short(order: &Order, line: &OrderLine) -> String {
    if is_confirmed(order) && line.short_g > Grams::ZERO { exact_kg(line.short_g) } else { String::new() }
}

/// Where a lot is taken from, its grade, and how many packs of it.
pub(super) fn taken_from(list: &PackingList, line: &OrderLine, s: &SetAside) -> String {
    let lot = list.places.iter().flat_map(|p| &p.lots).find(|l| l.lot == s.lot);
    let grade = lot.map_or_else(String::new, |l| format!("grade {}", l.label.grade));
    let words = [s.place.to_string(), grade, packs(line, s.grams_g)];
    words.into_iter().filter(|words| !words.is_empty()).collect::<Vec<_>>().join(", ")
}

/// The row of a stop. `may` says whether goods are packed by the one who looks; `refused` is a form that was not taken.
fn stop_row(list: &PackingList, stop: &Stop, zone: Tz, may: bool, refused: Option<&Sheet>) -> StopRow {
    let order = &stop.order;
    let row = |line: &OrderLine, s: &SetAside| {
        let own = sheet(order, line, s);
        let refused = refused.filter(|r| r.action == own.action && is_same(r, &own));
        PackRow {
            lot: s.lot.to_string(),
            of: taken_from(list, line, s),
            kg: exact_kg(s.grams_g),
            packed: s.packed_at.map_or_else(String::new, |at| clock(at, zone)),
            warm: s.warm_spell.clone(),
            sheet: may.then(|| refused.cloned().unwrap_or(own)),
        }
    };
    let line = |line: &OrderLine| LineRow {
        name: line.packs.map_or_else(|| line.name.clone(), |n| format!("{} × {n}", line.name)),
        ordered: kg(line.grams_g),
        short: short(order, line),
        lots: line.set_aside.iter().map(|s| row(line, s)).collect(),
    };
    StopRow {
        order: order.order.to_string(),
        title: title(stop),
        about: about(stop),
        note: order.note.clone(),
        lines: order.lines.iter().map(line).collect(),
        open: is_confirmed(order),
        status: status_word(order.status),
        dockets: stop.dockets.iter().map(|d| (d.docket.to_string(), exact_kg(d.grams_g))).collect(),
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

/// How far the day is, in words.
fn progress(list: &PackingList) -> String {
    let sum = |grams: fn(&LotToPack) -> Grams| list.places.iter().flat_map(|p| &p.lots).map(grams).sum::<Grams>();
    let (set_aside, packed) = (sum(|l| l.grams_g), sum(|l| l.packed_g));
    let mut orders = list.rounds.iter().flat_map(|r| &r.stops).map(|s| &s.order);
    match (set_aside, orders.clone().next().is_some()) {
        (_, false) => String::new(),
        (Grams::ZERO, _) if orders.all(|o| !is_confirmed(o)) => ": all sent out".to_owned(),
        (Grams::ZERO, _) => ": nothing is set aside".to_owned(),
        _ if set_aside == packed => format!(": all {} kg packed", kg(packed)),
        _ => format!(": {} of {} kg packed", kg(packed), kg(set_aside)),
    }
}

/// Whether a form that was not taken still stands on the list.
fn is_shown(refused: &Sheet, list: &PackingList) -> bool {
    let orders = list.rounds.iter().flat_map(|r| &r.stops).map(|s| &s.order).filter(|o| is_confirmed(o));
    let lots = orders.flat_map(|o| o.lines.iter().flat_map(move |l| l.set_aside.iter().map(move |s| (o, l, s))));
    lots.map(|(order, line, s)| sheet(order, line, s)).any(|own| own.action == refused.action && is_same(refused, &own))
}

/// What is wrong with a form, with what was typed into it.
fn said_of(refused: &Sheet) -> String {
    let typed = refused.fields.iter().find(|f| matches!(f.input, Input::Kilograms));
    let wrong = typed.and_then(|f| f.wrong.clone()).or_else(|| refused.wrong.clone()).unwrap_or_default();
    typed.map_or_else(|| wrong.clone(), |f| format!("{} kg was not written down. {wrong}", f.value))
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
        let lot = |l: &LotToPack| LotRow {
            lot: l.lot.to_string(),
            of: of(l),
            kg: exact_kg(l.grams_g - l.packed_g),
            packed: l.packed_g == l.grams_g,
        };
        let others = today.iter_days().take(DAYS_AHEAD).filter(|d| *d != day);
        Ok(PackingListPage {
            made_at: MadeAt::new(tx.now(), zone_of(&farm)),
            day: full_day(day),
            pdf: format!("/api/packing-list/pdf?day={day}"),
            progress: progress(&list),
            wrong: refused.filter(|r| !is_shown(r, &list)).map(said_of),
            places: list
                .places
                .iter()
                .map(|p| PlaceRow {
                    place: p.place.to_string(),
                    kg: exact_kg(p.grams_g - p.packed_g),
                    lots: p.lots.iter().map(lot).collect(),
                })
                .collect(),
            rounds: list
                .rounds
                .iter()
                .map(|r| RoundRow {
                    name: round_name(&r.round),
                    stops: r.stops.iter().map(|s| stop_row(&list, s, zone_of(&farm), may, refused)).collect(),
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

/// The form that was sent, of a lot as it was then.
fn sent(order: &Order, form: &KeyedForm<FormFields>, packed: bool) -> Sheet {
    let typed = |name: &str| form.form.iter().find(|(n, _)| n == name).map_or("", |(_, value)| value.as_str());
    let line = typed("line").parse().unwrap_or_default();
    let to_do = if packed { ToDo::Pack(String::new()) } else { ToDo::Undo(typed("was_packed_at").to_owned()) };
    lot_sheet(order, line, typed("lot"), typed("place"), to_do)
}

/// Takes a form of a lot: back to its order on the list, or the list again with what is wrong beside the weight.
async fn take(
    app: &App,
    who: &Authenticated,
    code: &OrderCode,
    form: &KeyedForm<FormFields>,
    packed: bool,
) -> Result<Response, Problem> {
    app.refresh_before_read(who).await?;
    let order = read_tx!(app, who, |tx| tx.order(code).await)?;
    let day = order.delivery_day;
    let act = async |new: NewPacked| {
        let new = NewPacked { packed, ..new };
        create_tx!(app, who, &form.once, |tx| tx.pack_set_aside(code, &new).await)
    };
    Ok(match sent(&order, form, packed).submit(form, act).await {
        Ok(_) => Redirect::to(&format!("/packing-list?day={day}#{code}")).into_response(),
        Err((sheet, problem)) => rerender_form(list_page(app, who, Some(Day(day)), Some(&sheet)).await, problem),
    })
}

pub(super) async fn post_packed(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    take(&app, &who, &code, &form, true).await
}

pub(super) async fn post_unpacked(
    State(app): State<App>,
    who: Authenticated,
    PathParam(code): PathParam<OrderCode>,
    form: KeyedForm<FormFields>,
) -> Result<Response, Problem> {
    take(&app, &who, &code, &form, false).await
}
