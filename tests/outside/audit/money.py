"""Money by hand-over: it counts with its grams when goods are handed over, and is taken off when they come back, without tax. A part of a
docket's line is worth its share of the line's amount."""

from collections import defaultdict
from decimal import Decimal

from rows import micros


def lines_of(rows):
    found = defaultdict(list)
    for line in rows.table("docket_line"):
        found[line["docket"]].append(line)
    return found


class Handed:
    """Grams and money handed to a customer, less than nothing where they came back; and of a stall its fee and the tax in its takings."""

    def __init__(self, at, customer, lot, grams, amount, whole, fee=Decimal(0), tax=Decimal(0)):
        self.at, self.customer, self.lot, self.grams, self.amount, self.whole, self.fee, self.tax = (
            at,
            customer,
            lot,
            grams,
            amount,
            whole,
            fee,
            tax,
        )


def handed_over(rows, recorded=None):
    """Every hand-over and return, in the order of time; with `recorded`, as the book knew them at that instant."""
    dockets = {d["docket"]: d for d in rows.table("docket")}
    lines = {(line["docket"], line["line"]): line for line in rows.table("docket_line")}
    so_far, found = defaultdict(int), []
    for part in rows.parts(recorded):
        line = lines[part.docket, part.line]
        amount, grams = line["amount"], line["grams"]
        before = so_far[part.docket, part.line]
        after = so_far[part.docket, part.line] = before + part.grams
        worth = rows.rounded(amount * after / grams) - rows.rounded(amount * before / grams)
        whole = before in (0, grams) and after in (0, grams)
        found.append(Handed(part.at, dockets[part.docket]["customer"], line["lot"], part.grams, worth, whole))
    standing = {m.act for m in rows.moves(recorded)}
    for day in rows.table("market_day"):
        if day["status"] == "closed" and day["close_act"] in standing:
            # What no lot stands behind: cash that was rounded, and all of a day on which nothing was sold.
            sales = [s for s in rows.table("market_sale") if s["market_day"] == day["market_day"]]
            takings = day["cash"] - day["float_amount"] + day["card"]
            rest = day["net"] - sum(s["net"] for s in sales)
            fee = day["fee"] - sum(s["fee"] for s in sales)
            tax = takings - sum(s["amount"] for s in sales) - rest
            at = micros(rows.acts[day["close_act"]]["happened_at"])
            if rest or fee or tax:
                found.append(Handed(at, day["customer"], None, 0, rest, True, fee, tax))
    for sale in rows.table("market_sale"):
        day = next(d for d in rows.table("market_day") if d["market_day"] == sale["market_day"])
        if day["close_act"] in standing:
            at = micros(rows.acts[day["close_act"]]["happened_at"])
            found.append(
                Handed(
                    at,
                    day["customer"],
                    sale["lot"],
                    sale["grams"],
                    sale["net"],
                    True,
                    sale["fee"],
                    sale["amount"] - sale["net"],
                )
            )
    return sorted(found, key=lambda h: h.at)
