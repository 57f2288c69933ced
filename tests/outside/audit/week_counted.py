"""The week held against what was counted in it: closing by the book, by the counts, and of the difference what was to be expected."""

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


def counts_within(rows, begins, ends):
    """Counted rows of counts that stand, by when they were counted."""
    found = []
    for row in rows.table("stock_count"):
        at = micros(rows.acts[row["act_id"]]["happened_at"])
        if rows.alive(row["act_id"]) and begins <= at < ends:
            found.append((at, row))
    return found


def mean_prices(rows, ends):
    grams, money = defaultdict(int), defaultdict(Decimal)
    for h in handed_over(rows):
        if ends - PRICE_S * SECOND <= h.at < ends:
            grams[rows.strain(h.lot)] += h.grams
            money[rows.strain(h.lot)] += h.amount
    return {strain: money[strain] / g for strain, g in grams.items() if g > 0}


def compare(rows, to):
    moves = rows.moves()
    for week in rows.weeks():
        begins, ends = rows.week_span(week)
        figures = rows.answer(f"/api/reports/weeks/{week}")["now"]
        here = counts_within(rows, begins, ends)
        compare_places(rows, to, week, standing(moves, ends - 1), here, counts_within(rows, 0, ends), figures["places"])
        to.same(f"{week} was counted", bool(here), figures["counted"] is not None)
        if not here:
            continue
        told, total = figures["counted"], added(sheets(rows, moves, begins, ends).values())
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
            to.same(f"{week} counted {name}", grams, to.field(told, name))
        for name in ("low_g", "likely_g", "high_g"):
            to.same(f"{week} counted expected {name}", sum(row[name] for _, row in here), told["expected"][name])
        through = total["opening"] + total["harvested"] + total["entered"]
        to.number(f"{week} unexplained_percent", 100 * beyond / through, told["unexplained_percent"], 1e-6)
        prices = mean_prices(rows, ends)
        worth = [
            prices[rows.strain(row["lot"])] * split(row)[1] for _, row in here if rows.strain(row["lot"]) in prices
        ]
        to.money(f"{week} unexplained_money", sum(worth), told["unexplained_money"], rows.unit * (1 + len(worth)))
        to.same(f"{week} last_counted_at", max(at for at, _ in here), micros(told["last_counted_at"]))
        worst = sorted(((row["lot"], row["place"], split(row)[1]) for _, row in here if split(row)[1]))
        to.same(
            f"{week} lots with an unexplained loss",
            worst,
            sorted((row["lot"], row["place"], row["unexplained_g"]) for row in told["lots"]),
        )


def compare_places(rows, to, week, grams, here, ever, told):
    """Of each place with stock, how much of it is of lots that were counted there in the week, and when it was counted last."""
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
            answer.get("closing_g"),
            answer.get("covered_g"),
            micros(answer.get("last_counted_at")),
            answer.get("in_week"),
        )
        to.same(f"{week} {place}: closing, covered, last counted, in the week", ours, theirs)
