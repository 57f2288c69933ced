"""The week in money, by channel: what was handed over in it, less what came back in it, whenever it had been handed over."""
from collections import defaultdict
from decimal import Decimal

from money import handed_over


def questions(rows):
    for week in rows.weeks():
        yield f"/api/reports/weeks/{week}"


def compare(rows, to):
    channel = {c["customer"]: c["kind"] for c in rows.table("customer")}
    handed = handed_over(rows)
    for week in rows.weeks():
        begins, ends = rows.week_span(week)
        grams, net, parts = defaultdict(int), defaultdict(Decimal), defaultdict(int)
        for h in handed:
            if begins <= h.at < ends:
                grams[channel[h.customer]] += h.grams
                net[channel[h.customer]] += h.amount
                parts[channel[h.customer]] += not h.whole
        told = {m["channel"]: m for m in rows.answer(f"/api/reports/weeks/{week}")["now"]["money"]}
        for kind in sorted(set(grams) | set(told)):
            to.same(f"{week} {kind} grams", grams[kind], told.get(kind, {}).get("grams_g", 0))
            to.money(f"{week} {kind} net", net[kind], told.get(kind, {}).get("net", 0), rows.unit * parts[kind], f"{parts[kind]} parts of lines")
