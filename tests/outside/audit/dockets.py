"""Dockets: an order's line is rounded once, price × kilograms or packs that go out, halves by the farm's rule; its lots share it by weight,
largest remainders first."""

from collections import defaultdict
from decimal import Decimal

from money import lines_of
from rows import shared


def questions(rows):
    yield "/api/dockets?limit=200"


def compare(rows, to):
    pack_g = {p["product"]: p["pack_g"] for p in rows.table("product")}
    told = {d["docket"]: d for d in rows.answer("/api/dockets?limit=200")["rows"]}
    lines = lines_of(rows)
    to.same("dockets", set(lines), set(told))
    for docket, of_docket in lines.items():
        by_order_line = defaultdict(list)
        for line in sorted(of_docket, key=lambda line: line["line"]):
            by_order_line[line["order_line"]].append(line)
        for number, group in by_order_line.items():
            grams = sum(line["grams"] for line in group)
            price = Decimal(group[0]["price"])
            quantity = Decimal(grams) / (1000 if group[0]["unit"] == "kg" else pack_g[group[0]["product"]])
            whole = rows.rounded(price * quantity)
            what = f"{docket} line {number}"
            to.money(f"{what} amount", whole, sum(Decimal(line["amount"]) for line in group))
            parts = shared(whole, [line["grams"] for line in group], rows.unit)
            to.same(f"{what} by lot", parts, [Decimal(line["amount"]) for line in group])
        answers = {line["line"]: line for line in told[docket]["lines"]}
        for line in of_docket:
            answer = answers.get(line["line"], {})
            names = ("product", "lot", "place", "harvest_day", "best_before", "unit")
            ours = (line["grams"], line["order_line"], *(line[n] for n in names))
            theirs = (answer.get("grams_g"), answer.get("order_line"), *(answer.get(n) for n in names))
            to.same(f"{docket} line {line['line']}", ours, theirs)
            for name in ("amount", "price", "tax_percent"):
                to.money(f"{docket} line {line['line']} {name}", line[name], answer.get(name))
        to.money(f"{docket} net", sum(Decimal(line["amount"]) for line in of_docket), told[docket]["net"])
