"""The week held against what was counted in it: closing by the book, by the counts, and of the difference what was to be expected; now
and as it was closed."""

from collections import defaultdict
from decimal import Decimal

from counts import split
from ledger import standing
from money import handed_over
from rows import SECOND, STOCK, micros
from week import added, sheets

PRICE_S = 28 * 86_400


def questions(rows):
    for week in rows.weeks():
        yield f"/api/reports/weeks/{week}"


def counts_within(rows, begins, ends, recorded=None):
    """Counted rows of counts that stand, by when they were counted; with `recorded`, as the book knew them at that instant."""
    found, dead = [], rows.dead if recorded is None else rows.dead_as_of(recorded)
    for row in rows.table("stock_count"):
        act = rows.acts[row["act_id"]]
        known = recorded is None or micros(act["recorded_at"]) <= recorded
        if known and row["act_id"] not in dead and begins <= micros(act["happened_at"]) < ends:
            found.append((micros(act["happened_at"]), row))
    return found


def mean_prices(rows, handed, ends):
    grams, money = defaultdict(int), defaultdict(Decimal)
    for h in handed:
        if h.lot and ends - PRICE_S * SECOND <= h.at < ends:
            grams[rows.strain(h.lot)] += h.grams
            money[rows.strain(h.lot)] += h.amount
    return {strain: money[strain] / g for strain, g in grams.items() if g > 0}


def compare(rows, to):
    closed_at = {c["week"]: micros(c["closed_at"]) for c in rows.table("week_close")}
    for week in rows.weeks():
        answer, span = rows.answer(f"/api/reports/weeks/{week}"), rows.week_span(week)
        hold(rows, to, f"{week} now", span, None, answer["now"])
        told = {(e["act_id"], e["grams_g"]) for e in answer["entered_after_count"]}
        to.same(f"{week}: entered after the count", sorted(told), sorted(after_count(rows, *span).items()))
        if week in closed_at:
            hold(rows, to, f"{week} closed", span, closed_at[week], answer["closed"])


def after_count(rows, begins, ends):
    """Acts that the last count of a lot at a place, or its finish, did not know though they happened before it, with the grams that they moved of it."""
    last, legs = {}, {}
    for row in rows.table("stock_count"):
        act, key = rows.acts[row["act_id"]], (row["lot"], row["place"])
        if row["act_id"] not in rows.dead:
            last[key] = max(last.get(key, (0, 0)), (micros(act["happened_at"]), micros(act["recorded_at"])))
    for event in rows.table("lot_event"):
        if event["kind"] == "finish" and event["act_id"] not in rows.dead:
            act = rows.acts[event["act_id"]]
            for place in (p for p, kind in rows.kind.items() if kind in STOCK):
                key = event["lot"], place
                last[key] = max(last.get(key, (0, 0)), (micros(act["happened_at"]), micros(act["recorded_at"])))
    for (lot, place), (counted, written) in last.items():
        if not begins <= counted < ends:
            continue
        for act_id, moved in rows.by_act.items():
            act = rows.acts[act_id]
            takes_back = act["reverses"] and rows.acts[act["reverses"]]
            known = micros(act["recorded_at"]) <= written or (takes_back and micros(takes_back["recorded_at"]) >= written)
            if known or micros(act["happened_at"]) > counted or act_id in {a["reverses"] for a in rows.acts.values()}:
                continue
            legs |= {(act_id, i): m["grams"] for i, m in enumerate(moved) if m["lot"] == lot and place in (m["from_place"], m["to_place"])}
    sums = defaultdict(int)
    for (act_id, _), grams in legs.items():
        sums[act_id] += grams
    return sums


def hold(rows, to, what, span, recorded, figures):
    moves, handed = rows.moves(recorded), handed_over(rows, recorded)
    here, ever = counts_within(rows, *span, recorded), counts_within(rows, 0, span[1], recorded)
    hold_places(rows, to, what, standing(moves, span[1] - 1), here, ever, figures["places"])
    to.same(f"{what} was counted", bool(here), figures["counted"] is not None)
    if not here or figures["counted"] is None:
        return
    told, total = figures["counted"], added(sheets(rows, moves, *span).values())
    water, beyond, found, less = (sum(part) for part in zip(*(split(row) for _, row in here)))
    ours = {
        "closing_by_count_g": total["closing"],
        "closing_by_book_g": total["closing"] + water + beyond - found,
        "difference_g": water + beyond - found,
        "water_loss_g": water,
        "unexplained_g": beyond,
        "found_g": found,
        "less_than_expected_g": less,
    }
    for name, grams in ours.items():
        to.same(f"{what} counted {name}", grams, to.field(told, name))
    for name in ("low_g", "likely_g", "high_g"):
        to.same(f"{what} counted expected {name}", sum(row[name] for _, row in here), told["expected"][name])
    through = total["opening"] + total["harvested"] + total["entered"]
    to.number(f"{what} unexplained_percent", 100 * beyond / through, told["unexplained_percent"], 1e-6)
    to.same(f"{what} last_counted_at", max(at for at, _ in here), micros(told["last_counted_at"]))
    hold_unexplained(rows, to, what, mean_prices(rows, handed, span[1]), here, told)


def hold_unexplained(rows, to, what, prices, here, told):
    """Lots of which a count found less than could be expected, and what that would have brought."""
    lots = {(row["lot"], row["place"], at): row for at, row in here if split(row)[1]}
    answers = {(row["lot"], row["place"], micros(row["counted_at"])): row for row in told["lots"]}
    worth = Decimal(0)
    for key in sorted(set(lots) | set(answers)):
        row, answer = lots.get(key, {}), answers.get(key, {})
        expected = answer.get("expected", {})
        names = ("low_g", "likely_g", "high_g")
        to.same(
            f"{what} unexplained of {key[0]} at {key[1]}",
            (row.get("book_g"), row.get("counted_g"), row and split(row)[1], *(row.get(n) for n in names)),
            (
                answer.get("book_g"),
                answer.get("counted_g"),
                answer.get("unexplained_g"),
                *(expected.get(n) for n in names),
            ),
        )
        price = prices.get(rows.strain(key[0]))
        money = None if price is None or not row else price * split(row)[1]
        to.money(f"{what} money of {key[0]} at {key[1]}", money, answer.get("money"), rows.unit)
        worth += money or 0
    to.money(f"{what} unexplained_money", worth, told["unexplained_money"], rows.unit * (1 + len(lots)))


def hold_places(rows, to, what, grams, here, ever, told):
    """Of each place with stock, how much of it is of lots that were counted there in the week, and when it was last."""
    closing, last = defaultdict(int), {}
    for (_, place), g in grams.items():
        if rows.kind[place] in STOCK:
            closing[place] += g
    for at, row in ever:
        last[row["place"]] = max(at, last.get(row["place"], at))
    counted = {(row["lot"], row["place"]) for _, row in here}
    places = {p["place"]: p for p in told}
    for place in sorted(place for place in closing if closing[place] or place in places):
        answer = places.get(place, {})
        covered = sum(g for key, g in grams.items() if key in counted and key[1] == place)
        ours = (closing[place], covered, last.get(place), any(row["place"] == place for _, row in here))
        theirs = (
            tuple(answer.get(n) for n in ("closing_g", "covered_g")),
            micros(answer.get("last_counted_at")),
            answer.get("in_week"),
        )
        to.same(f"{what} {place}: closing, covered, last counted, in the week", ours, (*theirs[0], *theirs[1:]))
