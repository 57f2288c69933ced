"""The week in grams: opening + harvested + entered + found + made of other lots
   = sold + given + wasted + tested + home + trimmed + weight lost + made into other lots + closing,
by lot, by strain and in all, now and as it was closed. Sold counts when it is handed over; what comes back after it counts in the week
in which it comes back."""
from collections import Counter

from rows import STOCK, instant, micros

# Ours, and the interface's name of it.
FIELDS = {
    "opening": "opening_g", "harvested": "harvested_g", "entered": "entered_g", "found": "found_g", "from_lots": "from_lots_g",
    "sold": "sold_g", "given": "given_g", "wasted": "wasted_g", "tested": "tested_g", "home": "home_g", "trimmed": "trimmed_g",
    "lost": "weight_lost_g", "into_lots": "into_lots_g", "closing": "closing_g", "difference": "difference_g",
}
IN = ("opening", "harvested", "entered", "found", "from_lots")
OUT = ("sold", "given", "wasted", "tested", "home", "trimmed", "lost", "into_lots")

COLUMN_OF_SOURCE = {"room": "harvested", "opening": "entered", "found": "found", "packing": "from_lots"}
COLUMN_OF_TARGET = {
    "customer": "sold", "gift": "given", "waste": "wasted", "test": "tested", "home": "home", "trim": "trimmed", "water": "lost",
    "packing": "into_lots",
}


def questions(rows):
    for week in rows.weeks():
        yield f"/api/reports/weeks/{week}"


def sheets(moves, begins, ends):
    """A sheet for each lot that the week touches. Closing is what stands, by the movements up to the end: it is not worked out from the
    other columns."""
    lots = {}
    for m in moves:
        if m.at >= ends:
            continue
        sheet = lots.setdefault(m.lot, Counter())
        stays = (m.target_kind in STOCK) - (m.source_kind in STOCK)
        sheet["closing"] += stays * m.grams
        if m.at < begins:
            sheet["opening"] += stays * m.grams
            continue
        if m.source_kind in COLUMN_OF_SOURCE:
            sheet[COLUMN_OF_SOURCE[m.source_kind]] += m.grams
        elif m.source_kind == "customer":
            sheet["sold"] -= m.grams
        if m.target_kind in COLUMN_OF_TARGET:
            sheet[COLUMN_OF_TARGET[m.target_kind]] += m.grams
    for sheet in lots.values():
        sheet["difference"] = sum(sheet[c] for c in IN) - sum(sheet[c] for c in OUT) - sheet["closing"]
    return {lot: sheet for lot, sheet in lots.items() if any(sheet.values())}


def by_strain(rows, lots):
    strains = {}
    for lot, sheet in lots.items():
        strains.setdefault(rows.strain(lot), Counter()).update(sheet)
    return strains


def hold_sheet(to, what, ours, theirs):
    for column, name in FIELDS.items():
        to.same(f"{what} {name}", ours.get(column, 0), to.field(theirs, name))


def hold_figures(rows, to, what, lots, figures):
    hold_sheet(to, f"{what} in all", added(lots.values()), figures["total"])
    for name, ours, theirs in (
        ("strain", by_strain(rows, lots), {s["strain"]: s["sheet"] for s in figures["strains"]}),
        ("lot", lots, {s["lot"]: s["sheet"] for s in figures["lots"]}),
    ):
        for key in sorted(set(ours) | set(theirs)):
            hold_sheet(to, f"{what} {name} {key}", ours.get(key, {}), theirs.get(key) or dict.fromkeys(FIELDS.values(), 0))


def added(sheets_of):
    total = Counter()
    for sheet in sheets_of:
        total.update(sheet)
    return total


def below_zero(rows, moves, begins, ends):
    """The first instant of the week at which a lot was below zero at a place by the times that were written down."""
    places, found = {}, {}
    for m in moves:
        for place, kind, delta in ((m.source, m.source_kind, -m.grams), (m.target, m.target_kind, m.grams)):
            if kind in STOCK:
                places.setdefault((m.lot, place), Counter())[m.at] += delta
    for key, deltas in places.items():
        grams = 0
        for at in sorted(deltas):
            grams += deltas[at]
            if grams < 0 and begins <= at < ends and key not in found:
                found[key] = (at, grams)
    return found


def compare(rows, to):
    moves = rows.moves()
    for week in rows.weeks():
        answer = rows.answer(f"/api/reports/weeks/{week}")
        begins, ends = rows.week_span(week)
        to.same(f"{week} span", (begins, ends), (micros(answer["from"]), micros(answer["until"])))
        lots = sheets(moves, begins, ends)
        hold_figures(rows, to, f"{week} now", lots, answer["now"])
        total = added(lots.values())
        to.same(f"{week} delivered_g", total["sold"], answer["now"]["delivered_g"])
        ordered = sum(
            line["grams"] for order in rows.table("customer_order") for line in rows.table("order_line")
            if line["order_code"] == order["order_code"] and order["status"] in ("confirmed", "dispatched", "delivered")
            and begins <= rows.midnight(day(order["delivery_day"])) < ends)
        to.same(f"{week} ordered_g", ordered, answer["now"]["ordered_g"])
        lost = sum(row["blocks"] for row in rows.table("batch_loss") if begins <= micros(row["lost_at"]) < ends)
        to.same(f"{week} blocks_lost", lost, answer["now"]["blocks_lost"])
        negative = below_zero(rows, moves, begins, ends)
        told = {(b["lot"], b["place"]): (micros(b["at"]), b["grams_g"]) for b in answer["below_zero"]}
        for key in sorted(set(negative) | set(told)):
            to.same(f"{week} below zero {key}", negative.get(key), told.get(key))
        compare_closed(rows, to, week, begins, ends, answer)


def compare_closed(rows, to, week, begins, ends, answer):
    """A closed week is what the book knew when it was closed, and goes on saying so whatever comes later."""
    close = next((c for c in rows.table("week_close") if c["week"] == week), None)
    to.same(f"{week} closed", close is not None, answer["closed"] is not None)
    if close is None:
        return
    closed_at = micros(close["closed_at"])
    to.same(f"{week} closed_at", closed_at, micros(answer["closed_at"]))
    lots = sheets(rows.moves(closed_at), begins, ends)
    hold_figures(rows, to, f"{week} closed", lots, answer["closed"])
    later = [a for a in rows.acts.values() if begins <= micros(a["happened_at"]) < ends and micros(a["recorded_at"]) > closed_at]
    to.same(f"{week} after_close", len(later), answer["after_close"], f"closed {instant(closed_at)}")


def day(text):
    from datetime import date

    return date.fromisoformat(text)
