//! The week: does it add up, and against what.

use askama::Template;
use axum::extract::State;
use chrono_tz::Tz;
use gillbook_core::{
    Grams,
    kinds::ActKind,
    ledger::reconciliation::Sheet,
    units::calendar::{IsoWeek, day_of},
};
use gillbook_store::reports::{
    week::{LateEntry, Week, WeekBefore, WeekStage},
    week_counts::{BookCheck, PlaceCounted, WeekCounted},
    week_money::{ChannelMoney, MoneyTotal, WeekSale},
};
use rust_decimal::Decimal;
use serde::Deserialize;

use super::{
    Html, Layout, full_day, full_time, g as grams, kg,
    week_sales::{SaleRow, sale_row},
    zone_of,
};
use crate::{App, auth::Authenticated, extract::Query, problem::Problem, read_tx};

/// A line of a sheet: its name and its grams.
type Line = (&'static str, String);

#[derive(Template)]
#[template(path = "week.html")]
pub(super) struct WeekPage {
    head: Layout,
    week: String,
    days: String,
    previous: String,
    following: String,
    harvested: String,
    against: String,
    status: String,
    late_count: i64,
    /// Whether there are more late entries than are listed.
    late_more: bool,
    late: Vec<String>,
    /// Entered after the count, though it happened before.
    after_count: Vec<String>,
    /// Taken back after the count.
    back_after_count: Vec<String>,
    sold: String,
    wasted: String,
    unexplained: String,
    sheet: SheetRow,
    counted: Option<CountedView>,
    places: Vec<String>,
    balances: String,
    closed: bool,
    /// What is to be done next: where, and in words.
    next: (String, &'static str),
    balances_agree: bool,
    currency: String,
    money: Vec<MoneyRow>,
    money_total: MoneyRow,
    returned: Option<String>,
    out_for_delivery: Option<String>,
    delivered: String,
    /// What to say where the sales are not those of the figures.
    sales_since: Option<&'static str>,
    sales: Vec<SaleRow>,
    below_zero: Vec<String>,
    strains: Vec<SheetRow>,
    lots: Vec<SheetRow>,
}

/// A sheet whose lines can be added up: every line that is not nothing, both sums.
struct SheetRow {
    name: String,
    ins: Vec<Line>,
    outs: Vec<Line>,
    total_in: String,
    total_out: String,
}

struct CountedView {
    by_book: String,
    by_count: String,
    water_loss: String,
    expected: String,
    unexplained: String,
    found: Option<String>,
    less: Option<String>,
    total: String,
    /// Strains of which more was missing than dries off.
    warned: String,
    lots: Vec<UnexplainedRow>,
}

struct UnexplainedRow {
    lot: String,
    when: String,
    book: String,
    counted: String,
    /// Weight that the difference may be as water.
    water: String,
    unexplained: String,
    money: String,
}

struct MoneyRow {
    channel: String,
    kg: String,
    net: String,
    fee: String,
    per_kg: String,
}

#[derive(Debug, Deserialize)]
pub(super) struct WeekQuery {
    week: Option<IsoWeek>,
}

/// A difference in either direction, its sign always written.
fn signed_grams(g: Grams) -> String {
    if g > Grams::ZERO { format!("+{}", grams(g)) } else { grams(g) }
}

fn sheet_row(name: String, s: &Sheet) -> SheetRow {
    let lines = |all: &[(&'static str, Grams)]| {
        all.iter().filter(|(_, g)| *g != Grams::ZERO).map(|(word, g)| (*word, grams(*g))).collect()
    };
    SheetRow {
        name,
        ins: lines(&[
            ("Opening stock", s.opening_g),
            ("Harvested", s.harvested_g),
            ("Stock entered at start", s.entered_g),
            ("Count gain", s.found_g),
            ("Repacked in", s.from_lots_g),
        ]),
        outs: lines(&[
            ("Sold", s.sold_g),
            ("Given away", s.given_g),
            ("Home use", s.home_g),
            ("Wasted", s.wasted_g),
            ("Samples", s.tested_g),
            ("Trimmed", s.trimmed_g),
            ("Water loss", s.water_loss_g),
            ("Unexplained loss", s.unexplained_g),
            ("Water, drying", s.drying_g),
            ("Left when finished", s.finished_g),
            ("Repacked out", s.into_lots_g),
            ("Closing stock", s.closing_g),
        ]),
        total_in: grams(s.total_in()),
        total_out: grams(s.total_out() + s.closing_g),
    }
}

fn compared(now: Grams, before: &WeekBefore, zone: Tz) -> String {
    let part = if before.whole {
        format!("in week {}", before.week)
    } else {
        format!("in week {} up to {}", before.week, before.until.with_timezone(&zone).format("%A %H:%M"))
    };
    let then = before.total.harvested_g;
    if then <= Grams::ZERO {
        return format!("Nothing was harvested {part}.");
    }
    let percent = (now.kg() / then.kg() - 1.0) * 100.0;
    let word = if percent >= 0.0 { "more" } else { "less" };
    format!("{:.0} % {word} than {part} ({} kg).", percent.abs(), kg(then))
}

fn status(week: &Week, zone: Tz) -> String {
    match (week.stage, week.closed_at) {
        (WeekStage::NotBegun, _) => "This week has not begun.".into(),
        (WeekStage::Open, _) => "Week open.".into(),
        (WeekStage::Closed, Some(at)) => {
            let late = match week.after_close {
                0 => String::new(),
                1 => " 1 late entry since is not in them.".into(),
                n => format!(" {n} late entries since are not in them."),
            };
            format!("Week closed {}: these are its figures as they were then.{late}", full_time(at, zone))
        }
        (WeekStage::Ended | WeekStage::Closed, _) => "Week ended, not closed.".into(),
    }
}

fn late_line(entry: &LateEntry, zone: Tz) -> String {
    let document = entry.document.as_ref().map_or_else(String::new, |d| format!(" {d}"));
    let what = match entry.lots.as_slice() {
        [] => String::new(),
        [lot] => format!(", {lot} {}\u{a0}g,", grams(entry.grams_g)),
        lots => format!(", {} lots {}\u{a0}g,", lots.len(), grams(entry.grams_g)),
    };
    let reason = if entry.reason.is_empty() { String::new() } else { format!(": {}", entry.reason) };
    format!(
        "{}{document}{what} of {} by {}, entered {}{reason}",
        match entry.kind {
            ActKind::Reversal => "something taken back".to_owned(),
            kind => kind.said().to_owned(),
        },
        full_time(entry.happened_at, zone),
        entry.done_by,
        full_time(entry.recorded_at, zone)
    )
}

fn place_line(place: &PlaceCounted, zone: Tz) -> String {
    let stock = format!("{}: {} g", place.place, grams(place.closing_g));
    match (place.last_counted_at, &place.last_counted_by) {
        (Some(at), Some(by)) if place.in_week => {
            let covered = if place.closing_g > Grams::ZERO {
                format!(", {:.0} % of it counted", place.covered_g.kg() / place.closing_g.kg() * 100.0)
            } else {
                String::new()
            };
            format!("{stock}{covered}, last {} by {by}", full_time(at, zone))
        }
        (Some(at), _) => format!("{stock}, not counted this week, last {}", full_time(at, zone)),
        (None, _) => format!("{stock}, never counted"),
    }
}

fn counted_view(c: &WeekCounted, currency: &str, zone: Tz) -> CountedView {
    let some = |g: Grams| (g > Grams::ZERO).then(|| grams(g));
    let percent = c.unexplained_percent.map_or_else(String::new, |p| format!("{p:.1} % of what went through, "));
    CountedView {
        by_book: grams(c.closing_by_book_g),
        by_count: grams(c.closing_by_count_g),
        water_loss: signed_grams(-c.water_loss_g),
        expected: format!(
            "{} to {} g expected, the scale's error with it, {} most likely",
            grams(c.expected.low_g),
            grams(c.expected.high_g),
            grams(c.expected.likely_g)
        ),
        unexplained: signed_grams(-c.unexplained_g),
        found: (c.found_g > Grams::ZERO).then(|| signed_grams(c.found_g)),
        less: some(c.less_than_expected_g),
        total: format!("{percent}about {} {currency}", c.unexplained_money),
        warned: c.strains_warned_of.iter().map(ToString::to_string).collect::<Vec<_>>().join(", "),
        lots: c
            .lots
            .iter()
            .map(|l| UnexplainedRow {
                lot: l.lot.to_string(),
                when: format!("{}, {} by {}", l.place, full_time(l.counted_at, zone), l.counted_by),
                book: grams(l.book_g),
                counted: grams(l.counted_g),
                water: format!("{} to {}", grams(l.expected.low_g), grams(l.expected.high_g)),
                unexplained: grams(l.unexplained_g),
                money: l.money.map_or_else(|| "–".into(), |m| m.to_string()),
            })
            .collect(),
    }
}

fn money_row(m: &ChannelMoney) -> MoneyRow {
    MoneyRow {
        channel: m.channel.to_string(),
        kg: kg(m.grams_g),
        net: m.net.to_string(),
        fee: if m.fee.is_zero() { "–".into() } else { m.fee.to_string() },
        per_kg: m.per_kg.map_or_else(|| "–".into(), |p| p.to_string()),
    }
}

/// The channels together.
fn money_total(total: &MoneyTotal) -> MoneyRow {
    MoneyRow {
        channel: "Total".into(),
        kg: kg(total.grams_g),
        net: total.net.to_string(),
        fee: if total.fee.is_zero() { "–".into() } else { total.fee.to_string() },
        per_kg: total.per_kg.map_or_else(|| "–".into(), |p| p.to_string()),
    }
}

fn balances_line(check: &BookCheck) -> String {
    if check.lots_off.is_empty() {
        return format!("Stock and entries agree: {} g in stock now.", grams(check.balances_g));
    }
    let lots: Vec<String> = check.lots_off.iter().take(10).map(ToString::to_string).collect();
    format!(
        "Stock and entries do not agree: {} g against {} g. Lots: {}. Run gillbook check before the week is closed.",
        grams(check.balances_g),
        grams(check.movements_g),
        lots.join(", ")
    )
}

fn week_page(head: Layout, week: &Week, sales: &[WeekSale], zone: Tz) -> WeekPage {
    // What was closed stands; what came later is told beside it.
    let shown = week.closed.as_ref().unwrap_or(&week.now);
    let s = &shown.total;
    let check = &week.book_check;
    let returned: (Grams, Decimal) =
        (shown.money.iter().map(|m| m.returned_g).sum(), shown.money.iter().map(|m| m.returned).sum());
    let currency = shown.currency.clone();
    let after_count = |is: fn(ActKind) -> bool| -> Vec<String> {
        week.entered_after_count.iter().filter(|e| is(e.kind)).map(|e| late_line(e, zone)).collect()
    };
    WeekPage {
        next: next(&head, week),
        head,
        week: week.week.to_string(),
        days: format!("{} to {}", full_day(week.week.monday()), full_day(week.week.sunday())),
        previous: week.week.previous().to_string(),
        following: week.week.next().to_string(),
        harvested: kg(s.harvested_g),
        against: compared(s.harvested_g, &week.before, zone),
        status: status(week, zone),
        late_count: week.after_close,
        late_more: usize::try_from(week.after_close).is_ok_and(|n| n > week.late_entries.len()),
        late: week.late_entries.iter().map(|e| late_line(e, zone)).collect(),
        after_count: after_count(|kind| kind != ActKind::Reversal),
        back_after_count: after_count(|kind| kind == ActKind::Reversal),
        sold: kg(s.sold_g),
        wasted: kg(s.wasted_g),
        unexplained: match &shown.counted {
            None => "not counted".into(),
            Some(c) => c.unexplained_percent.map_or_else(|| "–".into(), |p| format!("{p:.1} %")),
        },
        sheet: sheet_row(String::new(), s),
        counted: shown.counted.as_ref().map(|c| counted_view(c, &currency, zone)),
        places: shown.places.iter().map(|p| place_line(p, zone)).collect(),
        balances_agree: check.lots_off.is_empty(),
        balances: balances_line(check),
        closed: week.closed.is_some(),
        money: shown.money.iter().map(money_row).collect(),
        money_total: money_total(&shown.money_total),
        returned: (returned.0 > Grams::ZERO)
            .then(|| format!("Returned this week, taken off above: {} kg, {} {currency}.", kg(returned.0), returned.1)),
        out_for_delivery: (shown.out_for_delivery.grams_g > Grams::ZERO).then(|| {
            format!(
                "Out for delivery, not yet sold: {} kg, {} {currency}.",
                kg(shown.out_for_delivery.grams_g),
                shown.out_for_delivery.net
            )
        }),
        delivered: format!(
            "Ordered {} kg, delivered {} kg. The market, which has no orders, sold {} kg besides.",
            kg(shown.ordered_g),
            kg(shown.delivered_g),
            kg(shown.market_g)
        ),
        sales_since: (week.closed.is_some() && week.after_close > 0)
            .then_some("With what came later; the figures above are those of the close."),
        sales: sales.iter().map(|s| sale_row(s, zone)).collect(),
        currency,
        below_zero: week
            .below_zero
            .iter()
            .map(|b| format!("{} in {}: {} g at {}", b.lot, b.place, grams(b.grams_g), full_time(b.at, zone)))
            .collect(),
        strains: shown.strains.iter().map(|s| sheet_row(s.strain.to_string(), &s.sheet)).collect(),
        lots: shown.lots.iter().map(|l| sheet_row(l.lot.to_string(), &l.sheet)).collect(),
    }
}

fn next(head: &Layout, week: &Week) -> (String, &'static str) {
    if week.stage == WeekStage::Ended && head.may("POST", "/weeks/{week}/close") {
        (format!("/weeks/{}/close", week.week), "Close the week")
    } else {
        ("/blocks".into(), "What a block earns")
    }
}

pub(super) async fn get_week(
    State(app): State<App>,
    who: Authenticated,
    Query(query): Query<WeekQuery>,
) -> Result<Html<WeekPage>, Problem> {
    let view = read_tx!(app, who, |tx| {
        let farm = tx.farm().await?;
        let zone = zone_of(&farm);
        let week = query.week.unwrap_or_else(|| IsoWeek::of(day_of(tx.now(), zone)));
        let sales = tx.week_sales(week).await?;
        let week = tx.week(week).await?;
        Ok(week_page(Layout::new(&farm, &who, "/week"), &week, &sales, zone))
    })?;
    Ok(Html(view))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_difference_has_its_sign() {
        assert_eq!([5, 0, -5].map(|g| signed_grams(Grams(g))), ["+5", "0", "\u{2212}5"]);
    }

    #[test]
    fn every_line_of_a_sheet_is_shown_and_adds_up() {
        let s = Sheet {
            opening_g: Grams(1000),
            harvested_g: Grams(500),
            found_g: Grams(4),
            from_lots_g: Grams(6),
            sold_g: Grams(400),
            trimmed_g: Grams(50),
            water_loss_g: Grams(30),
            unexplained_g: Grams(20),
            into_lots_g: Grams(10),
            closing_g: Grams(1000),
            ..Sheet::default()
        };
        let row = sheet_row("L".into(), &s);
        assert_eq!((row.total_in.as_str(), row.total_out.as_str()), ("1\u{202f}510", "1\u{202f}510"));
        let sum =
            |lines: &[Line]| -> i64 { lines.iter().map(|l| l.1.replace('\u{202f}', "").parse::<i64>().unwrap()).sum() };
        assert_eq!((sum(&row.ins), sum(&row.outs)), (1510, 1510));
    }
}
