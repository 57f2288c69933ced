//! The packing list as it prints, to be ticked in the cold room.

use chrono::{DateTime, NaiveDate, Utc};
use gillbook_core::selling::{
    order::{Order, OrderLine},
    packing_list::{LotToPack, PackingList, Stop},
    set_aside::SetAside,
};
use gillbook_documents::packing_list as paper;
use gillbook_store::farm::farms::Farm;

use super::{
    clock, date, exact_kg, full_day,
    orders::status_word,
    packing_list::{about, is_confirmed, of, packs, round_name, short, taken_from, title},
    zone_of,
};
use crate::{documents::set, problem::Problem};

/// The list as it prints, of how things stand at an instant.
pub(crate) async fn packing_list_pdf(farm: Farm, list: PackingList, now: DateTime<Utc>) -> Result<Vec<u8>, Problem> {
    let zone = zone_of(&farm);
    let lot = |l: &LotToPack| paper::LotRow {
        lot: l.lot.to_string(),
        of: of(l),
        kg: exact_kg(l.grams_g - l.packed_g),
        packed: l.packed_g == l.grams_g,
    };
    let pack = |line: &OrderLine, s: &SetAside| paper::PackRow {
        lot: s.lot.to_string(),
        of: taken_from(&list, line, s),
        kg: exact_kg(s.grams_g),
        packed: s.packed_at.is_some(),
    };
    let line = |order: &Order, l: &OrderLine| paper::LineRow {
        name: l.name.clone(),
        ordered: exact_kg(l.grams_g),
        packs: packs(l, l.grams_g),
        short: short(order, l),
        lots: l.set_aside.iter().map(|s| pack(l, s)).collect(),
    };
    let stop = |s: &Stop| paper::Stop {
        title: title(s),
        order: s.order.order.to_string(),
        reference: s.order.reference.clone(),
        about: about(s),
        note: s.order.note.clone(),
        status: if is_confirmed(&s.order) { String::new() } else { status_word(s.order.status).to_owned() },
        dockets: s.dockets.iter().map(|d| format!("{}: {} kg", d.docket, exact_kg(d.grams_g))).collect(),
        lines: s.order.lines.iter().filter(|_| is_confirmed(&s.order)).map(|l| line(&s.order, l)).collect(),
    };
    let sheet = paper::PackingList {
        day: full_day(list.day),
        as_of: format!("{}, {}", date(now.with_timezone(&zone).date_naive()), clock(now, zone)),
        places: list
            .places
            .iter()
            .map(|p| paper::Place {
                place: p.place.to_string(),
                kg: exact_kg(p.grams_g - p.packed_g),
                lots: p.lots.iter().map(lot).collect(),
            })
            .collect(),
        rounds: list
            .rounds
            .iter()
            .map(|r| paper::Round { name: round_name(&r.round), stops: r.stops.iter().map(stop).collect() })
            .collect(),
        farm_address: farm.letterhead(),
        paper_size: farm.paper_size,
        farm: farm.name,
    };
    set(move || sheet.pdf()).await
}

/// What the file of a day's list is called.
pub(crate) fn packing_list_name(day: NaiveDate) -> String {
    format!("packing-list-{day}.pdf")
}
