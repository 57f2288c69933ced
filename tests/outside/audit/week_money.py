"""The week in money, by channel, now and as it was closed: what was handed over in it, less what came back in it, whenever it had been
handed over."""

from collections import defaultdict
from decimal import Decimal

from money import handed_over
from rows import micros


def questions(rows):
    for week in rows.weeks():
        yield f"/api/reports/weeks/{week}"


def compare(rows, to):
    handed = handed_over(rows)
    closed_at = {c["week"]: micros(c["closed_at"]) for c in rows.table("week_close")}
    for week in rows.weeks():
        answer = rows.answer(f"/api/reports/weeks/{week}")
        hold(rows, to, f"{week} now", rows.week_span(week), handed, answer["now"])
        if week in closed_at and answer["closed"]:
            hold(rows, to, f"{week} closed", rows.week_span(week), handed_over(rows, closed_at[week]), answer["closed"])


def hold(rows, to, what, span, handed, figures):
    channel = {c["customer"]: c["kind"] for c in rows.table("customer")}
    grams, net, parts, back_g = defaultdict(int), defaultdict(Decimal), defaultdict(int), defaultdict(int)
    back, fee, tax = defaultdict(Decimal), defaultdict(Decimal), defaultdict(Decimal)
    for h in handed:
        if span[0] <= h.at < span[1]:
            kind = channel[h.customer]
            grams[kind] += h.grams
            net[kind] += h.amount
            fee[kind] += h.fee
            tax[kind] += h.tax
            parts[kind] += not h.whole
            if h.grams < 0:
                back_g[kind] -= h.grams
                back[kind] -= h.amount
    told = {m["channel"]: m for m in figures["money"]}
    for kind in sorted(set(grams) | set(told)):
        answer = told.get(kind, {})
        to.same(f"{what} {kind} grams", grams[kind], answer.get("grams_g", 0))
        to.money(
            f"{what} {kind} net",
            net[kind],
            answer.get("net", 0),
            rows.unit * parts[kind],
            f"{parts[kind]} parts of lines",
        )
        to.same(f"{what} {kind} returned_g", back_g[kind], answer.get("returned_g", 0))
        to.money(f"{what} {kind} returned", back[kind], answer.get("returned", 0), rows.unit * parts[kind])
        to.money(f"{what} {kind} fee", fee[kind], answer.get("fee", 0))
        to.money(f"{what} {kind} tax", tax[kind], answer.get("tax", 0))
        if answer.get("grams_g", 0) > 0:
            per_kg = rows.rounded((Decimal(answer["net"]) - Decimal(answer["fee"])) * 1000 / answer["grams_g"])
            to.money(f"{what} {kind} per_kg", per_kg, answer["per_kg"])
