"""Dockets: an order's line is rounded once, price × kilograms or packs that go out, halves by the farm's rule; its lots share it by weight,
largest remainders first. What a customer kept of a line is what was handed over of it less what came back, and is worth the line's amount
in proportion, rounded once; of a docket under way nothing is missing, of one that is void nothing is kept."""

from collections import defaultdict
from decimal import Decimal

from money import lines_of
from rows import shared


def questions(rows):
    yield "/api/dockets?limit=200"


def became(rows):
    """What became of each docket line that counts: grams refused at the door, brought back and kept."""
    taken_back = {a["reverses"] for a in rows.table("act")}
    void = {d["docket"] for d in rows.table("docket") if d["act_id"] in taken_back}
    handed = {d["docket"] for d in rows.table("docket") if d["van"] is None}
    handed |= {d["docket"] for d in rows.table("delivery") if d["act_id"] not in taken_back}
    brought, back = defaultdict(int), defaultdict(int)
    for part in rows.parts():
        of = back if part.kind == "return" else brought
        of[part.docket, part.line] += abs(part.grams)
    found = {}
    for line in rows.table("docket_line"):
        key = line["docket"], line["line"]
        if line["docket"] in void:
            found[key] = 0, 0, 0
        elif line["docket"] not in handed:
            found[key] = 0, 0, line["grams"]
        else:
            found[key] = line["grams"] - brought[key], back[key], brought[key] - back[key]
    return found


def hold_parts(rows, to):
    """The lines that acts name are the grams that they moved to or from a customer."""
    lot = {(line["docket"], line["line"]): line["lot"] for line in rows.table("docket_line")}
    said, moved = defaultdict(int), defaultdict(int)
    for part in rows.parts():
        said[part.act, lot[part.docket, part.line]] += part.grams
    for m in rows.moves():
        if m.kind in ("dispatch", "delivery", "return") and "customer" in (m.source_kind, m.target_kind):
            moved[m.act, m.lot] += m.grams if m.target_kind == "customer" else -m.grams
    to.same("parts of docket lines", sorted(moved.items()), sorted(said.items()))


def compare(rows, to):
    hold_parts(rows, to)
    fates = became(rows)
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
        net = Decimal(0)
        for line in of_docket:
            answer, what = answers.get(line["line"], {}), f"{docket} line {line['line']}"
            fate = fates[docket, line["line"]]
            for name, grams in zip(("refused_g", "returned_g", "kept_g"), fate):
                to.same(f"{what} {name}", grams, answer.get(name))
            amount = rows.rounded(Decimal(line["amount"]) * fate[2] / line["grams"])
            to.money(f"{what} kept_amount", amount, answer.get("kept_amount"))
            net += amount
        to.money(f"{docket} sent_net", sum(Decimal(line["amount"]) for line in of_docket), told[docket]["sent_net"])
        to.money(f"{docket} net", net, told[docket]["net"])
