"""Money of dockets and stalls.

An order's line is rounded once: price × kilograms or packs that go out, halves by the farm's rule; its lots share it by weight, largest
remainders first. Takings of a stall are cash less float, and card; its lots share them by weight. Money counts with its grams when goods are
handed over, and is taken off when they come back. A part of a line is worth its share of the line's amount.
"""
from collections import defaultdict
from decimal import Decimal

from rows import micros, shared


def questions(rows):
    yield "/api/dockets?limit=200"
    yield "/api/market-days?limit=200"


def lines_of(rows):
    found = defaultdict(list)
    for line in rows.table("docket_line"):
        found[line["docket"]].append(line)
    return found


class Handed:
    """Grams and money handed to a customer, less than nothing where they came back."""

    def __init__(self, at, customer, lot, grams, amount, whole):
        self.at, self.customer, self.lot, self.grams, self.amount, self.whole = at, customer, lot, grams, amount, whole


def handed_over(rows, recorded=None):
    """Every hand-over and return, in the order of time; with `recorded`, as the book knew them at that instant."""
    dockets = {d["docket"]: d for d in rows.table("docket")}
    by_act = {d["act_id"]: d["docket"] for d in dockets.values()} | {d["act_id"]: d["docket"] for d in rows.table("delivery")}
    lines, so_far, found = lines_of(rows), defaultdict(int), []
    moves = rows.moves(recorded)
    for m in moves:
        if "customer" not in (m.source_kind, m.target_kind) or m.kind == "market_close":
            continue
        docket = by_act.get(m.act) or m.document
        of_lot = [line for line in lines[docket] if line["lot"] == m.lot]
        amount, grams = sum(Decimal(line["amount"]) for line in of_lot), sum(line["grams"] for line in of_lot)
        before = so_far[docket, m.lot]
        after = before + (m.grams if m.target_kind == "customer" else -m.grams)
        so_far[docket, m.lot] = after
        worth = rows.rounded(amount * after / grams) - rows.rounded(amount * before / grams)
        found.append(Handed(m.at, dockets[docket]["customer"], m.lot, after - before, worth, before in (0, grams) and after in (0, grams)))
    standing = {m.act for m in moves}
    for sale in rows.table("market_sale"):
        day = next(d for d in rows.table("market_day") if d["market_day"] == sale["market_day"])
        if day["close_act"] in standing:
            at = micros(rows.acts[day["close_act"]]["happened_at"])
            found.append(Handed(at, day["customer"], sale["lot"], sale["grams"], Decimal(sale["amount"]), True))
    return sorted(found, key=lambda h: h.at)


def compare(rows, to):
    compare_dockets(rows, to)
    compare_stalls(rows, to)


def compare_dockets(rows, to):
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
        answers = {line["line"]: Decimal(line["amount"]) for line in told[docket]["lines"]}
        to.same(f"{docket} lines", {line["line"]: Decimal(line["amount"]) for line in of_docket}, answers)
        to.money(f"{docket} net", sum(Decimal(line["amount"]) for line in of_docket), told[docket]["net"])


def compare_stalls(rows, to):
    told = {d["market_day"]: d for d in rows.answer("/api/market-days?limit=200")["rows"]}
    for day in rows.table("market_day"):
        if day["status"] != "closed":
            continue
        what, answer = day["market_day"], told[day["market_day"]]
        takings = Decimal(day["cash"]) - Decimal(day["float_amount"]) + Decimal(day["card"])
        to.money(f"{what} takings", takings, answer["takings"])
        sold = defaultdict(int)
        for m in rows.moves():
            if m.act == day["close_act"] and m.target_kind == "customer":
                sold[m.lot] += m.grams
        to.same(f"{what} sold", dict(sold), {s["lot"]: s["grams_g"] for s in answer["sold"]})
        amounts = {s["lot"]: Decimal(s["amount"]) for s in answer["sold"]}
        to.money(f"{what} shares in all", takings if sold else 0, sum(amounts.values(), Decimal(0)))
        for lot, grams in sold.items():
            to.money(f"{what} share of {lot}", takings * grams / sum(sold.values()), amounts.get(lot), rows.unit)
