"""The week in grams: opening + harvested + entered + found + made of other lots
   = sold + given + wasted + tested + home + trimmed + drying + finished + water loss + unexplained + made into other lots + closing,
by lot, by strain and in all, now and as it was closed. Sold counts when it is handed over; what comes back after it counts in the week
in which it comes back. An act that was taken back is in no column.
"""

from collections import Counter
from datetime import date, timedelta, timezone

from counts import split
from rows import EPOCH, SECOND, STOCK, instant, micros, week_name

# Ours, and the interface's name of it.
COLUMNS = (
    "opening",
    "harvested",
    "entered",
    "found",
    "from_lots",
    "sold",
    "given",
    "wasted",
    "tested",
    "home",
    "trimmed",
    "drying",
    "finished",
    "water_loss",
    "unexplained",
    "into_lots",
    "closing",
)
IN = COLUMNS[:5]

COLUMN_OF_SOURCE = {"room": "harvested", "opening": "entered", "found": "found", "packing": "from_lots"}
COLUMN_OF_TARGET = {
    "customer": "sold",
    "gift": "given",
    "waste": "wasted",
    "test": "tested",
    "home": "home",
    "trim": "trimmed",
    "packing": "into_lots",
}
COLUMN_OF_WATER = {"packing": "drying", "finish": "finished"}


def questions(rows):
    for week in rows.weeks():
        yield f"/api/reports/weeks/{week}"


def unexplained(rows):
    """Of each counted lot, the grams that the count could not explain."""
    return {(row["act_id"], row["lot"], row["place"]): split(row)[1] for row in rows.table("stock_count")}


def sheets(rows, moves, begins, ends):
    """A sheet for each lot that the span touches. Closing is what stands, by the movements up to the end: it is not worked out from the
    other columns."""
    lots, beyond = {}, unexplained(rows)
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
        elif m.target_kind == "water" and m.kind == "count":
            sheet["unexplained"] += beyond[m.act, m.lot, m.source]
            sheet["water_loss"] += m.grams - beyond[m.act, m.lot, m.source]
        elif m.target_kind == "water":
            sheet[COLUMN_OF_WATER[m.kind]] += m.grams
    return {lot: sheet for lot, sheet in lots.items() if any(sheet.values())}


def by_strain(rows, lots):
    strains = {}
    for lot, sheet in lots.items():
        strains.setdefault(rows.strain(lot), Counter()).update(sheet)
    return strains


def hold_sheet(to, what, ours, theirs):
    for column in COLUMNS:
        to.same(f"{what} {column}_g", ours.get(column, 0), to.field(theirs, f"{column}_g"))
    told = {column: theirs.get(f"{column}_g", 0) for column in COLUMNS}
    to.same(f"{what} adds up", sum(told[c] for c in IN), sum(g for c, g in told.items() if c not in IN))


def hold_figures(rows, to, what, lots, figures):
    hold_sheet(to, f"{what} in all", added(lots.values()), figures["total"])
    nothing = {f"{column}_g": 0 for column in COLUMNS}
    for name, ours, theirs in (
        ("strain", by_strain(rows, lots), {s["strain"]: s["sheet"] for s in figures["strains"]}),
        ("lot", lots, {s["lot"]: s["sheet"] for s in figures["lots"]}),
    ):
        for key in sorted(set(ours) | set(theirs)):
            hold_sheet(to, f"{what} {name} {key}", ours.get(key, {}), theirs.get(key) or nothing)


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
        hold_figures(rows, to, f"{week} now", sheets(rows, moves, begins, ends), answer["now"])
        hold_handed_over(rows, to, f"{week} now", moves, (begins, ends), answer["now"])
        ordered = sum(
            line["grams"]
            for order in rows.table("customer_order")
            for line in rows.table("order_line")
            if line["order_code"] == order["order_code"]
            and order["status"] in ("confirmed", "dispatched", "delivered")
            and begins <= rows.midnight(date.fromisoformat(order["delivery_day"])) < ends
        )
        to.same(f"{week} ordered_g", ordered, answer["now"]["ordered_g"])
        lost = sum(row["blocks"] for row in rows.table("batch_loss") if begins <= micros(row["lost_at"]) < ends)
        to.same(f"{week} blocks_lost", lost, answer["now"]["blocks_lost"])
        negative = below_zero(rows, moves, begins, ends)
        told = {(b["lot"], b["place"]): (micros(b["at"]), b["grams_g"]) for b in answer["below_zero"]}
        for key in sorted(set(negative) | set(told)):
            to.same(f"{week} below zero {key}", negative.get(key), told.get(key))
        hold_book(rows, to, week, moves, answer["book_check"])
        compare_before(rows, to, week, moves, answer)
        compare_closed(rows, to, week, begins, ends, answer)


def hold_handed_over(rows, to, what, moves, span, figures):
    """What dockets and stalls handed over, returns not taken off, and what was out for delivery when the week ended."""
    here = [m for m in moves if span[0] <= m.at < span[1] and m.target_kind == "customer"]
    to.same(f"{what} delivered_g", sum(m.grams for m in here if m.kind != "market_close"), figures["delivered_g"])
    to.same(f"{what} market_g", sum(m.grams for m in here if m.kind == "market_close"), figures["market_g"])
    counted = {m.act for m in moves if m.at < span[1]}
    delivered = {d["docket"] for d in rows.table("delivery") if d["act_id"] in counted}
    out = {
        d["docket"]: d
        for d in rows.table("docket")
        if d["van"] and d["act_id"] in counted and d["docket"] not in delivered
    }
    lines = [line for line in rows.table("docket_line") if line["docket"] in out]
    ours = (sum(line["grams"] for line in lines), sum(line["amount"] for line in lines))
    theirs = figures["out_for_delivery"]
    to.same(f"{what} out_for_delivery grams", ours[0], theirs["grams_g"])
    to.money(f"{what} out_for_delivery net", ours[1], theirs["net"])


def hold_book(rows, to, week, moves, told):
    """What the stores have by the balances and by the movements, and the lots of which the two are not the same."""
    by_lot, balances = Counter(), Counter()
    for m in moves:
        by_lot[m.lot] += ((m.target_kind in STOCK) - (m.source_kind in STOCK)) * m.grams
    for row in rows.table("balance"):
        if rows.kind[row["place"]] in STOCK:
            balances[row["lot"]] += row["grams"]
    off = sorted(lot for lot in set(by_lot) | set(balances) if by_lot[lot] != balances[lot])
    ours = (sum(balances.values()), sum(by_lot.values()), off)
    to.same(f"{week} book_check", ours, (told["balances_g"], told["movements_g"], sorted(told["lots_off"])))


def compare_before(rows, to, week, moves, answer):
    """The week before: while a week is running, up to the same weekday and clock time; whole it is as it was closed."""
    begins, ends = rows.week_span(week)
    monday = rows.day_of(begins) - timedelta(days=7)
    before = rows.week_span(week_name(monday))
    until = before[1]
    if begins <= rows.now < ends:
        clock = (EPOCH + timedelta(microseconds=rows.now)).astimezone(rows.zone).replace(tzinfo=None) - timedelta(
            days=7
        )
        gone = clock.replace(tzinfo=rows.zone).astimezone(timezone.utc) - EPOCH
        until = (gone.days * 86_400 + gone.seconds) * SECOND + gone.microseconds
    # Whole, and as it was closed where it was.
    close = next((c for c in rows.table("week_close") if c["week"] == week_name(monday)), None)
    if close is not None and until == before[1]:
        moves = rows.moves(micros(close["closed_at"]))
    told = answer["before"]
    to.same(
        f"{week} before",
        (week_name(monday), until, until == before[1]),
        (told["week"], micros(told["until"]), told["whole"]),
    )
    hold_sheet(to, f"{week} before in all", added(sheets(rows, moves, before[0], until).values()), told["total"])
    closed = any(c["week"] == week for c in rows.table("week_close"))
    stage = "closed" if closed else "not_begun" if rows.now < begins else "open" if rows.now < ends else "ended"
    to.same(f"{week} stage", stage, answer["stage"])


def compare_closed(rows, to, week, begins, ends, answer):
    """A closed week is what the book knew when it was closed, and goes on saying so whatever comes later."""
    close = next((c for c in rows.table("week_close") if c["week"] == week), None)
    to.same(f"{week} closed", close is not None, answer["closed"] is not None)
    if close is None:
        return
    closed_at = micros(close["closed_at"])
    to.same(f"{week} closed_at", closed_at, micros(answer["closed_at"]))
    known = rows.moves(closed_at)
    hold_figures(rows, to, f"{week} closed", sheets(rows, known, begins, ends), answer["closed"])
    hold_handed_over(rows, to, f"{week} closed", known, (begins, ends), answer["closed"])
    lost = sum(
        row["blocks"]
        for row in rows.table("batch_loss")
        if begins <= micros(row["lost_at"]) < ends and micros(row["recorded_at"]) <= closed_at
    )
    to.same(f"{week} closed blocks_lost", lost, answer["closed"]["blocks_lost"])
    later = [
        a
        for a in rows.acts.values()
        if begins <= micros(a["happened_at"]) < ends and micros(a["recorded_at"]) > closed_at
    ]
    to.same(f"{week} after_close", len(later), answer["after_close"], f"closed {instant(closed_at)}")
