"""Dockets: an order's line is rounded once, price × kilograms or packs that go out, halves by the farm's rule; its lots share it by weight,
largest remainders first."""

from collections import defaultdict
from decimal import Decimal

from money import lines_of
from rows import shared


def questions(rows):
    yield "/api/dockets?limit=200"


def kept_by_customers(rows):
    """Grams of each lot that customers have of each docket that was handed over; of one under way, none is missing."""
    taken_back = {a["reverses"] for a in rows.table("act")}
    by_act = {d["act_id"]: d["docket"] for d in rows.table("docket")}
    by_act |= {d["act_id"]: d["docket"] for d in rows.table("delivery")}
    handed = {d["docket"] for d in rows.table("docket") if d["van"] is None}
    handed |= {d["docket"] for d in rows.table("delivery") if d["act_id"] not in taken_back}
    kept = {docket: defaultdict(int) for docket in handed}
    for m in rows.moves():
        docket = by_act.get(m.act) or m.document
        if docket in kept and m.kind != "market_close" and "customer" in (m.source_kind, m.target_kind):
            kept[docket][m.lot] += m.grams if m.target_kind == "customer" else -m.grams
    return kept


def kept_money(rows, docket, lines, kept):
    """The amount of each lot, in proportion to what was kept of it, rounded once."""
    for lot in {line["lot"] for line in lines}:
        amount = sum(Decimal(line["amount"]) for line in lines if line["lot"] == lot)
        grams = sum(line["grams"] for line in lines if line["lot"] == lot)
        yield rows.rounded(amount * kept[docket][lot] / grams) if docket in kept else amount


def compare(rows, to):
    kept = kept_by_customers(rows)
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
        to.money(f"{docket} sent", sum(Decimal(line["amount"]) for line in of_docket), told[docket]["sent_net"])
        to.money(f"{docket} net", sum(kept_money(rows, docket, of_docket, kept)), told[docket]["net"])
